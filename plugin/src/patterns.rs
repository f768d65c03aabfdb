//! Where it goes wrong: shares of flagged entrances by register, dynamic, articulation, step, slide position, partial and
//! time played. What notes are sorted by stands in `notefront_takes`, and is that of the page and the practice log.

use crate::passes::Pass;
use notefront_dsp::{Entrance, FaultName};
use notefront_takes::patterns::facet::{Place, kinds};
use notefront_takes::patterns::{self, Kind, Share, loud_db, part, part_label, part_minutes};
use std::collections::BTreeMap;

/// What entrances are sorted by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Facet {
    /// As the page and the log sort them.
    Shared(patterns::Facet),
    /// The partial, in the most usual position.
    Partial,
    /// The most usual slide position.
    Position,
    /// Minutes played so far.
    Minutes,
}

impl Facet {
    /// All, in the order they are shown.
    pub const ALL: [Self; 7] = [
        Self::REGISTER,
        Self::Shared(patterns::Facet::Dynamic),
        Self::ARTICULATION,
        Self::Shared(patterns::Facet::Interval),
        Self::Position,
        Self::Partial,
        Self::Minutes,
    ];
    /// How high.
    pub const REGISTER: Self = Self::Shared(patterns::Facet::Register);
    /// Tongued, legato, slurred.
    pub const ARTICULATION: Self = Self::Shared(patterns::Facet::Articulation);

    /// Its heading.
    #[must_use]
    pub fn title(self) -> &'static str {
        match self {
            Self::Shared(facet) => facet.title(),
            Self::Partial => "by partial",
            Self::Position => "by usual slide position",
            Self::Minutes => "by time played",
        }
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
    /// The share flagged; `None` for too few to tell.
    pub share: Option<Share>,
    /// The fault met most often, and how often.
    pub most: Option<(FaultName, usize)>,
    /// How many the player's ear calls unclear without naming a fault: they are among the flagged ones.
    pub num_by_ear: usize,
}

/// The rows of every facet over these passes, in the order of the facet; only faults that `is_counted` flag.
#[must_use]
pub fn sections(passes: &[&Pass], is_counted: impl Fn(FaultName) -> bool) -> [(Facet, Vec<Row>); Facet::ALL.len()] {
    let mut groups: [BTreeMap<i64, Tally>; Facet::ALL.len()] = Default::default();
    let minutes = part_minutes(passes.iter().map(|p| p.duration_s).sum());
    let mut played_s = 0.0;
    for pass in passes {
        let loud_db = loud_db(&pass.entrances);
        for (i, entrance) in pass.entrances.iter().enumerate() {
            let before = i.checked_sub(1).map(|before| &pass.entrances[before]);
            let of_note = kinds(before, entrance, loud_db);
            let place = of_note[patterns::Facet::Place as usize].and_then(Place::of_kind);
            let seen = Tally::of(entrance, pass.is_unclear_by_ear(i), &is_counted);
            for (facet, groups) in Facet::ALL.into_iter().zip(&mut groups) {
                let kind = match facet {
                    Facet::Shared(facet) => of_note.get(facet as usize).copied().flatten().map(i64::from),
                    Facet::Partial => place.map(|place| i64::from(place.partial)),
                    Facet::Position => place.map(position),
                    Facet::Minutes => Some(part(played_s + entrance.front.speaks_s, minutes) as i64),
                };
                groups.entry(kind.unwrap_or(UNKNOWN)).or_default().add(&seen);
            }
        }
        played_s += pass.duration_s;
    }
    let mut groups = groups.into_iter();
    Facet::ALL.map(|facet| {
        let kinds = groups.next().into_iter().flatten();
        (facet, kinds.map(|(kind, tally)| tally.row(label(facet, kind, minutes))).collect())
    })
}

/// What is counted of entrances.
#[derive(Debug, Clone, Copy, Default)]
struct Tally {
    num: usize,
    num_flagged: usize,
    num_by_ear: usize,
    by_fault: [usize; FaultName::ALL.len()],
}

impl Tally {
    /// Of one entrance, and whether the ear alone calls it unclear.
    fn of(entrance: &Entrance, is_by_ear: bool, is_counted: &impl Fn(FaultName) -> bool) -> Self {
        let mut by_fault = [0; FaultName::ALL.len()];
        let counted = entrance.verdict.faults.iter().filter(|f| is_counted(f.name));
        counted.for_each(|f| by_fault[f.name as usize] = 1);
        let num_by_ear = usize::from(is_by_ear);
        let num_flagged = by_fault.iter().sum::<usize>().min(1) + num_by_ear;
        Self { num: 1, num_flagged, num_by_ear, by_fault }
    }

