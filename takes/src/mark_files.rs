//! All files of marks at once, for the program and the insert: MIDI, CSV and JSON for any sound, and a marked
//! copy where the take is a WAV file. Either all are written or none.

use crate::atomic_file::{Prepared, WriteError, put_all_in_place};
use crate::beats::Beats;
use crate::csv_file;
use crate::json::marks::MarksDocument;
use crate::marks::{Which, marks};
use crate::smf;
use crate::wav_cue::{self, MarkError, Marked};
use notefront_dsp::Entrance;
use std::ffi::OsStr;
use std::path::{Path, PathBuf};

/// What stands between a take's name and the ending of its files of marks.
const SUFFIX: &str = ".marks.";

/// What is to be marked.
#[derive(Debug, Clone, Copy)]
pub struct Marking<'a> {
    /// The entrances.
    pub entrances: &'a [Entrance],
    /// Which of them.
    pub which: Which,
    /// The beats, for the tempo map.
    pub beats: Option<&'a Beats>,
    /// Length of the sound in seconds: the tempo map ends with it.
    pub duration_s: f64,
}

/// What was written.
#[derive(Debug)]
pub struct MarkFiles {
    /// The files, in the order WAV (if any), MIDI, CSV, JSON.
    pub paths: Vec<PathBuf>,
    /// Marks written.
    pub num_marks: usize,
    /// What became of the marks in the WAV copy, or why there is none.
    pub wav: Result<Marked, MarkError>,
}

/// Marks a take: `NAME.marks.wav`, `.mid`, `.csv` and `.json` in a folder. The take is only read, and is never
/// replaced. Where it is no WAV file, the three others are written.
///
/// # Errors
/// A file that cannot be written: then none is. A WAV file that cannot be copied is told in the result.
pub fn mark_take(take: &Path, folder: &Path, marking: Marking<'_>) -> Result<MarkFiles, WriteError> {
    let stem = take.file_stem().unwrap_or(OsStr::new("take"));
    let points = marks(marking.entrances, marking.which);
    let wav_copy = wav_cue::prepare(take, &file_of(folder, stem, "wav"), &points);
    let (mut files, wav) = match wav_copy {
        Ok((prepared, marked)) => (vec![prepared], Ok(marked)),
        Err(MarkError::Write(e)) => return Err(e),
        Err(e) => (Vec::new(), Err(e)),
    };
    files.extend(prepare_plain(folder, stem, marking)?);
    Ok(MarkFiles { paths: put_all_in_place(files)?, num_marks: points.len(), wav })
}

/// Marks a sound that is no file: MIDI, CSV and JSON of a name in a folder.
///
/// # Errors
/// A file that cannot be written: then none is.
pub fn mark_sound(name: &OsStr, folder: &Path, marking: Marking<'_>) -> Result<Vec<PathBuf>, WriteError> {
    put_all_in_place(prepare_plain(folder, name, marking)?)
}

fn prepare_plain(folder: &Path, stem: &OsStr, marking: Marking<'_>) -> Result<Vec<Prepared>, WriteError> {
    let Marking { entrances, which, beats, duration_s } = marking;
    let beats_s = beats.map_or_else(Vec::new, |beats| beats.until(duration_s));
    let midi = smf::bytes(&marks(entrances, which), &beats_s);
    let document = MarksDocument::new(&stem.to_string_lossy(), entrances, which, beats);
    Ok(vec![
        Prepared::buffered(&file_of(folder, stem, "mid"), |out| out.write_all(&midi))?,
        Prepared::buffered(&file_of(folder, stem, "csv"), |out| csv_file::write(out, entrances, which))?,
        Prepared::buffered(&file_of(folder, stem, "json"), |mut out| {
            serde_json::to_writer_pretty(&mut out, &document)?;
            writeln!(out)
        })?,
    ])
}

fn file_of(folder: &Path, stem: &OsStr, ending: &str) -> PathBuf {
    let mut name = stem.to_owned();
    name.push(SUFFIX);
    name.push(ending);
    folder.join(name)
}
