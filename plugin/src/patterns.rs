//! Where it goes wrong: shares of flagged entrances by register, partial, slide position, dynamic,
//! articulation and time played, each with its confidence interval.

use crate::passes::Pass;
use crate::words;
use notefront_dsp::{Entrance, FaultName};
use notefront_takes::summary::{MIN_VALUES, wilson};
use std::collections::BTreeMap;

/// Nothing is told for fewer notes than this.
pub const MIN_NOTES: usize = MIN_VALUES;
/// Quantile of the normal distribution for 95 %.
const Z_95: f64 = 1.959_964;
/// Lowest MIDI note of each register of the tenor trombone \[P\]: its name ends at the next.
const REGISTERS: [(u8, &str); 5] = [
    (0, "pedal"),
    (40, "low, E2\u{2013}D3"),
    (51, "middle, Eb3\u{2013}C4"),
    (61, "high, Db4\u{2013}Bb4"),
    (71, "over Bb4"),
];
/// A note is soft this far under the loud notes of its pass, and loud within that, dB \[H\].
const SOFT_DB: f64 = -12.0;
const LOUD_DB: f64 = -6.0;
const DYNAMICS: [&str; 3] = ["soft", "medium", "loud"];
/// The loud notes of a pass: this quantile of its levels.
const LOUD_QUANTILE: f64 = 0.9;
/// Lengths of a stretch of time played, minutes: the first that gives no more than [`MAX_STRETCHES`].
const STRETCH_MIN: [f64; 6] = [1.0, 2.0, 5.0, 10.0, 20.0, 60.0];
const MAX_STRETCHES: f64 = 6.0;

/// What entrances are sorted by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Facet {
    /// How high.
    Register,
    /// How loud, against the loud notes of the same pass.
    Dynamic,
    /// Tongued, legato, slurred.
    Articulation,
    /// The partial, in the most usual position.
    Partial,
    /// The most usual slide position.
    Position,
    /// Minutes played so far.
    Minutes,
}

impl Facet {
    /// All, in the order they are shown.
    pub const ALL: [Self; 6] =
        [Self::Register, Self::Dynamic, Self::Articulation, Self::Position, Self::Partial, Self::Minutes];

    /// Its heading.
    #[must_use]
    pub fn title(self) -> &'static str {
        match self {
            Self::Register => "by register",
            Self::Dynamic => "by dynamic",
            Self::Articulation => "by articulation",
            Self::Partial => "by partial",
            Self::Position => "by usual slide position",
            Self::Minutes => "by time played",
        }
    }
}

/// A share with its 95 % confidence interval, 0 to 1.
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
    fn of(num_flagged: usize, num: usize) -> Self {
        let (low, high) = wilson(num_flagged, num, Z_95);
        Self { value: num_flagged as f64 / num.max(1) as f64, low, high }
    }
}

/// The entrances of one kind.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// Which kind.
    pub label: String,
    /// How many.
    pub num: usize,
    /// How many of them are flagged.
    pub num_flagged: usize,
    /// The share flagged; `None` for fewer than [`MIN_NOTES`].
    pub share: Option<Share>,
    /// The fault met most often, and how often.
    pub most: Option<(FaultName, usize)>,
}

/// The rows of a facet over these passes, in the order of the facet; only faults that `is_counted` flag.
#[must_use]
pub fn rows(passes: &[&Pass], facet: Facet, is_counted: impl Fn(FaultName) -> bool) -> Vec<Row> {
    let mut kinds: BTreeMap<i64, Vec<&Entrance>> = BTreeMap::new();
    let stretch_min = stretch_min(passes);
    let mut played_s = 0.0;
    for pass in passes {
        let loud_db = loud_db(pass);
        for entrance in &pass.entrances {
            let kind = match facet {
                Facet::Register => register(entrance),
                Facet::Dynamic => Some(dynamic(entrance.level_db - loud_db)),
                Facet::Articulation => Some(entrance.articulation as i64),
                Facet::Partial => entrance.partial.map(i64::from),
                Facet::Position => position(entrance),
                Facet::Minutes => Some(stretch(played_s + entrance.speaks_s, stretch_min)),
            };
            kinds.entry(kind.unwrap_or(UNKNOWN)).or_default().push(entrance);
        }
        played_s += pass.duration_s;
    }
    let named = |(kind, entrances): (i64, Vec<&Entrance>)| {
        row(label(facet, kind, entrances[0], stretch_min), &entrances, &is_counted)
    };
    kinds.into_iter().map(named).collect()
}

/// The kind of entrances that a facet cannot place: it comes last.
const UNKNOWN: i64 = i64::MAX;
/// Added to a slide position with the attachment, so that those follow the open ones.
const TRIGGER: i64 = 100;

/// The label of a kind; `any` is one entrance of it.
fn label(facet: Facet, kind: i64, any: &Entrance, stretch_min: f64) -> String {
    match facet {
        _ if kind == UNKNOWN => "no settled pitch".into(),
        Facet::Register => REGISTERS[kind as usize].1.into(),
        Facet::Dynamic => DYNAMICS[kind as usize].into(),
        Facet::Articulation => words::articulation(any.articulation).into(),
        Facet::Partial => format!("partial {kind}"),
        Facet::Position if kind >= TRIGGER => format!("position T{}", kind - TRIGGER),
        Facet::Position => format!("position {kind}"),
        Facet::Minutes => {
            let from = kind as f64 * stretch_min;
            format!("minutes {from:.0}\u{2013}{:.0}", from + stretch_min)
        }
    }
}