    fn add(&mut self, other: &Self) {
        self.num += other.num;
        self.num_flagged += other.num_flagged;
        self.num_by_ear += other.num_by_ear;
        self.by_fault.iter_mut().zip(other.by_fault).for_each(|(sum, num)| *sum += num);
    }

    fn row(&self, label: String) -> Row {
        let by_fault = FaultName::ALL.map(|name| (name, self.by_fault[name as usize]));
        // The first of equals.
        let most = by_fault.into_iter().rev().max_by_key(|(_, num)| *num).filter(|(_, num)| *num > 0);
        let (num, num_flagged, num_by_ear) = (self.num, self.num_flagged, self.num_by_ear);
        Row { label, num, num_flagged, share: Share::of(num_flagged, num), most, num_by_ear }
    }
}

/// The kind of entrances that a facet cannot place: it comes last.
const UNKNOWN: i64 = i64::MAX;
/// Added to a slide position with the attachment, so that those follow the open ones.
const TRIGGER: i64 = 100;

fn label(facet: Facet, kind: i64, minutes: f64) -> String {
    match facet {
        _ if kind == UNKNOWN => "no settled pitch".into(),
        Facet::Shared(facet) => facet.label(kind as Kind),
        Facet::Partial => format!("partial {kind}"),
        Facet::Position if kind >= TRIGGER => format!("position T{}", kind - TRIGGER),
        Facet::Position => format!("position {kind}"),
        Facet::Minutes => part_label(kind as usize, minutes),
    }
}

fn position(place: Place) -> i64 {
    i64::from(place.position) + if place.trigger { TRIGGER } else { 0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;
    use notefront_takes::patterns::Dynamic;
    use notefront_takes::summary::Register;

    fn rows(passes: &[&Pass], facet: Facet, is_counted: impl Fn(FaultName) -> bool) -> Vec<Row> {
        let of_it = sections(passes, is_counted).into_iter().find(|(of, _)| *of == facet);
        of_it.expect("every facet has its section").1
    }

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
        assert!(rows(&[&four], Facet::ARTICULATION, |_| true)[0].share.is_none());
        assert!(rows(&[&five], Facet::ARTICULATION, |_| true)[0].share.is_some());
    }

    #[test]
    fn rows_say_what_happens_most() {
        let mut pass = fixture::pass_at_60(&[1.0, 2.0, 3.0, 4.0, 5.0, 6.0]);
        for i in [0, 2, 4] {
            pass.entrances[i] = fixture::with_fault(pass.entrances[i], FaultName::Split, 0.5);
        }
        pass.entrances[0] = fixture::with_fault(pass.entrances[0], FaultName::Airy, 0.5);
        let row = |is_counted: fn(FaultName) -> bool| rows(&[&pass], Facet::ARTICULATION, is_counted).remove(0);
        let all = row(|_| true);
        assert_eq!((all.num, all.num_flagged, all.most), (6, 3, Some((FaultName::Split, 3))));
        let air = row(|f| f == FaultName::Airy);
        assert_eq!((air.num, air.num_flagged, air.most), (6, 1, Some((FaultName::Airy, 1))));
    }

    #[test]
    fn rows_name_registers_and_dynamics_in_their_order() {
        let mut pass = fixture::pass_at_60(&[1.0, 2.0, 3.0]);
        for (entrance, (midi, level_db)) in pass.entrances.iter_mut().zip([(58, -40.0), (59, -30.0), (34, -20.0)]) {
            (entrance.front.midi_note, entrance.front.level_db) = (Some(midi), level_db);
        }
        let labels = |facet| rows(&[&pass], facet, |_| true).into_iter().map(|r| r.label).collect::<Vec<_>>();
        let registers = [Register::Pedal, Register::Middle, Register::High];
        assert_eq!(labels(Facet::REGISTER), registers.map(Register::label));
        assert_eq!(labels(Facet::Shared(patterns::Facet::Dynamic)), Dynamic::ALL.map(Dynamic::label));
    }

    #[test]
    fn time_played_goes_on_from_pass_to_pass() {
        let (a, b) = (fixture::mixed_pass(100, 1), fixture::mixed_pass(100, 2));
        let labels: Vec<String> = rows(&[&a, &b], Facet::Minutes, |_| true).into_iter().map(|r| r.label).collect();
        assert_eq!(labels, ["minutes 0\u{2013}1", "minutes 1\u{2013}2", "minutes 2\u{2013}3", "minutes 3\u{2013}4"]);
    }

    #[test]
    fn nothing_played_has_no_rows() {
        assert!(rows(&[], Facet::REGISTER, |_| true).is_empty());
        assert!(rows(&[&fixture::pass_at_60(&[])], Facet::REGISTER, |_| true).is_empty());
    }
}
