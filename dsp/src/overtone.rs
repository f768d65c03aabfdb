//! Whether a tone stands on the pitch it was found at, or on a multiple of it. Where a room still rings with the note before, both
//! together come again after some periods of the new one, and a tracker of periods takes an octave, a twelfth or more under it for
//! the pitch. The spectrum tells: of the harmonics of such a pitch only every second, third, ... is there.

use crate::framer::History;
use crate::harmonic::{MAX_AMPLITUDES, amplitudes};
use crate::parameters::pitch::{MOST_OVER_BETWEEN, MULTIPLE_SHARE};
use crate::window::hann_at;

/// The multiples that are asked for, the highest first \[T\].
const MULTIPLES: [usize; 6] = [7, 6, 5, 4, 3, 2];
/// Longest window, s, and shortest, periods: four are the width of a Hann window's main lobe \[T\].
const LONGEST_S: f64 = 0.150;
const LEAST_PERIODS: f64 = 4.0;
/// Highest harmonic, Hz \[T\].
const TOP_HZ: f64 = 3_500.0;

/// A ratio of pitches is whole within this: half a semitone \[T\].
const NEAR_WHOLE: f64 = 0.03;

/// Tells multiples; its lists are allocated once.
pub struct OvertoneFinder {
    rate_hz: f64,
    window: Vec<f32>,
    amplitudes: Vec<f32>,
}

impl OvertoneFinder {
    /// A finder at an internal rate, Hz.
    #[must_use]
    pub fn new(rate_hz: f64) -> Self {
        let longest = (LONGEST_S * rate_hz) as usize + 1;
        Self { rate_hz, window: Vec::with_capacity(longest), amplitudes: Vec::with_capacity(MAX_AMPLITUDES + 8) }
    }

    /// How many times the pitch it was found at, Hz, a tone between two internal samples stands; `rings` is the pitch of the note
    /// before, Hz.
    pub fn multiple(&mut self, history: &History, (from, to): (i64, i64), hz: f64, rings: Option<f64>) -> f64 {
        let len = (to - from).min((LONGEST_S * self.rate_hz) as i64);
        if (len as f64) < LEAST_PERIODS * self.rate_hz / hz {
            return 1.0;
        }
        let Some(x) = history.window((from + to - len) / 2, len as usize) else { return 1.0 };
        self.window.clear();
        self.window.extend(x.iter().enumerate().map(|(i, v)| v * hann_at(i, x.len())));
        let num = (TOP_HZ.min(0.42 * self.rate_hz) / hz) as usize;
        amplitudes(&self.window, 0.5 * hz / self.rate_hz, 2 * num, &mut self.amplitudes);
        let rings = rings.and_then(|rings| whole(rings / hz));
        MULTIPLES.into_iter().find(|&k| k <= num && self.is_at(k, rings)).unwrap_or(1) as f64
    }

    /// True when hardly anything but every `k`-th harmonic is there: the others no more than what lies between all of them, those of
    /// the note before aside, which rings at the multiple `rings`.
    fn is_at(&self, k: usize, rings: Option<usize>) -> bool {
        let rings = rings.filter(|m| !k.is_multiple_of(*m) && !m.is_multiple_of(k));
        let (mut own, mut ringing, mut others, mut between, mut num_others, mut num_between) =
            (0.0, 0.0, 0.0, 0.0, 0, 0);
        for (i, amplitude) in self.amplitudes.iter().enumerate() {
            let (n, power) = (i.div_ceil(2), amplitude * amplitude);
            match () {
                () if i % 2 == 0 => (between, num_between) = (between + power, num_between + 1),
                () if n.is_multiple_of(k) => own += power,
                () if rings.is_some_and(|m| n.is_multiple_of(m)) => ringing += power,
                () => (others, num_others) = (others + power, num_others + 1),
            }
        }
        let most = MOST_OVER_BETWEEN * between * num_others as f32 / num_between as f32;
        own > ringing && own > MULTIPLE_SHARE * (own + others) && others < most
    }
}

