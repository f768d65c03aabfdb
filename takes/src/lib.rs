//! Files in, judged takes out: the library behind the `notefront` program.
//!
//! The order of the modules is the order of the flow; a module uses only what stands before it.
#![forbid(unsafe_code)]

pub mod system_error;
pub mod audio_file;
pub mod beats;
pub mod click;
pub mod pulse;
pub mod sheet;
pub mod words;
pub mod columns;
// Files out come last, but for what a take is read with.
pub mod atomic_file;
pub mod app_folders;
pub mod corrections;
pub mod remembered;
pub mod take;
pub mod loudness;
pub mod compare;

pub mod summary;
pub mod slurs;
pub mod patterns;
pub mod breathing;
pub mod statistics;

// Which entrances are marked, and how.
pub mod mark_note;
pub mod marks;
pub mod json;
pub mod table;
pub mod comparison_table;
pub mod glyph;
pub mod corridor;
pub mod front_view;

// Files out.
pub mod report;
pub mod csv_file;
pub mod mark_files;
pub mod smf;
pub mod wav_cue;

// Week after week.
pub mod log;
pub mod exercise;

#[cfg(test)]
mod fixtures;
