//! All files of marks at once, for the program and the insert: MIDI, CSV and JSON for any sound, and a marked
//! copy where the take is a WAV file. Either all are written or none.

use crate::atomic_file::{Prepared, WriteError, put_all_in_place};
use crate::csv_file;
use crate::json::marks::MarksDocument;
use crate::marks::Marking;
use crate::smf;
use crate::wav_cue::{self, MarkError, Marked};
use std::ffi::OsStr;
use std::path::{Path, PathBuf};

/// What stands between a take's name and the ending of its files of marks.
const SUFFIX: &str = ".marks.";

/// Whether a file bears the name of a marked copy, such as `NAME.marks.wav`.
#[must_use]
pub fn is_marked_copy(path: &Path) -> bool {
    path.file_name().is_some_and(|name| name.to_string_lossy().to_lowercase().ends_with(".marks.wav"))
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
    let points = marking.marks();
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
    let points = marking.marks();
    let midi = if marking.session.is_empty() {
        let beats_s = marking.beats.map_or_else(Vec::new, |beats| beats.until(marking.duration_s));
        smf::bytes(&points, &beats_s)
    } else {
        smf::session_bytes(&points, marking.session)
    };
    let document = MarksDocument::new(&stem.to_string_lossy(), marking);
    Ok(vec![
        Prepared::buffered(&file_of(folder, stem, "mid"), |out| out.write_all(&midi))?,
        Prepared::buffered(&file_of(folder, stem, "csv"), |out| csv_file::write(out, marking))?,
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::beats::Bend;
    use crate::fixtures;
    use crate::marks::Which;
    use notefront_dsp::Entrance;
    use serde_json::Value;

    fn files(marking: Marking<'_>) -> [Vec<u8>; 3] {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let paths = mark_sound(OsStr::new("pass 1"), folder.path(), marking).expect("room");
        let names: Vec<_> = paths.iter().filter_map(|p| p.file_name()).map(OsStr::to_string_lossy).collect();
        assert_eq!(names, ["pass 1.marks.mid", "pass 1.marks.csv", "pass 1.marks.json"]);
        [0, 1, 2].map(|i| std::fs::read(&paths[i]).expect("just written"))
    }

    fn num_marks([midi, csv, json]: &[Vec<u8>; 3]) -> [usize; 3] {
        let smf = midly::Smf::parse(midi).expect("a MIDI file");
        let is_marker =
            |e: &&midly::TrackEvent<'_>| matches!(e.kind, midly::TrackEventKind::Meta(midly::MetaMessage::Marker(_)));
        let json: Value = serde_json::from_slice(json).expect("JSON");
        [
            smf.tracks[0].iter().filter(is_marker).count(),
            csv::Reader::from_reader(csv.as_slice()).records().filter(Result::is_ok).count(),
            json["marks"].as_array().expect("a list").len(),
        ]
    }

    #[test]
    fn a_sound_without_a_file_is_marked_on_the_tempo_of_its_session() {
        let take = fixtures::take();
        let session = [Bend { quarter: 8.0, at_s: 0.0, bpm: 90.0 }];
        let which = Which::All;
        let marking = Marking { entrances: &take.entrances, which, session: &session, ..Marking::default() };
        assert_eq!(num_marks(&files(marking)), [5; 3]);
    }

    #[test]
    fn no_entrances_and_20_000_are_all_there_and_twice_the_same() {
        let many: Vec<Entrance> = (0..20_000).map(|i| fixtures::below(i, 0.3 * i as f64)).collect();
        for entrances in [&many[..0], &many] {
            let marking = Marking { entrances, duration_s: 6000.0, ..Marking::default() };
            let first = files(marking);
            assert_eq!(num_marks(&first), [entrances.len(); 3]);
            assert!(first == files(marking), "the same bytes again");
        }
    }
}
