//! The way from one note to the next in the document.

use schemars::JsonSchema;
use serde::Serialize;

/// Which way leads from one note to another.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum CrossingDocument {
    /// On one partial: the slide alone moves.
    Slide,
    /// Over partials: the lips cross over.
    Lip,
    /// Either, by the positions chosen.
    Either,
}

/// A partial that sounded between two notes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct BetweenDocument {
    /// Its pitch relative to the new note, cents.
    pub interval_cents: f64,
    /// How long it sounded, ms.
    pub duration_ms: f64,
}
