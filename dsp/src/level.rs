//! The level of a front, over exactly one period of the note so that a steady tone has no ripple.

use crate::framer::History;

/// Crossings each side of a soft threshold, and how far they reach as a share of its amplitude (2.3 dB up, 3.1 down)
/// \[T\].
const CROSSINGS_EACH_SIDE: i32 = 4;
const SOFTNESS: f64 = 0.3;

/// Level over time, one value a millisecond, mean square over one period.
#[derive(Debug)]
pub struct LevelTrack {
    start: i64,
    step: f64,
    power: Vec<f64>,
}

impl LevelTrack {
    /// An empty track with room for `capacity` values.
    #[must_use]
    pub fn with_capacity(capacity: usize) -> Self {
        Self { start: 0, step: 1.0, power: Vec::with_capacity(capacity) }
    }

    /// A track of given values, for tests.
    #[cfg(test)]
    #[must_use]
    pub fn of(start: i64, step: f64, power: &[f64]) -> Self {
        Self { start, step, power: power.to_vec() }
    }

    /// Fills the track from `from` to `to` (internal samples), a value each `step`, each over one `period`.
    pub fn fill(&mut self, history: &History, from: i64, to: i64, step: f64, period: f64) {
        self.start = from;
        self.step = step;
        self.power.clear();
        let half = (period / 2.0).round() as i64;
        let num = (((to - from) as f64 / step).max(0.0) as usize).min(self.power.capacity());
        for i in 0..num {
            let t = from + (i as f64 * step).round() as i64;
            self.power.push(history.band_power(t - half, t + half));
        }
    }

    /// Fills the track with a value for every one of another, from its time and value.
    pub fn fill_from(&mut self, other: &Self, mut value: impl FnMut(f64, f64) -> f64) {
        (self.start, self.step) = (other.start, other.step);
        self.power.clear();
        self.power.extend(other.power.iter().enumerate().map(|(i, p)| value(other.time(i as f64), *p)));
    }

    /// Distance of two values, internal samples.
    #[must_use]
    pub fn step(&self) -> f64 {
        self.step
    }

    /// Internal sample of value `i` (fractions allowed).
    #[must_use]
    pub fn time(&self, i: f64) -> f64 {
        self.start as f64 + i * self.step
    }

    /// Value nearest to an internal sample.
    #[must_use]
    pub fn index(&self, time: f64) -> usize {
        (((time - self.start as f64) / self.step).round().max(0.0) as usize).min(self.power.len().saturating_sub(1))
    }

    /// Level at a time, mean square.
    #[must_use]
    pub fn at(&self, time: f64) -> f64 {
        self.power.get(self.index(time)).copied().unwrap_or(0.0)
    }

    /// Highest level between two times.
    #[must_use]
    pub fn max(&self, from: f64, to: f64) -> f64 {
        self.slice(from, to).iter().copied().fold(0.0, f64::max)
    }

