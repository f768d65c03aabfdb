//! Which notes there are: coarse starts and ends from frames, with 200 ms of look-ahead.
//!
//! A note starts where a tone rises out of something softer, where the level dips and rises again
//! (a new tongue stroke), or where the pitch moves to another plateau. Tails, swells, vibrato,
//! breaths and knocks do none of these. Two starts close together are one note that stuttered; a
//! short plateau on another pitch right after a fresh start is a note that split.

use crate::coarse::{Note, Start};
use crate::frame::{Frame, Frames};
use std::collections::VecDeque;

/// Look-ahead of the decisions, s.
const LOOK_AHEAD_S: f64 = 0.200;
/// A frame is tonal from this periodicity on.
const TONAL: f32 = 0.70;
/// ... and this far above the floor, dB.
const ABOVE_FLOOR_DB: f32 = 6.0;
/// A fresh start rises at least this much, dB.
const FRESH_RISE_DB: f32 = 8.0;
/// ... and stands this far above the floor, dB.
const FRESH_ABOVE_FLOOR_DB: f32 = 12.0;
/// The rise is seen whole within this time ahead and back, s.
const RISE_AHEAD_S: f64 = 0.030;
const RISE_BACK_S: f64 = 0.200;
/// Depth of a dip that parts two notes, dB, against its deeper side.
const DIP_DB: f32 = 5.0;
/// A tongue's dip is sharp: both sides move this far, dB, in these times, s. Vibrato, swells and wavering
/// tone are slower: 6 dB of vibrato at 6 Hz makes 1.7 dB in 30 ms.
const SHARP_DB: f32 = 3.3;
const SHARP_FALL_S: f64 = 0.040;
const SHARP_RISE_S: f64 = 0.030;
/// Time a dip may take to fall, and to rise, s.
const DIP_FALL_S: f64 = 0.080;
const DIP_RISE_S: f64 = 0.060;
/// A note that comes back this much softer than it was has not been tongued: it is ringing off, dB.
const DEAD_DROP_DB: f32 = 10.0;
/// The pitch swings when it moves by more than this, semitones, within this time of a dip, s.
const SWING: f32 = 0.35;
const SWING_REACH_S: f64 = 0.080;
/// A dip this deep is a fresh start, though a tail may fill the gap: with a change of pitch, and without, dB.
const DEEP_DIP_MOVED_DB: f32 = 9.0;
const DEEP_DIP_DB: f32 = 13.0;
/// A note has ended this far under its recent level, dB.
const END_DROP_DB: f32 = 24.0;
/// ... of this long, s: longer than a room takes to sink by as much...
const END_MEMORY_S: f64 = 0.7;
/// A note that rises this far came out of the tail of the note before by a stroke of its own, dB.
const TAIL_RISE_DB: f32 = 13.0;
/// ... or after this long without tone, s.
const END_TONELESS_S: f64 = 0.060;
/// ... within this time, s: a slow attack takes it.
const SLOW_RISE_S: f64 = 0.150;
/// Length of a plateau, s, and its half width, semitones.
const PLATEAU_S: f64 = 0.060;
const PLATEAU_HALF_WIDTH: f32 = 0.30;
/// Another plateau is another note from here on, semitones: under a semitone, over vibrato and drift.
const NEW_PITCH: f32 = 0.70;
/// A first plateau shorter than this after a fresh start is a split or a stutter, s.
pub const SECOND_START_S: f64 = 0.150;
/// A change of pitch this soon after a fresh start is a slide that came late, s: a note is longer.
const SMEAR_S: f64 = 0.110;
/// Smallest interval of a split, semitones: partials 9 to 10.
const SPLIT_MIN: f32 = 1.60;
/// Under this pitch (MIDI) frames come from the long window, which lags a change by this, s.
const LOW_MIDI: f32 = 49.0;
const LOW_LAG_S: f64 = 0.045;
/// Starts nearer than this to each other, three in a row, are a fast series, s.
const SERIES_S: f64 = 0.220;
/// Shorter tones are beeps, bleed or creaks, s.
const MIN_NOTE_S: f64 = 0.055;
/// Recovery of the floor estimate between notes, dB a frame: 2 dB/s.
const FLOOR_RISE_DB: f32 = 0.01;
/// Lowest floor, dB: digital silence must not make a converter's last bit a note.
const LOWEST_FLOOR_DB: f32 = -85.0;
/// A take may begin inside a note: the first guess of the floor is not over this, dB.
const HIGHEST_FIRST_FLOOR_DB: f32 = -45.0;

