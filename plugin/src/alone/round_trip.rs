//! How late the sound of the loudspeaker comes back in at the microphone: short sweeps are played, and looked for in
//! what comes in.

/// Length of a sweep, seconds: long against the period of its lowest frequency, short against an echo.
const SWEEP_S: f64 = 0.02;
/// From and to, Hz: what small loudspeakers and any microphone carry.
const SWEEP_HZ: (f64, f64) = (1000.0, 6000.0);
/// Peak, re full scale: as a click.
const PEAK: f64 = 0.5;
/// Sweeps played, and from one to the next, seconds: longer than any round trip that is looked for.
pub const NUM_SWEEPS: usize = 7;
/// See [`NUM_SWEEPS`].
pub const EVERY_S: f64 = 0.6;
/// The longest round trip looked for, seconds: wireless loudspeakers take 0.3.
pub const MOST_S: f64 = 0.5;
/// It may come this much before the time stamps of the system say, seconds: they are rounded to a block.
const EARLIEST_S: f64 = 0.05;
/// Fewest sweeps that must be heard.
const FEWEST_HEARD: usize = 5;
/// A sweep is heard where its likeness (normalised correlation) is at least this. Noise of the sweep's length reaches
/// 0.2 \[C\]; behind a loudspeaker, a room and as much noise as sweep 0.5 remains \[H\].
const LEAST_LIKENESS: f64 = 0.4;
/// An echo may be as strong as the sweep itself: the first that is this share of the strongest is taken.
const FIRST_OF: f64 = 0.6;
/// Width of the hill that a sweep makes in the correlation, seconds: one over half of the sweep's band.
const HILL_S: f64 = 0.0004;
/// A spread over this, seconds, is no latency to rely on: a tenth of the timing line.
const MOST_SPREAD_S: f64 = 0.002;

/// What was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RoundTrip {
    /// Median, samples.
    pub samples: i64,
    /// Half of the distance between the earliest and the latest that were heard, samples.
    pub spread: f64,
    /// Sweeps heard.
    pub num_heard: usize,
}

/// Why there is none.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NotFound {
    /// So many sweeps were heard, too few.
    NotHeard(usize),
    /// They came back at different times, up to so many samples apart.
    Unsteady(u64),
}

impl std::fmt::Display for NotFound {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::NotHeard(num) => write!(
                f,
                "The microphone heard {num} of {NUM_SWEEPS} test sounds: turn the loudspeaker up, put the microphone \
                 before it (or one side of the headphones on it), and measure again."
            ),
            Self::Unsteady(samples) => write!(
                f,
                "The test sounds came back up to {samples} samples apart: the computer is too busy, or input and \
                 output run on different clocks. Measure again, or use one device for both."
            ),
        }
    }
}

/// One sweep. Allocates.
#[must_use]
pub fn sweep(rate_hz: f64) -> Vec<f32> {
    let len = (SWEEP_S * rate_hz).round() as usize;
    let slope = (SWEEP_HZ.1 - SWEEP_HZ.0) / SWEEP_S;
    let at = |i: usize| {
        let s = i as f64 / rate_hz;
        let window = (std::f64::consts::PI * (i as f64 + 0.5) / len as f64).sin();
        (PEAK * window * (std::f64::consts::TAU * (SWEEP_HZ.0 * s + 0.5 * slope * s * s)).sin()) as f32
    };
    (0..len).map(at).collect()
}

/// Looks for the sweeps in what came in. `sent` says at which sample of `heard` each would stand if nothing took time.
///
/// # Errors
/// Too few are heard, or they are not equally late.
pub fn find(heard: &[f32], sent: &[i64], rate_hz: f64) -> Result<RoundTrip, NotFound> {
    let sweep = sweep(rate_hz);
    let mut late: Vec<i64> = sent.iter().filter_map(|&at| late_by(heard, at, &sweep, rate_hz)).collect();
    late.sort_unstable();
    // One that a cough hid lies anywhere: those around the median stand.
    let median = late.get(late.len() / 2).copied().unwrap_or(0);
    let most = (MOST_SPREAD_S * rate_hz).round() as u64;
    let near: Vec<i64> = late.iter().copied().filter(|l| l.abs_diff(median) <= most).collect();
    match (near.first(), near.last()) {
        (Some(first), Some(last)) if near.len() >= FEWEST_HEARD => {
            Ok(RoundTrip { samples: median, spread: (last - first) as f64 / 2.0, num_heard: near.len() })
        }
        _ if late.len() >= FEWEST_HEARD => Err(NotFound::Unsteady(late[late.len() - 1].abs_diff(late[0]))),
        _ => Err(NotFound::NotHeard(late.len())),
    }
}

