//! A quantity over time, evenly sampled and linear between the points.

/// Distance of two points of every trajectory, s: fine against the 1 ms to which truth is quoted.
pub const STEP_S: f64 = 0.000_25;

/// A quantity over time.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    /// Time of the first point, s.
    pub start_s: f64,
    /// The points, [`STEP_S`] apart.
    pub values: Vec<f64>,
}

impl Curve {
    /// A curve from `start_s` to `end_s` made from a function of time.
    pub fn new(start_s: f64, end_s: f64, value: impl FnMut(f64) -> f64) -> Self {
        let len = ((end_s - start_s) / STEP_S).ceil().max(0.0) as usize + 1;
        Self { start_s, values: (0..len).map(|i| start_s + i as f64 * STEP_S).map(value).collect() }
    }

    /// Time of the last point, s.
    #[must_use]
    pub fn end_s(&self) -> f64 {
        self.time_s(self.values.len() - 1)
    }

    /// Time of a point, s.
    #[must_use]
    pub fn time_s(&self, i: usize) -> f64 {
        self.start_s + i as f64 * STEP_S
    }

    /// The point at or before a time, held at the ends.
    #[must_use]
    pub fn index(&self, at_s: f64) -> usize {
        (((at_s - self.start_s) / STEP_S).max(0.0) as usize).min(self.values.len() - 1)
    }

    /// The value at a time, held at the ends.
    #[must_use]
    pub fn at(&self, at_s: f64) -> f64 {
        let i = self.index(at_s);
        let next = self.values[(i + 1).min(self.values.len() - 1)];
        let part = ((at_s - self.time_s(i)) / STEP_S).clamp(0.0, 1.0);
        self.values[i] + (next - self.values[i]) * part
    }

    /// The points between two times.
    #[must_use]
    pub fn between(&self, from_s: f64, to_s: f64) -> &[f64] {
        let (from, to) = (self.index(from_s), self.index(to_s));
        &self.values[from..=to.max(from)]
    }

    /// First time from `from_s` on at which the curve is at least `value`; linear between points.
    #[must_use]
    pub fn first_at_least(&self, value: f64, from_s: f64) -> Option<f64> {
        let from = self.index(from_s);
        let i = (from..self.values.len()).find(|&i| self.values[i] >= value)?;
        if i == from {
            return Some(self.time_s(i).max(from_s));
        }
        let (before, after) = (self.values[i - 1], self.values[i]);
        Some(self.time_s(i - 1) + STEP_S * (value - before) / (after - before))
    }

    /// Time of the lowest point between two times.
    #[must_use]
    pub fn lowest_s(&self, from_s: f64, to_s: f64) -> f64 {
        let (from, to) = (self.index(from_s), self.index(to_s));
        let lowest = (from..=to).min_by(|&a, &b| self.values[a].total_cmp(&self.values[b]));
        self.time_s(lowest.unwrap_or(from))
    }

    /// Highest value between two times.
    #[must_use]
    pub fn highest(&self, from_s: f64, to_s: f64) -> f64 {
        self.between(from_s, to_s).iter().copied().fold(f64::NEG_INFINITY, f64::max)
    }
}

/// 0 before `from`, 1 after `to`, smooth between (3x^2 - 2x^3).
#[must_use]
pub fn smoothstep(from: f64, to: f64, x: f64) -> f64 {
    let part = ((x - from) / (to - from)).clamp(0.0, 1.0);
    part * part * (3.0 - 2.0 * part)
}

/// 1 at `centre`, falling to 0 at `half_width` on both sides: a raised cosine.
#[must_use]
pub fn bump(centre: f64, half_width: f64, x: f64) -> f64 {
    let part = (x - centre) / half_width;
    if part.abs() < 1.0 { 0.5 + 0.5 * (std::f64::consts::PI * part).cos() } else { 0.0 }
}
