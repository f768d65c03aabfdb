//! The level of the input as the window shows it: the peak of now, and the highest of the last seconds.

use std::time::{Duration, Instant};

/// The lowest level shown, dB re full scale: under it lies the noise of a good room.
pub const FLOOR_DB: f32 = -60.0;
/// How fast the bar falls, dB per second: slow enough to be read, as peak meters have it (IEC 60268-18: 20 dB in 1.7 s) \[S\].
const FALL_DB_PER_S: f32 = 20.0 / 1.7;
/// How long the highest level stands, seconds \[H\].
const HOLD: Duration = Duration::from_secs(2);

/// A peak as decibels re full scale; silence is -infinity.
#[must_use]
pub fn decibels(peak: f32) -> f32 {
    20.0 * peak.abs().log10()
}

/// A meter.
#[derive(Debug, Clone, Copy)]
pub struct Level {
    bar_db: f32,
    held_db: f32,
    held_at: Instant,
    at: Instant,
}

impl Level {
    /// A meter that has seen nothing.
    #[must_use]
    pub fn new(now: Instant) -> Self {
        Self { bar_db: FLOOR_DB, held_db: FLOOR_DB, held_at: now, at: now }
    }

    /// Takes the highest sample since the last call.
    pub fn take(&mut self, peak: f32, now: Instant) {
        let elapsed_s = now.saturating_duration_since(self.at).as_secs_f32();
        let peak_db = if peak.is_finite() { decibels(peak).max(FLOOR_DB) } else { FLOOR_DB };
        self.bar_db = (self.bar_db - FALL_DB_PER_S * elapsed_s).max(peak_db);
        if peak_db >= self.held_db || now.saturating_duration_since(self.held_at) > HOLD {
            (self.held_db, self.held_at) = (peak_db, now);
        }
        self.at = now;
    }

    /// Where the bar stands, dB re full scale.
    #[must_use]
    pub fn bar_db(&self) -> f32 {
        self.bar_db
    }

    /// The highest of the last seconds, dB re full scale.
    #[must_use]
    pub fn held_db(&self) -> f32 {
        self.held_db
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn half_of_full_scale_is_minus_six_and_falls_twenty_in_one_point_seven_seconds() {
        let start = Instant::now();
        let mut level = Level::new(start);
        level.take(0.5, start);
        // 20 log10(0.5) = -6.0206.
        assert!((level.bar_db() + 6.0206).abs() < 1e-3);
        level.take(0.0, start + Duration::from_millis(1700));
        assert!((level.bar_db() + 26.0206).abs() < 1e-2, "{}", level.bar_db());
        assert!((level.held_db() + 6.0206).abs() < 1e-3, "it stands for two seconds");
        level.take(0.0, start + Duration::from_millis(2100));
        assert!((level.held_db() - FLOOR_DB).abs() < 1e-3);
    }

    #[test]
    fn what_is_no_number_is_no_level() {
        let start = Instant::now();
        let mut level = Level::new(start);
        for peak in [f32::NAN, f32::INFINITY, 0.0] {
            level.take(peak, start);
            assert!((level.bar_db() - FLOOR_DB).abs() < 1e-6);
        }
    }
}
