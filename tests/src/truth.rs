//! The truth beside a take: what was made, note by note, in the JSON form of `*.truth.json`.

use notefront_dsp::{Grid, Settings};
use serde::{Deserialize, Serialize};
use std::path::Path;

/// What is true of one take.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TakeTruth {
    /// What sort of take it is: `faults`, `legato`, `slurs`, and so on; `real-...` for recorded notes.
    pub kind: String,
    /// Tempo, beats per minute.
    pub bpm: f64,
    /// Time of the first beat, s.
    pub grid_start_s: f64,
    /// Sample rate, Hz.
    pub sample_rate_hz: f64,
    /// Tuning reference, Hz.
    pub a4_hz: f64,
    /// Faults the maker knows the truth of; where the file does not say, the six of the issue.
    #[serde(default = "six_faults")]
    pub judged: Vec<String>,
    /// Every entrance, in the order of the sound.
    pub entrances: Vec<NoteTruth>,
}

fn six_faults() -> Vec<String> {
    ["split", "stutter", "smear", "airy", "below", "above"].map(str::to_owned).to_vec()
}

/// What is true of one entrance; names and units are those of the measures page.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NoteTruth {
    /// -20 dB of the attack peak, s.
    pub onset_s: f64,
    /// -12 dB of the attack peak, s.
    pub speaks_s: f64,
    /// First sound, s.
    pub sound_start_s: f64,
    /// Air before the tone, ms.
    pub noise_ms: f64,
    /// Its level relative to the settled tone, dB.
    pub noise_db: Option<f64>,
    /// First pitch relative to the settled pitch, cents.
    pub onset_cents: Option<f64>,
    /// Mean distance from the settled pitch while the note speaks, weighted by loudness, cents.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub approach_cents: Option<f64>,
    /// Onset to the last instant outside +-10 cents, ms.
    pub settle_ms: Option<f64>,
    /// Nearest equal-tempered note. Some files write it as a fraction with nothing after the point.
    pub midi: f64,
    /// Settled pitch, Hz.
    pub settled_hz: f64,
    /// `tongued`, `legato` or `slurred`.
    pub articulation: String,
    /// Length of the rise, ms.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rise_ms: Option<f64>,
    /// Faults that are there by their definition: split, stutter, smear, airy.
    pub faults: Vec<String>,
    /// End of the note, s.
    pub end_s: f64,
    /// `speaks_s` minus its beat, ms.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub timing_ms: Option<f64>,
    /// What the maker meant to make: `none` or a fault.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub made: Option<String>,
}

impl TakeTruth {
    /// The truth a file holds.
    ///
    /// # Errors
    /// A file that cannot be read or holds something else, in words.
    pub fn read(path: &Path) -> Result<Self, String> {
        let said = |e: &dyn std::fmt::Display| format!("{}: {e}", path.display());
        serde_json::from_str(&std::fs::read_to_string(path).map_err(|e| said(&e))?).map_err(|e| said(&e))
    }
}

impl NoteTruth {
    /// True when the note begins on another partial.
    #[must_use]
    pub fn is_split(&self) -> bool {
        self.faults.iter().any(|fault| fault == "split")
    }
}

/// Equivalent rectangular bandwidth in Hz at `hz`: Glasberg & Moore 1990, Hearing Research 47:103-138 \[M\].
#[must_use]
pub fn erb_hz(hz: f64) -> f64 {
    24.7 * (4.37 * hz / 1000.0 + 1.0)
}

/// Depth in cents at the onset from which made takes call an approach one, at a pitch of `hz`: the larger of
/// 0.1 ERB (Jarvelainen & Valimaki 2001 \[S\]) and 25 cents. What is true of it follows from `approach_cents`.
#[must_use]
pub fn approach_line_cents(hz: f64) -> f64 {
    (1200.0 * (1.0 + 0.1 * erb_hz(hz) / hz).log2()).max(25.0)
}

/// Whether a note has a fault.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// It has it.
    Has,
    /// It has it not.
    HasNot,
    /// Made, but under the line, or recorded and never judged: either answer is right.
    Either,
}

impl TakeTruth {
    /// True for recorded notes, whose pitch fronts nobody made: their instants are good to about 10 ms.
    #[must_use]
    pub fn is_recorded(&self) -> bool {
        self.kind.starts_with("real")
    }

