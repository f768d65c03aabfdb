//! A take read along with its written notes: right, wrong, in another octave, missed or added, and the beats
//! the written tempo gives.

use super::align::{Pair, meet};
use super::{Clock, Position, Sheet, SheetNote};
use crate::beats::{Beats, Course, Origin};
use notefront_dsp::Entrance;

/// Where fewer of the notes that could be right than this share are, it may be another piece \[H\].
const DOUBTFUL_SHARE: f64 = 0.5;
/// Fewest right notes that can hold the written tempo against the take.
const MIN_RIGHT: usize = 6;
/// The written tempo gives the beats when half of the notes lie within this of it, s: twice the spread of
/// winds in ensembles (27 to 37 ms, Rasch 1979 \[S\]), since a beat that is farther off is no reference.
const TEMPO_TOLERANCE_S: f64 = 0.060;
/// Subdivisions that written notes may fall on.
const PER_BEAT: [u32; 7] = [1, 2, 3, 4, 6, 8, 12];
/// Share of the notes that must fall on them, and how closely, in subdivisions.
const ON_GRID_SHARE: f64 = 0.95;
/// See [`ON_GRID_SHARE`].
const ON_GRID: f64 = 0.03;

/// What became of a note.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Played as written; its front may be unclear all the same.
    Right,
    /// Another pitch.
    Wrong,
    /// The right name in another octave.
    Octave,
    /// Played, but its pitch cannot be told.
    Untold,
    /// Written and not played.
    Missed,
    /// Played and not written.
    Extra,
}

/// One note of the take or of the part.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// What became of it.
    pub verdict: Verdict,
    /// Index of the entrance in the take, where one was played.
    pub entrance: Option<usize>,
    /// The written note, with its sounding pitch, where there is one.
    pub written: Option<SheetNote>,
}

/// A take read along.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// Name of the part.
    pub part: Option<String>,
    /// All notes, in order.
    pub steps: Vec<Step>,
    /// Semitones the take sounds above the part as it tells its sounding pitch.
    pub transposed_semitones: i32,
    /// Written tempo at the beginning, quarter notes a minute.
    pub written_bpm: Option<f64>,
    /// Tempo played, quarter notes a minute: the middle one.
    pub played_bpm: Option<f64>,
    /// The beats of the written tempo, where the take keeps it.
    pub beats: Option<Beats>,
    /// What was left out or guessed, as sentences.
    pub remarks: Vec<String>,
}

impl Reading {
    /// Notes with a verdict.
    #[must_use]
    pub fn count(&self, verdict: Verdict) -> usize {
        self.steps.iter().filter(|step| step.verdict == verdict).count()
    }

    /// The slide positions that the part gave, by the entrances that are right: another note was not played there, and in
    /// another key no position holds.
    pub fn positions(&self) -> impl Iterator<Item = (usize, Position)> + '_ {
        let right = self.steps.iter().filter(|s| s.verdict == Verdict::Right && self.transposed_semitones == 0);
        right.filter_map(|step| Some((step.entrance?, step.written.as_ref()?.position?)))
    }
}

/// Reads a take along with its part.
#[must_use]
pub fn read_along(entrances: &[Entrance], sheet: &Sheet) -> Reading {
    let clock = sheet.clock();
    let (pairs, semitones) = meet(entrances, &sheet.notes, &clock);
    let written = transposed(&sheet.notes, semitones);
    let right = right_places(&pairs, entrances, &written);
    let mut remarks = sheet.remarks.clone();
    remarks.extend(remark_on_doubt(right.len(), entrances.len(), &written));
    remarks.extend(remark_on_key(semitones));
    remarks.extend(remark_on_graces(&pairs, &sheet.notes));
    let played_bpm = slope(&right).map(|seconds| 60.0 / seconds);
    let beats = written_beats(sheet, &clock, &right);
    if beats.is_none()
        && let (Some(&(_, bpm)), Some(played)) = (sheet.tempi.first(), played_bpm)
    {
        remarks.push(format!(
            "the take does not keep the written tempo ({bpm:.0} quarter notes a minute written, {played:.0} played): \
             no timing is told against it"
        ));
    }
    Reading {
        part: sheet.part.clone(),
        steps: pairs.iter().map(|&pair| step(pair, &written, entrances)).collect(),
        transposed_semitones: semitones,
        written_bpm: sheet.tempi.first().map(|&(_, bpm)| bpm),
        played_bpm,
        beats,
        remarks,
    }
}

/// Said first, since all else is in doubt with it.
fn remark_on_doubt(num_right: usize, num_played: usize, written: &[SheetNote]) -> Option<String> {
    let num_written = written.iter().filter(|note| !note.is_grace).count();
    let could_be_right = num_played.min(num_written);
    let is_doubtful = (num_right as f64) < DOUBTFUL_SHARE * could_be_right as f64;
    let told = || format!("only {num_right} notes agree with the part: is it the part of this take (see --part)?");
    (could_be_right >= MIN_RIGHT && is_doubtful).then(told)
}