    /// Time of the highest level between two times.
    #[must_use]
    pub fn top(&self, from: f64, to: f64) -> f64 {
        let highest = self.slice(from, to).iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1));
        highest.map_or(from, |(i, _)| self.time((self.index(from) + i) as f64))
    }

    /// Lowest level between two times and its time.
    #[must_use]
    pub fn min(&self, from: f64, to: f64) -> (f64, f64) {
        let first = self.index(from);
        let lowest = self.slice(from, to).iter().enumerate().min_by(|a, b| a.1.total_cmp(b.1));
        lowest.map_or((0.0, from), |(i, p)| (*p, self.time((first + i) as f64)))
    }

    /// Values between two times.
    #[must_use]
    pub fn slice(&self, from: f64, to: f64) -> &[f64] {
        if self.power.is_empty() {
            return &[];
        }
        let (a, b) = (self.index(from), self.index(to));
        &self.power[a..=b.max(a)]
    }

    /// Where the level, less `offset`, reaches `target`: the mean of the crossings of amplitudes evenly around it, and how far
    /// they stray from an even rise (standard deviation). A single threshold leaps where the level stands still beside it.
    #[must_use]
    pub fn soft_crossing(&self, from: f64, to: f64, offset: f64, target: f64) -> Option<(f64, f64)> {
        let (mut sum, mut squares, mut along) = (0.0, 0.0, 0.0);
        for k in -CROSSINGS_EACH_SIDE..=CROSSINGS_EACH_SIDE {
            let off = f64::from(k) / f64::from(CROSSINGS_EACH_SIDE);
            let share = 1.0 + SOFTNESS * off;
            let at = self.crossing(from, to, offset, share * share * target)? - from;
            sum += at;
            squares += at * at;
            along += off * at;
        }
        let (each, num) = (f64::from(CROSSINGS_EACH_SIDE), f64::from(2 * CROSSINGS_EACH_SIDE + 1));
        // Variance of 2 n + 1 numbers evenly from -1 to 1.
        let spread = (each + 1.0) / (3.0 * each);
        let (mean, slope) = (sum / num, along / num / spread);
        let stray = squares / num - mean * mean - slope * slope * spread;
        Some((from + mean, stray.max(0.0).sqrt()))
    }

    /// First time from `from` on at which the level, less `offset`, reaches `target`; linear in amplitude.
    #[must_use]
    pub fn crossing(&self, from: f64, to: f64, offset: f64, target: f64) -> Option<f64> {
        let (a, b) = (self.index(from), self.index(to));
        let amp = |i: usize| (self.power[i] - offset).max(0.0).sqrt();
        let goal = target.sqrt();
        let i = (a..=b).find(|&i| i < self.power.len() && amp(i) >= goal)?;
        if i == a {
            return Some(self.time(i as f64));
        }
        let (low, high) = (amp(i - 1), amp(i));
        Some(self.time(i as f64 - (high - goal) / (high - low).max(1e-12)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_sounds::{history, sound, tone};
    use approx::assert_abs_diff_eq;

    /// Amplitude that rises by one a second, a value each sample of a rate of 1 kHz.
    fn ramp() -> LevelTrack {
        LevelTrack::of(100, 1.0, &(0..1000).map(|i| (f64::from(i) * 1e-3).powi(2)).collect::<Vec<_>>())
    }

    #[test]
    fn a_steady_tone_has_no_ripple_over_its_own_period() {
        for hz in [58.27, 116.54, 233.08] {
            let (history, rate_hz) = history(&sound(1.0, |s| tone(hz, 1..=6, 0.1, s)));
            let mut track = LevelTrack::with_capacity(600);
            let (from, to) = ((0.3 * rate_hz) as i64, (0.8 * rate_hz) as i64);
            track.fill(&history, from, to, 0.001 * rate_hz, rate_hz / hz);
            let (low, _) = track.min(from as f64, to as f64);
            let ripple_db = 10.0 * (track.max(from as f64, to as f64) / low).log10();
            // A whole number of samples is not a whole period: half a sample of it.
            assert!(ripple_db < 0.2, "{hz} Hz: {ripple_db} dB");
        }
    }

    #[test]
    fn a_crossing_lies_where_a_straight_rise_reaches_it() {
        let track = ramp();
        assert_abs_diff_eq!(track.crossing(100.0, 1099.0, 0.0, 0.25).expect("0.5 is reached"), 600.0, epsilon = 1e-6);
        assert_abs_diff_eq!(
            track.crossing(100.0, 1099.0, 0.0, 0.123_4f64.powi(2)).expect("reached"),
            223.4,
            epsilon = 1e-6
        );
        assert!(track.crossing(100.0, 1099.0, 0.0, 1.2).is_none(), "it ends under that");
        assert_eq!(track.crossing(700.0, 1099.0, 0.0, 0.25), Some(700.0), "it stands over it from the first");
    }

    #[test]
    fn a_soft_crossing_of_a_straight_rise_is_the_crossing_and_sure() {
        let (at, sd) = ramp().soft_crossing(100.0, 1099.0, 0.0, 0.25).expect("reached");
        assert_abs_diff_eq!(at, 600.0, epsilon = 1e-6);
        assert_abs_diff_eq!(sd, 0.0, epsilon = 1e-3);
    }

    #[test]
    fn a_step_beside_the_threshold_makes_a_soft_crossing_unsure() {
        // Up to just under the threshold at once, and 200 ms later past it.
        let value = |i: i32| {
            if i < 100 {
                0.0
            } else if i < 300 {
                0.48
            } else {
                1.0
            }
        };
        let track = LevelTrack::of(0, 1.0, &(0..600).map(|i| f64::powi(value(i), 2)).collect::<Vec<_>>());
        let (at, sd) = track.soft_crossing(0.0, 599.0, 0.0, 0.25).expect("reached");
        assert!(at > 120.0 && at < 290.0 && sd > 20.0, "{at} {sd}");
    }

    #[test]
    fn places_outside_are_those_at_the_ends() {
        let track = ramp();
        assert_eq!((track.index(0.0), track.index(5000.0)), (0, 999));
        assert_eq!(track.slice(1090.0, 9000.0).len(), 10);
        assert_eq!(track.at(-3.0), 0.0);
        assert_eq!(LevelTrack::with_capacity(4).slice(0.0, 9.0), &[] as &[f64]);
    }
}
