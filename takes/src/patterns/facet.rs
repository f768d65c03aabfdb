//! What notes are sorted by, and the kind of a note in each: one vocabulary for every surface that tells patterns.

use super::{Dynamic, loud_db};
use crate::summary::Register;
use crate::words;
use notefront_dsp::{Articulation, Entrance};
use std::collections::BTreeMap;
use std::ops::Range;

/// A note that begins this long after the end of the one before comes out of a rest, s \[H\].
pub const REST_S: f64 = 1.0;
/// Minutes into a session at which its parts begin; the last goes on to its end.
pub const SESSION_PARTS_MIN: [u32; 8] = [0, 5, 10, 15, 20, 30, 45, 60];
/// Added to a position with the attachment.
const TRIGGER: u8 = 8;
/// Positions of one partial.
const PER_PARTIAL: u8 = 16;
const WEEKDAYS: [&str; 7] = ["Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"];
const ARTICULATIONS: [Articulation; 3] = [Articulation::Tongued, Articulation::Legato, Articulation::Slurred];

/// What notes are sorted by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Facet {
    /// Partial and the most usual slide position of the note: which one was taken cannot be heard.
    Place,
    /// How high.
    Register,
    /// How loud, against the loud notes of the same recording.
    Dynamic,
    /// How it began.
    Articulation,
    /// From the note before.
    Interval,
    /// Minutes into the session.
    Minutes,
    /// Day of the week.
    Weekday,
}

/// The kind of a note in a facet: a small number that [`Facet::label`] has words for.
pub type Kind = u8;

impl Facet {
    /// All, in the order they are shown.
    pub const ALL: [Self; 7] =
        [Self::Place, Self::Register, Self::Dynamic, Self::Articulation, Self::Interval, Self::Minutes, Self::Weekday];

    /// Those that a note has by itself, whatever day it is played; the log packs them with it.
    pub const OF_A_NOTE: [Self; 5] = [Self::Place, Self::Register, Self::Dynamic, Self::Articulation, Self::Interval];

    /// Its heading.
    #[must_use]
    pub fn title(self) -> &'static str {
        match self {
            Self::Place => "by partial and usual position",
            Self::Register => "by register",
            Self::Dynamic => "by dynamic",
            Self::Articulation => "by articulation",
            Self::Interval => "by the step from the note before",
            Self::Minutes => "by minutes into the session",
            Self::Weekday => "by weekday",
        }
    }

    /// Its name in files.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Place => "place",
            Self::Register => "register",
            Self::Dynamic => "dynamic",
            Self::Articulation => "articulation",
            Self::Interval => "interval",
            Self::Minutes => "minutes",
            Self::Weekday => "weekday",
        }
    }

    /// The words for a kind.
    #[must_use]
    pub fn label(self, kind: Kind) -> String {
        let at = usize::from(kind);
        match self {
            Self::Place => place_label(kind),
            Self::Register => Register::ALL.get(at).map_or_else(unknown, |r| r.label()),
            Self::Dynamic => Dynamic::ALL.get(at).map_or_else(unknown, |d| d.label()),
            Self::Articulation => ARTICULATIONS.get(at).map_or_else(unknown, |&a| words::articulation(a).into()),
            Self::Interval => INTERVALS.get(at).map_or_else(unknown, |&(label, ..)| label.into()),
            Self::Minutes => minutes_label(at),
            Self::Weekday => WEEKDAYS.get(at).map_or_else(unknown, |&day| day.into()),
        }
    }
}

fn unknown() -> String {
    "cannot be told".into()
}

/// The place of a note: partial and position.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Place {
    /// From 1.
    pub partial: u8,
    /// 1 to 7.
    pub position: u8,
    /// With the F attachment.
    pub trigger: bool,
}

impl Place {
    /// The most usual place of an entrance's note.
    #[must_use]
    pub fn of(entrance: &Entrance) -> Option<Self> {
        let usual = entrance.front.positions.iter().next()?;
        let position = usual.position.round().clamp(1.0, 7.0) as u8;
        Some(Self { partial: usual.partial, position, trigger: usual.trigger })
    }

