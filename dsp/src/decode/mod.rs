//! Which notes there are: candidates, fitted scores, and the choice among them.

mod candidates;
mod curves;
mod features;
mod scores;
mod notes;

pub use features::{NAMES, NUM};
pub use notes::{NOTE_NAMES, NUM_NOTE, NoteFinder, note_features, note_midi};

use crate::framer::{Framer, History};
use crate::observe::{Frames, HOP_S};
use candidates::CandidateFinder;
use curves::Curves;

/// Seconds of sound that observing and deciding look back on.
const HISTORY_S: f64 = 3.0;
/// A note is looked at whole this long after its start, s, or when it has ended.
const WHOLE_S: f64 = 0.68;

/// Every candidate of a whole sound with its time in s and its features: what the scores are fitted to.
#[must_use]
pub fn candidates(samples: &[f32], sample_rate_hz: f64) -> Vec<(f64, [f32; NUM])> {
    let mut curves = Curves::new();
    let mut finder = CandidateFinder::new();
    let mut found = Vec::new();
    observe(samples, sample_rate_hz, |frames| {
        curves.advance(frames);
        while let Some(i) = finder.next(frames, &curves) {
            found.push((i as f64 * HOP_S, features::features(frames, &curves, i)));
        }
    });
    found
}

/// Every note found in a whole sound, talk included, with the time in s at which it begins and its features.
#[must_use]
pub fn sounds(samples: &[f32], sample_rate_hz: f64) -> Vec<(f64, [f32; NUM_NOTE])> {
    let mut finder = NoteFinder::new();
    let mut found = Vec::new();
    observe(samples, sample_rate_hz, |frames| {
        finder.advance(frames, false);
        while let Some(note) = finder.notes().front().copied() {
            let is_whole = note.end.is_some() || frames.len() - note.start > frames.count(WHOLE_S);
            if !note.is_told && is_whole {
                let until = note.end.or_else(|| finder.next_likely(note.start)).unwrap_or(frames.len());
                found.push((note.placed_s, note_features(frames, &note, until)));
                finder.mark_told();
            }
            if note.end.is_none() {
                return;
            }
            finder.pop();
        }
    });
    found
}

/// Frames of a whole sound, a second of silence behind it.
fn observe(samples: &[f32], sample_rate_hz: f64, mut each: impl FnMut(&Frames)) {
    let mut framer = Framer::new(sample_rate_hz);
    let rate_hz = sample_rate_hz / framer.factor() as f64;
    let mut history = History::new((HISTORY_S * rate_hz) as usize);
    let mut frames = Frames::new(rate_hz);
    let silence = std::iter::repeat_n(&0.0, sample_rate_hz as usize);
    for &sample in samples.iter().chain(silence) {
        let Some(decimated) = framer.push(sample) else { continue };
        history.push(decimated);
        if frames.advance(&history) {
            each(&frames);
        }
    }
}
