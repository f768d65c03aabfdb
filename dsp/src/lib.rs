//! Notefront's analysis: samples in, measured fronts of note entrances out, and a verdict over each.
//!
//! The order of the modules is the order of the flow; a module uses only what stands before it.
//! No host, thread, clock, file or window is known here: a result depends on the samples and the
//! [`Settings`] only, and is bit-identical for every partition of the samples into blocks.
#![forbid(unsafe_code)]

// What is told: units, what the player chooses, what an entrance is, what the horn is,
// what clear playing is; and what is set by hand.
pub mod units;
mod parameters;
pub mod settings;
pub mod entrance;
pub mod trombone;
pub mod grid;
pub mod professionals;
// Samples to frames to notes.
mod vector;
mod window;
mod framer;
mod observe;
#[cfg(test)]
mod test_sounds;
mod coarse;
pub mod decode;
// A note's front, looked at again.
mod harmonic;
mod look;
mod overtone;
mod steady;
mod front;
mod slur;
mod level;
mod path;
mod instants;
mod stutter;
mod motion;
pub mod slide;
mod approach;
mod body;
mod tone;
pub mod air;
mod tail;
mod breath;
mod picture;
mod measure;
// What is made of a front.
pub mod verdict;
// Two takes.
pub mod align;
// All of it.
pub mod analyzer;

pub use analyzer::{Analyzer, AnalyzerError, Event, analyze, analyze_and_judge};
pub use entrance::{
    Articulation, Breath, CannotTell, Evidence, Front, FrontPicture, Inhalation, Measure, Passage, Positions,
    SlidePosition, Told, Tone,
};
pub use grid::Beat;
pub use settings::{Grid, Instrument, Settings, SettingsError, Source, Strictness};
pub use verdict::{Entrance, Fault, FaultName, Faults, Verdict, judge};
