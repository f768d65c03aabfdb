//! One take with its truth, analysed and paired note by note.

use crate::audio::{self, Sound};
use crate::onset_score::nearest_pairs;
use crate::truth::TakeTruth;
use notefront_dsp::{Entrance, analyze_and_judge};
use std::path::{Path, PathBuf};

/// Notes are compared with each other when their onsets are at most this far apart, in s: the widest
/// window of the onset figures.
pub const PAIRING_WINDOW_S: f64 = 0.050;

/// A take, what is true of it and what was heard.
#[derive(Debug, Clone)]
pub struct JudgedTake {
    /// File name without ending.
    pub name: String,
    /// What is true.
    pub truth: TakeTruth,
    /// What was heard.
    pub heard: Vec<Entrance>,
    /// (true note, heard note) of those that belong together.
    pub pairs: Vec<(usize, usize)>,
    /// Length, s.
    pub duration_s: f64,
}

/// Every take with truth in a folder: (sound, truth), sorted by name.
///
/// # Errors
/// The folder cannot be read, holds no truth, or a truth has no sound beside it.
pub fn takes_in(folder: &Path) -> Result<Vec<(PathBuf, PathBuf)>, String> {
    let entries = std::fs::read_dir(folder).map_err(|e| format!("{}: {e}", folder.display()))?;
    let mut truths: Vec<PathBuf> = entries
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|path| path.to_string_lossy().ends_with(".truth.json"))
        .collect();
    truths.sort();
    if truths.is_empty() {
        return Err(format!("{}: no *.truth.json in it", folder.display()));
    }
    truths.into_iter().map(|truth| Ok((sound_beside(&truth)?, truth))).collect()
}

fn sound_beside(truth: &Path) -> Result<PathBuf, String> {
    let stem = truth.to_string_lossy().trim_end_matches(".truth.json").to_owned();
    ["flac", "wav"]
        .iter()
        .map(|ending| PathBuf::from(format!("{stem}.{ending}")))
        .find(|path| path.is_file())
        .ok_or_else(|| format!("{stem}: neither .flac nor .wav beside its truth"))
}

/// Reads, analyses and pairs one take.
///
/// # Errors
/// A file that cannot be read, or a rate the analysis does not take.
pub fn judge(sound_path: &Path, truth_path: &Path) -> Result<JudgedTake, String> {
    let truth = TakeTruth::read(truth_path)?;
    let name = sound_path.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
    JudgedTake::new(name, &audio::read(sound_path)?, truth)
}

impl JudgedTake {
    /// Analyses a sound with the settings its truth asks for, and pairs the notes.
    ///
    /// # Errors
    /// Those of the analysis, in words.
    pub fn new(name: String, sound: &Sound, truth: TakeTruth) -> Result<Self, String> {
        let heard =
            analyze_and_judge(&sound.samples, sound.rate_hz, truth.settings()).map_err(|e| format!("{name}: {e}"))?;
        let pairs = nearest_pairs(&truth_onsets(&truth), &heard_onsets(&heard), PAIRING_WINDOW_S);
        let duration_s = sound.samples.len() as f64 / sound.rate_hz;
        Ok(Self { name, truth, heard, pairs, duration_s })
    }

    /// True onsets, s.
    #[must_use]
    pub fn reference_s(&self) -> Vec<f64> {
        truth_onsets(&self.truth)
    }

    /// Heard onsets, s.
    #[must_use]
    pub fn estimated_s(&self) -> Vec<f64> {
        heard_onsets(&self.heard)
    }

    /// True notes nobody heard.
    pub fn missed(&self) -> impl Iterator<Item = usize> {
        (0..self.truth.entrances.len()).filter(|i| self.pairs.iter().all(|pair| pair.0 != *i))
    }

    /// Heard entrances that are none.
    pub fn invented(&self) -> impl Iterator<Item = usize> {
        (0..self.heard.len()).filter(|i| self.pairs.iter().all(|pair| pair.1 != *i))
    }
}

fn truth_onsets(truth: &TakeTruth) -> Vec<f64> {
    truth.entrances.iter().map(|note| note.onset_s).collect()
}

fn heard_onsets(heard: &[Entrance]) -> Vec<f64> {
    heard.iter().map(|entrance| entrance.front.onset_s).collect()
}
