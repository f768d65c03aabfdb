//! Notes out of scored candidates: which of two near ones stands, where the note before ended, how the new one began.

use super::WHOLE_S;
use super::candidates::{CandidateFinder, median_midi};
use super::curves::Curves;
use super::features::{NUM, features};
use super::joints;
use super::played::{HOLDS, note_features, note_midi};
use super::scores::Scores;
use crate::coarse::{Note, Start};
use crate::entrance::Articulation;
use crate::observe::{Frames, HOP_S};
use crate::parameters::notes::*;
use std::collections::VecDeque;

/// Candidates half as likely as a beginning must be are weighed: neighbours speak for each other \[T\].
const WORTH_WEIGHING: f32 = 0.5 * LEAST_PROBABILITY;
/// Frames each side from which it is looked at too \[T\].
const BESIDE: i64 = 3;
/// A beginning this soon after a fresh one, on the same pitch or without a dip, belongs to it, s: it stuttered, split
/// or slid \[D\].
const SECOND_START_S: f64 = 0.150;
/// Notes waiting to be taken: more than any look-back can hold \[T\].
const MAX_NOTES: usize = 64;

/// A likely beginning.
#[derive(Clone, Copy)]
struct Beginning {
    frame: i64,
    probability: f32,
    /// That one of the candidates around it is a beginning.
    any: f32,
    /// Where the note begins, s, and how much stands behind that.
    placed_s: f64,
    weight: f32,
}

impl Beginning {
    /// Two candidates for one beginning: the likelier stands, and both say where it lies.
    fn together(self, other: Self) -> Self {
        let (a, b) = (f64::from(self.weight), f64::from(other.weight));
        let best = if other.probability > self.probability { other } else { self };
        Self {
            any: 1.0 - (1.0 - self.any) * (1.0 - other.any),
            placed_s: (a * self.placed_s + b * other.placed_s) / (a + b),
            weight: self.weight + other.weight,
            ..best
        }
    }
}

/// Finds notes in frames.
pub struct NoteFinder {
    scores: Scores,
    curves: Curves,
    candidates: CandidateFinder,
    likely: Option<Beginning>,
    beginnings: VecDeque<Beginning>,
    recent: VecDeque<Beginning>,
    next: i64,
    playing: bool,
    floor_db: f32,
    last_start: i64,
    before_last_start: i64,
    last_end: i64,
    last_begun: i64,
    odds: f32,
    odds_at: i64,
    notes: VecDeque<Note>,
}

impl NoteFinder {
    /// A finder at the start of a take.
    #[must_use]
    pub fn new() -> Self {
        Self {
            scores: Scores::fitted(),
            curves: Curves::new(),
            candidates: CandidateFinder::new(),
            likely: None,
            beginnings: VecDeque::with_capacity(MAX_NOTES),
            recent: VecDeque::with_capacity(MAX_NOTES),
            next: 0,
            playing: false,
            floor_db: 0.0,
            last_start: i64::MIN / 2,
            before_last_start: i64::MIN / 2,
            last_end: i64::MIN / 2,
            last_begun: i64::MIN / 2,
            odds: 0.0,
            odds_at: i64::MIN / 2,
            notes: VecDeque::with_capacity(MAX_NOTES),
        }
    }

    /// Back to the start.
    pub fn clear(&mut self) {
        self.curves.clear();
        self.candidates.clear();
        self.likely = None;
        self.beginnings.clear();
        self.recent.clear();
        self.next = 0;
        self.playing = false;
        self.floor_db = 0.0;
        (self.last_start, self.before_last_start) = (i64::MIN / 2, i64::MIN / 2);
        (self.last_end, self.last_begun) = (i64::MIN / 2, i64::MIN / 2);
        (self.odds, self.odds_at) = (0.0, i64::MIN / 2);
        self.notes.clear();
    }

    /// Notes found and not yet taken, oldest first. Only the last may still grow.
    #[must_use]
    pub fn notes(&self) -> &VecDeque<Note> {
        &self.notes
    }

