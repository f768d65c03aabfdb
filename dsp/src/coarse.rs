//! A note as the coarse picture sees it.

use crate::entrance::Articulation;

/// How a note began.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Start {
    /// Out of silence, noise or a tail.
    Fresh,
    /// After a dip in a tone that went on.
    Dip,
    /// By a change of pitch.
    Pitch,
}

/// A note as the coarse picture sees it. Times are frames.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Note {
    /// First frame.
    pub start: i64,
    /// Where it begins by all that is seen around it, s from the first internal sample.
    pub placed_s: f64,
    /// Frame after the last; `None` while it sounds.
    pub end: Option<i64>,
    /// How it began.
    pub kind: Start,
    /// Plateau pitch (MIDI); NaN before there is one.
    pub midi: f32,
    /// Plateau pitch of the note it came from (dip and pitch starts), NaN otherwise.
    pub from_midi: f32,
    /// How it was joined to that one.
    pub articulation: Articulation,
    /// Already judged; waits for its end.
    pub is_told: bool,
}
