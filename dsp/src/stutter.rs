//! Two starts of one note: a dip between them, on the same pitch. Where strokes come as fast as the two would, a second start
//! cannot be told from the next stroke: there is none.

use crate::entrance::Stutter;
use crate::instants::Instants;
use crate::level::LevelTrack;
use crate::look::Point;
use crate::parameters::notes::NEW_PITCH;
use crate::parameters::shape::{FIRST_START_DB, FIRST_START_S, SECOND_START_DB};
use crate::units::power_to_db;

/// The second start comes within this time, s (measures page), and back as loud as it gets within it after the dip
/// \[D\].
const RANGE_S: f64 = 0.150;
/// ... and no sooner, s: from here on two onsets are heard as two (Hirsh 1959, JASA 31:759 \[M\]).
const APART_S: f64 = 0.020;
/// Depth of the dip between them, dB (measures page) \[D\].
const DIP_DB: f64 = 6.0;

/// Where a note stands among others, internal samples.
#[derive(Clone, Copy)]
pub struct Among {
    /// The note before speaks here, if there is one.
    pub spoke_before: Option<f64>,
    /// The note ends here, as far as known.
    pub end: f64,
}

impl Among {
    /// Strokes come as fast as the two starts of one note would.
    fn is_fast(&self, onset: f64, rate_hz: f64) -> bool {
        let range = RANGE_S * rate_hz;
        self.end - onset < range || self.spoke_before.is_some_and(|spoke| onset - spoke < range)
    }
}

/// The deepest dip after the onset that a second start follows, if there is one.
#[must_use]
pub fn find(level: &LevelTrack, points: &[Point], instants: &Instants, among: Among, rate_hz: f64) -> Option<Stutter> {
    let (onset, to) = (instants.onset, among.end);
    if among.is_fast(onset, rate_hz) {
        return None;
    }
    let end = (onset + RANGE_S * rate_hz).min(to);
    let first = level.index(onset);
    let values = level.slice(onset, (end + RANGE_S * rate_hz).min(to));
    let grows = (FIRST_START_S * rate_hz / level.step()).ceil() as usize;
    let back = (RANGE_S * rate_hz / level.step()) as usize;
    let mut best: Option<(f64, usize, f64)> = None;
    let (mut top, mut top_at) = (0.0, 0);
    for (i, &bottom) in values.iter().enumerate() {
        if bottom > top {
            (top, top_at) = (bottom, i);
        }
        if top_at < grows || level.time((first + i) as f64) > end {
            continue;
        }
        let second = values[i..values.len().min(i + back)].iter().copied().fold(0.0, f64::max);
        let ratio_db = power_to_db(top / second.max(1e-20));
        if !(FIRST_START_DB..=-SECOND_START_DB).contains(&ratio_db) {
            continue;
        }
        let depth_db = power_to_db(top.min(second) / bottom.max(1e-20));
        if depth_db >= DIP_DB && best.is_none_or(|(deepest, ..)| depth_db > deepest) {
            best = Some((depth_db, i, second));
        }
    }
    let (dip_db, bottom, second) = best?;
    let dip = level.time((first + bottom) as f64);
    let restart = level.crossing(dip, to, 0.0, (values[bottom] * second).sqrt())?;
    let gap = restart - onset;
    ((APART_S..=RANGE_S).contains(&(gap / rate_hz)) && holds_pitch(points, onset, dip))
        .then_some(Stutter { gap_ms: gap / rate_hz * 1e3, dip_db })
}

