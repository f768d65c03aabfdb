//! Truth by construction and outside references: what Notefront's tests measure the analysis against.
//!
//! A take with truth is a sound file and a `*.truth.json` beside it. The order of the modules is the
//! order of the flow: read, pair, compare, count.

pub mod skipped;

pub mod shared;

pub mod truth;

pub mod audio;

pub mod synth;

pub mod onset_score;

pub mod accuracy;

pub mod table;

pub mod playing;

pub mod imposed;

pub mod trial;
