//! Which notes there are: candidates, fitted scores, and the choice among them.

mod candidates;
mod curves;
mod features;
mod played;
mod scores;
mod struck;
mod joints;
mod notes;

pub use features::{NAMES, NUM};
pub use notes::NoteFinder;
pub use played::{NEAR_PITCH, NOTE_NAMES, NUM_NOTE, note_features, note_midi};
pub(crate) use scores::Trees;
pub use struck::{NUM_STRUCK, STRUCK_NAMES, StruckEar};

use crate::coarse::Note;
use crate::framer::{Framer, History};
use crate::observe::{Frames, HOP_S};
use candidates::CandidateFinder;
use curves::Curves;

/// Seconds of sound that observing and deciding look back on \[T\].
const HISTORY_S: f64 = 3.0;
/// A note is looked at whole this long after its start, s, or when it has ended \[T\].
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

/// Every note found in a whole sound, talk and knocks included, with the time in s at which it begins and what is seen of it.
#[must_use]
pub fn sounds<S>(
    samples: &[f32],
    sample_rate_hz: f64,
    mut seen: impl FnMut(&Frames, &Note, i64) -> S,
) -> Vec<(f64, S)> {
    let mut finder = NoteFinder::new();
    let mut found = Vec::new();
    observe(samples, sample_rate_hz, |frames| {
        finder.advance(frames, false);
        while let Some(note) = finder.notes().front().copied() {
            let is_whole = note.end.is_some() || frames.len() - note.start > frames.count(WHOLE_S);
            if !note.is_told && is_whole {
                let until = finder.is_alone_until(frames, &note);
                found.push((note.placed_s, seen(frames, &note, until)));
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

#[cfg(test)]
mod tests {
    use super::*;

    const RATE_HZ: f64 = 48_000.0;
    /// Strokes of the made tone, s.
    const STROKES_S: [f64; 3] = [0.400, 0.800, 1.300];

    /// A tone of 12 partials on B flat 3 that is struck three times: up in 15 ms, then down by 30 dB a second and to
    /// nothing within 40 ms before the next stroke; `delay` samples of silence before it.
    pub(super) fn struck_tone(delay: usize) -> Vec<f32> {
        let level = |s: f64| {
            let Some(i) = STROKES_S.iter().rposition(|stroke| s >= *stroke) else { return 0.0 };
            let since = s - STROKES_S[i];
            let left = STROKES_S.get(i + 1).map_or(1.7, |next| next - 0.010) - s;
            (since / 0.015).min(1.0) * 10f64.powf(-1.5 * since) * (left / 0.040).clamp(0.0, 1.0)
        };
        let sample = |i: usize| {
            let s = i as f64 / RATE_HZ;
            let partials = (1..=12).map(|k| (std::f64::consts::TAU * 233.08 * f64::from(k) * s).sin() / f64::from(k));
            (0.2 * level(s) * partials.sum::<f64>()) as f32
        };
        std::iter::repeat_n(0.0, delay).chain((0..(1.8 * RATE_HZ) as usize).map(sample)).collect()
    }

    #[test]
    fn every_stroke_has_a_candidate() {
        let found = candidates(&struck_tone(0), RATE_HZ);
        for stroke_s in STROKES_S {
            let nearest_s = found.iter().map(|(s, _)| s - stroke_s).min_by(|a, b| a.abs().total_cmp(&b.abs()));
            // 15 ms: the length of the rise.
            assert!(nearest_s.is_some_and(|s| s.abs() <= 0.015), "{stroke_s} s: {nearest_s:?}");
        }
    }

    #[test]
    fn candidates_come_in_order_and_are_the_same_however_soft() {
        let loud = struck_tone(0);
        let soft: Vec<f32> = loud.iter().map(|x| x / 8.0).collect();
        let times = |samples: &[f32]| candidates(samples, RATE_HZ).iter().map(|c| c.0).collect::<Vec<f64>>();
        let found = times(&loud);
        assert!(found.is_sorted());
        assert_eq!(found, times(&soft));
    }

    #[test]
    fn silence_has_no_candidates_and_no_notes() {
        let silence = vec![0.0; 48_000];
        // But for its first frame, before which nothing is known.
        assert!(candidates(&silence, RATE_HZ).iter().all(|candidate| candidate.0 == 0.0));
        assert_eq!(sounds(&silence, RATE_HZ, |_, _, _| ()).len(), 0);
    }

    #[test]
    fn every_stroke_is_a_note() {
        let found: Vec<f64> = sounds(&struck_tone(0), RATE_HZ, |_, _, _| ()).iter().map(|note| note.0).collect();
        assert_eq!(found.len(), STROKES_S.len(), "{found:?}");
        for (s, stroke_s) in found.iter().zip(STROKES_S) {
            assert!((s - stroke_s).abs() <= 0.015, "{found:?}: the rise takes 15 ms");
        }
    }

    #[test]
    fn features_have_names_of_their_own() {
        let mut names: Vec<&str> = NAMES.iter().chain(&NOTE_NAMES).map(|n| n.trim_start_matches(['+', '-'])).collect();
        assert!(names.iter().all(|name| !name.is_empty()));
        let of_onsets = &mut names[..NUM];
        of_onsets.sort_unstable();
        assert!(of_onsets.windows(2).all(|two| two[0] != two[1]));
    }
}