/// Finds notes in frames.
pub struct NoteFinder {
    next: i64,
    floor_db: f32,
    playing: bool,
    last_start: i64,
    before_last_start: i64,
    last_end: i64,
    notes: VecDeque<Note>,
}

/// Notes waiting to be taken: more than any look-back can hold.
const MAX_NOTES: usize = 64;

impl NoteFinder {
    /// A finder at the start of a take.
    #[must_use]
    pub fn new() -> Self {
        Self {
            next: 0,
            floor_db: 0.0,
            playing: false,
            last_start: i64::MIN / 2,
            before_last_start: i64::MIN / 2,
            last_end: i64::MIN / 2,
            notes: VecDeque::with_capacity(MAX_NOTES),
        }
    }

    /// Back to the start.
    pub fn clear(&mut self) {
        self.next = 0;
        self.floor_db = 0.0;
        self.playing = false;
        self.last_start = i64::MIN / 2;
        self.before_last_start = i64::MIN / 2;
        self.last_end = i64::MIN / 2;
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

    /// Marks the oldest note as judged.
    pub fn mark_told(&mut self) {
        if let Some(note) = self.notes.front_mut() {
            note.is_told = true;
        }
    }

    /// Frame up to which everything is decided.
    #[must_use]
    pub fn decided(&self) -> i64 {
        self.next
    }

    /// Room floor, dB.
    #[must_use]
    pub fn floor_db(&self) -> f32 {
        self.floor_db
    }

    /// Decides all frames whose look-ahead is there; with `all`, the rest as well.
    pub fn advance(&mut self, frames: &Frames, all: bool) {
        let look_ahead = if all { 0 } else { frames.count(LOOK_AHEAD_S) };
        while self.next + look_ahead < frames.len() {
            self.follow_floor(frames);
            if self.playing {
                self.in_note(frames);
            } else {
                self.between_notes(frames);
            }
            self.next += 1;
        }
        if all && self.playing {
            self.end_note(frames.len());
        }
    }

    fn follow_floor(&mut self, frames: &Frames) {
        let ahead = frames.count(0.05);
        let level = frames.max_level(self.next - 4, self.next + ahead.min(4)).max(LOWEST_FLOOR_DB);
        // While a note sounds the room cannot be heard, so the floor only sinks then.
        let rise = if self.playing { 0.0 } else { FLOOR_RISE_DB };
        self.floor_db =
            if self.next == 0 { level.min(HIGHEST_FIRST_FLOOR_DB) } else { level.min(self.floor_db + rise) };
    }

    fn is_tonal(&self, frame: Frame) -> bool {
        frame.periodicity >= TONAL && frame.level_db >= self.floor_db + ABOVE_FLOOR_DB
    }

    fn num_tonal(&self, frames: &Frames, from: i64, to: i64) -> i64 {
        (from..to).filter(|&i| self.is_tonal(frames.get(i))).count() as i64
    }

    /// Median pitch of `from..to` where nearly all frames are tonal and near it.
    fn plateau(&self, frames: &Frames, from: i64, to: i64) -> Option<f32> {
        let mut pitches = [0.0f32; 64];
        let mut num = 0;
        for frame in (from..to).map(|i| frames.get(i)).filter(|f| self.is_tonal(*f)) {
            if num < pitches.len() {
                pitches[num] = frame.midi;
                num += 1;
            }
        }
        let span = (to - from) as usize;
        if num * 5 < span * 4 || num == 0 {
            return None;
        }
        let pitches = &mut pitches[..num];
        pitches.sort_unstable_by(f32::total_cmp);
        let median = pitches[num / 2];
        let near = pitches.iter().filter(|p| (**p - median).abs() <= PLATEAU_HALF_WIDTH).count();
        (near * 5 >= span * 4).then_some(median)
    }

    fn between_notes(&mut self, frames: &Frames) {
        let c = self.next;
        if !self.is_fresh_start(frames, c) {
            return;
        }
        let length = frames.count(PLATEAU_S);
        let midi = self.plateau(frames, c, c + length).unwrap_or(f32::NAN);
        if self.is_second_start(frames, c, midi) {
            self.resume();
        } else {
            self.start_note(self.rise_start(frames, c), Start::Fresh, f32::NAN);
        }
    }

    fn is_fresh_start(&self, frames: &Frames, c: i64) -> bool {
        let (near, far) = (frames.count(0.045), frames.count(RISE_AHEAD_S));
        if !self.is_tonal(frames.get(c)) || self.num_tonal(frames, c, c + near) * 9 < near * 7 {
            return false;
        }
        let top = frames.max_level(c, c + far);
        let bottom = frames.min_level(self.rise_from(frames, c), c);
        if top - bottom < FRESH_RISE_DB || top < self.floor_db + FRESH_ABOVE_FLOOR_DB {
            return false;
        }
        self.lasts(frames, c, top) && self.settles(frames, c)
    }

    /// First frame a rise to `c` may begin at: a slide hides its pitch from the coarse picture for a while.
    fn rise_from(&self, frames: &Frames, c: i64) -> i64 {
        (c - frames.count(RISE_BACK_S)).max(self.last_end)
    }

    /// Frame at which the rise that leads to `c` comes within 20 dB of the level there.
    fn rise_start(&self, frames: &Frames, c: i64) -> i64 {
        let top = frames.max_level(c, c + frames.count(RISE_AHEAD_S));
        let from = self.rise_from(frames, c);
        let lowest = (from..=c).rev().min_by(|a, b| frames.get(*a).level_db.total_cmp(&frames.get(*b).level_db));
        (lowest.unwrap_or(c)..=c).find(|&i| frames.get(i).level_db > top - 20.0).unwrap_or(c)
    }

    /// The tone holds its level long enough to be a note.
    fn lasts(&self, frames: &Frames, c: i64, top: f32) -> bool {
        let loud = (c..c + frames.count(LOOK_AHEAD_S)).filter(|&i| frames.get(i).level_db > top - 15.0).count();
        loud as i64 >= frames.count(MIN_NOTE_S)
    }

    /// Somewhere within the look-ahead the pitch stands still.
    fn settles(&self, frames: &Frames, c: i64) -> bool {
        let length = frames.count(0.040);
        (c..c + frames.count(LOOK_AHEAD_S) - length).any(|i| self.plateau(frames, i, i + length).is_some())
    }

    /// A start so soon after the last one, on the same pitch, that the note began twice.
    fn is_second_start(&self, frames: &Frames, c: i64, midi: f32) -> bool {
        let Some(last) = self.notes.back() else { return false };
        let gap = c - last.start;
        let same_pitch = last.midi.is_nan() || midi.is_nan() || (last.midi - midi).abs() < NEW_PITCH;
        last.kind == Start::Fresh && gap < frames.count(SECOND_START_S) && same_pitch && !self.is_series(frames, c, gap)
    }

    /// Three starts at an even, fast pace are notes, not stutters.
    fn is_series(&self, frames: &Frames, c: i64, gap: i64) -> bool {
        let before = self.last_start - self.before_last_start;
        before < frames.count(SERIES_S) || self.dips_again(frames, c, gap)
    }

    fn dips_again(&self, frames: &Frames, c: i64, gap: i64) -> bool {
        let ahead = frames.count(LOOK_AHEAD_S);
        let top = frames.max_level(c, c + gap.min(ahead));
        let risen = (c..c + ahead).find(|&i| frames.get(i).level_db > top - 3.0).unwrap_or(c + ahead);
        (risen..c + ahead).any(|i| frames.get(i).level_db < top - DIP_DB - 3.0)
    }

    fn start_note(&mut self, start: i64, kind: Start, from_midi: f32) {
        self.before_last_start = self.last_start;
        self.last_start = start;
        self.playing = true;
        if self.notes.len() == MAX_NOTES {
            self.notes.pop_front();
        }
        self.notes.push_back(Note { start, end: None, kind, midi: f32::NAN, from_midi, is_told: false });
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
            last.end = Some(end);
        }
    }

