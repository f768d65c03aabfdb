//! Which entrance is which written note: the alignment of two takes, with the part in place of the other take.
//!
//! Grace notes have no time of their own, so they are met afterwards: among what was played right before the
//! note they belong to.

use super::{Clock, SheetNote};
use notefront_dsp::Entrance;
use notefront_dsp::align::{Alignment, Step, align_in_key};

/// Another key is looked for when fewer notes than this share are right as written, and taken when at least
/// this share is right in it. Of a major scale played in the key a tone away, 5 of 8 notes are those written.
const CONVINCING_SHARE: f64 = 0.75;
/// Keys within so many semitones: two octaves; a B-flat part in treble clef sounds 14 below.
const MAX_SEMITONES: i32 = 24;
/// Notes that are enough to find it.
const NUM_TRIED: usize = 120;
/// Fewest entrances that can show it.
const MIN_TRIED: usize = 6;

/// A step through take and part: indexes of the entrance and the written note.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pair {
    /// Both.
    Both(usize, usize),
    /// A note played without one written.
    Played(usize),
    /// A note written without one played.
    Written(usize),
}

/// The way through take and part, in order, and the semitones the take sounds above the part.
#[must_use]
pub fn meet(entrances: &[Entrance], notes: &[SheetNote], clock: &Clock) -> (Vec<Pair>, i32) {
    let played: Vec<Step> = entrances.iter().map(Step::from).collect();
    let main: Vec<usize> = (0..notes.len()).filter(|&i| !notes[i].is_grace).collect();
    let written: Vec<Step> = main.iter().map(|&i| step(&notes[i], clock)).collect();
    let semitones = transposition(&written, &played);
    let found = align_in_key(&written, &played, semitones);
    let way = way(&found, &main, played.len());
    (with_graces(&way, entrances, notes, semitones), semitones)
}

fn step(note: &SheetNote, clock: &Clock) -> Step {
    Step { at_s: clock.seconds(note.beat), midi_note: Some(note.midi_note) }
}

/// How far the take lies above the part; 0 unless another key makes plainly more notes right.
fn transposition(written: &[Step], played: &[Step]) -> i32 {
    let (written, played) = (&written[..written.len().min(NUM_TRIED)], &played[..played.len().min(NUM_TRIED)]);
    let share = |semitones: i32| {
        let found = align_in_key(written, played, semitones);
        let num_right = found.pairs.iter().filter(|pair| pair.interval == Some(0)).count();
        num_right as f64 / written.len().min(played.len()).max(1) as f64
    };
    if played.len() < MIN_TRIED || share(0) >= CONVINCING_SHARE {
        return 0;
    }
    // The nearest key first: of equals it wins.
    let keys = (1..=MAX_SEMITONES).flat_map(|semitones| [-semitones, semitones]);
    let shares = keys.map(|semitones| (semitones, share(semitones)));
    let best = shares.reduce(|best, next| if next.1 > best.1 { next } else { best });
    best.filter(|&(_, share)| share >= CONVINCING_SHARE).map_or(0, |(semitones, _)| semitones)
}

/// Pairs and what stands between them; of that, written notes come before played ones.
fn way(found: &Alignment, main: &[usize], num_played: usize) -> Vec<Pair> {
    let (mut written, mut played) = (0, 0);
    let mut way = Vec::with_capacity(main.len() + num_played);
    let ends = found.pairs.iter().map(|pair| (pair.a, pair.b, true));
    for (next_written, next_played, is_pair) in ends.chain([(main.len(), num_played, false)]) {
        way.extend((written..next_written).map(|i| Pair::Written(main[i])));
        way.extend((played..next_played).map(Pair::Played));
        if is_pair {
            way.push(Pair::Both(next_played, main[next_written]));
        }
        (written, played) = (next_written + 1, next_played + 1);
    }
    way
}

/// The way with grace notes put in before the notes they belong to.
fn with_graces(way: &[Pair], entrances: &[Entrance], notes: &[SheetNote], semitones: i32) -> Vec<Pair> {
    let mut met: Vec<Pair> = Vec::with_capacity(notes.len().max(way.len()));
    let mut next_note = 0;
    for &pair in way {
        if let Pair::Both(_, note) | Pair::Written(note) = pair {
            meet_graces(next_note..note, &mut met, entrances, notes, semitones);
            next_note = note + 1;
        }
        met.push(pair);
    }
    meet_graces(next_note..notes.len(), &mut met, entrances, notes, semitones);
    met
}