    /// As a kind of [`Facet::Place`].
    #[must_use]
    pub fn kind(self) -> Kind {
        (self.partial.min(15) * PER_PARTIAL) + self.position + if self.trigger { TRIGGER } else { 0 }
    }

    /// The place of a kind of [`Facet::Place`].
    #[must_use]
    pub fn of_kind(kind: Kind) -> Option<Self> {
        let (partial, rest) = (kind / PER_PARTIAL, kind % PER_PARTIAL);
        let (position, trigger) = if rest > TRIGGER { (rest - TRIGGER, true) } else { (rest, false) };
        ((1..=12).contains(&partial) && (1..=7).contains(&position)).then_some(Self { partial, position, trigger })
    }
}

fn place_label(kind: Kind) -> String {
    match Place::of_kind(kind) {
        Some(Place { partial, position, trigger }) => {
            format!("partial {partial}, position {}{position}", if trigger { "T" } else { "" })
        }
        None => unknown(),
    }
}

/// Steps from the note before: words, and the semitones from and to, with their direction.
const INTERVALS: [(&str, i32, i32); 10] = [
    ("after a rest", i32::MAX, i32::MAX),
    ("the same note again", 0, 0),
    ("up a step", 1, 2),
    ("down a step", -2, -1),
    ("up a third", 3, 4),
    ("down a third", -4, -3),
    ("up a fourth or fifth", 5, 7),
    ("down a fourth or fifth", -7, -5),
    ("up a sixth or more", 8, 127),
    ("down a sixth or more", -127, -8),
];

/// The kind of a step between two notes, or after a rest.
fn interval(before: Option<&Entrance>, entrance: &Entrance) -> Option<Kind> {
    let Some(before) = before.filter(|b| is_joined(b, entrance)) else { return Some(0) };
    let semitones = i32::from(entrance.front.midi_note?) - i32::from(before.front.midi_note?);
    INTERVALS.iter().position(|&(_, from, to)| (from..=to).contains(&semitones)).map(|at| at as Kind)
}

/// Whether no rest lies between two notes.
fn is_joined(before: &Entrance, after: &Entrance) -> bool {
    after.front.speaks_s - before.front.end_s.unwrap_or(before.front.speaks_s) < REST_S
}

/// The kinds of a note in [`Facet::OF_A_NOTE`]; `None` where it cannot be told.
#[must_use]
pub fn kinds(before: Option<&Entrance>, entrance: &Entrance, loud_db: f64) -> [Option<Kind>; 5] {
    let articulation = ARTICULATIONS.iter().position(|a| *a == entrance.front.articulation);
    [
        Place::of(entrance).map(Place::kind),
        entrance.front.midi_note.map(|midi| Register::of(midi) as Kind),
        Some(Dynamic::of(entrance, loud_db) as Kind),
        articulation.map(|at| at as Kind),
        interval(before, entrance),
    ]
}

/// Entrances of one recording by their kind in a facet of [`Facet::OF_A_NOTE`], in its order; those that it cannot place come last,
/// without a kind.
#[must_use]
pub fn grouped(entrances: &[Entrance], facet: Facet) -> Vec<(Option<Kind>, Vec<&Entrance>)> {
    let loud_db = loud_db(entrances);
    let mut groups: BTreeMap<(bool, Option<Kind>), Vec<&Entrance>> = BTreeMap::new();
    for (i, entrance) in entrances.iter().enumerate() {
        let before = i.checked_sub(1).map(|before| &entrances[before]);
        let kind = kinds(before, entrance, loud_db).get(facet as usize).copied().flatten();
        groups.entry((kind.is_none(), kind)).or_default().push(entrance);
    }
    groups.into_iter().map(|((_, kind), group)| (kind, group)).collect()
}

/// The part of a session that a time in it lies in.
#[must_use]
pub fn minutes_kind(into_session_s: f64) -> Kind {
    part_of_session((into_session_s * 1e3).max(0.0) as i64).0
}

