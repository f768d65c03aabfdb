//! Onsets and notes of labelled recordings, counted.

use super::recording::{JudgedRecording, Kind};
use crate::accuracy::percentile;
use crate::onset_score::{OnsetCounts, nearest_pairs};

/// Windows of the onset figures, s: wide, narrow. Labels made by eye are good to about 10 ms: no finer window says
/// anything.
pub const WINDOWS_S: [f64; 2] = [0.050, 0.025];
/// Those of other players and rooms, whose labels are good to 15 ms.
pub const WINDOWS_ELSEWHERE_S: [f64; 2] = [0.050, 0.030];
/// A note that sounds already when the take begins is no labelled onset: an entrance so soon is not counted, s.
const BEGUN_BEFORE_S: f64 = 0.050;

/// Onsets and notes of some recordings.
#[derive(Debug, Clone, Default)]
pub struct OnsetTally {
    /// Pooled counts for each window.
    pub counts: [OnsetCounts; 2],
    /// F-measure of each recording for each window.
    pub each_f: [Vec<f64>; 2],
    /// Heard minus labelled, ms, of pairs within the wider window.
    pub errors_ms: Vec<f64>,
    /// Pairs with a labelled note.
    pub num_notes: usize,
    /// Of these, those with the right note.
    pub num_right: usize,
    /// Of these, those off by whole octaves.
    pub num_octave: usize,
}

/// Labelled and heard onsets of one recording, and which belong together.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Pairing {
    /// Labelled onsets, s.
    pub label_s: Vec<f64>,
    /// (index into what was heard, onset in s) of the entrances that count.
    pub heard_s: Vec<(usize, f64)>,
    /// (label, heard), each an index into its whole list.
    pub pairs: Vec<(usize, usize)>,
}

impl Pairing {
    /// Pairs the entrances of a recording with its labels; nothing without labels.
    #[must_use]
    pub fn of(judged: &JudgedRecording) -> Self {
        let Some(label) = judged.label() else { return Self::default() };
        // Beyond the labelled stretch nothing is known.
        let until_s = label.until_s.unwrap_or(f64::INFINITY);
        let from_s = if is_elsewhere(judged) { BEGUN_BEFORE_S } else { f64::NEG_INFINITY };
        let all = judged.heard.iter().map(|heard| heard.onset_s).enumerate();
        let heard_s: Vec<(usize, f64)> = all.filter(|(_, s)| *s >= from_s && *s <= until_s).collect();
        let times: Vec<f64> = heard_s.iter().map(|(_, s)| *s).collect();
        let pairs = nearest_pairs(&label.onsets_s, &times, WINDOWS_S[0]);
        let pairs = pairs.into_iter().map(|(l, h)| (l, heard_s[h].0)).collect();
        Self { label_s: label.onsets_s.clone(), heard_s, pairs }
    }

    /// Labelled onsets that nothing was heard at, s.
    pub fn missed_s(&self) -> impl Iterator<Item = f64> {
        (0..self.label_s.len()).filter(|l| self.pairs.iter().all(|p| p.0 != *l)).map(|l| self.label_s[l])
    }

    /// Onsets heard where none is labelled, s.
    pub fn invented_s(&self) -> impl Iterator<Item = f64> {
        self.heard_s.iter().filter(|(h, _)| self.pairs.iter().all(|p| p.1 != *h)).map(|(_, s)| *s)
    }

    /// The label that belongs to an entrance heard.
    #[must_use]
    pub fn label_of(&self, heard: usize) -> Option<usize> {
        self.pairs.iter().find(|pair| pair.1 == heard).map(|pair| pair.0)
    }
}

fn is_elsewhere(judged: &JudgedRecording) -> bool {
    matches!(judged.recording.kind, Kind::Elsewhere(_))
}