/// True when the looks between two times do not mostly hold another pitch or a rough sound.
fn holds_pitch(points: &[Point], from: f64, to: f64) -> bool {
    let inside = points.iter().filter(|p| p.centre >= from && p.centre <= to);
    let (mut num, mut strange) = (0, 0);
    for point in inside {
        num += 1;
        strange +=
            usize::from(point.is_rough || point.is_other_partial || point.cents.abs() > 100.0 * f64::from(NEW_PITCH));
    }
    num == 0 || 2 * strange <= num
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    const RATE_HZ: f64 = 12_000.0;

    /// A rise over 10 ms, and from there on `db(ms)`, of a note on its own.
    fn found(db: impl Fn(f64) -> f64) -> Option<Stutter> {
        found_among(None, 0.4, db)
    }

    /// The same after a note that spoke `spoke_before_s` after this one's onset, and up to `end_s`.
    fn found_among(spoke_before_s: Option<f64>, end_s: f64, db: impl Fn(f64) -> f64) -> Option<Stutter> {
        let rise = |ms: f64| if ms < 10.0 { 2.0 * (ms - 10.0) } else { 0.0 };
        let power: Vec<f64> = (0..400).map(f64::from).map(|ms| 10f64.powf((rise(ms) + db(ms)) / 10.0)).collect();
        let level = LevelTrack::of(0, 0.001 * RATE_HZ, &power);
        let instants = Instants {
            onset: 0.0,
            speaks: 48.0,
            rise: (0.0, 0.0),
            energy_rise: (0.0, 0.0),
            peak: 1.0,
            before: 0.0,
            hidden: 0.0,
            onset_sd: 0.0,
        };
        let among = Among { spoke_before: spoke_before_s.map(|s| s * RATE_HZ), end: end_s * RATE_HZ };
        find(&level, &[], &instants, among, RATE_HZ)
    }

    fn dip(ms: f64, at: f64, half_width: f64, depth: f64) -> f64 {
        -depth * (1.0 - (ms - at).abs() / half_width).max(0.0)
    }

    #[test]
    fn a_dip_and_a_second_start_are_told_with_depth_and_gap() {
        let stutter = found(|ms| dip(ms, 60.0, 20.0, 14.0)).expect("a dip of 14 dB");
        assert_abs_diff_eq!(stutter.dip_db, 14.0, epsilon = 0.1);
        // Half way back in dB: 10 ms after the bottom.
        assert_abs_diff_eq!(stutter.gap_ms, 70.0, epsilon = 1.0);
    }

    #[test]
    fn a_shallow_dip_is_none() {
        assert!(found(|ms| dip(ms, 60.0, 20.0, 5.0)).is_none());
    }

    #[test]
    fn a_note_that_fades_or_swells_has_one_start() {
        assert!(found(|ms| -0.1 * ms).is_none());
        assert!(found(|ms| 0.05 * ms).is_none());
    }

    #[test]
    fn a_later_dip_is_another_stroke() {
        assert!(found(|ms| dip(ms, 220.0, 20.0, 14.0)).is_none());
    }

    #[test]
    fn among_strokes_as_fast_as_that_it_is_a_stroke() {
        let two_starts = |ms| dip(ms, 60.0, 20.0, 14.0);
        assert!(found_among(Some(-0.100), 0.4, two_starts).is_none(), "a tenth of a second after the stroke before");
        assert!(found_among(None, 0.120, two_starts).is_none(), "a note of a tenth of a second");
        assert!(found_among(Some(-0.200), 0.4, two_starts).is_some(), "eighths of a calm tempo");
    }

    #[test]
    fn two_starts_that_are_heard_as_one_are_one() {
        assert!(found(|ms| dip(ms, 12.0, 4.0, 14.0)).is_none());
        assert!(found(|ms| dip(ms, 30.0, 4.0, 14.0)).is_some());
    }

    #[test]
    fn a_wrinkle_in_the_rise_does_not_hide_it() {
        let stutter = found(|ms| dip(ms, 6.0, 2.0, 8.0) + dip(ms, 80.0, 20.0, 14.0)).expect("the dip after the rise");
        assert_abs_diff_eq!(stutter.dip_db, 14.0, epsilon = 0.1);
    }

    #[test]
    fn a_dip_between_two_pitches_is_a_split() {
        let points =
            [crate::look::Point { is_tone: true, is_other_partial: true, ..crate::look::silent_point(300.0, 1.0) }];
        assert!(!holds_pitch(&points, 0.0, 600.0));
    }
}
