//! Corrections: what a player or teacher says of a take against what was measured. Kept in a small file beside it
//! (`NAME.corrections.json`, format `notefront.corrections`, version 1), made by command, on the page or in the insert,
//! and applied by every later scan. What was measured stays beside it.
//!
//! A correction names its entrance by the time it speaks at. The list only grows, and an undone correction is named in a
//! second list that only grows: two lists of two programs are joined without losing anything, in either order.

pub mod agreement;
pub mod apply;
pub mod ear;
pub mod file;
pub mod fingerprint;
pub mod words;

pub use apply::{ByEar, Corrected, Heard};
pub use file::{CorrectionsError, amend, find};
pub use fingerprint::Fingerprint;

use notefront_dsp::FaultName;
use schemars::{JsonSchema, Schema};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use std::hash::{BuildHasher, Hasher};
use std::time::{SystemTime, UNIX_EPOCH};

/// Name of the document.
pub const FORMAT: &str = "notefront.corrections";
/// Version of the document.
pub const VERSION: u32 = 1;

/// Faults that an ear can name in a front heard alone: timing is told against a beat, which it has not.
pub fn heard_faults() -> impl Iterator<Item = FaultName> {
    FaultName::ALL.into_iter().filter(|fault| is_heard(*fault))
}

/// Whether a fault can be heard in a front alone.
#[must_use]
pub fn is_heard(fault: FaultName) -> bool {
    !matches!(fault, FaultName::Early | FaultName::Late)
}

/// The corrections of one take.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "notefront.corrections")]
pub struct Corrections {
    /// Always "notefront.corrections".
    #[schemars(extend("const" = FORMAT))]
    pub format: String,
    /// Rises when a field changes meaning.
    #[schemars(extend("const" = VERSION))]
    pub version: u32,
    /// Name of the take when the file was begun; the sound tells which take it is, whatever its name.
    pub take: String,
    /// The sound all times are told in.
    pub sound: Fingerprint,
    /// Everything that was said, also what was undone later.
    pub corrections: Vec<Correction>,
    /// The ids of those that were undone.
    pub undone: BTreeSet<String>,
}

/// One thing said about one entrance.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Correction {
    /// Unlike every other's.
    pub id: String,
    /// When it was said: milliseconds since the beginning of 1970, UTC. Later ones count over earlier ones.
    pub made_ms: u64,
    /// Where it was said.
    pub by: By,
    /// When the entrance speaks, seconds in the sound.
    pub at_s: f64,
    /// What was said.
    #[serde(flatten)]
    pub what: What,
}

/// Where a correction was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum By {
    /// `notefront correct`.
    Command,
    /// The page of `notefront report`.
    Page,
    /// The insert.
    Insert,
    /// An answer given while listening blind.
    Blind,
}

/// What is said of an entrance.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "what", rename_all = "kebab-case")]
pub enum What {
    /// Clear to the ear: flags are dismissed.
    Fine {
        /// Why, in the player's words.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        reason: Option<String>,
    },
    /// Unclear to the ear.
    Unclear {
        /// The fault heard, by its name in files; none where nobody said which.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[schemars(with = "Option<String>")]
        fault: Option<FaultName>,
    },
    /// Speaks at another time.
    Moved {
        /// When, seconds in the sound.
        to_s: f64,
    },
    /// An entrance that was missed.
    Added {
        /// Its note, where it was told.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        midi_note: Option<u8>,
    },
    /// No entrance at all.
    Removed,
    /// Two entrances were taken for one.
    Split {
        /// When the second speaks, seconds in the sound.
        second_s: f64,
    },
    /// One entrance with the one before it.
    Joined,
    /// Another note.
    Note {
        /// Which.
        midi_note: u8,
    },
}

impl Corrections {
    /// None yet, of a take of this name and sound.
    #[must_use]
    pub fn new(take: &str, sound: Fingerprint) -> Self {
        let (corrections, undone) = (Vec::new(), BTreeSet::new());
        Self { format: FORMAT.into(), version: VERSION, take: take.into(), sound, corrections, undone }
    }

    /// Those that hold, in the order in which they were said: the same whatever order they lie in.
    #[must_use]
    pub fn active(&self) -> Vec<Correction> {
        let mut active: Vec<_> = self.corrections.iter().filter(|c| !self.undone.contains(&c.id)).cloned().collect();
        active.sort_by(|a, b| (a.made_ms, &a.id).cmp(&(b.made_ms, &b.id)));
        active
    }

    /// Adds one, said after all others.
    pub fn say(&mut self, by: By, at_s: f64, what: What) -> &Correction {
        let last_ms = self.corrections.iter().map(|c| c.made_ms).max().unwrap_or(0);
        let made_ms = now_ms().max(last_ms + 1);
        let said = Correction { id: new_id(), made_ms, by, at_s, what };
        self.corrections.push(said.shifted(0.0));
        &self.corrections[self.corrections.len() - 1]
    }

    /// Undoes one that holds; `None` where there is no such one.
    pub fn undo(&mut self, id: &str) -> Option<Correction> {
        let found = self.active().into_iter().find(|c| c.id == id)?;
        self.undone.insert(found.id.clone());
        Some(found)
    }

    /// Takes in what others said, whose times lie `later_s` before ours. Nothing is lost, nothing counts twice.
    pub fn merge(&mut self, other: &Self, later_s: f64) {
        for theirs in &other.corrections {
            if self.corrections.iter().all(|ours| ours.id != theirs.id) {
                self.corrections.push(theirs.shifted(later_s));
            }
        }
        self.undone.extend(other.undone.iter().cloned());
    }
}

impl Correction {
    /// The same, in a sound that begins earlier by so many seconds; to a tenth of a millisecond, finer than anybody hears.
    #[must_use]
    pub fn shifted(&self, later_s: f64) -> Self {
        let told = |seconds: f64| (seconds * 1e4).round() / 1e4;
        let what = match &self.what {
            What::Moved { to_s } => What::Moved { to_s: told(to_s + later_s) },
            What::Split { second_s } => What::Split { second_s: told(second_s + later_s) },
            other => other.clone(),
        };
        Self { at_s: told(self.at_s + later_s), what, ..self.clone() }
    }
}

/// The JSON Schema (draft 2020-12) of [`Corrections`].
#[must_use]
pub fn schema() -> Schema {
    schemars::generate::SchemaSettings::draft2020_12().into_generator().into_root_schema_for::<Corrections>()
}

fn now_ms() -> u64 {
    SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |since| since.as_millis() as u64)
}

/// The library draws a key at random for every hasher: no two ids are alike.
fn new_id() -> String {
    let draw = || std::collections::hash_map::RandomState::new().build_hasher();
    let (mut first, mut second) = (draw(), draw());
    first.write_u64(now_ms());
    second.write_u32(std::process::id());
    format!("{:016x}{:08x}", first.finish(), second.finish() as u32)
}

#[cfg(test)]
mod tests;