impl OnsetTally {
    /// Counts over recordings; those without label are passed over.
    #[must_use]
    pub fn of<'a>(recordings: impl IntoIterator<Item = &'a JudgedRecording>) -> Self {
        let mut tally = Self::default();
        for judged in recordings {
            if judged.label().is_some() {
                tally.add(judged);
            }
        }
        tally
    }

    fn add(&mut self, judged: &JudgedRecording) {
        let pairing = Pairing::of(judged);
        let heard_s: Vec<f64> = pairing.heard_s.iter().map(|(_, s)| *s).collect();
        let windows_s = if is_elsewhere(judged) { WINDOWS_ELSEWHERE_S } else { WINDOWS_S };
        for (i, window_s) in windows_s.into_iter().enumerate() {
            let counts = OnsetCounts::of(&pairing.label_s, &heard_s, window_s);
            self.counts[i] = self.counts[i].plus(counts);
            self.each_f[i].push(counts.f_measure());
        }
        let midi = judged.label().map_or(&[][..], |label| &label.midi[..]);
        for (l, h) in pairing.pairs {
            self.errors_ms.push((judged.heard[h].onset_s - pairing.label_s[l]) * 1e3);
            if let Some(midi) = midi.get(l) {
                self.add_note(*midi, judged.heard[h].midi);
            }
        }
    }

    fn add_note(&mut self, labelled: u8, heard: Option<u8>) {
        self.num_notes += 1;
        self.num_right += usize::from(heard == Some(labelled));
        self.num_octave += usize::from(is_octave_off(labelled, heard));
    }

    /// Mean F-measure of the recordings at a window.
    #[must_use]
    pub fn mean_f(&self, window: usize) -> f64 {
        self.each_f[window].iter().sum::<f64>() / self.each_f[window].len() as f64
    }

    /// Median of heard minus labelled, ms.
    #[must_use]
    pub fn bias_ms(&self) -> f64 {
        percentile(&self.errors_ms, 50.0)
    }
}

/// The right note in the wrong octave.
#[must_use]
pub fn is_octave_off(right: u8, heard: Option<u8>) -> bool {
    heard.is_some_and(|heard| heard != right && heard.abs_diff(right) % 12 == 0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::playing::{Heard, Label, Recording};

    fn judged(onsets_s: &[f64], midi: &[u8], heard: &[(f64, u8)], until_s: Option<f64>) -> JudgedRecording {
        let label = Label { articulation: String::new(), onsets_s: onsets_s.to_vec(), midi: midi.to_vec(), until_s };
        let recording = Recording { stem: "x".into(), path: "x.wav".into(), name: None, kind: Kind::Phrase(label) };
        let heard = heard
            .iter()
            .map(|(onset_s, midi)| Heard { onset_s: *onset_s, midi: Some(*midi), level_db: -20.0, flags: Vec::new() })
            .collect();
        JudgedRecording { recording, heard, duration_s: 3.0 }
    }

    #[test]
    fn onsets_notes_and_octaves_are_counted_as_they_are() {
        // One right, one an octave low, one missed, one invented: P = R = F = 2/3.
        let take = judged(&[0.5, 1.0, 1.5], &[58, 60, 62], &[(0.51, 58), (1.04, 48), (1.7, 62)], None);
        let tally = OnsetTally::of([&take]);
        assert!((tally.counts[0].f_measure() - 2.0 / 3.0).abs() < 1e-12);
        assert!((tally.counts[1].f_measure() - 1.0 / 3.0).abs() < 1e-12, "1.04 is 40 ms late");
        assert_eq!((tally.num_notes, tally.num_right, tally.num_octave), (2, 1, 1));
        assert!((tally.bias_ms() - 25.0).abs() < 1e-6, "10 and 40 ms late");
    }

    #[test]
    fn a_note_that_sounds_already_is_not_counted_and_does_not_shift_the_others() {
        let mut take = judged(&[0.5], &[60], &[(0.01, 58), (0.5, 60)], None);
        let Kind::Phrase(label) = take.recording.kind else { panic!("a phrase") };
        take.recording.kind = Kind::Elsewhere(Some(label));
        let tally = OnsetTally::of([&take]);
        assert_eq!((tally.counts[0].num_estimated, tally.num_right), (1, 1));
    }

    #[test]
    fn beyond_the_labelled_stretch_nothing_counts() {
        let take = judged(&[0.5], &[58], &[(0.5, 58), (1.5, 58)], Some(1.0));
        assert_eq!(OnsetTally::of([&take]).counts[0].num_estimated, 1);
    }
}