    /// Takes the oldest note out.
    pub fn pop(&mut self) -> Option<Note> {
        self.notes.pop_front()
    }

    /// Marks the oldest note as told.
    pub fn mark_told(&mut self) {
        if let Some(note) = self.notes.front_mut() {
            note.is_told = true;
        }
    }

    /// Frame at which the next note likely begins, told before that is decided.
    #[must_use]
    pub fn next_likely(&self, after: i64) -> Option<i64> {
        self.upcoming(after).min()
    }

    /// Frames after `after` at which likely beginnings lie that no note has begun with yet.
    fn upcoming(&self, after: i64) -> impl Iterator<Item = i64> {
        let likely = self.likely.filter(|likely| likely.any >= LEAST_PROBABILITY);
        self.beginnings.iter().copied().chain(likely).map(|b| b.frame).filter(move |frame| *frame > after)
    }

    /// True when a sound whose note begins at `note` and is known until `until` is played rather than talk. Talk comes in
    /// runs: what was just before counts too. Ask once for each note, in order.
    pub fn is_played(&mut self, frames: &Frames, note: &Note, until: i64) -> bool {
        let seen = note_features(frames, note, until);
        if seen[HOLDS] < frames.count(SHORTEST_S) as f32 {
            return false;
        }
        let own = self.scores.note_odds(&seen);
        let is_near = note.start - self.odds_at < frames.count(RUN_S);
        let odds = own + if is_near { RUN_SHARE * self.odds } else { LONE_ODDS };
        (self.odds, self.odds_at) = (odds, note.start);
        odds > LEAST_ODDS
    }

    /// Room floor, dB.
    #[must_use]
    pub fn floor_db(&self) -> f32 {
        self.floor_db
    }

    /// Decides all frames whose look-ahead is there; with `all`, the rest as well.
    pub fn advance(&mut self, frames: &Frames, all: bool) {
        self.curves.advance(frames);
        while let Some(frame) = self.candidates.next(frames, &self.curves) {
            let candidate = self.score(frames, frame);
            self.remember(candidate);
            self.weigh(candidate, frames);
        }
        let settled = self.candidates.passed() - frames.count(APART_S);
        if self.likely.is_some_and(|likely| all || likely.frame < settled) {
            self.pass_on();
        }
        let decided = if all { self.curves.len() } else { settled };
        while self.next < decided.min(self.curves.len() - 1) {
            self.step(frames);
            self.next += 1;
        }
        if all && self.playing {
            self.end_note(self.curves.len());
        }
    }

    /// How likely a candidate is a beginning, and where that lies. What could be one is looked at from the frames beside it
    /// too: where the frames happen to lie must not decide.
    fn score(&self, frames: &Frames, frame: i64) -> Beginning {
        let seen = |at: i64| features(frames, &self.curves, at);
        let placed = |at: i64, seen: &[f32; NUM]| at as f64 * HOP_S + self.scores.offset_s(seen);
        let here = seen(frame);
        let (probability, mut placed_s) = (self.scores.probability(&here), placed(frame, &here));
        if probability >= WORTH_WEIGHING {
            let around = (-BESIDE..=BESIDE).filter(|k| *k != 0).map(|k| (frame + k).max(0));
            let beside = around.map(|at| placed(at, &seen(at)));
            placed_s = (placed_s + beside.sum::<f64>()) / (2 * BESIDE + 1) as f64;
        }
        Beginning { frame, probability, any: probability, placed_s, weight: probability }
    }

    fn remember(&mut self, candidate: Beginning) {
        if self.recent.len() == MAX_NOTES {
            self.recent.pop_front();
        }
        self.recent.push_back(candidate);
    }

