//! The loudness outline of a pass: one byte for each 10 ms.

/// Outline points per second.
pub const POINTS_PER_S: f64 = 100.0;
/// Level of byte 0, dB re full scale; byte 255 is full scale.
pub const FLOOR_DB: f32 = -72.0;

/// A rise is told from so much on each side, s.
const SIDE_S: f64 = 0.03;
/// Smallest rise that a place is moved to, dB \[H\].
const LEAST_RISE_DB: f32 = 3.0;
/// Fewest points a second that a rise is told from.
const COARSEST_PER_S: f64 = 40.0;

/// Peak levels over time. Grows with the pass.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Wave {
    points: Vec<u8>,
    points_per_s: f64,
    peak: f32,
    samples_in_point: f64,
    samples_per_point: f64,
}

impl Wave {
    /// An outline of sound at `sample_rate_hz`.
    #[must_use]
    pub fn new(sample_rate_hz: f64) -> Self {
        let samples_per_point = sample_rate_hz / POINTS_PER_S;
        Self { points_per_s: POINTS_PER_S, samples_per_point, ..Self::default() }
    }

    /// An outline from stored points.
    #[must_use]
    pub fn from_points(points: Vec<u8>, points_per_s: f64) -> Self {
        Self { points, points_per_s, ..Self::default() }
    }

    /// Takes the next samples.
    pub fn push(&mut self, samples: &[f32]) {
        for sample in samples {
            self.peak = self.peak.max(sample.abs());
            self.samples_in_point += 1.0;
            if self.samples_in_point >= self.samples_per_point {
                self.points.push(level_to_byte(self.peak));
                self.peak = 0.0;
                self.samples_in_point -= self.samples_per_point;
            }
        }
    }

    /// Takes off what lies after a time.
    pub fn truncate(&mut self, s: f64) {
        self.points.truncate((s * self.points_per_s).max(0.0) as usize);
    }

    /// The points, one byte each.
    #[must_use]
    pub fn points(&self) -> &[u8] {
        &self.points
    }

    /// Points per second.
    #[must_use]
    pub fn points_per_s(&self) -> f64 {
        self.points_per_s
    }

    /// Highest level between two times, 0 (at or below the floor) to 1 (full scale).
    #[must_use]
    pub fn level_between(&self, from_s: f64, to_s: f64) -> f32 {
        let index = |s: f64| (s * self.points_per_s).max(0.0) as usize;
        let from = index(from_s).min(self.points.len());
        let to = index(to_s).max(from + 1).min(self.points.len());
        f32::from(self.points[from..to].iter().copied().max().unwrap_or(0)) / 255.0
    }

    /// Where the sound rises most within `reach_s` of a time, s: by the mean of 30 ms after it over that of 30 ms before.
    /// `None` where nothing rises by [`LEAST_RISE_DB`], or the outline is too coarse to tell.
    #[must_use]
    pub fn rise_near(&self, at_s: f64, reach_s: f64) -> Option<f64> {
        if self.points_per_s < COARSEST_PER_S {
            return None;
        }
        let side = (SIDE_S * self.points_per_s).round().max(1.0) as usize;
        let place = |s: f64| (s * self.points_per_s).round().max(0.0) as usize;
        let mean = |part: &[u8]| part.iter().map(|&p| f32::from(p)).sum::<f32>() / part.len() as f32;
        let rise = |i: usize| {
            let (before, after) = (self.points.get(i.checked_sub(side)?..i)?, self.points.get(i..i + side)?);
            Some((i, (mean(after) - mean(before)) / 255.0 * -FLOOR_DB))
        };
        let rises = (place(at_s - reach_s)..=place(at_s + reach_s)).filter_map(rise);
        let (i, _) = rises.filter(|(_, db)| *db >= LEAST_RISE_DB).max_by(|a, b| a.1.total_cmp(&b.1))?;
        Some(i as f64 / self.points_per_s)
    }

    /// The same outline with at most `max_points` points: every group keeps its highest.
    #[must_use]
    pub fn thinned(&self, max_points: usize) -> (Vec<u8>, f64) {
        let group = self.points.len().div_ceil(max_points.max(1)).max(1);
        let points = self.points.chunks(group).map(|c| c.iter().copied().max().unwrap_or(0)).collect();
        (points, self.points_per_s / group as f64)
    }
}

fn level_to_byte(peak: f32) -> u8 {
    let db = 20.0 * peak.max(1e-9).log10();
    // Saturating: over full scale is 255, NaN is 0.
    ((db - FLOOR_DB) / -FLOOR_DB * 255.0).round() as u8
}

/// Height of a level in the outline's scale, 0 to 1.
#[must_use]
pub fn db_to_height(db: f64) -> f32 {
    ((db as f32 - FLOOR_DB) / -FLOOR_DB).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn full_scale_is_the_top_and_silence_the_floor() {
        let mut wave = Wave::new(1000.0);
        wave.push(&[1.0; 10]);
        wave.push(&[0.0; 10]);
        wave.push(&[0.5; 10]);
        // Half of full scale is -6.02 dB: (72 - 6.02) / 72 of 255 = 233.7.
        assert_eq!(wave.points(), [255, 0, 234]);
    }

    #[test]
    fn blocks_do_not_matter() {
        let samples: Vec<f32> = (0..5000).map(|i| (i as f32 * 0.01).sin()).collect();
        let mut whole = Wave::new(44_100.0);
        whole.push(&samples);
        let mut parts = Wave::new(44_100.0);
        samples.chunks(7).for_each(|c| parts.push(c));
        assert_eq!(whole.points(), parts.points());
    }

    #[test]
    fn not_a_number_is_silence() {
        let mut wave = Wave::new(100.0);
        wave.push(&[f32::NAN, f32::INFINITY]);
        assert_eq!(wave.points(), [0, 255]);
    }

    #[test]
    fn a_rise_is_found_where_it_is_and_none_where_nothing_rises() {
        let mut points = vec![40; 100];
        points[52..90].fill(200);
        let wave = Wave::from_points(points, 100.0);
        assert_eq!(wave.rise_near(0.47, 0.12), Some(0.52));
        assert_eq!(wave.rise_near(0.2, 0.12), None);
        assert_eq!(wave.rise_near(9.0, 0.12), None);
        assert_eq!(Wave::from_points(vec![0, 255], 2.0).rise_near(0.5, 0.5), None);
        assert_eq!(Wave::default().rise_near(0.0, 0.1), None);
    }

    #[test]
    fn thinning_keeps_the_highest() {
        let wave = Wave::from_points(vec![1, 9, 2, 3, 4], 100.0);
        assert_eq!(wave.thinned(3), (vec![9, 3, 4], 50.0));
        assert_eq!(wave.thinned(100), (vec![1, 9, 2, 3, 4], 100.0));
    }
}