/// The whole number of two or more that a ratio is, within what a room and a slide leave of it.
fn whole(ratio: f64) -> Option<usize> {
    let near = ratio.round();
    (near >= 2.0 && (ratio / near - 1.0).abs() < NEAR_WHOLE).then_some(near as usize)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_sounds::{history, sound, tone, with_noise};

    /// What a tone of `hz` is told to be when it was found at `hz / k`.
    fn told(samples: &[f32], hz: f64) -> f64 {
        let (history, rate_hz) = history(samples);
        let at = |s: f64| (s * rate_hz) as i64;
        OvertoneFinder::new(rate_hz).multiple(&history, (at(0.2), at(0.5)), hz, None)
    }

    #[test]
    fn a_tone_found_at_a_fraction_of_its_pitch_is_told_the_multiple() {
        for hz in [174.61, 349.23, 523.25] {
            let samples = sound(0.8, |s| tone(hz, 1..=8, 0.1, s));
            for k in [1.0, 2.0, 3.0, 4.0, 5.0] {
                assert_eq!(told(&samples, hz / k), k, "{hz} Hz found at {}", hz / k);
            }
        }
    }

    /// The note before rings on 6 dB under the new one, as loud as rooms do.
    #[test]
    fn what_rings_beside_it_does_not_hide_it() {
        let samples = sound(0.8, |s| tone(525.0, 1..=6, 0.1, s) + 0.5 * tone(470.0, 1..=6, 0.1, s));
        assert_eq!(told(&samples, 105.0), 5.0);
    }

    /// F4 after B flat 3: a fifth of the two comes again with B flat 2, and so do the two together.
    #[test]
    fn harmonics_of_the_note_before_speak_for_nothing() {
        let (before, now) = (233.08, 349.62);
        let samples = sound(0.8, |s| tone(now, 1..=8, 0.1, s) + 0.4 * tone(before, 1..=8, 0.1, s));
        let (heard, rate_hz) = history(&samples);
        let told = |rings| {
            OvertoneFinder::new(rate_hz).multiple(
                &heard,
                ((0.2 * rate_hz) as i64, (0.5 * rate_hz) as i64),
                now / 3.0,
                rings,
            )
        };
        assert_eq!((told(Some(before)), told(None)), (3.0, 1.0), "of one note alone that would be a B flat 2");
        // The same note again, found an octave under itself: what is there is its own.
        let again = sound(0.8, |s| tone(before, 1..=8, 0.1, s));
        let found = history(&again).0;
        let multiple = OvertoneFinder::new(rate_hz).multiple(&found, (2_400, 6_000), before / 2.0, Some(before));
        assert_eq!(multiple, 2.0);
    }

    /// Low brass has weak fundamentals and strong partials up to 1 kHz, its pedals all the more: these stay where they are.
    #[test]
    fn low_notes_with_weak_fundamentals_stay() {
        for (hz, strongest) in [(58.27, 9.0), (82.41, 6.0), (116.54, 5.0)] {
            let weight = |k: f64| (-((k - strongest) / 4.0).powi(2)).exp();
            let partial = |k: u32, s: f64| weight(f64::from(k)) * (std::f64::consts::TAU * hz * f64::from(k) * s).sin();
            let samples = with_noise(sound(0.8, |s| 0.05 * (1..=24).map(|k| partial(k, s)).sum::<f64>()), 4e-6, 1);
            assert_eq!(told(&samples, hz), 1.0, "{hz} Hz");
        }
    }

    #[test]
    fn what_is_too_short_or_out_of_reach_is_left_alone() {
        let samples = sound(0.8, |s| tone(233.08, 1..=8, 0.1, s));
        let (history, rate_hz) = history(&samples);
        let mut finder = OvertoneFinder::new(rate_hz);
        assert_eq!(finder.multiple(&history, (3_000, 3_100), 58.27, None), 1.0, "half a period");
        assert_eq!(finder.multiple(&history, (3_000, 3_000), 58.27, None), 1.0);
        assert_eq!(finder.multiple(&history, (3_000, 6_000), 4_000.0, None), 1.0, "no harmonic is looked at");
    }
}