    /// The likeliest beginning of a tone that sounds though none was found: a slow one, say. A tone must have begun.
    fn overdue(&self, frames: &Frames, c: i64) -> Option<Beginning> {
        let span = frames.count(SECOND_START_S);
        let oldest = (c - frames.count(WHOLE_S)).max(self.last_end);
        let is_tone = c - span > oldest && (c - span..c).all(|i| frames.get(i).periodicity > OVERDUE_TONAL);
        if self.playing || !is_tone {
            return None;
        }
        let top = self.curves.max_level(c - span, c);
        let has_risen = top - self.curves.min_level(oldest.max(0), c - span) > FRESH_DIP_DB;
        if !has_risen || top < self.floor_db + FRESH_DIP_DB {
            return None;
        }
        let since = self.recent.iter().filter(|b| b.frame > oldest && b.frame <= c - span / 2);
        since.max_by(|a, b| a.probability.total_cmp(&b.probability)).copied()
    }

    /// Of beginnings close together the likeliest stands; what speaks for its neighbours speaks for it.
    fn weigh(&mut self, candidate: Beginning, frames: &Frames) {
        if candidate.probability < WORTH_WEIGHING {
            return;
        }
        match &mut self.likely {
            Some(likely) if candidate.frame - likely.frame <= frames.count(APART_S) => {
                *likely = likely.together(candidate);
            }
            _ => {
                self.pass_on();
                self.likely = Some(candidate);
            }
        }
    }

    fn pass_on(&mut self) {
        if let Some(likely) = self.likely.take()
            && likely.any >= LEAST_PROBABILITY
            && self.beginnings.len() < MAX_NOTES
        {
            self.beginnings.push_back(likely);
        }
    }

    fn step(&mut self, frames: &Frames) {
        let c = self.next;
        self.follow_floor(c);
        if self.playing && self.has_ended(frames, c) {
            self.end_note(c);
        }
        while let Some(&beginning) = self.beginnings.front()
            && beginning.frame <= c
        {
            self.beginnings.pop_front();
            self.begin(frames, beginning);
        }
        if let Some(overdue) = self.overdue(frames, c) {
            self.begin(frames, overdue);
        }
    }

    fn follow_floor(&mut self, c: i64) {
        let level = self.curves.level(c);
        // While a note sounds the room cannot be heard, so the floor only sinks then.
        let rise = if self.playing { 0.0 } else { FLOOR_RISE_DB };
        self.floor_db = if c == 0 { level.min(HIGHEST_FIRST_FLOOR_DB) } else { level.min(self.floor_db + rise) };
    }

    fn has_ended(&self, frames: &Frames, c: i64) -> bool {
        let from = self.last_start.max(c - frames.count(WHOLE_S));
        if c < self.last_start + frames.count(APART_S) {
            return false;
        }
        let level = self.curves.level(c);
        let toneless = || (c..c + frames.count(END_TONELESS_S)).all(|i| frames.get(i).periodicity < TONAL);
        level < self.curves.max_level(from, c) - END_DROP_DB || level < self.floor_db + END_OVER_FLOOR_DB || toneless()
    }

    fn begin(&mut self, frames: &Frames, beginning: Beginning) {
        let frame = beginning.frame;
        let before = self.notes.back().copied().filter(|note| note.start < frame);
        let from_midi = before.map_or(f32::NAN, |note| note_midi(frames, &note, frame));
        let midi = median_midi(frames, frame + 6, frame + 30);
        let dip = joints::dip_db(&self.curves, frames, frame);
        let has_moved = (midi - from_midi).abs() > NEW_PITCH;
        let goes_on = self.playing && !has_moved && dip < STROKE_SHOWS_DB;
        if goes_on || self.is_second_start(frames, frame, has_moved, dip) {
            self.resume();
            return;
        }
        let rests = !self.playing;
        let rise = joints::rise_db(&self.curves, frames, frame);
        let kind = match () {
            () if rests || dip >= FRESH_DIP_DB || rise >= FRESH_DIP_DB => Start::Fresh,
            () if has_moved && dip < STROKE_DIP_DB => Start::Pitch,
            () => Start::Dip,
        };
        let inside = self.last_begun + frames.count(INSIDE_S);
        let start = match kind {
            Start::Fresh => joints::rise_start(&self.curves, frames, frame, self.last_end.max(inside)),
            Start::Dip => joints::softest(&self.curves, frames, frame, inside),
            Start::Pitch => joints::boundary(frames, frame, from_midi, midi),
        };
        let start = start.max(self.last_start + 1);
        if self.playing {
            self.end_note(start);
        }
        let from_midi = if rests && start - self.last_end > frames.count(WHOLE_S) { f32::NAN } else { from_midi };
        let articulation = match kind {
            _ if from_midi.is_nan() => Articulation::Tongued,
            Start::Pitch => Articulation::Slurred,
            Start::Fresh | Start::Dip if dip < FRESH_DIP_DB => Articulation::Legato,
            Start::Fresh | Start::Dip => Articulation::Tongued,
        };
        self.start_note(Note {
            start,
            placed_s: beginning.placed_s,
            end: None,
            kind,
            midi: f32::NAN,
            from_midi,
            articulation,
            is_told: false,
        });
        self.last_begun = frame;
    }

