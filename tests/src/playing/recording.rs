//! A recording, what it is judged as, and what was heard in it.

use super::labels::{Label, Labels};
use super::naming::{Name, is_percussion};
use crate::accuracy::FAULTS;
use crate::audio::{self, Sound};
use notefront_dsp::{Entrance, FaultName, Settings, analyze_and_judge};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// What a recording is judged as.
#[derive(Debug, Clone, PartialEq)]
pub enum Kind {
    /// A phrase with its label.
    Phrase(Label),
    /// Multiple tonguing with its label.
    Fast(Label),
    /// One long slide: one entrance.
    Glissando,
    /// One note, and what it sounds, where that is one note.
    Single(Option<u8>),
    /// Something struck or shaken: no note is in it.
    Knocks,
    /// Another player in another room; labelled or not.
    Elsewhere(Option<Label>),
}

/// A recording to judge.
#[derive(Debug, Clone, PartialEq)]
pub struct Recording {
    /// File name without ending.
    pub stem: String,
    /// Where it lies.
    pub path: PathBuf,
    /// What its name tells, if it is of that form.
    pub name: Option<Name>,
    /// What it is judged as.
    pub kind: Kind,
}

/// What the figures need of one entrance heard.
#[derive(Debug, Clone, PartialEq)]
pub struct Heard {
    /// Onset, s.
    pub onset_s: f64,
    /// Note.
    pub midi: Option<u8>,
    /// Settled level, dB.
    pub level_db: f64,
    /// Flags other than early and late.
    pub flags: Vec<FaultName>,
}

impl From<&Entrance> for Heard {
    fn from(entrance: &Entrance) -> Self {
        Self {
            onset_s: entrance.front.onset_s,
            midi: entrance.front.midi_note,
            level_db: entrance.front.level_db,
            flags: FAULTS.into_iter().filter(|name| entrance.verdict.faults.get(*name).is_some()).collect(),
        }
    }
}

/// A recording and what was heard in it.
#[derive(Debug, Clone, PartialEq)]
pub struct JudgedRecording {
    /// What was listened to.
    pub recording: Recording,
    /// Every entrance, in order.
    pub heard: Vec<Heard>,
    /// Length, s.
    pub duration_s: f64,
}

/// Every recording of a folder that can be judged, and the takes beside the shared labels, sorted by name; and what was
/// left out, in words.
///
/// # Errors
/// The folder or the labels cannot be read.
pub fn recordings(folder: &Path, only: &str) -> Result<(Vec<Recording>, Vec<String>), String> {
    let labels = Labels::all()?;
    let mut found: Vec<Recording> =
        files_of(folder)?.into_values().filter_map(|path| classify(path, &labels)).collect();
    let mut left_out = unlabelled(&labels, &found);
    match crate::shared::folder("playing") {
        Some(folder) => found.extend(takes_beside(&folder, &labels)?),
        None => left_out.push("the takes of other players and rooms: there is no shared folder with playing".into()),
    }
    found.retain(|recording| recording.stem.contains(only));
    Ok((found, left_out))
}

/// Sound files by name.
fn files_of(folder: &Path) -> Result<BTreeMap<String, PathBuf>, String> {
    let entries = std::fs::read_dir(folder).map_err(|e| format!("{}: {e}", folder.display()))?;
    Ok(entries
        .flatten()
        .map(|entry| entry.path())
        .filter(|path| path.extension().is_some_and(|e| e == "wav" || e == "flac"))
        .filter_map(|path| Some((path.file_name()?.to_string_lossy().into_owned(), path)))
        .collect())
}

fn classify(path: PathBuf, labels: &Labels) -> Option<Recording> {
    let file = path.file_name()?.to_string_lossy().into_owned();
    let stem = path.file_stem()?.to_string_lossy().into_owned();
    let name = Name::of(&stem);
    let kind = match (labels.takes.get(&file), labels.fast.get(&file), &name) {
        (Some(label), _, _) => Kind::Phrase(label.clone()),
        (_, Some(label), _) => Kind::Fast(label.clone()),
        (_, _, Some(name)) if name.instrument == "trombone" && name.articulation == "glissando" => Kind::Glissando,
        (_, _, Some(name)) if name.is_single() => Kind::Single(name.sounding_midi(&stem)),
        _ if is_percussion(&stem) => Kind::Knocks,
        _ => return None,
    };
    Some(Recording { stem, path, name, kind })
}

fn unlabelled(labels: &Labels, found: &[Recording]) -> Vec<String> {
    let is_there = |file: &str| found.iter().any(|r| r.path.file_name().is_some_and(|name| name == file));
    let missing: Vec<&String> = labels.takes.keys().chain(labels.fast.keys()).filter(|file| !is_there(file)).collect();
    if missing.is_empty() {
        return Vec::new();
    }
    vec![format!("{} labelled recordings are not in the folder, {} first", missing.len(), missing[0])]
}

fn takes_beside(folder: &Path, labels: &Labels) -> Result<Vec<Recording>, String> {
    let files = files_of(folder)?.into_iter().filter(|(file, _)| !file.contains("response"));
    Ok(files
        .map(|(file, path)| Recording {
            stem: path.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default(),
            name: None,
            kind: Kind::Elsewhere(labels.takes_here.get(&file).cloned()),
            path,
        })
        .collect())
}

/// Listens to a recording.
///
/// # Errors
/// A file that cannot be read, or a rate the analysis does not take.
pub fn judge_recording(recording: Recording) -> Result<JudgedRecording, String> {
    let sound = audio::read(&recording.path)?;
    judge_sound(recording, &sound)
}

/// Listens to a sound in place of the recording's own.
///
/// # Errors
/// A rate the analysis does not take.
pub fn judge_sound(recording: Recording, sound: &Sound) -> Result<JudgedRecording, String> {
    let heard = hear(sound).map_err(|e| format!("{}: {e}", recording.stem))?;
    Ok(JudgedRecording { heard, duration_s: sound.samples.len() as f64 / sound.rate_hz, recording })
}

fn hear(sound: &Sound) -> Result<Vec<Heard>, String> {
    let entrances = analyze_and_judge(&sound.samples, sound.rate_hz, Settings::default()).map_err(|e| e.to_string())?;
    Ok(entrances.iter().map(Heard::from).collect())
}

impl JudgedRecording {
    /// Its label, if it has one.
    #[must_use]
    pub fn label(&self) -> Option<&Label> {
        match &self.recording.kind {
            Kind::Phrase(label) | Kind::Fast(label) | Kind::Elsewhere(Some(label)) => Some(label),
            _ => None,
        }
    }

    /// The loudest entrance.
    #[must_use]
    pub fn loudest(&self) -> Option<&Heard> {
        self.heard.iter().max_by(|a, b| a.level_db.total_cmp(&b.level_db))
    }

    /// Instrument by its name.
    #[must_use]
    pub fn instrument(&self) -> &str {
        self.recording.name.as_ref().map_or("", |name| name.instrument.as_str())
    }
}