    fn in_note(&mut self, frames: &Frames) {
        let c = self.next;
        let Some(note) = self.notes.back().copied() else {
            self.playing = false;
            return;
        };
        if self.has_ended(frames, &note, c) {
            self.end_note(c);
        } else if self.is_dip(frames, &note, c) {
            self.after_dip(frames, note, c);
        } else {
            self.follow_pitch(frames, note, c);
        }
    }

    fn has_ended(&self, frames: &Frames, note: &Note, c: i64) -> bool {
        let recent = frames.max_level(note.start.max(c - frames.count(END_MEMORY_S)), c);
        let level = frames.get(c).level_db;
        let toneless = self.num_tonal(frames, c, c + frames.count(END_TONELESS_S)) == 0;
        level < recent - END_DROP_DB || level < self.floor_db + ABOVE_FLOOR_DB - 2.0 || toneless
    }

    fn is_dip(&self, frames: &Frames, note: &Note, c: i64) -> bool {
        if c < note.start + frames.count(0.030) {
            return false;
        }
        let level = frames.get(c).level_db;
        let near = frames.count(0.030);
        let fall = |s: f64| frames.max_level(note.start.max(c - frames.count(s)), c) - level;
        let rise = |s: f64| frames.max_level(c, c + frames.count(s)) - level;
        let is_sharp = fall(SHARP_FALL_S) >= SHARP_DB && rise(SHARP_RISE_S) >= SHARP_DB;
        level <= frames.min_level(c - near, c + near)
            && fall(DIP_FALL_S).max(rise(DIP_RISE_S)) >= self.least_dip_db(frames, c)
            && rise(DIP_RISE_S) + DEAD_DROP_DB >= fall(DIP_FALL_S)
            && (is_sharp || rise(DIP_RISE_S) >= TAIL_RISE_DB)
            && self.num_tonal(frames, c + near / 2, c + near / 2 + 12) >= 9
    }