    /// A start so soon after a fresh one that it belongs to it: it began twice on one pitch, on another partial, or slid.
    fn is_second_start(&self, frames: &Frames, frame: i64, has_moved: bool, dip: f32) -> bool {
        let Some(last) = self.notes.back() else { return false };
        let gap = frame - self.last_begun;
        let is_soon = last.kind != Start::Pitch && gap < frames.count(SECOND_START_S);
        let series = frames.count(SERIES_S);
        let is_series =
            last.start - self.before_last_start < series || self.upcoming(frame).any(|next| next - frame < series);
        is_soon && !is_series && (!has_moved || dip < STROKE_DIP_DB)
    }

    fn start_note(&mut self, note: Note) {
        self.before_last_start = self.last_start;
        self.last_start = note.start;
        self.playing = true;
        if self.notes.len() == MAX_NOTES {
            self.notes.pop_front();
        }
        self.notes.push_back(note);
    }

    fn resume(&mut self) {
        if let Some(last) = self.notes.back_mut() {
            last.end = None;
        }
        self.playing = true;
    }

    fn end_note(&mut self, end: i64) {
        self.playing = false;
        self.last_end = end;
        if let Some(last) = self.notes.back_mut() {
            last.end = Some(end.max(last.start + 1));
        }
    }
}

impl Default for NoteFinder {
    fn default() -> Self {
        Self::new()
    }
}

#[cfg(test)]
mod tests {
    use super::super::observe;
    use super::super::tests::struck_tone;
    use super::*;
    use crate::test_sounds::{RATE_HZ, gliding, sound, tone};

    /// The notes of a sound, those that are talk or knocks left out.
    fn played(samples: &[f32]) -> Vec<Note> {
        let mut finder = NoteFinder::new();
        let mut found = Vec::new();
        observe(samples, RATE_HZ, |frames| {
            finder.advance(frames, false);
            while let Some(note) = finder.notes().front().copied().filter(|note| note.end.is_some()) {
                let until = note.end.unwrap_or(frames.len());
                if finder.is_played(frames, &note, until) {
                    found.push(note);
                }
                finder.pop();
            }
        });
        found
    }

    #[test]
    fn strokes_are_fresh_notes_that_end_where_they_end() {
        let notes = played(&struck_tone(0));
        assert_eq!(notes.len(), 3);
        assert!(notes.iter().all(|note| note.kind == Start::Fresh), "{notes:?}");
        let ends_s: Vec<f64> = notes.iter().map(|n| n.end.map_or(f64::NAN, |e| e as f64 * HOP_S)).collect();
        // Each is let go over 40 ms up to 10 ms before the next stroke, and gone 24 dB before its end.
        for (end_s, wanted_s) in ends_s.iter().zip([0.79, 1.29, 1.7]) {
            assert!((end_s - wanted_s).abs() < 0.045, "{ends_s:?}");
        }
        assert!(notes.windows(2).all(|two| two[0].end <= Some(two[1].start)), "they do not overlap");
    }

