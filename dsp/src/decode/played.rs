//! The pitch a note stands on, and what tells a played note from talk and knocks: how still its pitch stands, how periodic it is, how little its spectrum moves,
//! how long it holds.

use super::features::least_wander;
use crate::coarse::Note;
use crate::observe::Frames;
use crate::parameters::notes::{FRESH_DIP_DB, TONAL};

/// Frames this near to each other are on one pitch, semitones \[F\].
pub const NEAR_PITCH: f32 = 0.35;
/// A sound is looked at from this long after its start, s, for so long \[F\].
const LOOKED_AT_S: (f64, f64) = (0.015, 0.500);
/// Steps over which a pitch must stand still: 40 ms \[F\].
const STILL_FRAMES: i64 = 16;

/// The pitch a note stands on: the most periodic whole of its frames within a third of a semitone; NaN without one.
#[must_use]
pub fn note_midi(frames: &Frames, note: &Note, until: i64) -> f32 {
    let from = note.start + 4;
    let to = note.end.unwrap_or(until).min(note.start + frames.count(LOOKED_AT_S.1)).min(until);
    let (mut best, mut most) = (f32::NAN, 0.0f32);
    let frame = |i: i64| Some(frames.get(i)).filter(|f| !f.midi.is_nan() && f.periodicity > TONAL);
    for centre in (from..to).step_by(3).filter_map(frame) {
        let near = (from..to).filter_map(frame).filter(|f| (f.midi - centre.midi).abs() < NEAR_PITCH);
        let (weight, sum) = near.fold((0.0, 0.0), |(w, s), f| (w + f.periodicity, s + f.periodicity * f.midi));
        if weight > most {
            (most, best) = (weight, sum / weight);
        }
    }
    best
}

/// Names of a note's features: what tells a played note from talk.
pub const NOTE_NAMES: [&str; NUM_NOTE] = [
    "length",
    "+share at its pitch",
    "+periodicity",
    "+most periodicity",
    "-spectral rise",
    "change",
    "-least wander",
    "+holds",
];
/// Their number \[F\].
pub const NUM_NOTE: usize = 8;
/// Where it stands among them how long a sound holds \[T\].
#[cfg(test)]
const HOLDS: usize = 7;

/// The features of a note that is known until a frame.
#[must_use]
pub fn note_features(frames: &Frames, note: &Note, until: i64) -> [f32; NUM_NOTE] {
    let from = note.start + frames.count(LOOKED_AT_S.0);
    let to = until.min(note.start + frames.count(LOOKED_AT_S.1)).max(from + 1);
    let midi = note_midi(frames, note, until);
    let inside = |skip: i64| (from + skip..to).map(|i| frames.get(i));
    let mean = |skip: i64, sum: f32| sum / (to - from - skip).max(1) as f32;
    let num_near = inside(0).filter(|f| (f.midi - midi).abs() < NEAR_PITCH).count() as f32;
    [
        (to - from) as f32,
        mean(0, num_near),
        mean(0, inside(0).map(|f| f.periodicity).sum()),
        inside(0).map(|f| f.periodicity).fold(0.0, f32::max),
        mean(STILL_FRAMES, inside(STILL_FRAMES).map(|f| f.rise[0]).sum()),
        mean(STILL_FRAMES + 8, inside(STILL_FRAMES + 8).map(|f| f.change).sum()),
        least_wander(frames, from, to, STILL_FRAMES),
        holds(frames, note.start, until),
    ]
}

/// How many frames of a sound's beginning are about as loud as its loudest: what is struck rings off at once.
fn holds(frames: &Frames, start: i64, until: i64) -> f32 {
    let to = until.min(start + frames.count(LOOKED_AT_S.1));
    let least_db = frames.max_level(start, to - 1) - FRESH_DIP_DB;
    (start..to).filter(|&i| frames.get(i).level_db > least_db).count() as f32
}

#[cfg(test)]
mod tests {
    use super::super::observe;
    use super::*;
    use crate::coarse::Start;
    use crate::entrance::Articulation;
    use crate::test_sounds::{RATE_HZ, sound, tone};

    /// Pitch and features of a note over the middle second of a sound.
    fn seen(samples: &[f32]) -> (f32, [f32; NUM_NOTE]) {
        let mut last = (f32::NAN, [0.0; NUM_NOTE]);
        observe(samples, RATE_HZ, |frames| {
            let (start, until) = (frames.count(0.5), frames.count(1.2));
            let note = Note {
                start,
                placed_s: 0.5,
                end: None,
                kind: Start::Fresh,
                midi: f32::NAN,
                from_midi: f32::NAN,
                articulation: Articulation::Tongued,
                is_told: false,
            };
            if (until..until + 2).contains(&frames.len()) {
                last = (note_midi(frames, &note, until), note_features(frames, &note, until));
            }
        });
        last
    }

    #[test]
    fn a_played_note_stands_still_and_a_glide_does_not() {
        let (midi, held) = seen(&sound(2.0, |s| tone(233.08, 1..=8, 0.1, s)));
        assert!((midi - 58.0).abs() < 0.05, "Bb3 is MIDI 58: {midi}");
        let at = |name: &str| NOTE_NAMES.iter().position(|n| *n == name).expect("a feature");
        let (share, wander) = (at("+share at its pitch"), at("-least wander"));
        assert!(held[share] > 0.99 && held[wander] < 0.01, "{held:?}");
        // An octave in a second, as a siren does.
        let phase = |s: f64| 110.0 * (s.exp2() - 1.0) / std::f64::consts::LN_2;
        let (_, glide) = seen(&sound(2.0, |s| tone(1.0, 1..=8, 0.1, phase(s))));
        assert!(glide[share] < 0.3 && glide[wander] > 10.0 * held[wander].max(0.005), "{glide:?}");
    }

    #[test]
    fn what_rings_off_holds_for_as_long_as_its_law_says() {
        // From 0.5 s on it falls by 120 dB a second: by 12 dB in 100 ms, which are 40 frames.
        let fall = |s: f64| 10f64.powf(-120.0 * (s - 0.5).max(0.0) / 20.0);
        assert_eq!(NOTE_NAMES[HOLDS], "+holds");
        let (_, plucked) = seen(&sound(2.0, |s| fall(s) * tone(233.08, 1..=8, 0.1, s)));
        assert!((plucked[HOLDS] - 40.0).abs() <= 3.0, "{plucked:?}: a level is a mean over 10 ms");
        let (_, held) = seen(&sound(2.0, |s| tone(233.08, 1..=8, 0.1, s)));
        assert_eq!(held[HOLDS], 200.0, "all of 500 ms");
    }
}
