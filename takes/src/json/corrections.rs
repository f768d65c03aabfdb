//! The part of a take's document that tells what the player says of it, beside what was measured.

use super::convert::{SECONDS, rounded};
use super::{FaultNameDocument, TakeDocument};
use crate::corrections::{Corrected, Correction};
use crate::take::Take;
use crate::words;
use notefront_dsp::{Entrance, units};
use schemars::JsonSchema;
use serde::Serialize;

/// Corrections as they were applied.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TakeCorrectionsDocument {
    /// Where they are kept.
    pub file: String,
    /// Seconds by which the take's times are later than those kept: not 0 where its beginning was cut.
    pub later_s: f64,
    /// Entrances that were measured.
    pub num_measured: usize,
    /// Of them, those flagged by what was measured.
    pub num_measured_flagged: usize,
    /// All that holds, in the times of the take.
    pub said: Vec<SaidDocument>,
}

/// One correction with what it speaks of.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SaidDocument {
    /// What was said.
    #[serde(flatten)]
    pub correction: Correction,
    /// Index among the entrances; null where there is none (any more).
    pub entrance: Option<usize>,
    /// What was measured there; null for what the player added or what is not found any more.
    pub found: Option<FoundDocument>,
}

/// An entrance as it was measured and judged.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct FoundDocument {
    /// When it speaks, seconds.
    pub speaks_s: f64,
    /// Its note.
    pub note: Option<String>,
    /// 0 (unclear) to 100 (clear).
    pub clarity: u8,
    /// Its faults, the worst first.
    pub faults: Vec<FaultNameDocument>,
}

impl From<&Entrance> for FoundDocument {
    fn from(e: &Entrance) -> Self {
        Self {
            speaks_s: rounded(e.front.speaks_s, SECONDS),
            note: e.front.midi_note.map(units::note_name),
            clarity: e.verdict.clarity.round().clamp(0.0, 100.0) as u8,
            faults: words::worst_first(e).iter().map(|fault| fault.name.into()).collect(),
        }
    }
}

impl From<&Corrected> for TakeCorrectionsDocument {
    fn from(corrected: &Corrected) -> Self {
        let told = |correction: &Correction, entrance, found: Option<&Entrance>| SaidDocument {
            correction: correction.clone(),
            entrance,
            found: found.map(FoundDocument::from),
        };
        let of_entrances = corrected.by_ear.iter().enumerate().flat_map(|(i, by_ear)| {
            by_ear.said.iter().map(move |correction| told(correction, Some(i), by_ear.found.as_ref()))
        });
        let removed = corrected.removed.iter().map(|(correction, found)| told(correction, None, Some(found)));
        let lost = corrected.lost.iter().map(|correction| told(correction, None, None));
        Self {
            file: corrected.file.to_string_lossy().into_owned(),
            later_s: rounded(corrected.later_s, SECONDS),
            num_measured: corrected.as_measured.0,
            num_measured_flagged: corrected.as_measured.1,
            said: of_entrances.chain(removed).chain(lost).collect(),
        }
    }
}

impl TakeDocument {
    /// What the player says of a take.
    pub(super) fn corrections_of(take: &Take) -> Option<TakeCorrectionsDocument> {
        take.corrected.as_deref().map(TakeCorrectionsDocument::from)
    }
}