/// By how much one sweep is late, samples; `None` when it is not heard.
fn late_by(heard: &[f32], sent_at: i64, sweep: &[f32], rate_hz: f64) -> Option<i64> {
    let early = (EARLIEST_S * rate_hz) as i64;
    let from = usize::try_from((sent_at - early).max(0)).ok()?;
    let num = ((MOST_S + EARLIEST_S) * rate_hz) as usize;
    let end = heard.len().min(from.saturating_add(num + sweep.len()));
    let found = correlate(heard.get(from..end)?, sweep);
    let heard = |c: &&Correlation| c.likeness >= LEAST_LIKENESS;
    let strongest = found.iter().filter(heard).map(|c| c.strength).fold(0.0, f64::max);
    let first = found.iter().position(|c| heard(&c) && c.strength >= FIRST_OF * strongest)?;
    let hill = &found[first..found.len().min(first + 1 + (HILL_S * rate_hz).ceil() as usize)];
    let top = hill.iter().enumerate().max_by(|a, b| a.1.strength.total_cmp(&b.1.strength))?.0;
    Some((from + first + top) as i64 - sent_at)
}

/// How a place looks beside the sweep.
struct Correlation {
    /// Without regard to its sign: microphones and cables turn it.
    strength: f64,
    /// The same for a sound of the place's level, 0 to 1.
    likeness: f64,
}

fn correlate(sound: &[f32], sweep: &[f32]) -> Vec<Correlation> {
    let energy: f64 = sweep.iter().map(|s| f64::from(*s).powi(2)).sum();
    let at = |part: &[f32]| {
        let (mut product, mut own) = (0.0f32, 0.0f32);
        for (a, b) in part.iter().zip(sweep) {
            product += a * b;
            own += a * a;
        }
        let strength = f64::from(product).abs();
        let likeness = if own > f32::MIN_POSITIVE { strength / (energy * f64::from(own)).sqrt() } else { 0.0 };
        Correlation { strength, likeness }
    };
    sound.windows(sweep.len()).map(at).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE_HZ: f64 = 48_000.0;

    fn sent() -> Vec<i64> {
        (0..NUM_SWEEPS).map(|i| 4800 + (i as f64 * EVERY_S * RATE_HZ) as i64).collect()
    }

    /// The loop: late, softer, turned round, with echoes of a room and noise.
    fn looped(late: impl Fn(usize) -> i64, gain: f32, noise: f32) -> Vec<f32> {
        let sweep = sweep(RATE_HZ);
        let mut heard = vec![0.0f32; (RATE_HZ * (NUM_SWEEPS as f64 * EVERY_S + 1.0)) as usize];
        // Echoes: samples after the direct sound, and their share of it.
        for (echo, share) in [(0, 1.0f32), (211, -0.6), (530, 0.5), (1487, 0.4), (3001, -0.25)] {
            for (i, sent_at) in sent().into_iter().enumerate() {
                let start = (sent_at + late(i) + echo) as usize;
                for (out, s) in heard[start..].iter_mut().zip(&sweep) {
                    *out -= gain * share * s;
                }
            }
        }
        let mut random = fastrand(7);
        heard.iter_mut().for_each(|s| *s += noise * random());
        heard
    }

    /// Even noise from -1 to 1 (xorshift).
    fn fastrand(mut state: u32) -> impl FnMut() -> f32 {
        move || {
            state ^= state << 13;
            state ^= state >> 17;
            state ^= state << 5;
            state as f32 / u32::MAX as f32 * 2.0 - 1.0
        }
    }

    #[test]
    fn the_round_trip_is_found_within_a_sample_in_a_room_with_noise() {
        // The sweep's own level is 0.5 x 0.1; the noise reaches a fifth, then half of that.
        for (late, noise) in [(0, 0.0), (1, 0.01), (613, 0.01), (2048, 0.025), (14_399, 0.025)] {
            let found = find(&looped(|_| late, 0.1, noise), &sent(), RATE_HZ).expect("it is heard");
            assert!((found.samples - late).abs() <= 1, "{late}: {found:?}");
            assert!(found.spread <= 1.0 && found.num_heard >= FEWEST_HEARD, "{found:?}");
        }
    }

    #[test]
    fn silence_noise_and_too_few_are_refused_and_said() {
        let silent = vec![0.0; 300_000];
        assert_eq!(find(&silent, &sent(), RATE_HZ), Err(NotFound::NotHeard(0)));
        assert_eq!(find(&looped(|_| 500, 0.0, 0.3), &sent(), RATE_HZ), Err(NotFound::NotHeard(0)));
        assert_eq!(find(&[], &sent(), RATE_HZ), Err(NotFound::NotHeard(0)));
        let cut = &looped(|_| 500, 0.1, 0.01)[..90_000];
        let Err(NotFound::NotHeard(num)) = find(cut, &sent(), RATE_HZ) else { panic!("three are too few") };
        assert_eq!(num, 3);
        assert!(NotFound::NotHeard(3).to_string().contains("3 of 7"));
    }

    #[test]
    fn sweeps_that_come_back_at_different_times_are_refused() {
        let found = find(&looped(|i| 500 + 900 * i as i64, 0.1, 0.01), &sent(), RATE_HZ);
        assert_eq!(found, Err(NotFound::Unsteady(5400)));
    }

    #[test]
    fn one_that_lies_elsewhere_does_not_move_the_median() {
        let late = |i: usize| if i == 2 { 9000 } else { 700 };
        let found = find(&looped(late, 0.1, 0.01), &sent(), RATE_HZ).expect("six agree");
        assert_eq!((found.samples, found.num_heard), (700, 6));
    }
}