    /// Vibrato in a room makes dips of its own: where the pitch swings, only a deep one counts.
    fn least_dip_db(&self, frames: &Frames, c: i64) -> f32 {
        let reach = frames.count(SWING_REACH_S);
        let (mut low, mut high) = (f32::MAX, f32::MIN);
        for frame in (c - reach..=c + reach).map(|i| frames.get(i)).filter(|f| self.is_tonal(*f)) {
            (low, high) = (low.min(frame.midi), high.max(frame.midi));
        }
        let swings = high - low > SWING && high - low < SPLIT_MIN;
        if swings { DEEP_DIP_MOVED_DB } else { DIP_DB }
    }

    fn after_dip(&mut self, frames: &Frames, note: Note, c: i64) {
        let length = frames.count(PLATEAU_S);
        let midi = self.plateau(frames, c + 3, c + 3 + length).unwrap_or(f32::NAN);
        if self.is_second_start(frames, c, midi) {
            return;
        }
        let has_moved = !midi.is_nan() && (midi - note.midi).abs() > NEW_PITCH;
        let deep = if has_moved { DEEP_DIP_MOVED_DB } else { DEEP_DIP_DB };
        let kind = if self.is_stroke(frames, c, deep) { Start::Fresh } else { Start::Dip };
        self.end_note(c);
        self.start_note(c, kind, note.midi);
    }

