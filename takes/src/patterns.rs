//! What the patterns of the page, of the insert and of the practice log have in common: what notes are sorted by
//! (`facet`), which dynamic, which stretch of time, and a share with its interval. Registers stand in `summary`.

pub mod facet;

pub use facet::{Facet, Kind};

use crate::summary::{MIN_VALUES, wilson};
use notefront_dsp::Entrance;

/// Two-sided 90 % of the normal law \[C\], as all uncertainties here.
const Z_90: f64 = 1.644_854;
/// Under the loud notes of a recording, dB: loud to the first, medium to the second, soft beyond \[H\].
const DYNAMICS_DB: [f64; 2] = [6.0, 12.0];
/// The loud notes of a recording: this quantile of its levels. A single outburst makes nothing else soft.
const LOUD_QUANTILE: f64 = 0.9;
/// Minutes of a part of the time played: the first that makes no more than [`MOST_PARTS`].
const PART_MINUTES: [f64; 6] = [1.0, 2.0, 5.0, 10.0, 20.0, 60.0];
/// Most parts that are read at a glance.
const MOST_PARTS: f64 = 6.0;

/// A share with the interval that holds the true one in 90 % of cases, 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Share {
    /// The share itself.
    pub value: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl Share {
    /// So many of so many; `None` of fewer than [`MIN_VALUES`].
    #[must_use]
    pub fn of(num: usize, of: usize) -> Option<Self> {
        let (low, high) = wilson(num, of, Z_90);
        (of >= MIN_VALUES).then(|| Self { value: num as f64 / of as f64, low, high })
    }
}

/// How loud a note is against the loud ones of the same recording, whose gain nobody knows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Dynamic {
    /// Far under them.
    Soft,
    /// Between.
    Medium,
    /// About as loud.
    Loud,
}

impl Dynamic {
    /// All, from soft to loud.
    pub const ALL: [Self; 3] = [Self::Soft, Self::Medium, Self::Loud];

    /// The dynamic of an entrance in a recording with these loud notes.
    #[must_use]
    pub fn of(entrance: &Entrance, loud_db: f64) -> Self {
        let [loud, medium] = DYNAMICS_DB;
        match loud_db - entrance.front.level_db {
            under if under <= loud => Self::Loud,
            under if under <= medium => Self::Medium,
            _ => Self::Soft,
        }
    }

    /// Its name with its borders, from the loud notes down.
    #[must_use]
    pub fn label(self) -> String {
        let [loud, medium] = DYNAMICS_DB;
        match self {
            Self::Soft => format!("soft, over {medium:.0} dB under loud"),
            Self::Medium => format!("medium, {loud:.0} to {medium:.0} dB under loud"),
            Self::Loud => "loud".into(),
        }
    }
}

/// Level of the loud notes, dB; 0 where there are none.
#[must_use]
pub fn loud_db<'a>(entrances: impl IntoIterator<Item = &'a Entrance>) -> f64 {
    let mut levels: Vec<f64> = entrances.into_iter().map(|e| e.front.level_db).filter(|db| db.is_finite()).collect();
    let Some(last) = levels.len().checked_sub(1) else { return 0.0 };
    let place = (LOUD_QUANTILE * last as f64).round() as usize;
    *levels.select_nth_unstable_by(place, f64::total_cmp).1
}

/// Minutes of each part that so much time is shown in.
#[must_use]
pub fn part_minutes(total_s: f64) -> f64 {
    let fits = |minutes: &f64| total_s / 60.0 <= minutes * MOST_PARTS;
    PART_MINUTES.into_iter().find(fits).unwrap_or(PART_MINUTES[PART_MINUTES.len() - 1])
}

/// The part a time lies in, from 0.
#[must_use]
pub fn part(at_s: f64, part_minutes: f64) -> usize {
    (at_s / 60.0 / part_minutes).max(0.0) as usize
}

/// "minutes 5–10".
#[must_use]
pub fn part_label(part: usize, part_minutes: f64) -> String {
    let from = part as f64 * part_minutes;
    format!("minutes {from:.0}\u{2013}{:.0}", from + part_minutes)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixtures::{clear, with};

    #[test]
    fn fewer_than_five_notes_have_no_share() {
        assert_eq!(Share::of(4, 4), None);
        let five = Share::of(5, 5).expect("five are enough");
        // Wilson's lower end for all of n is n / (n + z^2) \[C\]: 5 / (5 + 2.7055).
        assert!((five.low - 0.648_88).abs() < 1e-5 && five.high == 1.0, "{five:?}");
    }

    #[test]
    fn soft_is_soft_against_the_same_recording() {
        let at = |level_db| with(clear(0, 46, 1.0), |e| e.front.level_db = level_db);
        let dynamics = |gain_db: f64| {
            let take = [-40.0, -33.0, -28.0, -24.0, -22.0].map(|db| at(db + gain_db));
            take.map(|e| Dynamic::of(&e, loud_db(&take)))
        };
        use Dynamic::{Loud, Medium, Soft};
        assert_eq!(dynamics(0.0), [Soft, Medium, Loud, Loud, Loud]);
        assert_eq!(dynamics(-20.0), dynamics(0.0), "the same playing, recorded lower");
    }

    #[test]
    fn one_outburst_makes_nothing_else_soft() {
        let mut take = [clear(0, 46, 1.0); 20];
        take[7].front.level_db += 20.0;
        assert!(take.iter().all(|e| Dynamic::of(e, loud_db(&take)) == Dynamic::Loud));
    }

    #[test]
    fn a_level_that_is_no_number_is_no_trouble() {
        let take = [with(clear(0, 46, 1.0), |e| e.front.level_db = f64::NAN)];
        assert_eq!((loud_db(&take), loud_db(&[])), (0.0, 0.0));
        assert_eq!(Dynamic::of(&take[0], 0.0), Dynamic::Soft);
    }

    #[test]
    fn any_time_is_shown_in_few_parts() {
        for (minutes, each) in [(0.5, 1.0), (6.0, 1.0), (6.5, 2.0), (30.0, 5.0), (300.0, 60.0), (900.0, 60.0)] {
            assert_eq!(part_minutes(minutes * 60.0), each, "{minutes} minutes");
        }
        assert_eq!((part(-1.0, 5.0), part(299.0, 5.0), part(300.0, 5.0)), (0, 0, 1));
        assert_eq!(part_label(1, 5.0), "minutes 5\u{2013}10");
    }
}
