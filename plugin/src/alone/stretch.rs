//! Sound at another speed and at its pitch: for listening.
//!
//! Pieces that overlap by half are laid further apart or nearer; each is taken from where it continues the one before best
//! (Verhelst & Roelands 1993, ICASSP 2:554-557, waveform similarity). As on the page.

/// Length of a piece, s.
const PIECE_S: f64 = 0.05;
/// How far a piece is looked for, s: a period of the lowest pedal is 17 ms long, so that one always lies within reach.
const SEARCH_S: f64 = 0.012;
/// Steps of the first look, samples.
const COARSE: usize = 4;
/// No click where a sound begins or ends, s.
const FADE_S: f64 = 0.004;

/// The same sound at a speed (0.5 = half), at its pitch; the rate in Hz. Allocates.
#[must_use]
pub fn stretched(samples: &[f32], rate_hz: f64, speed: f64) -> Vec<f32> {
    let hop = (PIECE_S * rate_hz / 2.0).round() as usize;
    if speed == 1.0 || hop == 0 || samples.is_empty() {
        return samples.to_vec();
    }
    let (piece, search) = (2 * hop, (SEARCH_S * rate_hz).round() as usize);
    let len = (samples.len() as f64 / speed).ceil() as usize;
    let mut out = vec![0.0; len + piece];
    let mut natural = 0;
    for (k, at) in (0..len).step_by(hop).enumerate() {
        let wanted = (at as f64 * speed).round() as usize;
        let from = if k == 0 { 0 } else { best(samples, natural, wanted, search, piece) };
        for i in 0..piece {
            let part = if k == 0 && i < hop { 1.0 } else { weight(i, hop) };
            out[at + i] += part * samples.get(from + i).copied().unwrap_or(0.0);
        }
        natural = from + hop;
    }
    out.truncate(len);
    out
}

/// Hann, so that two halves add up to one.
fn weight(i: usize, hop: usize) -> f32 {
    (0.5 - 0.5 * (std::f64::consts::PI * (i as f64 + 0.5) / hop as f64).cos()) as f32
}

/// Where near `wanted` the sound is most like that at `natural`: roughly, then to the sample.
fn best(samples: &[f32], natural: usize, wanted: usize, search: usize, len: usize) -> usize {
    let look = |from: usize, to: usize, step: usize| {
        let likeness = |at: usize| likeness(samples, natural, at, len, step);
        let all = (from..=to).step_by(step).map(|at| (at, likeness(at)));
        // In silence nothing is like anything: then it is taken where it is wanted.
        let nearer = |a: usize, b: usize| b.abs_diff(wanted).cmp(&a.abs_diff(wanted));
        all.max_by(|a, b| a.1.total_cmp(&b.1).then_with(|| nearer(a.0, b.0))).map_or(wanted, |(at, _)| at)
    };
    let near = look(wanted.saturating_sub(search), wanted + search, COARSE);
    look(near.saturating_sub(COARSE), near + COARSE, 1)
}

fn likeness(samples: &[f32], a: usize, b: usize, len: usize, step: usize) -> f64 {
    let at = |i: usize| f64::from(samples.get(i).copied().unwrap_or(0.0));
    let pairs = (0..len).step_by(step).map(|i| (at(a + i), at(b + i)));
    let (both, power) = pairs.fold((0.0, 1e-9), |(both, power), (x, y)| (both + x * y, power + y * y));
    both / power.sqrt()
}