    /// A start of its own: the dip around it is deep, or the tone rises far out of a tail that filled the gap.
    fn is_stroke(&self, frames: &Frames, c: i64, deep_db: f32) -> bool {
        self.dip_db(frames, c) >= deep_db || self.rise_db(frames, c) >= TAIL_RISE_DB
    }

    /// Depth of the dip around a frame, against the softer side, dB.
    fn dip_db(&self, frames: &Frames, c: i64) -> f32 {
        let (wide, near) = (frames.count(0.080), frames.count(0.040));
        let sides = frames.max_level(c - wide, c).min(frames.max_level(c, c + wide));
        sides - frames.min_level(c - near, c + near)
    }

    /// Rise out of the softest moment around a frame, whatever was before it, dB.
    fn rise_db(&self, frames: &Frames, c: i64) -> f32 {
        let (back, near, ahead) = (frames.count(0.080), frames.count(0.040), frames.count(SLOW_RISE_S));
        frames.max_level(c, c + ahead) - frames.min_level(c - back, c + near)
    }

    /// The softest frame around a change of pitch.
    fn softest(&self, frames: &Frames, c: i64) -> i64 {
        let near = frames.count(0.040);
        let level = |i: &i64| frames.get(*i).level_db;
        (c - near..=c + near / 2).min_by(|a, b| level(a).total_cmp(&level(b))).unwrap_or(c)
    }

    fn follow_pitch(&mut self, frames: &Frames, note: Note, c: i64) {
        let length = frames.count(PLATEAU_S);
        let Some(ahead) = self.plateau(frames, c + 1, c + 1 + length) else { return };
        if note.midi.is_nan() {
            self.set_pitch(ahead);
            return;
        }
        let interval = (ahead - note.midi).abs();
        if interval < NEW_PITCH {
            self.set_pitch(0.9 * note.midi + 0.1 * ahead);
        } else if self.is_split(frames, &note, c, interval) || self.is_smear(frames, &note, c) {
            self.set_pitch(ahead); // the note is where it lands
        } else {
            self.change_pitch(frames, &note, c, ahead);
        }
    }

    /// Pitch still on its way right after a fresh start: the slide, not a second note.
    fn is_smear(&self, frames: &Frames, note: &Note, c: i64) -> bool {
        note.kind == Start::Fresh && c - note.start < frames.count(SMEAR_S)
    }

    fn change_pitch(&mut self, frames: &Frames, note: &Note, c: i64, ahead: f32) {
        let boundary = self.boundary(frames, c, note.midi, ahead).max(note.start + 1);
        let is_deep = self.is_stroke(frames, boundary, DEEP_DIP_MOVED_DB);
        let boundary = if is_deep { self.softest(frames, boundary).max(note.start + 1) } else { boundary };
        self.end_note(boundary);
        self.start_note(boundary, if is_deep { Start::Fresh } else { Start::Pitch }, note.midi);
        self.set_pitch(ahead);
    }

    fn is_split(&self, frames: &Frames, note: &Note, c: i64, interval: f32) -> bool {
        let low = if note.midi < LOW_MIDI { LOW_LAG_S } else { 0.0 };
        note.kind == Start::Fresh && c - note.start < frames.count(SECOND_START_S + low) && interval >= SPLIT_MIN
    }

    /// First of the last frames that is nearer to the new pitch than to the old.
    fn boundary(&self, frames: &Frames, c: i64, old: f32, new: f32) -> i64 {
        let mut first = c + 1;
        for i in (c - frames.count(0.060)..=c).rev() {
            let midi = frames.get(i).midi;
            if midi.is_nan() || (midi - new).abs() < (midi - old).abs() {
                first = i;
            } else {
                break;
            }
        }
        first
    }

    fn set_pitch(&mut self, midi: f32) {
        if let Some(last) = self.notes.back_mut() {
            last.midi = midi;
        }
    }
}

impl Default for NoteFinder {
    fn default() -> Self {
        Self::new()
    }
}