    /// The settings to analyse the take with. A grid is given when the truth tells a timing;
    /// `timing_ms` is then `speaks_s` minus the nearest beat.
    #[must_use]
    pub fn settings(&self) -> Settings {
        let timed = self.entrances.iter().any(|note| note.timing_ms.is_some());
        let grid = timed.then(|| Grid {
            bpm: self.bpm,
            first_beat_s: self.grid_start_s,
            per_beat: self.subdivision_of_the_beats(),
        });
        let source = if self.kind == "mouthpiece" { notefront_dsp::Source::Mouthpiece } else { Default::default() };
        Settings { a4_hz: self.a4_hz, grid, source, ..Settings::default() }
    }

    /// The fewest subdivisions of a beat that explain every stated timing to 1 ms.
    fn subdivision_of_the_beats(&self) -> u32 {
        let explains = |per_beat: &u32| {
            let step_s = 60.0 / self.bpm / f64::from(*per_beat);
            self.entrances.iter().all(|note| {
                let steps = (note.speaks_s - self.grid_start_s) / step_s;
                let off_ms = (steps - steps.round()) * step_s * 1e3;
                note.timing_ms.is_none_or(|truth_ms| (off_ms - truth_ms).abs() < 1.0)
            })
        };
        (1..=4).find(explains).unwrap_or(1)
    }

    /// Whether note `i` has the fault `name`.
    #[must_use]
    pub fn verdict(&self, i: usize, name: &str) -> Verdict {
        let note = &self.entrances[i];
        let is_lean = name == "below" || name == "above";
        match name {
            _ if !self.judged.iter().any(|judged| judged == name) => Verdict::Either,
            _ if is_lean && note.approach_cents.is_some() => approach_verdict(note, name),
            // Nobody measured how a recorded note leans: its first pitch does not tell.
            _ if self.is_recorded() && (is_lean || !self.is_clean(i)) => Verdict::Either,
            _ if is_lean => Verdict::HasNot,
            _ if note.faults.iter().any(|fault| fault == name) => Verdict::Has,
            _ if note.made.as_deref() == Some(name) => Verdict::Either,
            _ => Verdict::HasNot,
        }
    }

    /// True when nothing is wrong with note `i`, so that a flag on it (but for timing) is false. A note that leans by
    /// more than a clear one does, or whose front nobody measured, is not called clean.
    #[must_use]
    pub fn is_clean(&self, i: usize) -> bool {
        let note = &self.entrances[i];
        let unmade = note.made.as_deref().is_none_or(|made| made == "none");
        let leans = match note.approach_cents {
            Some(cents) => cents.abs() > LEAN_CENTS.1,
            // Recorded notes without a measured approach: their first pitch says at least where nothing leans.
            None => self.is_recorded() && note.onset_cents.is_some_and(|cents| cents.abs() > LEAN_CENTS.1),
        };
        unmade && note.faults.is_empty() && !leans
    }
}

/// A lean beyond the first is true, one within the second is none, cents; between them either answer is right (measures
/// page, truth files).
const LEAN_CENTS: (f64, f64) = (32.0, 20.0);

/// `below` and `above` follow from `approach_cents`. A note that came from another partial or on a late slide leans, too,
/// but has its own fault: either answer is right.
fn approach_verdict(note: &NoteTruth, name: &str) -> Verdict {
    let is_elsewhere = note.faults.iter().any(|fault| fault == "split" || fault == "smear");
    let cents = note.approach_cents.unwrap_or(0.0);
    let sided = if name == "below" { -cents } else { cents };
    match sided {
        _ if is_elsewhere => Verdict::Either,
        _ if sided > LEAN_CENTS.0 => Verdict::Has,
        _ if sided > LEAN_CENTS.1 => Verdict::Either,
        _ => Verdict::HasNot,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_approach_line_is_that_of_the_measures_page() {
        // Jarvelainen & Valimaki 2001 in cents: 90 at Bb1, 55 at Bb2, 43 at F3, 37 at Bb3, 31 at F4, 28 at Bb4.
        for (hz, cents) in
            [(58.27, 90.0), (116.54, 55.0), (174.61, 43.0), (233.08, 37.0), (349.23, 31.0), (466.16, 28.0)]
        {
            let line = approach_line_cents(hz);
            assert!((line - cents).abs() < 1.0, "{line} at {hz} Hz; printed to whole cents");
        }
        assert!((approach_line_cents(4000.0) - 25.0).abs() < 1e-9, "never under 25 cents");
    }
}
