//! Files in, judged takes out: the library behind the `notefront` program.
//!
//! The order of the modules is the order of the flow; a module uses only what stands before it.
#![forbid(unsafe_code)]

pub mod audio_file;
pub mod take;
pub mod words;
pub mod loudness;
pub mod compare;

pub mod summary;

pub mod json;
pub mod table;
pub mod comparison_table;
pub mod glyph;
pub mod report;

#[cfg(test)]
mod fixtures;
