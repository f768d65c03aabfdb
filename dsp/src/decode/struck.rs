//! What tells a struck or beeping thing (a metronome, a stand, a cup) from a played note: how it comes, how long it holds, how it
//! lets go, how bright it is for its pitch, and that it is stiller than any lip.

use super::played::{NEAR_PITCH, note_midi};
use crate::coarse::Note;
use crate::observe::{Frame, Frames};

/// Names of the features. One with + can only speak for a played note.
pub const STRUCK_NAMES: [&str; NUM_STRUCK] = [
    "length",
    "+holds",
    "+holds near",
    "pitch",
    "share at its pitch",
    "periodicity",
    "most periodicity",
    "brightness",
    "brightness moved",
    "comes in",
    "falls",
    "falls late",
    "still",
    "level still",
    "spectral rise",
    "low rise",
    "most change",
    "stands over before",
    "like one before",
];
/// Their number \[F\].
pub const NUM_STRUCK: usize = 19;

/// A sound is looked at for so long after its start, s \[F\].
const LOOKED_AT_S: f64 = 0.500;
/// What is within so much of its top is about as loud, dB: all of it, and its plateau \[F\].
const NEAR_DB: [f32; 2] = [12.0, 3.0];
/// It comes in from so far under its top, dB \[F\].
const FOOT_DB: f32 = 20.0;
/// Frames after its top at which it is looked at again: 30 and 80 ms \[F\].
const AFTER_TOP: [i64; 2] = [12, 32];
/// Frames before a start that are looked at too: the rise may lie before it \[F\].
const BEFORE: i64 = 8;
/// ... and how far it stands over the quietest of so many: strokes of a tongue come out of dips, what is struck out of silence \[F\].
const BEFORE_FAR: i64 = 24;
/// What a pitch that is not there counts as, MIDI \[F\].
const NO_PITCH: f32 = 30.0;

/// So many sounds before are remembered: a line of playing between two clicks that can be heard alone \[F\].
const MEMORY: usize = 40;
/// Two sounds are as far apart as their pitch by this, semitones, their level by this, dB, what they hold by this, frames, and
/// their brightness by this, dB \[F\].
const APART: [f32; 4] = [0.05, 1.0, 3.0, 1.0];
/// No sound is less alike than this \[F\].
const STRANGE: f32 = 20.0;

/// Hears sound after sound, and how like one of those before each is: a metronome says the same again and again, and no player can.
pub struct StruckEar {
    /// Pitch, level, hold and brightness of the last sounds.
    before: [[f32; 4]; MEMORY],
    next: usize,
}

impl Default for StruckEar {
    fn default() -> Self {
        Self { before: [[f32::NAN; 4]; MEMORY], next: 0 }
    }
}

impl StruckEar {
    /// Forgets everything.
    pub fn clear(&mut self) {
        *self = Self::default();
    }

    /// The features of a sound that is known until a frame. Ask once for each sound, in order.
    pub fn hear(&mut self, frames: &Frames, note: &Note, until: i64) -> [f32; NUM_STRUCK] {
        let sound = Sound::of(frames, note, until);
        let own = [sound.midi, sound.top_db, sound.holds(NEAR_DB[0]), sound.brightness(sound.top)];
        let seen = sound.features(self.likest(own));
        self.before[self.next] = own;
        self.next = (self.next + 1) % MEMORY;
        seen
    }

    /// How far the likest of the sounds before is.
    fn likest(&self, own: [f32; 4]) -> f32 {
        let apart = |before: &[f32; 4]| (0..4).map(|k| (own[k] - before[k]).abs() / APART[k]).sum::<f32>();
        self.before.iter().map(apart).fold(STRANGE, f32::min)
    }
}

/// A sound from its start as far as it is looked at.
struct Sound<'f> {
    frames: &'f Frames,
    start: i64,
    to: i64,
    /// Where it is loudest, and how loud.
    top: i64,
    top_db: f32,
    /// Pitch, MIDI.
    midi: f32,
}

impl<'f> Sound<'f> {
    fn of(frames: &'f Frames, note: &Note, until: i64) -> Self {
        let start = note.start;
        let to = until.min(start + frames.count(LOOKED_AT_S)).max(start + 2);
        let level = |i: i64| frames.get(i).level_db;
        let top = (start..to).max_by(|a, b| level(*a).total_cmp(&level(*b))).unwrap_or(start);
        let midi = note_midi(frames, note, until);
        let midi = if midi.is_nan() { NO_PITCH } else { midi };
        Self { frames, start, to, top, top_db: level(top), midi }
    }