/// Without a click at either end.
pub fn fade(samples: &mut [f32], rate_hz: f64) {
    let len = ((FADE_S * rate_hz).round() as usize).min(samples.len() / 2);
    let last = samples.len().saturating_sub(1);
    for i in 0..len {
        let part = i as f32 / len as f32;
        samples[i] *= part;
        samples[last - i] *= part;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use notefront_takes::audio_file::resampled;

    fn sine(hz: f64, rate_hz: f64, seconds: f64) -> Vec<f32> {
        let at = |i: usize| 0.5 * (std::f64::consts::TAU * hz * i as f64 / rate_hz).sin();
        (0..(seconds * rate_hz) as usize).map(|i| at(i) as f32).collect()
    }

    /// Pitch by the rises through zero, first to last, Hz.
    fn pitch_hz(samples: &[f32], rate_hz: f64) -> f64 {
        let crossing = |i: usize| {
            let (a, b) = (f64::from(samples[i - 1]), f64::from(samples[i]));
            (a < 0.0 && b >= 0.0).then(|| i as f64 - b / (b - a))
        };
        let all: Vec<f64> = (1..samples.len()).filter_map(crossing).collect();
        (all.len() - 1) as f64 / (all[all.len() - 1] - all[0]) * rate_hz
    }

    #[test]
    fn slow_sound_keeps_its_pitch_within_five_cents() {
        // From the lowest pedal to the high register; the issue asks for 5 cents.
        for hz in [58.27, 116.54, 233.08, 349.23, 466.16, 698.46] {
            for speed in [0.5, 0.75] {
                let slow = stretched(&sine(hz, 48_000.0, 2.0), 48_000.0, speed);
                assert!((slow.len() as f64 - 96_000.0 / speed).abs() <= 1.0);
                let inner = &slow[9_600..slow.len() - 9_600];
                let cents = 1200.0 * (pitch_hz(inner, 48_000.0) / hz).log2();
                assert!(cents.abs() < 5.0, "{hz} Hz at {speed}: {cents} cents off");
                // Pieces that fit add up to the same sound: nothing of it is lost where they overlap.
                let peak = inner.iter().fold(0.0f32, |peak, s| peak.max(s.abs()));
                assert!((peak - 0.5).abs() < 0.03, "{hz} Hz at {speed}: {peak}");
            }
        }
    }

    #[test]
    fn what_happens_at_a_time_happens_at_its_time_slowed() {
        let mut samples = vec![0.0; 48_000];
        samples[24_000..].copy_from_slice(&sine(200.0, 48_000.0, 0.5));
        let slow = stretched(&samples, 48_000.0, 0.5);
        let first = slow.iter().position(|s| s.abs() > 0.1).expect("it sounds");
        // A piece that holds it begins up to its own length before it, and may be moved.
        assert!((first as f64 / 48_000.0 - 1.0).abs() < PIECE_S + SEARCH_S, "{first}");
    }

    #[test]
    fn another_rate_keeps_pitch_level_and_length() {
        for (from_hz, to_hz) in [(44_100.0, 48_000.0), (48_000.0, 44_100.0), (8_000.0, 48_000.0), (96_000.0, 44_100.0)]
        {
            let out = resampled(&sine(440.0, from_hz, 1.0), from_hz, to_hz);
            assert_eq!(out.len(), to_hz as usize);
            let inner = &out[1_000..out.len() - 1_000];
            let cents = 1200.0 * (pitch_hz(inner, to_hz) / 440.0).log2();
            assert!(cents.abs() < 0.1, "{from_hz} to {to_hz}: {cents}");
            let peak = inner.iter().fold(0.0f32, |peak, s| peak.max(s.abs()));
            assert!((peak - 0.5).abs() < 0.01, "{peak}");
        }
        // What the lower rate cannot hold is left off: 15 kHz at 22.05 kHz would come back as 7.05 kHz.
        let high = resampled(&sine(15_000.0, 48_000.0, 0.5), 48_000.0, 22_050.0);
        assert!(high[500..10_000].iter().all(|s| s.abs() < 0.01));
    }

    #[test]
    fn nothing_and_next_to_nothing_come_through() {
        for samples in [&[][..], &[0.5][..], &[0.5, -0.5, 0.5][..]] {
            for speed in [0.5, 0.75, 1.0] {
                assert_eq!(stretched(samples, 48_000.0, speed).len(), (samples.len() as f64 / speed).ceil() as usize);
            }
            let _ = resampled(samples, 44_100.0, 48_000.0);
            fade(&mut samples.to_vec(), 48_000.0);
        }
        assert!(stretched(&[1.0; 64], 10.0, 0.5).len() >= 64, "a rate without pieces");
    }
}