/// The part of a session that a time in it lies in, ms, and from when to when it lasts.
#[must_use]
pub fn part_of_session(at_ms: i64) -> (Kind, Range<i64>) {
    let ms = |minutes: u32| i64::from(minutes) * 60_000;
    let next = SESSION_PARTS_MIN.partition_point(|&from| ms(from) <= at_ms).max(1);
    let until_ms = SESSION_PARTS_MIN.get(next).map_or(i64::MAX, |&until| ms(until));
    ((next - 1) as Kind, ms(SESSION_PARTS_MIN[next - 1])..until_ms)
}

fn minutes_label(at: usize) -> String {
    match (SESSION_PARTS_MIN.get(at), SESSION_PARTS_MIN.get(at + 1)) {
        (Some(from), Some(to)) => format!("minutes {from}\u{2013}{to}"),
        (Some(from), None) => format!("from minute {from} on"),
        _ => unknown(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixtures::{clear, with};

    #[test]
    fn a_place_is_its_kind_and_back() {
        for partial in 1..=12 {
            for position in 1..=7 {
                for trigger in [false, true] {
                    let place = Place { partial, position, trigger };
                    assert_eq!(Place::of_kind(place.kind()), Some(place));
                }
            }
        }
        assert_eq!(
            Facet::Place.label(Place { partial: 6, position: 4, trigger: false }.kind()),
            "partial 6, position 4"
        );
        assert_eq!(
            Facet::Place.label(Place { partial: 2, position: 2, trigger: true }.kind()),
            "partial 2, position T2"
        );
        assert_eq!(Facet::Place.label(0), "cannot be told");
    }

    #[test]
    fn every_step_up_or_down_has_one_name() {
        for semitones in -90..=90 {
            let within = INTERVALS.iter().filter(|(_, from, to)| (*from..=*to).contains(&semitones)).count();
            assert_eq!(within, 1, "{semitones} semitones");
        }
        let (a, b) = (clear(0, 46, 1.0), clear(1, 53, 2.0));
        let named = |before, note: &Entrance| interval(before, note).map(|kind| Facet::Interval.label(kind));
        assert_eq!(named(Some(&a), &b).as_deref(), Some("up a fourth or fifth"));
        assert_eq!(named(None, &b).as_deref(), Some("after a rest"));
        let later = with(b, |e| e.front.speaks_s = 9.0);
        assert_eq!(named(Some(&a), &later).as_deref(), Some("after a rest"));
        assert_eq!(named(Some(&with(a, |e| e.front.midi_note = None)), &b), None);
    }

    #[test]
    fn every_entrance_is_in_one_group_and_what_has_no_kind_comes_last() {
        let unpitched = with(clear(1, 46, 2.0), |e| e.front.midi_note = None);
        let take = [clear(0, 60, 1.0), unpitched, clear(2, 46, 3.0), clear(3, 62, 4.0)];
        for facet in Facet::OF_A_NOTE {
            assert_eq!(grouped(&take, facet).iter().map(|(_, group)| group.len()).sum::<usize>(), 4, "{facet:?}");
        }
        let registers = grouped(&take, Facet::Register);
        let told: Vec<_> = registers.iter().map(|(kind, group)| (kind.map(facet_name), group.len())).collect();
        assert_eq!(told, [(Some("middle"), 1), (Some("high"), 2), (None, 1)]);
        assert!(grouped(&[], Facet::Interval).is_empty());
    }

    fn facet_name(kind: Kind) -> &'static str {
        Register::ALL[usize::from(kind)].as_str()
    }

    #[test]
    fn the_parts_of_a_session_meet() {
        let label = |minutes: f64| Facet::Minutes.label(minutes_kind(minutes * 60.0));
        assert_eq!(label(-1.0), "minutes 0\u{2013}5");
        assert_eq!([label(4.99), label(5.0)], ["minutes 0\u{2013}5", "minutes 5\u{2013}10"]);
        assert_eq!(label(500.0), "from minute 60 on");
        for at_ms in [0, 299_999, 300_000, 3_599_999, 3_600_000, i64::MAX - 1] {
            let (kind, lasts) = part_of_session(at_ms);
            assert!(lasts.contains(&at_ms) && kind == minutes_kind(at_ms as f64 / 1e3), "{at_ms} ms");
        }
    }
}
