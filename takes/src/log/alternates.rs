//! Positions of the same note, ranked by how clearly it speaks in them for this player.
//!
//! Which position was taken cannot be heard. It is known where the player says so: by the position above the note in the written
//! notes that the take was read along with, or else by a tag on the take, such as `D4=4` or `F3=T1`, which holds for every
//! other D4 or F3 in it.

use super::Played;
use super::read::sessions;
use crate::corrections::words::note as note_named;
pub use crate::sheet::Position;

use crate::patterns::Share;
use crate::statistics::Draws;
use crate::summary::MIN_VALUES;
use notefront_dsp::{Settings, trombone, units};
use std::collections::BTreeMap;

/// A position may lie this far from where the law of the slide has it: players' own scales differ by less \[P\].
const NEAR: f64 = 0.6;

/// What a tag says of a take's notes: which note, and in which position. `None` where it is another word.
#[must_use]
pub fn said(tag: &str) -> Option<(u8, Position)> {
    let (note, position) = tag.split_once('=')?;
    Some((note_named(note.trim()).ok()?, Position::read(position)?))
}

/// Whether a note can be played there on this horn.
#[must_use]
pub fn is_there(midi_note: u8, position: Position, settings: &Settings) -> bool {
    let hz = units::midi_to_hz(f64::from(midi_note), settings.a4_hz);
    let near = |p: &notefront_dsp::SlidePosition| {
        p.trigger == position.trigger && (p.position - f64::from(position.number)).abs() <= NEAR
    };
    trombone::positions(hz, settings.a4_hz, settings.instrument).iter().any(near)
}

/// A note in one position.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Way {
    /// Where it was played.
    pub position: Position,
    /// Notes, and sessions they were played in.
    pub num: usize,
    /// Sessions.
    pub num_sessions: usize,
    /// Mean clarity, with the interval that holds the true one in about 90 % of cases: sessions drawn anew.
    pub clarity: (f64, f64, f64),
    /// The share that is unclear.
    pub unclear: Share,
}

/// The positions of one note.
#[derive(Debug, Clone, PartialEq)]
pub struct Ranked {
    /// Which note.
    pub midi_note: u8,
    /// Its positions with five notes or more, the clearest first.
    pub ways: Vec<Way>,
    /// Positions with fewer.
    pub num_few: usize,
}

impl Ranked {
    /// Whether the clearest position is clearer than the next by more than their intervals.
    #[must_use]
    pub fn is_apart(&self) -> bool {
        matches!(self.ways.as_slice(), [best, next, ..] if best.clarity.1 > next.clarity.2)
    }
}

/// What is known of the positions that were taken.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Alternates {
    /// Notes, upwards.
    pub notes: Vec<Ranked>,
    /// Tags that name a position the note does not have on that horn.
    pub impossible: Vec<String>,
}

/// Clarity of each note of a kind and whether it is unclear, by session.
type BySession = BTreeMap<usize, Vec<(u8, bool)>>;

impl Alternates {
    /// Over takes in the order they were played.
    #[must_use]
    pub fn of(played: &[Played]) -> Self {
        let mut found: BTreeMap<u8, BTreeMap<Position, BySession>> = BTreeMap::new();
        let mut impossible = Vec::new();
        for (session, takes) in sessions(played).into_iter().enumerate() {
            for take in takes {
                let tags: Vec<(u8, Position)> = take.take.said.iter().filter_map(|tag| said(tag)).collect();
                let is_there = |&(note, position): &(u8, Position)| is_there(note, position, &take.take.settings);
                let mut known: BTreeMap<(u8, Position), bool> = tags.iter().map(|way| (*way, is_there(way))).collect();
                for note in take.notes() {
                    let Some(midi_note) = note.midi_note() else { continue };
                    if tags.is_empty() && note.position().is_none() {
                        continue;
                    }
                    let tagged = tags.iter().filter(|(tagged, _)| *tagged == midi_note).map(|(_, position)| *position);
                    // What stands above the very note goes before a word on the whole take.
                    let positions: Vec<Position> =
                        note.position().map_or_else(|| tagged.collect(), |written| vec![written]);
                    for position in positions {
                        let way = (midi_note, position);
                        if *known.entry(way).or_insert_with(|| is_there(&way)) {
                            let of_note = found.entry(midi_note).or_default().entry(position).or_default();
                            of_note.entry(session).or_default().push((note.clarity(), note.is_flagged()));
                        }
                    }
                }
                let not_there = known.into_iter().filter(|(_, is_there)| !is_there);
                impossible
                    .extend(not_there.map(|((note, position), _)| format!("{}={position}", units::note_name(note))));
            }
        }
        impossible.sort();
        impossible.dedup();
        Self { notes: found.into_iter().map(|(note, ways)| ranked(note, &ways)).collect(), impossible }
    }
}

fn ranked(midi_note: u8, by_position: &BTreeMap<Position, BySession>) -> Ranked {
    let mut ways: Vec<Way> = by_position.iter().filter_map(|(position, notes)| way(*position, notes)).collect();
    ways.sort_by(|a, b| b.clarity.0.total_cmp(&a.clarity.0));
    Ranked { midi_note, num_few: by_position.len() - ways.len(), ways }
}

