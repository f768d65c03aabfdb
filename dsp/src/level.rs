//! The level of a front, over exactly one period of the note so that a steady tone has no ripple.

use crate::framer::History;

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
