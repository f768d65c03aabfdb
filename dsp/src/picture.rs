//! The front as a close-up draws it: pitch, tone and noise over the time around its onset.

use crate::entrance::{FRONT_POINTS, FrontPicture};
use crate::look::Point;
use crate::path::Path;
use crate::units::power_to_db;

/// A look stands for what lies within this of its middle, s \[T\].
const REACH_S: f64 = 0.004;

/// The picture of a front whose onset lies at `onset_s`, its levels against the settled tone's power.
#[must_use]
pub fn draw(points: &[Point], path: &Path, onset_s: f64, tone_power: f64, rate_hz: f64) -> FrontPicture {
    let mut picture = FrontPicture::empty();
    let mut next = 0;
    for i in 0..FRONT_POINTS {
        let time = (onset_s + FrontPicture::time_ms(i) * 1e-3) * rate_hz;
        while next + 1 < points.len() && (points[next + 1].centre - time).abs() <= (points[next].centre - time).abs() {
            next += 1;
        }
        if let Some(cents) = path.at(time) {
            picture.pitch_cents[i] = cents as f32;
        }
        let Some(point) = points.get(next) else { break };
        if (point.centre - time).abs() > REACH_S * rate_hz {
            continue;
        }
        let share = |part: f64| power_to_db(point.power * part / tone_power.max(1e-20)) as f32;
        picture.tone_db[i] = share(point.periodicity);
        picture.noise_db[i] = share(1.0 - point.periodicity);
    }
    picture
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::look::silent_point;
    use approx::assert_abs_diff_eq;

    #[test]
    fn a_look_shows_its_tone_and_its_noise_where_it_lies_and_nothing_beside_it() {
        // One look 20 ms after an onset at 1 s: power 0.5 against a tone of 1, nine tenths of it tone.
        let rate_hz = 12_000.0;
        let look = crate::look::Point { periodicity: 0.9, ..silent_point(1.020 * rate_hz, 0.5) };
        let picture = draw(&[look], &Path::new(rate_hz), 1.0, 1.0, rate_hz);
        let at = |ms: f64| (0..FRONT_POINTS).find(|&i| (FrontPicture::time_ms(i) - ms).abs() < 1.5).expect("in it");
        assert_abs_diff_eq!(f64::from(picture.tone_db[at(20.0)]), 10.0 * 0.45f64.log10(), epsilon = 1e-4);
        assert_abs_diff_eq!(f64::from(picture.noise_db[at(20.0)]), 10.0 * 0.05f64.log10(), epsilon = 1e-4);
        let empty = FrontPicture::empty();
        for ms in [0.0, 40.0] {
            assert_eq!(picture.tone_db[at(ms)].to_bits(), empty.tone_db[at(ms)].to_bits());
        }
        assert!(picture.pitch_cents.iter().all(|cents| cents.is_nan()), "a path without looks has no pitch");
    }
}
