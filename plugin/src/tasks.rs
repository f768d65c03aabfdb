//! The player's wishes on their way from the editor to whoever keeps the choices.

use crate::choices::{Choices, GridChoice, InstrumentChoice, SourceChoice};
use notefront_takes::corrections::ear::Lines;
use std::sync::Arc;

/// A change of one choice.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Task {
    /// 0 to 1.
    Strictness(f32),
    /// Hz.
    A4(f32),
    /// The horn.
    Instrument(InstrumentChoice),
    /// Horn or mouthpiece.
    Source(SourceChoice),
    /// The grid.
    Grid(GridChoice),
    /// %.
    Swing(f32),
    /// ms.
    Offset(f32),
    /// Marker notes with look-ahead.
    LookAhead(bool),
    /// Judge timing even off the host's beat.
    InsistOnBeat(bool),
    /// Listen while the transport stands.
    ListenStopped(bool),
    /// Where the lines lie.
    Lines(Lines),
}

/// How the editor sends a task.
pub type SendTask = Arc<dyn Fn(Task) + Send + Sync>;

impl Task {
    /// Makes the change, within the range of what it changes.
    pub fn follow(self, choices: &mut Choices) {
        match self {
            Self::Strictness(value) => choices.strictness = value,
            Self::A4(value) => choices.a4_hz = value,
            Self::Instrument(value) => choices.instrument = value,
            Self::Source(value) => choices.source = value,
            Self::Grid(value) => choices.grid = value,
            Self::Swing(value) => choices.swing_percent = value,
            Self::Offset(value) => choices.offset_ms = value,
            Self::LookAhead(value) => choices.look_ahead = value,
            Self::InsistOnBeat(value) => choices.insist_on_beat = value,
            Self::ListenStopped(value) => choices.listen_stopped = value,
            Self::Lines(lines) => choices.lines = lines,
        }
        *choices = choices.clamped();
    }
}