fn remark_on_key(semitones: i32) -> Option<String> {
    let side = if semitones < 0 { "below" } else { "above" };
    let told = || format!("the take sounds {} semitones {side} the part: it was read in that key", semitones.abs());
    (semitones != 0).then(told)
}

fn remark_on_graces(pairs: &[Pair], notes: &[SheetNote]) -> Option<String> {
    let num_met = pairs.iter().filter(|pair| matches!(pair, Pair::Both(_, note) if notes[*note].is_grace)).count();
    match notes.iter().filter(|note| note.is_grace).count() - num_met {
        0 => None,
        1 => Some("one grace note was not heard; it may be too short to tell".into()),
        n => Some(format!("{n} grace notes were not heard; they may be too short to tell")),
    }
}

/// Notes that leave MIDI's range stay as they are: they can be wrong, not absent.
fn transposed(notes: &[SheetNote], semitones: i32) -> Vec<SheetNote> {
    let moved = |n: &SheetNote| u8::try_from(i32::from(n.midi_note) + semitones).ok().filter(|&m| m < 128);
    notes.iter().map(|n| SheetNote { midi_note: moved(n).unwrap_or(n.midi_note), ..n.clone() }).collect()
}

/// Written beats and played seconds of the notes that are right, in order.
fn right_places(pairs: &[Pair], entrances: &[Entrance], written: &[SheetNote]) -> Vec<(f64, f64)> {
    let place = |pair: &Pair| match *pair {
        Pair::Both(i, j) if entrances[i].front.midi_note == Some(written[j].midi_note) && !written[j].is_grace => {
            Some((written[j].beat, entrances[i].front.speaks_s))
        }
        _ => None,
    };
    pairs.iter().filter_map(place).collect()
}

fn step(pair: Pair, written: &[SheetNote], entrances: &[Entrance]) -> Step {
    match pair {
        Pair::Both(i, j) => Step {
            verdict: verdict(entrances[i].front.midi_note, written[j].midi_note),
            entrance: Some(entrances[i].front.index),
            written: Some(written[j].clone()),
        },
        Pair::Played(i) => Step { verdict: Verdict::Extra, entrance: Some(entrances[i].front.index), written: None },
        Pair::Written(j) => Step { verdict: Verdict::Missed, entrance: None, written: Some(written[j].clone()) },
    }
}

fn verdict(played: Option<u8>, written: u8) -> Verdict {
    match played {
        None => Verdict::Untold,
        Some(played) if played == written => Verdict::Right,
        Some(played) if played.abs_diff(written) % 12 == 0 => Verdict::Octave,
        Some(_) => Verdict::Wrong,
    }
}

/// Played time for a unit of written time: the median over neighbouring pairs, which a pause does not touch.
/// `None` without two pairs.
fn slope(pairs: &[(f64, f64)]) -> Option<f64> {
    let slopes = pairs.windows(2).filter(|w| w[1].0 > w[0].0).map(|w| (w[1].1 - w[0].1) / (w[1].0 - w[0].0));
    median(slopes).filter(|slope| *slope > 0.0)
}

/// The middle of some values.
fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<_> = values.filter(|v| v.is_finite()).collect();
    let middle = values.len() / 2;
    (!values.is_empty()).then(|| *values.select_nth_unstable_by(middle, f64::total_cmp).1)
}

/// The beats of the written tempo, laid where the right notes agree on them; `None` when they do not.
fn written_beats(sheet: &Sheet, clock: &Clock, right: &[(f64, f64)]) -> Option<Beats> {
    if sheet.tempi.is_empty() || right.len() < MIN_RIGHT {
        return None;
    }
    let start_s = median(right.iter().map(|&(beat, at_s)| at_s - clock.seconds(beat)))?;
    let off_s = |&(beat, at_s): &(f64, f64)| (at_s - start_s - clock.seconds(beat)).abs();
    if median(right.iter().map(off_s))? > TEMPO_TOLERANCE_S {
        return None;
    }
    let course = match sheet.tempi[..] {
        [(_, bpm)] => Course::Even { bpm, first_beat_s: start_s },
        _ => {
            let last = right.last().map_or(0.0, |&(beat, _)| beat).ceil() as u32 + 1;
            Course::Listed((0..=last).map(|beat| start_s + clock.seconds(f64::from(beat))).collect())
        }
    };
    let num_near = right.iter().filter(|place| off_s(place) <= TEMPO_TOLERANCE_S).count();
    let confidence = num_near as f64 / right.len() as f64;
    Some(Beats { course, per_beat: per_beat(right), origin: Origin::Notes, confidence, followed: None })
}

/// The fewest subdivisions of a quarter note that the written notes fall on.
fn per_beat(right: &[(f64, f64)]) -> u32 {
    let is_enough = |per_beat: &u32| {
        let on = |&&(beat, _): &&(f64, f64)| {
            let units = beat * f64::from(*per_beat);
            (units - units.round()).abs() <= ON_GRID
        };
        right.iter().filter(on).count() as f64 >= ON_GRID_SHARE * right.len() as f64
    };
    PER_BEAT.into_iter().find(is_enough).unwrap_or(1)
}