/// Grace notes meet the entrances played last that have their pitch. Those that meet none are left out: they may
/// be shorter than an entrance must be to be heard, so nobody can say that they were missed.
fn meet_graces(
    graces: std::ops::Range<usize>,
    met: &mut [Pair],
    entrances: &[Entrance],
    notes: &[SheetNote],
    semitones: i32,
) {
    let sounds = |note: usize| i32::from(notes[note].midi_note) + semitones;
    let num_extra = met.iter().rev().take_while(|pair| matches!(pair, Pair::Played(_))).count();
    let mut until = met.len();
    let from = until - num_extra;
    for grace in graces.rev() {
        let is_it = |pair: &Pair| matches!(pair, Pair::Played(i) if entrances[*i].front.midi_note.map(i32::from) == Some(sounds(grace)));
        let Some(at) = met[from..until].iter().rposition(is_it).map(|at| from + at) else { continue };
        if let Pair::Played(i) = met[at] {
            met[at] = Pair::Both(i, grace);
        }
        until = at;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixtures;

    /// Written notes on whole beats, at 60 a minute.
    fn written(pitches: &[u8]) -> Vec<SheetNote> {
        let note = |(i, &midi_note): (usize, &u8)| SheetNote {
            midi_note,
            beat: i as f64,
            length_beats: 1.0,
            bar: None,
            is_grace: false,
            position: None,
        };
        pitches.iter().enumerate().map(note).collect()
    }

    fn played(notes: &[(u8, f64)]) -> Vec<Entrance> {
        notes.iter().enumerate().map(|(i, &(midi_note, at_s))| fixtures::clear(i, midi_note, at_s)).collect()
    }

    fn way(entrances: &[Entrance], notes: &[SheetNote]) -> Vec<Pair> {
        meet(entrances, notes, &Clock::new(&[(0.0, 60.0)])).0
    }

    #[test]
    fn of_equal_notes_the_rhythm_tells_which_is_missed() {
        let mut take: Vec<_> = (0..16).map(|i| (46, 2.0 + 0.7 * f64::from(i))).collect();
        take.remove(9);
        assert_eq!(way(&played(&take), &written(&[46; 16]))[9], Pair::Written(9));
    }

    #[test]
    fn a_pause_does_not_derail() {
        let scale: Vec<u8> = (0..60).map(|i| 46 + [0, 2, 4, 5, 7, 9, 11, 12][i % 8]).collect();
        let at = |i: usize| 0.5 * i as f64 + if i < 30 { 0.0 } else { 12.0 };
        let take: Vec<_> = scale.iter().enumerate().map(|(i, &m)| (m, at(i))).collect();
        let way = way(&played(&take), &written(&scale));
        assert!(way.iter().enumerate().all(|(i, pair)| *pair == Pair::Both(i, i)));
    }

    #[test]
    fn grace_notes_are_met_where_they_were_played() {
        let mut notes = written(&[46, 53, 50, 46]);
        let grace = |midi_note, beat| SheetNote {
            midi_note,
            beat,
            length_beats: 0.0,
            bar: None,
            is_grace: true,
            position: None,
        };
        notes.insert(1, grace(52, 1.0));
        notes.insert(3, grace(48, 2.0));
        // The first grace is played, the second is not; 70 is not written.
        let take = played(&[(46, 0.0), (70, 0.5), (52, 0.93), (53, 1.0), (50, 2.0), (46, 3.0)]);
        let expected =
            [Pair::Both(0, 0), Pair::Played(1), Pair::Both(2, 1), Pair::Both(3, 2), Pair::Both(4, 4), Pair::Both(5, 5)];
        assert_eq!(way(&take, &notes), expected);
    }

    #[test]
    fn nothing_meets_nothing() {
        assert!(way(&[], &[]).is_empty());
        assert_eq!(way(&played(&[(46, 0.0)]), &[]), [Pair::Played(0)]);
        assert_eq!(way(&[], &written(&[46, 48])), [Pair::Written(0), Pair::Written(1)]);
    }

    #[test]
    fn a_key_and_an_octave_away_are_found_together() {
        let scale: Vec<u8> = (0..24).map(|i| 60 + [0, 2, 4, 5, 7, 9, 11, 12][i % 8]).collect();
        for semitones in [-24, -14, -12, -2, 3, 12] {
            let sounds = |m: u8| u8::try_from(i32::from(m) + semitones).expect("within MIDI's range");
            let take: Vec<_> = scale.iter().enumerate().map(|(i, &m)| (sounds(m), 0.8 * i as f64)).collect();
            let (way, found) = meet(&played(&take), &written(&scale), &Clock::new(&[]));
            assert_eq!(found, semitones);
            assert!(way.iter().enumerate().all(|(i, pair)| *pair == Pair::Both(i, i)));
        }
    }
}
