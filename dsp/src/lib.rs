//! Notefront's analysis: samples in, judged note entrances out.
//!
//! The order of the modules is the order of the flow; a module uses only what stands before it.
//! No host, thread, clock, file or window is known here: a result depends on the samples and the
//! [`Settings`] only, and is bit-identical for every partition of the samples into blocks.
#![forbid(unsafe_code)]

pub mod analyzer;
pub mod entrance;
mod frame;
mod framer;
mod front;
mod harmonic;
mod judge;
mod note;
mod pitch;
pub mod settings;
pub mod trombone;
pub mod units;

pub use analyzer::{Analyzer, AnalyzerError, Event, analyze};
pub use entrance::{
    Articulation, CannotTell, Entrance, Evidence, Fault, FaultName, Faults, FrontPicture, Measure, Positions,
    SlidePosition, Told,
};
pub use settings::{Grid, Instrument, Settings, SettingsError, Source, Strictness};
