//! Notefront's analysis: samples in, judged note entrances out.
//!
//! The order of the modules is the order of the flow; a module uses only what stands before it.
//! No host, thread, clock, file or window is known here: a result depends on the samples and the
//! [`Settings`] only, and is bit-identical for every partition of the samples into blocks.
#![forbid(unsafe_code)]

// What is told: units, what the player chooses, what an entrance is, what the horn is,
// what clear playing is.
pub mod units;
pub mod settings;
pub mod entrance;
pub mod trombone;
pub mod professionals;
// Samples to frames to notes.
mod vector;
mod framer;
mod pitch;
mod frame;
mod coarse;
mod note;
// A note's front, looked at again.
mod harmonic;
mod look;
mod steady;
mod front;
mod slur;
mod level;
mod instants;
mod approach;
mod air;
mod tail;
mod breath;
// Judgement.
pub mod grid;
pub mod faults;
pub mod score;
// Two takes.
pub mod align;
// All of it.
mod judge;
pub mod analyzer;

pub use analyzer::{Analyzer, AnalyzerError, Event, analyze};
pub use entrance::{
    Articulation, CannotTell, Entrance, Evidence, Fault, FaultName, Faults, FrontPicture, Measure, Positions,
    SlidePosition, Told,
};
pub use settings::{Grid, Instrument, Settings, SettingsError, Source, Strictness};
