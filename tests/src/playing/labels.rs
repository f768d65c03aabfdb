//! Labels of recorded phrases: onsets, notes, articulation, in the form of `phrases.json`.

use serde::Deserialize;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// What somebody saw and heard in one recording.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct Label {
    /// Articulation, where one was asked for.
    #[serde(default)]
    pub articulation: String,
    /// Onsets, s.
    pub onsets_s: Vec<f64>,
    /// The note each settles on; empty where nobody told.
    #[serde(default)]
    pub midi: Vec<u8>,
    /// Only what sounds before this is labelled, s.
    #[serde(default)]
    pub until_s: Option<f64>,
}

/// All labels by file name: phrases, fast tonguing, and takes that lie beside their labels.
#[derive(Debug, Clone, PartialEq, Deserialize, Default)]
#[serde(default)]
pub struct Labels {
    /// Phrases.
    pub takes: BTreeMap<String, Label>,
    /// Multiple tonguing.
    pub fast: BTreeMap<String, Label>,
    /// Takes of other players and rooms.
    pub takes_here: BTreeMap<String, Label>,
}

impl Labels {
    /// Every label there is: `phrases.json` of the shared folder, if there is one, and `tests/labels/*.json`.
    ///
    /// # Errors
    /// A file that cannot be read or understood.
    pub fn all() -> Result<Self, String> {
        let mut paths: Vec<PathBuf> =
            crate::shared::folder("playing").map(|f| f.join("phrases.json")).into_iter().collect();
        paths.extend(json_files(&Path::new(env!("CARGO_MANIFEST_DIR")).join("labels")));
        let mut all = Self::default();
        for path in paths {
            let said = |e: &dyn std::fmt::Display| format!("{}: {e}", path.display());
            let json = std::fs::read_to_string(&path).map_err(|e| said(&e))?;
            all.add(Self::parse(&json).map_err(|e| said(&e))?);
        }
        Ok(all)
    }

    /// The labels of one file.
    ///
    /// # Errors
    /// What is not of the form, or does not hold together, in words.
    pub fn parse(json: &str) -> Result<Self, String> {
        let labels: Self = serde_json::from_str(json).map_err(|e| e.to_string())?;
        for (name, label) in labels.takes.iter().chain(&labels.fast).chain(&labels.takes_here) {
            if !label.midi.is_empty() && label.midi.len() != label.onsets_s.len() {
                return Err(format!("{name}: {} notes for {} onsets", label.midi.len(), label.onsets_s.len()));
            }
            if label.onsets_s.windows(2).any(|pair| pair[1] <= pair[0]) {
                return Err(format!("{name}: onsets out of order"));
            }
        }
        Ok(labels)
    }

    fn add(&mut self, other: Self) {
        self.takes.extend(other.takes);
        self.fast.extend(other.fast);
        self.takes_here.extend(other.takes_here);
    }
}

fn json_files(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let mut paths: Vec<PathBuf> =
        entries.map(|e| e.path()).filter(|p| p.extension().is_some_and(|e| e == "json")).collect();
    paths.sort();
    paths
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_that_do_not_hold_together_are_refused() {
        let parse = |onsets: &str, midi: &str| {
            Labels::parse(&format!(
                r#"{{"note": "x", "takes": {{"a.wav": {{"onsets_s": [{onsets}], "midi": [{midi}]}}}}}}"#
            ))
        };
        assert!(parse("0.1, 0.2", "58, 60").is_ok());
        assert!(parse("0.1, 0.2", "").is_ok());
        assert!(parse("0.1, 0.2", "58").is_err());
        assert!(parse("0.2, 0.1", "58, 60").is_err());
    }

    #[test]
    fn the_labels_of_this_project_hold_together() {
        let labels = Labels::all().expect("labels");
        if crate::shared::folder("playing").is_some() {
            assert!(labels.takes.len() >= 12, "{} phrases", labels.takes.len());
        }
    }
}
