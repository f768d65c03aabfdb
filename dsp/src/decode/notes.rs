//! Notes out of scored candidates: which of two near ones stands, where the note before ended, how the new one began.

use super::WHOLE_S;
use super::candidates::{CandidateFinder, median_midi};
use super::curves::Curves;
use super::features::{NUM, features};
use super::joints;
use super::played::{note_features, note_midi};
use super::scores::Scores;
use super::struck::StruckEar;
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
    struck: StruckEar,
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
            struck: StruckEar::default(),
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
        self.struck.clear();
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

    /// Frame up to which a note is seen to sound, whether its end is decided yet or not.
    #[must_use]
    pub fn sounds_until(&self, frames: &Frames, note: &Note) -> i64 {
        note.end.unwrap_or_else(|| {
            let seen = self.curves.len() - frames.count(END_TONELESS_S);
            (self.next..seen).find(|&c| self.has_ended(frames, c)).unwrap_or(frames.len())
        })
    }

    /// ... and nothing else has likely begun yet.
    #[must_use]
    pub fn is_alone_until(&self, frames: &Frames, note: &Note) -> i64 {
        let sounds = self.sounds_until(frames, note);
        let next = if note.end.is_none() { self.upcoming(note.start).min() } else { None };
        next.map_or(sounds, |next| next.min(sounds))
    }

    /// Frames after `after` at which likely beginnings lie that no note has begun with yet.
    fn upcoming(&self, after: i64) -> impl Iterator<Item = i64> {
        let likely = self.likely.filter(|likely| likely.any >= LEAST_PROBABILITY);
        self.beginnings.iter().copied().chain(likely).map(|b| b.frame).filter(move |frame| *frame > after)
    }

    /// True when a sound whose note begins at `note` and is known until `until` is played rather than struck or talk. Talk comes
    /// in runs: what was just before counts too, and nothing that is struck among it. Ask once for each note, in order.
    pub fn is_played(&mut self, frames: &Frames, note: &Note, until: i64) -> bool {
        let is_struck = self.scores.is_struck(&self.struck.hear(frames, note, until));
        let own = self.scores.note_odds(&note_features(frames, note, until));
        let is_near = note.start - self.odds_at < frames.count(RUN_S);
        let odds = own + if is_near { RUN_SHARE * self.odds } else { LEAST_ODDS };
        (self.odds, self.odds_at) = (odds, note.start);
        odds > LEAST_ODDS && !is_struck
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
        while self.next < decided.min(self.curves.len() - 1) && (all || !self.waits(frames)) {
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

    /// What begins now may be a second start, and whether it is one of a series cannot be seen yet.
    fn waits(&self, frames: &Frames) -> bool {
        let next = self.beginnings.front().map(|b| b.frame).filter(|frame| *frame <= self.next);
        next.is_some_and(|frame| {
            let seen = self.candidates.passed() - frames.count(SERIES_S);
            frame > seen && self.is_soon(frames, frame) && !self.is_series(frames, frame)
        })
    }

    /// A start so soon after a fresh one that it belongs to it: it began twice on one pitch, on another partial, or slid.
    fn is_second_start(&self, frames: &Frames, frame: i64, has_moved: bool, dip: f32) -> bool {
        self.is_soon(frames, frame) && !self.is_series(frames, frame) && (!has_moved || dip < STROKE_DIP_DB)
    }

    fn is_soon(&self, frames: &Frames, frame: i64) -> bool {
        let is_fresh = self.notes.back().is_some_and(|last| last.kind != Start::Pitch);
        is_fresh && frame - self.last_begun < frames.count(SECOND_START_S)
    }

    /// One of three starts in a row that follow on each other fast.
    fn is_series(&self, frames: &Frames, frame: i64) -> bool {
        let series = frames.count(SERIES_S);
        self.last_start - self.before_last_start < series || self.upcoming(frame).any(|next| next - frame < series)
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
    use crate::observe::Frame;
    use crate::test_sounds::{RATE_HZ, dice, gliding, held, sound, tone, with_noise};

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

    /// Level of the drawn room and of drawn notes, dB.
    const ROOM_DB: f32 = -80.0;
    const NOTE_DB: f32 = -20.0;
    /// Frames drawn.
    const DRAWN: i64 = 800;

    /// Frames of what sounds at each: MIDI note and level, or the room.
    fn drawn(at: impl Fn(i64) -> Option<(f32, f32)>) -> Frames {
        Frames::drawn(
            (0..DRAWN).map(|i| at(i).map_or(Frame::held(f32::NAN, ROOM_DB), |(midi, db)| Frame::held(midi, db))),
        )
    }

    fn over(frames: &Frames) -> NoteFinder {
        let mut finder = NoteFinder::new();
        finder.curves.advance(frames);
        finder
    }

    fn beginning(frame: i64) -> Beginning {
        Beginning { frame, probability: 0.9, any: 0.9, placed_s: frame as f64 * HOP_S, weight: 0.9 }
    }

    /// The notes of drawn frames when beginnings lie there and nowhere else.
    fn decided(frames: &Frames, beginnings: &[i64]) -> Vec<Note> {
        let mut finder = over(frames);
        finder.beginnings.extend(beginnings.iter().map(|frame| beginning(*frame)));
        while finder.next < DRAWN - 80 {
            finder.step(frames);
            finder.next += 1;
        }
        finder.notes.into_iter().collect()
    }

    /// Frame at which drawn notes begin, and the second of two.
    const FIRST: i64 = 100;
    const SECOND: i64 = 300;

    /// Two notes drawn, from the second on `moved` semitones away, with a dip so deep between them that falls and rises
    /// over 30 ms each.
    fn two_joined(second: i64, moved: f32, dip_db: f32) -> Vec<Note> {
        let dip = |i: i64| dip_db * (1.0 - (i - second).abs() as f32 / 12.0).max(0.0);
        let frames = drawn(|i| match i {
            FIRST..600 => Some((if i < second { 58.0 } else { 58.0 + moved }, NOTE_DB - dip(i))),
            _ => None,
        });
        decided(&frames, &[FIRST + 2, second + 4])
    }

    /// The table of the joints: what dips by 13 dB or more is tongued, what dips less is legato, and what only moves a
    /// slur; what neither moves nor dips goes on.
    #[test]
    fn a_note_is_joined_by_what_level_and_pitch_do_at_its_beginning() {
        use Articulation::{Legato, Slurred, Tongued};
        // The curves round the tip of a dip off, by a tenth of it.
        let table = [
            (0.0, 20.0, Some((Start::Fresh, Tongued))),
            (0.0, 8.0, Some((Start::Dip, Legato))),
            (0.0, 2.5, Some((Start::Dip, Legato))),
            (0.0, 0.4, None),
            (4.0, 20.0, Some((Start::Fresh, Tongued))),
            (4.0, 8.0, Some((Start::Dip, Legato))),
            (4.0, 2.5, Some((Start::Pitch, Slurred))),
            (-1.0, 0.0, Some((Start::Pitch, Slurred))),
            (0.4, 0.0, None),
        ];
        for (moved, dip_db, wanted) in table {
            let notes = two_joined(SECOND, moved, dip_db);
            let found = notes.get(1).map(|note| (note.kind, note.articulation));
            assert_eq!(found, wanted, "{moved} semitones, {dip_db} dB: {notes:?}");
            if let Some(second) = notes.get(1) {
                assert!((second.from_midi - 58.0).abs() < 0.01, "{second:?}");
                assert!((second.start - SECOND).abs() <= 6, "{moved} semitones, {dip_db} dB: {second:?}");
                assert_eq!(notes[0].end, Some(second.start), "one ends where the next begins");
            }
        }
    }

    /// Two starts within 150 ms belong to one note, but not where strokes come that fast anyway.
    #[test]
    fn a_second_start_belongs_to_its_note_unless_strokes_come_in_a_series() {
        for (gap, moved, dip_db, wanted) in
            [(40, 0.0, 8.0, 1), (55, 0.0, 20.0, 1), (40, 5.0, 2.0, 1), (40, 5.0, 8.0, 2), (72, 0.0, 8.0, 2)]
        {
            let notes = two_joined(FIRST + gap, moved, dip_db);
            assert_eq!(notes.len(), wanted, "{gap} frames later, {moved} semitones, {dip_db} dB: {notes:?}");
        }
        // Eight a second, each with a dip.
        let strokes: Vec<i64> = (0..6).map(|k| FIRST + 50 * k).collect();
        let dip = |i: i64| strokes[1..].iter().map(|s| 8.0 * (1.0 - (i - s).abs() as f32 / 8.0).max(0.0)).sum::<f32>();
        let frames = drawn(|i| (FIRST..420).contains(&i).then(|| (58.0, NOTE_DB - dip(i))));
        let notes = decided(&frames, &strokes.iter().map(|s| s + 2).collect::<Vec<_>>());
        assert_eq!(notes.len(), strokes.len(), "{notes:?}");
        assert!(notes.iter().zip(&strokes).all(|(note, stroke)| (note.start - stroke).abs() <= 4), "{notes:?}");
    }

    /// The frame after the last of a note that sounds from frame 100 on, at a level of its age in s.
    fn end_of(db: impl Fn(f64) -> f64, is_tonal: impl Fn(i64) -> bool) -> Option<i64> {
        let room = f64::from(ROOM_DB);
        let frames = Frames::drawn((0..DRAWN).map(|i| {
            let db = if i < FIRST { room } else { db((i - FIRST) as f64 * HOP_S).max(room) };
            let held = Frame::held(if db > room { 58.0 } else { f32::NAN }, db as f32);
            if is_tonal(i) { held } else { Frame { periodicity: 0.3, ..held } }
        }));
        decided(&frames, &[FIRST + 2])[0].end
    }

    #[test]
    fn a_note_ends_24_decibels_down_or_without_a_tone_and_not_in_a_diminuendo() {
        for db_per_s in [80.0, 200.0, 600.0] {
            let let_go = |s: f64| f64::from(NOTE_DB) - db_per_s * (s - 0.5).max(0.0);
            let wanted = FIRST + ((0.5 + 24.0 / db_per_s) / HOP_S) as i64;
            let end = end_of(let_go, |_| true).expect("it ends");
            assert!((end - wanted).abs() <= 3, "{db_per_s} dB a second: {end}, and not {wanted}");
        }
        // 20 dB a second lose 14 dB in what is recent.
        assert_eq!(end_of(|s| f64::from(NOTE_DB) - 20.0 * s, |_| true), None);
        let toneless_from = 330;
        assert_eq!(end_of(|_| -20.0, |i| i < toneless_from), Some(toneless_from));
        assert_eq!(end_of(|_| -20.0, |i| !(330..=350).contains(&i)), None, "50 ms without tone are a dip of it");
    }

    #[test]
    fn a_soft_note_ends_where_it_sinks_into_the_room() {
        let soft = |s: f64| if s < 0.5 { -65.0 } else { -78.0 };
        assert!(
            end_of(soft, |_| true).is_some_and(|end| (end - FIRST - 200).abs() <= 3),
            "13 dB down, 2 over the room"
        );
    }

    #[test]
    fn the_floor_sinks_at_once_and_rises_between_notes_only() {
        let frames = drawn(|i| Some((f32::NAN, if i < 200 { -70.0 } else { -50.0 })));
        let mut finder = over(&frames);
        (0..190).for_each(|c| finder.follow_floor(c));
        assert!((finder.floor_db + 70.0).abs() < 0.01, "{}", finder.floor_db);
        finder.playing = true;
        (190..400).for_each(|c| finder.follow_floor(c));
        assert!((finder.floor_db + 70.0).abs() < 0.01, "a note hides the room: {}", finder.floor_db);
        let mut finder = over(&frames);
        (0..400).for_each(|c| finder.follow_floor(c));
        // 200 frames louder, of 0.06 dB each.
        assert!((finder.floor_db + 70.0 - 200.0 * FLOOR_RISE_DB).abs() < 0.5, "{}", finder.floor_db);
        // A take that begins inside a note tells nothing of its room.
        let mut finder = over(&drawn(|_| Some((58.0, -12.0))));
        finder.follow_floor(0);
        assert_eq!(finder.floor_db, HIGHEST_FIRST_FLOOR_DB);
    }

    /// Of candidates closer than any tongue one beginning is left: the likeliest, as likely as that any of them is one.
    #[test]
    fn of_candidates_close_together_one_beginning_is_passed_on() {
        let frames = drawn(|_| None);
        for seed in 0..50 {
            let mut dice = dice(seed + 1);
            let mut finder = NoteFinder::new();
            let (mut at, mut all) = (0, Vec::new());
            for _ in 0..40 {
                at += 1 + (60.0 * dice()) as i64;
                let probability = dice() as f32;
                let candidate = Beginning {
                    frame: at,
                    probability,
                    any: probability,
                    placed_s: at as f64 * HOP_S,
                    weight: probability,
                };
                all.push(candidate);
                finder.weigh(candidate, &frames);
            }
            finder.pass_on();
            let passed: Vec<Beginning> = finder.beginnings.iter().copied().collect();
            assert!(passed.iter().all(|b| b.any >= LEAST_PROBABILITY), "seed {seed}");
            assert!(passed.windows(2).all(|two| two[0].frame < two[1].frame), "seed {seed}: in order");
            for candidate in all.iter().filter(|c| c.probability >= LEAST_PROBABILITY) {
                let is_kept =
                    passed.iter().any(|b| (b.frame - candidate.frame).abs() <= 60 && b.any >= candidate.probability);
                assert!(is_kept, "seed {seed}: none is lost, only merged");
            }
        }
    }

    /// Begins and ends of `num` notes after each other, s, and their MIDI notes.
    type Phrase = Vec<(f64, f64, u8)>;

    /// A phrase as a player tongues it: notes of 0.25 to 0.6 s and rests of 60 to 200 ms between them.
    fn detached(seed: u64, num: usize) -> Phrase {
        let (mut dice, mut at_s) = (dice(seed + 1), 0.3);
        let mut next = || {
            let (length_s, rest_s) = (0.25 + 0.35 * dice(), 0.06 + 0.14 * dice());
            let note = (at_s, at_s + length_s, 41 + (24.0 * dice()) as u8);
            at_s += length_s + rest_s;
            note
        };
        (0..num).map(|_| next()).collect()
    }

    /// A phrase as sound: each note rises over 12 ms and rings on at so many dB a second after its end, in a room of
    /// -75 dB.
    fn sounded(phrase: &Phrase, fall_db_per_s: f64, seed: u64) -> Vec<f32> {
        let end_s = phrase.last().map_or(0.0, |last| last.1) + 0.5;
        let part = |s: f64, &(from, to, midi): &(f64, f64, u8)| {
            let level = ((s - from) / 0.012).clamp(0.0, 1.0) * 10f64.powf(-fall_db_per_s * (s - to).max(0.0) / 20.0);
            if level > 1e-6 { level * tone(crate::units::midi_to_hz(midi.into(), 440.0), 1..=10, 0.1, s) } else { 0.0 }
        };
        with_noise(sound(end_s, |s| phrase.iter().map(|note| part(s, note)).sum()), 10f64.powf(-7.5), seed)
    }

    /// How many of the notes were found within 25 ms, and how many that are none.
    fn found_of(phrase: &Phrase, notes: &[Note]) -> (usize, usize) {
        let is_at = |s: f64, note: &Note| (note.placed_s - s).abs() < 0.025;
        let found = phrase.iter().filter(|made| notes.iter().any(|note| is_at(made.0, note))).count();
        (found, notes.iter().filter(|note| !phrase.iter().any(|made| is_at(made.0, note))).count())
    }

    /// The line of the task for made takes: every tongued note is found and nothing else, also while tails still ring.
    #[test]
    fn tongued_phrases_are_found_note_by_note_whatever_rings() {
        for fall_db_per_s in [1000.0, 250.0, 120.0] {
            let (mut made, mut found, mut extra) = (0, 0, 0);
            for seed in 0..8 {
                let phrase = detached(seed, 7);
                let (hits, others) = found_of(&phrase, &played(&sounded(&phrase, fall_db_per_s, seed)));
                (made, found, extra) = (made + phrase.len(), found + hits, extra + others);
            }
            assert!(found as f64 >= 0.98 * f64::from(made as u32), "{fall_db_per_s} dB a second: {found} of {made}");
            assert!(extra as f64 <= 0.02 * f64::from(made as u32), "{fall_db_per_s} dB a second: {extra} extra");
        }
    }

    /// Sixteenths at 90 to 180, on one pitch and on steps of a scale.
    #[test]
    fn fast_tonguing_is_counted_stroke_by_stroke() {
        let strokes = |per_s: f64, step: u8| {
            let at = |k: u8| 0.4 + f64::from(k) / per_s;
            let made: Phrase = (0..12).map(|k| (at(k), at(k) + 0.72 / per_s, 53 + step * (k % 4))).collect();
            found_of(&made, &played(&sounded(&made, 700.0, 5)))
        };
        for per_s in [6.0, 7.0, 7.5, 8.0, 8.5, 9.0, 10.0, 12.0] {
            assert_eq!(strokes(per_s, 0), (12, 0), "{per_s} a second on one pitch");
            if per_s < 12.0 {
                assert_eq!(strokes(per_s, 2), (12, 0), "{per_s} a second on a scale");
            }
        }
        // One of twelve changes of pitch that follow on each other in 83 ms lies elsewhere: what is reached.
        let (found, extra) = strokes(12.0, 2);
        assert!(found >= 11 && extra <= 1, "{found} and {extra}");
    }

    /// A scale in one breath: every change of pitch is a note, slurred, out of the one before.
    #[test]
    fn a_slurred_scale_is_as_many_notes_as_it_has_steps() {
        let scale = [46, 48, 50, 51, 53, 55, 57, 58];
        let hz = |s: f64| {
            let k = (((s - 0.3) / 0.3).max(0.0) as usize).min(scale.len() - 1);
            crate::units::midi_to_hz(f64::from(scale[k]), 440.0)
        };
        let notes = played(&gliding(3.1, hz, |s| held(s, (0.3, 2.7), 0.02, 0.05)));
        assert_eq!(notes.len(), scale.len(), "{notes:?}");
        for (k, note) in notes.iter().enumerate().skip(1) {
            assert_eq!(note.articulation, Articulation::Slurred, "{note:?}");
            assert!((note.placed_s - 0.3 - 0.3 * k as f64).abs() < 0.020, "{note:?}");
            assert!((note.from_midi - scale[k - 1] as f32).abs() < 0.1, "{note:?}");
        }
    }

    #[test]
    fn the_same_sound_softer_or_a_few_samples_later_has_the_same_notes() {
        let phrase = detached(3, 6);
        let samples = sounded(&phrase, 300.0, 3);
        let notes = played(&samples);
        for (gain, delay) in [(0.25, 0), (1.0, 1), (1.0, 37), (0.5, 61)] {
            let other: Vec<f32> = std::iter::repeat_n(0.0, delay).chain(samples.iter().map(|x| gain * x)).collect();
            let again = played(&other);
            assert_eq!(again.len(), notes.len(), "{gain} times, {delay} samples later");
            for (a, b) in notes.iter().zip(&again) {
                let moved_s = b.placed_s - a.placed_s - delay as f64 / RATE_HZ;
                assert!(moved_s.abs() < 0.004 && a.kind == b.kind, "{gain}, {delay}: {a:?} {b:?}");
            }
        }
    }

    /// A voice glides all the time and in runs: ten syllables at five a second, each falling by an octave.
    #[test]
    fn what_glides_through_every_syllable_is_not_played() {
        let syllable = |s: f64| (s * 5.0).fract();
        let hz = |s: f64| 110.0 * (0.2 * (2.1 * s).sin() - 1.2 * syllable(s) + 0.2 * (9.0 * s).sin()).exp2();
        let level = |s: f64| held(s, (0.3, 2.3), 0.02, 0.05) * (std::f64::consts::PI * syllable(s)).sin().powi(2);
        assert_eq!(played(&gliding(2.8, hz, level)).len(), 0);
    }
}
