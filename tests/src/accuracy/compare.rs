//! One measure of one note against its truth.

use crate::truth::NoteTruth;
use notefront_dsp::{Entrance, Told, units};

/// A true and a heard value; `heard` is `None` when the analysis cannot tell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Compared {
    /// The truth.
    pub truth: f64,
    /// What was heard.
    pub heard: Option<f64>,
}

impl Compared {
    /// Heard minus true.
    #[must_use]
    pub fn error(self) -> Option<f64> {
        self.heard.map(|heard| heard - self.truth)
    }
}

/// A figure that is measured note by note.
pub struct Measure {
    /// Short name.
    pub name: &'static str,
    /// Unit of the error.
    pub unit: &'static str,
    /// The comparison; `None` for notes the figure does not speak of.
    pub compare: fn(&NoteTruth, &Entrance) -> Option<Compared>,
}

/// Every measure, in the order of the tables.
pub const MEASURES: [Measure; 14] = [
    Measure { name: "onset", unit: "ms", compare: onset },
    Measure { name: "slur-onset", unit: "ms", compare: slur_onset },
    Measure { name: "speaks", unit: "ms", compare: speaks },
    Measure { name: "speak", unit: "ms", compare: speak },
    Measure { name: "approach", unit: "cents", compare: approach },
    Measure { name: "settle", unit: "ms", compare: settle },
    Measure { name: "settle-of-steady", unit: "ms", compare: settle_of_steady },
    Measure { name: "onset-pitch", unit: "cents", compare: onset_pitch },
    Measure { name: "onset-pitch-of-moving", unit: "cents", compare: onset_pitch_of_moving },
    Measure { name: "settled-pitch", unit: "cents", compare: settled_pitch },
    Measure { name: "noise", unit: "ms", compare: noise },
    Measure { name: "noise-level", unit: "dB", compare: noise_level },
    Measure { name: "noise-of-airless", unit: "ms", compare: noise_of_airless },
    Measure { name: "timing", unit: "ms", compare: timing },
];

fn told(measure: Told) -> Option<f64> {
    measure.ok().map(|m| m.value)
}

fn is_slur(note: &NoteTruth) -> bool {
    note.articulation == "slurred"
}

fn onset(note: &NoteTruth, heard: &Entrance) -> Option<Compared> {
    (!is_slur(note)).then_some(Compared { truth: note.onset_s * 1e3, heard: Some(heard.front.onset_s * 1e3) })
}

fn slur_onset(note: &NoteTruth, heard: &Entrance) -> Option<Compared> {
    is_slur(note).then_some(Compared { truth: note.onset_s * 1e3, heard: Some(heard.front.onset_s * 1e3) })
}

fn speaks(note: &NoteTruth, heard: &Entrance) -> Option<Compared> {
    (!is_slur(note)).then_some(Compared { truth: note.speaks_s * 1e3, heard: Some(heard.front.speaks_s * 1e3) })
}

fn speak(note: &NoteTruth, heard: &Entrance) -> Option<Compared> {
    let truth = (note.speaks_s - note.onset_s) * 1e3;
    (!is_slur(note)).then_some(Compared { truth, heard: told(heard.front.speak_ms) })
}

/// A lean is one on the note's own partial.
fn approach(note: &NoteTruth, heard: &Entrance) -> Option<Compared> {
    let truth = note.approach_cents.filter(|_| !note.is_split())?;
    Some(Compared { truth, heard: told(heard.front.approach_cents) })
}

fn settle(note: &NoteTruth, heard: &Entrance) -> Option<Compared> {
    let truth = note.settle_ms.filter(|ms| *ms > 0.0)?;
    Some(Compared { truth, heard: told(heard.front.settle_ms) })
}

fn settle_of_steady(note: &NoteTruth, heard: &Entrance) -> Option<Compared> {
    let truth = note.settle_ms.filter(|ms| *ms == 0.0)?;
    Some(Compared { truth, heard: told(heard.front.settle_ms) })
}

fn onset_pitch(note: &NoteTruth, heard: &Entrance) -> Option<Compared> {
    Some(Compared { truth: note.onset_cents?, heard: told(heard.front.onset_cents) })
}

fn onset_pitch_of_moving(note: &NoteTruth, heard: &Entrance) -> Option<Compared> {
    onset_pitch(note, heard).filter(|c| c.truth != 0.0)
}

fn settled_pitch(note: &NoteTruth, heard: &Entrance) -> Option<Compared> {
    let cents = told(heard.front.settled_hz).map(|hz| units::cents(hz, note.settled_hz));
    Some(Compared { truth: 0.0, heard: cents })
}

fn noise(note: &NoteTruth, heard: &Entrance) -> Option<Compared> {
    (note.noise_ms > 0.0).then(|| Compared { truth: note.noise_ms, heard: told(heard.front.noise_before_tone_ms) })
}

/// Air that was not found has no level: it counts in `noise`, not here.
fn noise_level(note: &NoteTruth, heard: &Entrance) -> Option<Compared> {
    let truth = note.noise_db.filter(|_| note.noise_ms > 0.0)?;
    Some(Compared { truth, heard: told(heard.front.noise_before_tone_db) })
}

fn noise_of_airless(note: &NoteTruth, heard: &Entrance) -> Option<Compared> {
    (note.noise_ms == 0.0).then(|| Compared { truth: 0.0, heard: told(heard.front.noise_before_tone_ms) })
}

fn timing(note: &NoteTruth, heard: &Entrance) -> Option<Compared> {
    Some(Compared { truth: note.timing_ms?, heard: told(heard.verdict.timing_ms) })
}