    #[test]
    fn a_slur_begins_by_its_pitch_and_knows_where_it_came_from() {
        let level = |s: f64| ((s - 0.3) / 0.015).clamp(0.0, 1.0) * ((1.3 - s) / 0.030).clamp(0.0, 1.0);
        let samples = gliding(1.5, |s| if s < 0.8 { 174.61 } else { 233.08 }, level);
        let notes = played(&samples);
        assert_eq!(notes.len(), 2, "{notes:?}");
        assert_eq!((notes[1].kind, notes[1].articulation), (Start::Pitch, Articulation::Slurred));
        assert!((notes[1].from_midi - 53.0).abs() < 0.1, "F3 is MIDI 53");
        assert!((notes[1].start as f64 * HOP_S - 0.8).abs() < 0.020);
    }

    #[test]
    fn a_dip_between_two_strokes_tells_how_they_are_joined() {
        // The tone sinks by so much and comes back, each over 30 ms.
        let struck_again = |depth_db: f64| {
            let dip_db = |s: f64| depth_db * (1.0 - (s - 0.8).abs() / 0.030).clamp(0.0, 1.0);
            let level = |s: f64| ((s - 0.3) / 0.015).clamp(0.0, 1.0) * ((1.3 - s) / 0.030).clamp(0.0, 1.0);
            let notes = played(&sound(1.5, |s| level(s) * 10f64.powf(-dip_db(s) / 20.0) * tone(233.08, 1..=8, 0.1, s)));
            notes.iter().map(|note| note.articulation).collect::<Vec<_>>()
        };
        assert_eq!(struck_again(9.0), [Articulation::Tongued, Articulation::Legato]);
        assert_eq!(struck_again(30.0), [Articulation::Tongued, Articulation::Tongued]);
    }

    #[test]
    fn a_knock_is_no_note_and_neither_is_silence() {
        // A plank struck: 400 Hz, gone by 60 dB in 50 ms.
        let knock = |s: f64| if s < 0.5 { 0.0 } else { tone(400.0, 1..=3, 0.3, s) * 10f64.powf(-60.0 * (s - 0.5)) };
        assert_eq!(played(&sound(1.2, knock)).len(), 0);
        assert_eq!(played(&[0.0; 48_000]).len(), 0);
    }

    #[test]
    fn a_swell_is_one_note() {
        let swell = |s: f64| ((s - 0.2) / 0.02).clamp(0.0, 1.0) * (0.3 + 0.7 * (s - 0.2).max(0.0)).min(1.0);
        let fade = |s: f64| ((1.6 - s) / 0.03).clamp(0.0, 1.0);
        assert_eq!(played(&sound(2.0, |s| swell(s) * fade(s) * tone(116.54, 1..=12, 0.1, s))).len(), 1);
    }

    #[test]
    fn two_candidates_for_one_beginning_meet_between_them() {
        let one = |frame: i64, p: f32, s: f64| Beginning { frame, probability: p, any: p, placed_s: s, weight: p };
        let both = one(10, 0.2, 1.0).together(one(14, 0.6, 1.008));
        assert_eq!(both.frame, 14, "the likelier stands");
        assert!((both.placed_s - 1.006).abs() < 1e-6, "three quarters of the weight");
        assert!((both.any - 0.68).abs() < 1e-6, "one less 0.8 times 0.4");
    }

    #[test]
    fn cleared_it_finds_the_same_again() {
        let samples = struck_tone(0);
        let mut finder = NoteFinder::new();
        let mut starts = || {
            let mut found = Vec::new();
            observe(&samples, RATE_HZ, |frames| {
                finder.advance(frames, false);
                while finder.notes().front().is_some_and(|note| note.end.is_some()) {
                    found.extend(finder.pop());
                }
            });
            finder.clear();
            found.iter().map(|note| (note.start, note.end)).collect::<Vec<_>>()
        };
        let first = starts();
        assert!(!first.is_empty());
        assert_eq!(first, starts());
    }
}