fn row(label: String, entrances: &[&Entrance], is_counted: &impl Fn(FaultName) -> bool) -> Row {
    let num_flagged = entrances.iter().filter(|e| e.faults.iter().any(|f| is_counted(f.name))).count();
    let count = |name: FaultName| entrances.iter().filter(|e| e.faults.get(name).is_some()).count();
    let most = FaultName::ALL
        .into_iter()
        .filter(|name| is_counted(*name))
        .map(|name| (name, count(name)))
        .rev()
        .max_by_key(|(_, num)| *num);
    Row {
        label,
        num: entrances.len(),
        num_flagged,
        share: (entrances.len() >= MIN_NOTES).then(|| Share::of(num_flagged, entrances.len())),
        most: most.filter(|(_, num)| *num > 0),
    }
}

fn register(entrance: &Entrance) -> Option<i64> {
    let midi = entrance.midi_note?;
    Some(REGISTERS.iter().rposition(|(lowest, _)| midi >= *lowest)? as i64)
}

/// Level of the loud notes of a pass, dB: recordings differ in gain, so a note is soft against its own pass.
fn loud_db(pass: &Pass) -> f64 {
    let mut levels: Vec<f64> = pass.entrances.iter().map(|e| e.level_db).collect();
    levels.sort_by(f64::total_cmp);
    let place = (LOUD_QUANTILE * levels.len().saturating_sub(1) as f64).round() as usize;
    levels.get(place).copied().unwrap_or(0.0)
}

fn dynamic(below_loud_db: f64) -> i64 {
    match below_loud_db {
        db if db < SOFT_DB => 0,
        db if db < LOUD_DB => 1,
        _ => 2,
    }
}

fn position(entrance: &Entrance) -> Option<i64> {
    let usual = entrance.positions.iter().next()?;
    let nearest = usual.position.round() as i64;
    Some(if usual.trigger { TRIGGER + nearest } else { nearest })
}

fn stretch_min(passes: &[&Pass]) -> f64 {
    let total_min = passes.iter().map(|p| p.duration_s).sum::<f64>() / 60.0;
    let fits = |m: &f64| total_min <= m * MAX_STRETCHES;
    STRETCH_MIN.into_iter().find(fits).unwrap_or(STRETCH_MIN[STRETCH_MIN.len() - 1])
}

fn stretch(s: f64, stretch_min: f64) -> i64 {
    (s / 60.0 / stretch_min).floor().max(0.0) as i64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;

    #[test]
    fn every_entrance_is_in_one_row_of_every_facet() {
        let (a, b) = (fixture::mixed_pass(300, 1), fixture::mixed_pass(200, 2));
        for facet in Facet::ALL {
            let rows = rows(&[&a, &b], facet, |_| true);
            assert_eq!(rows.iter().map(|r| r.num).sum::<usize>(), 500, "{facet:?}");
            assert_eq!(rows.iter().map(|r| r.num_flagged).sum::<usize>(), a.num_flagged() + b.num_flagged());
        }
    }

    #[test]
    fn fewer_than_five_notes_tell_nothing() {
        let four = fixture::pass_at_60(&[1.0, 2.0, 3.0, 4.0]);
        let five = fixture::pass_at_60(&[1.0, 2.0, 3.0, 4.0, 5.0]);
        assert!(rows(&[&four], Facet::Articulation, |_| true)[0].share.is_none());
        assert!(rows(&[&five], Facet::Articulation, |_| true)[0].share.is_some());
    }

    #[test]
    fn rows_say_what_happens_most() {
        let mut pass = fixture::pass_at_60(&[1.0, 2.0, 3.0, 4.0, 5.0, 6.0]);
        for i in [0, 2, 4] {
            pass.entrances[i] = fixture::with_fault(pass.entrances[i], FaultName::Split, 0.5);
        }
        pass.entrances[0] = fixture::with_fault(pass.entrances[0], FaultName::Airy, 0.5);
        let row = |is_counted: fn(FaultName) -> bool| rows(&[&pass], Facet::Articulation, is_counted).remove(0);
        let all = row(|_| true);
        assert_eq!((all.num, all.num_flagged, all.most), (6, 3, Some((FaultName::Split, 3))));
        let air = row(|f| f == FaultName::Airy);
        assert_eq!((air.num, air.num_flagged, air.most), (6, 1, Some((FaultName::Airy, 1))));
    }

    #[test]
    fn soft_is_soft_against_the_same_pass() {
        let mut pass = fixture::pass_at_60(&[1.0, 2.0, 3.0]);
        for (entrance, level_db) in pass.entrances.iter_mut().zip([-40.0, -35.0, -20.0]) {
            entrance.level_db = level_db;
        }
        let labels: Vec<String> = rows(&[&pass], Facet::Dynamic, |_| true).into_iter().map(|r| r.label).collect();
        assert_eq!(labels, ["soft", "loud"]);
        // The same playing, recorded 20 dB lower.
        pass.entrances.iter_mut().for_each(|e| e.level_db -= 20.0);
        let lower: Vec<String> = rows(&[&pass], Facet::Dynamic, |_| true).into_iter().map(|r| r.label).collect();
        assert_eq!(lower, labels);
    }

    #[test]
    fn time_played_goes_on_from_pass_to_pass() {
        let (a, b) = (fixture::mixed_pass(100, 1), fixture::mixed_pass(100, 2));
        let labels: Vec<String> = rows(&[&a, &b], Facet::Minutes, |_| true).into_iter().map(|r| r.label).collect();
        assert_eq!(labels, ["minutes 0\u{2013}1", "minutes 1\u{2013}2", "minutes 2\u{2013}3", "minutes 3\u{2013}4"]);
    }

    #[test]
    fn nothing_played_has_no_rows() {
        assert!(rows(&[], Facet::Register, |_| true).is_empty());
        assert!(rows(&[&fixture::pass_at_60(&[])], Facet::Register, |_| true).is_empty());
    }
}