fn way(position: Position, by_session: &BySession) -> Option<Way> {
    let all: Vec<(u8, bool)> = by_session.values().flatten().copied().collect();
    let unclear = Share::of(all.iter().filter(|(_, is_unclear)| *is_unclear).count(), all.len())?;
    let sum = |notes: &[(u8, bool)]| notes.iter().map(|note| f32::from(note.0)).sum::<f32>();
    let block = |notes: &[(u8, bool)]| (notes.len() as f32, sum(notes));
    let with_any = by_session.values().filter(|notes| !notes.is_empty());
    let sessions: Vec<(f32, f32)> = with_any.map(|notes| block(notes)).collect();
    let num_sessions = sessions.len();
    // Of fewer than five sessions the notes must do.
    let blocks = if num_sessions >= MIN_VALUES { sessions } else { all.chunks(1).map(block).collect() };
    let mean = all.iter().map(|note| f64::from(note.0)).sum::<f64>() / all.len() as f64;
    let (low, high) = Draws::of(blocks.len()).mean(&blocks)?;
    Some(Way { position, num: all.len(), num_sessions, clarity: (mean, low.min(mean), high.max(mean)), unclear })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixtures::{clear, logged, played, with};
    use crate::log::{LoggedEntrance, LoggedTake};

    /// A take of so many D4 of this mean clarity, ten points to either side of it, tagged.
    fn take(day: i64, num: usize, clarity: f64, tags: &[&str]) -> Played {
        let mut dice = fastrand::Rng::with_seed(day as u64);
        let note =
            |i: usize| with(clear(i, 62, 1.0 + i as f64), |e| e.verdict.clarity = clarity + 20.0 * (dice.f64() - 0.5));
        let said = tags.iter().map(|&tag| tag.to_owned()).collect();
        played(LoggedTake { said, ..logged(day, 60.0) }, (0..num).map(note))
    }

    #[test]
    fn tags_say_where_a_note_was_played() {
        let open = |number| Position { trigger: false, number };
        assert_eq!(said("D4=4"), Some((62, open(4))));
        assert_eq!(said(" Bb3 = 5 "), Some((58, open(5))));
        assert_eq!(said("F3=T1").map(|s| s.1.to_string()).as_deref(), Some("T1"));
        for other in ["warm-up", "D4=", "D4=9", "=4", "tempo=72", "D4=x"] {
            assert_eq!(said(other), None, "{other}");
        }
        let horn = Settings::default();
        // The chart of the measures page: D4 0.86(5) 4(6) 6.7(7); F3 1(3) 6(4) T1.
        assert!(is_there(62, open(1), &horn) && is_there(62, open(4), &horn) && is_there(62, open(7), &horn));
        assert!(!is_there(62, open(2), &horn) && !is_there(62, Position { trigger: true, number: 7 }, &horn));
    }

    #[test]
    fn the_clearer_position_comes_first_and_is_told_apart() {
        let mut played = Vec::new();
        for day in 0..8 {
            let (clarity, tag) = if day % 2 == 0 { (86.0, "D4=1") } else { (62.0, "D4=4") };
            played.push(take(day, 20, clarity, &[tag, "warm-up"]));
        }
        let found = Alternates::of(&played);
        let ranked = &found.notes[0];
        assert_eq!((found.notes.len(), ranked.midi_note, ranked.num_few), (1, 62, 0));
        let told: Vec<_> = ranked.ways.iter().map(|w| (w.position.to_string(), w.num, w.num_sessions)).collect();
        assert_eq!(told, [("1".to_owned(), 80, 4), ("4".to_owned(), 80, 4)]);
        // The planted means, to three standard errors of 80 notes over 20 points.
        assert!((ranked.ways[0].clarity.0 - 86.0).abs() < 2.0 && (ranked.ways[1].clarity.0 - 62.0).abs() < 2.0);
        assert!(ranked.is_apart());
    }

    #[test]
    fn what_is_alike_is_not_told_apart_and_few_notes_say_nothing() {
        let alike: Vec<Played> =
            (0..12).map(|day| take(day, 10, 80.0, &[if day % 2 == 0 { "D4=1" } else { "D4=4" }])).collect();
        assert!(!Alternates::of(&alike).notes[0].is_apart());
        let few = Alternates::of(&[take(0, 4, 80.0, &["D4=1"]), take(1, 9, 80.0, &["D4=2"])]);
        assert_eq!((few.notes[0].ways.len(), few.notes[0].num_few), (0, 1));
        assert_eq!(few.impossible, ["D4=2"]);
        assert_eq!(Alternates::of(&[take(0, 9, 80.0, &[])]), Alternates::default());
    }

    #[test]
    fn a_position_above_the_note_goes_before_a_tag_on_the_take() {
        let mut played = Vec::new();
        for day in 0..6 {
            let note = |i: usize| LoggedEntrance {
                position: if i.is_multiple_of(2) { Position::read("4") } else { None },
                ..LoggedEntrance::of(clear(i, 62, 1.0 + i as f64))
            };
            let notes: Vec<LoggedEntrance> = (0..10).map(note).collect();
            played.push(Played::of(LoggedTake { said: vec!["D4=1".into()], ..logged(day, 60.0) }, &notes));
        }
        let found = Alternates::of(&played);
        let mut told: Vec<_> = found.notes[0].ways.iter().map(|w| (w.position.to_string(), w.num)).collect();
        told.sort();
        assert_eq!(told, [("1".to_owned(), 30), ("4".to_owned(), 30)]);
    }
}