    fn frame(&self, i: i64) -> Frame {
        self.frames.get(i.clamp(0, self.frames.len() - 1))
    }

    /// Frames within so many dB of its top.
    fn near(&self, db: f32) -> impl Iterator<Item = Frame> {
        (self.start..self.to).map(|i| self.frame(i)).filter(move |f| f.level_db > self.top_db - db)
    }

    fn holds(&self, db: f32) -> f32 {
        self.near(db).count() as f32
    }

    /// How much lies high up, dB.
    fn brightness(&self, i: i64) -> f32 {
        self.frame(i).high_db - self.frame(i).smooth_db
    }

    /// The most of something around its start.
    fn most(&self, of: fn(&Frame) -> f32) -> f32 {
        (self.start - BEFORE..self.start + BEFORE).map(|i| of(&self.frame(i))).fold(0.0, f32::max)
    }

    fn features(&self, likest: f32) -> [f32; NUM_STRUCK] {
        let holds = self.holds(NEAR_DB[0]);
        let mean = |sum: f32| sum / holds.max(1.0);
        let whole = || self.near(NEAR_DB[0]);
        let plateau = || self.near(NEAR_DB[1]);
        let foot = (self.start - BEFORE..=self.top).rev().find(|&i| self.frame(i).level_db < self.top_db - FOOT_DB);
        let fallen = |after: i64| self.top_db - self.frame(self.top + after).level_db;
        let before = (self.start - BEFORE_FAR..self.start + BEFORE).map(|i| self.frame(i).level_db);
        [
            (self.to - self.start) as f32,
            holds,
            self.holds(NEAR_DB[1]),
            self.midi,
            mean(whole().filter(|f| (f.midi - self.midi).abs() < NEAR_PITCH).count() as f32),
            mean(whole().map(|f| f.periodicity).sum()),
            whole().map(|f| f.periodicity).fold(0.0, f32::max),
            self.brightness(self.top),
            self.brightness((self.top + AFTER_TOP[0]).min(self.to - 1)) - self.brightness(self.top),
            (self.top - foot.unwrap_or(self.start - BEFORE)) as f32,
            fallen(AFTER_TOP[0]),
            fallen(AFTER_TOP[1]),
            spread(plateau().map(|f| f.midi).filter(|m| !m.is_nan()), self.midi),
            spread(plateau().map(|f| f.level_db), self.top_db),
            self.most(|f| f.rise[0]),
            self.most(|f| f.rise[2]),
            self.most(|f| f.change),
            self.top_db - before.fold(f32::MAX, f32::min),
            likest,
        ]
    }
}

/// Standard deviation of some values, told near to them; nothing of one that is none.
fn spread(values: impl Iterator<Item = f32>, near: f32) -> f32 {
    let (mut num, mut sum, mut squares) = (0.0f32, 0.0f32, 0.0f32);
    for off in values.map(|v| v - near) {
        num += 1.0;
        sum += off;
        squares += off * off;
    }
    if num < 2.0 { 0.0 } else { (squares / num - (sum / num).powi(2)).max(0.0).sqrt() }
}

#[cfg(test)]
mod tests {
    use super::super::sounds;
    use super::*;
    use crate::decode::scores::Scores;
    use crate::test_sounds::{RATE_HZ, dice, held, sound, tone, with_noise};
    use std::f64::consts::TAU;

    /// What is seen of every sound in samples, in order.
    fn heard(samples: &[f32]) -> Vec<[f32; NUM_STRUCK]> {
        let mut ear = StruckEar::default();
        let found = sounds(samples, RATE_HZ, |frames, note, until| ear.hear(frames, note, until));
        found.into_iter().map(|(_, seen)| seen).collect()
    }

    fn at(seen: &[f32; NUM_STRUCK], name: &str) -> f32 {
        seen[STRUCK_NAMES.iter().position(|n| *n == name).expect("a feature")]
    }

    /// Sounds of a law over the time since each began, 0.65 s apart, in a silent room.
    fn beats(num: usize, law: impl Fn(usize, f64) -> f64) -> Vec<f32> {
        let of = |s: f64| ((s - 0.5) / 0.65).floor();
        let samples = sound(1.0 + 0.65 * num as f64, |s| {
            let k = of(s);
            if s < 0.5 || k >= num as f64 { 0.0 } else { law(k as usize, s - 0.5 - 0.65 * k) }
        });
        with_noise(samples, 1e-10, 1)
    }

    /// A phone's beep of 50 ms at B5.
    fn beep(s: f64) -> f64 {
        0.1 * held(s, (0.0, 0.05), 0.001, 0.002) * (TAU * 987.77 * s).sin()
    }

