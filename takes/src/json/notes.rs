//! The part of a take's document that tells how the written notes were met.

use super::convert::{RATIO, finite, rounded};
use crate::sheet::{Reading, SheetNote, Step, Verdict};
use notefront_dsp::units;
use schemars::JsonSchema;
use serde::Serialize;

/// The take against the written notes.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct NotesDocument {
    /// Name of the part, where it has one.
    pub part: Option<String>,
    /// Written notes, repeats played out.
    pub num_written: usize,
    /// Played as written; they may be unclear all the same.
    pub num_right: usize,
    /// Played with another pitch.
    pub num_wrong: usize,
    /// Played in another octave.
    pub num_octave: usize,
    /// Played without a pitch that can be told.
    pub num_untold: usize,
    /// Written and not played.
    pub num_missed: usize,
    /// Played and not written.
    pub num_extra: usize,
    /// Semitones the take sounds above the part, where it was read in another key.
    pub transposed_semitones: i32,
    /// Written tempo at the beginning, quarter notes a minute.
    pub written_bpm: Option<f64>,
    /// Tempo played, quarter notes a minute.
    pub played_bpm: Option<f64>,
    /// Every note, in order.
    pub steps: Vec<StepDocument>,
    /// What was left out or guessed, as sentences.
    pub remarks: Vec<String>,
}

/// One note, played or written.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct StepDocument {
    /// What became of it.
    pub verdict: VerdictDocument,
    /// Index of the entrance; null for a missed note.
    pub entrance: Option<usize>,
    /// The written note; null for an extra one.
    pub written: Option<WrittenDocument>,
}

/// What became of a note.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum VerdictDocument {
    /// Played as written; it may be unclear all the same.
    Right,
    /// Another pitch.
    Wrong,
    /// The right name in another octave.
    Octave,
    /// Played, but its pitch cannot be told.
    Untold,
    /// Written and not played.
    Missed,
    /// Played and not written.
    Extra,
}

/// A written note.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct WrittenDocument {
    /// Its sounding pitch.
    pub midi_note: u8,
    /// English name of the sounding pitch.
    pub note: String,
    /// Number of its bar, where there are bars.
    pub bar: Option<String>,
    /// Quarter notes from the beginning, repeats played out.
    pub beat: f64,
    /// A grace note.
    pub is_grace: bool,
}

impl From<&Reading> for NotesDocument {
    fn from(reading: &Reading) -> Self {
        let of = |verdict| reading.count(verdict);
        Self {
            part: reading.part.clone(),
            num_written: reading.steps.iter().filter(|step| step.written.is_some()).count(),
            num_right: of(Verdict::Right),
            num_wrong: of(Verdict::Wrong),
            num_octave: of(Verdict::Octave),
            num_untold: of(Verdict::Untold),
            num_missed: of(Verdict::Missed),
            num_extra: of(Verdict::Extra),
            transposed_semitones: reading.transposed_semitones,
            written_bpm: finite(reading.written_bpm, RATIO),
            played_bpm: finite(reading.played_bpm, RATIO),
            steps: reading.steps.iter().map(StepDocument::from).collect(),
            remarks: reading.remarks.clone(),
        }
    }
}

impl From<&Step> for StepDocument {
    fn from(step: &Step) -> Self {
        let written = step.written.as_ref().map(WrittenDocument::from);
        Self { verdict: step.verdict.into(), entrance: step.entrance, written }
    }
}

impl From<&SheetNote> for WrittenDocument {
    fn from(note: &SheetNote) -> Self {
        Self {
            midi_note: note.midi_note,
            note: units::note_name(note.midi_note),
            bar: note.bar.clone(),
            beat: rounded(note.beat, RATIO),
            is_grace: note.is_grace,
        }
    }
}

impl From<Verdict> for VerdictDocument {
    fn from(verdict: Verdict) -> Self {
        match verdict {
            Verdict::Right => Self::Right,
            Verdict::Wrong => Self::Wrong,
            Verdict::Octave => Self::Octave,
            Verdict::Untold => Self::Untold,
            Verdict::Missed => Self::Missed,
            Verdict::Extra => Self::Extra,
        }
    }
}
