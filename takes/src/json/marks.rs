//! The document of a choice of entrances (`notefront.marks`, version 1), and its JSON Schema.

use super::convert::{RATIO, finite};
use super::{EntranceDocument, GridDocument};
use crate::marks::{self, Chosen, Marking};
use schemars::{JsonSchema, Schema};
use serde::Serialize;

/// Name of the document.
pub const FORMAT: &str = "notefront.marks";
/// Version of the document.
pub const VERSION: u32 = 1;

/// Marked entrances.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
#[schemars(rename = "notefront.marks")]
pub struct MarksDocument {
    /// Always "notefront.marks".
    #[schemars(extend("const" = FORMAT))]
    pub format: &'static str,
    /// Rises when a field changes meaning.
    #[schemars(extend("const" = VERSION))]
    pub version: u32,
    /// Version of the program that judged.
    pub program_version: &'static str,
    /// Name of what was marked, as the player knows it.
    pub name: String,
    /// Which entrances: "flagged", "all", or the name of one fault.
    pub which: &'static str,
    /// The beats the entrances are timed against; null when none were given or found.
    pub grid: Option<GridDocument>,
    /// The marks, in the order of the sound.
    pub marks: Vec<MarkDocument>,
}

/// One marked entrance.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct MarkDocument {
    /// The words of the marker, such as "F4 hard, above".
    pub label: String,
    /// The reasons with their numbers, as in the notes of the markers.
    pub because: String,
    /// What the player says of it, in words; null where nothing was said.
    pub by_ear: Option<String>,
    /// Bar it lies in, as it is written or counted; null where none is known.
    pub bar: Option<String>,
    /// Beat in the bar, from 1; null where none is known.
    pub beat: Option<f64>,
    /// All that was measured.
    pub entrance: EntranceDocument,
}

impl MarksDocument {
    /// The document of a choice of entrances.
    #[must_use]
    pub fn new(name: &str, marking: Marking<'_>) -> Self {
        let mark = |chosen: Chosen<'_>| MarkDocument {
            label: chosen.label,
            because: marks::sentence(chosen.entrance, marking.which),
            by_ear: chosen.by_ear,
            bar: chosen.place.and_then(|place| place.bar.clone()),
            beat: chosen.place.and_then(|place| finite(place.beat, RATIO)),
            entrance: chosen.entrance.into(),
        };
        Self {
            format: FORMAT,
            version: VERSION,
            program_version: env!("CARGO_PKG_VERSION"),
            name: name.to_owned(),
            which: marking.which.as_str(),
            grid: marking.beats.map(GridDocument::from),
            marks: marking.chosen().map(mark).collect(),
        }
    }
}

/// The JSON Schema (draft 2020-12) of [`MarksDocument`].
#[must_use]
pub fn schema() -> Schema {
    super::schema_for::<MarksDocument>()
}