    /// Two modes of a wooden block that ring off by half in 14 and 9 ms.
    fn block(s: f64) -> f64 {
        0.1 * ((-s / 0.020).exp() * (TAU * 850.0 * s).sin() + 0.6 * (-s / 0.013).exp() * (TAU * 1320.0 * s).sin())
    }

    /// A note as it is played: it speaks within 20 ms, wavers a little in pitch and level, and is let go within 60 ms.
    fn played(s: f64, length_s: f64, hz: f64, seed: u64) -> f64 {
        let mut dice = dice(seed + 1);
        let (sway, off) = (0.004 * dice(), 6.0 * dice());
        let phase = hz * (s + sway / 3.0 * (3.0 * s + off).sin());
        held(s, (0.0, length_s), 0.020, 0.060) * (1.0 + 0.1 * (9.0 * s + off).sin()) * tone(1.0, 1..=8, 0.1, phase)
    }

    #[test]
    fn a_sound_is_seen_as_it_was_made() {
        // Within 3 dB of its top, which sways by 0.9 dB, from 14 ms on to 42 ms before its end: 138 frames.
        let seen = &heard(&beats(1, |_, s| played(s, 0.4, 233.08, 1)))[0];
        assert!((at(seen, "pitch") - 58.0).abs() < 0.2, "{seen:?}");
        assert!((at(seen, "+holds near") - 138.0).abs() < 12.0, "{seen:?}");
        assert!(at(seen, "falls") < 2.0 && at(seen, "comes in") > 4.0, "{seen:?}");
        // The block falls by 12 dB in 28 ms; a level is a mean over 10.
        let seen = &heard(&beats(1, |_, s| block(s)))[0];
        assert!((8.0..18.0).contains(&at(seen, "+holds")) && at(seen, "falls") > 10.0, "{seen:?}");
    }

    #[test]
    fn a_machine_says_the_same_again_and_a_player_does_not() {
        let likest =
            |samples: &[f32]| heard(samples).iter().map(|seen| at(seen, "like one before")).collect::<Vec<_>>();
        let clicks = likest(&beats(6, |_, s| beep(s)));
        assert_eq!(clicks[0], STRANGE, "the first is like nothing");
        assert!(clicks[1..].iter().all(|apart| *apart < 1.0), "{clicks:?}");
        let notes = likest(&beats(6, |k, s| played(s, 0.2 + 0.01 * k as f64, 233.08, k as u64)));
        assert!(notes[1..].iter().all(|apart| *apart > 1.0), "{notes:?}");
        // Others between do not hide it.
        let mixed = likest(&beats(8, |k, s| if k % 2 == 0 { beep(s) } else { played(s, 0.3, 174.61, k as u64) }));
        assert!(mixed.iter().skip(2).step_by(2).all(|apart| *apart < 1.0), "{mixed:?}");
    }

    /// The beats of metronomes, and notes as short as a staccatissimo.
    #[test]
    fn beeps_and_blocks_are_struck_and_short_notes_are_not() {
        let scores = Scores::fitted();
        let struck = |samples: &[f32]| {
            let seen = heard(samples);
            (seen.iter().filter(|seen| scores.is_struck(seen)).count(), seen.len())
        };
        for (name, samples) in [("beep", beats(12, |_, s| beep(s))), ("block", beats(12, |_, s| block(s)))] {
            let (found, num) = struck(&samples);
            assert!(num >= 12 && num - found <= 1, "{name}: {found} of {num}");
        }
        for midi in [41, 53, 58, 65, 70] {
            let hz = crate::units::midi_to_hz(f64::from(midi), 440.0);
            let (found, num) = struck(&beats(8, |k, s| played(s, 0.11 + 0.02 * k as f64, hz, k as u64)));
            assert_eq!((found, num), (0, 8), "short notes at MIDI {midi}");
        }
    }

    #[test]
    fn what_was_heard_can_be_forgotten() {
        let mut ear = StruckEar::default();
        ear.before[0] = [58.0, -20.0, 30.0, -3.0];
        assert_eq!(ear.likest([58.0, -20.0, 30.0, -3.0]), 0.0);
        ear.clear();
        assert_eq!(ear.likest([58.0, -20.0, 30.0, -3.0]), STRANGE);
    }

    #[test]
    fn a_spread_is_the_deviation_of_what_varies() {
        assert_eq!(spread([3.0, 5.0, 3.0, 5.0].into_iter(), 60.0), 1.0);
        assert_eq!((spread([7.0].into_iter(), 7.0), spread([].into_iter(), 7.0)), (0.0, 0.0));
    }
}
