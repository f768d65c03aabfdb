//! Distance of an entrance from the beats.

use crate::settings::Grid;

/// What one entrance is timed against.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Beat {
    /// The beat or subdivision next to it, seconds from the first sample.
    pub at_s: f64,
    /// Length of a whole beat there, seconds.
    pub length_s: f64,
}

impl Grid {
    /// The beat or subdivision next to a time in seconds.
    #[must_use]
    pub fn nearest(&self, time_s: f64) -> Beat {
        Beat { at_s: time_s - deviation_ms(time_s, self) / 1e3, length_s: 60.0 / self.bpm }
    }
}

/// Distance of a time from the nearest beat or subdivision, ms; positive = late.
#[must_use]
pub fn deviation_ms(time_s: f64, grid: &Grid) -> f64 {
    let step_s = step_s(grid);
    let steps = (time_s - grid.first_beat_s) / step_s;
    (steps - steps.round()) * step_s * 1e3
}

/// Distance of two places of the grid, s.
#[must_use]
pub fn step_s(grid: &Grid) -> f64 {
    60.0 / grid.bpm / f64::from(grid.per_beat)
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn late_is_positive_and_the_nearest_beat_counts() {
        let grid = Grid { bpm: 60.0, first_beat_s: 1.0, per_beat: 2 };
        assert_abs_diff_eq!(deviation_ms(2.02, &grid), 20.0, epsilon = 1e-9);
        assert_abs_diff_eq!(deviation_ms(2.48, &grid), -20.0, epsilon = 1e-9);
        // Before the first beat the grid goes on.
        assert_abs_diff_eq!(deviation_ms(0.01, &grid), 10.0, epsilon = 1e-9);
    }
}
