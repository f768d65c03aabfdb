//! `notefront mark`: the entrances of takes as markers in files.

use crate::judging::{Judging, JudgingArgs};
use crate::places::{make_folder, without_marked_copies};
use crate::{complain, report_trouble, scan_all, settings};
use clap::Args;
use notefront_dsp::verdict::table;
use notefront_takes::mark_files::{MarkFiles, mark_take};
use notefront_takes::marks::{Marking, Place, Which};
use notefront_takes::take::Take;
use notefront_takes::wav_cue::{MarkError, Marked};
use std::collections::{HashMap, HashSet};
use std::ffi::OsStr;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// Options of `mark`.
#[derive(Debug, Clone, Args)]
pub struct MarkArgs {
    /// Recordings, as for `scan`. Of a WAV file a marked copy is written too; the take itself is never changed
    #[arg(value_name = "TAKE", required = true)]
    pub takes: Vec<PathBuf>,

    /// Which entrances to mark: flagged, all, or those with one fault
    #[arg(long, value_name = "WHICH", default_value = "flagged", value_parser = which, help = which_help())]
    pub which: Which,

    /// Folder for the files NAME.marks.wav, NAME.marks.mid, NAME.marks.csv and NAME.marks.json
    /// [default: that of each take]; it is made where it is missing
    #[arg(long, value_name = "FOLDER")]
    pub out: Option<PathBuf>,

    /// How to judge
    #[command(flatten)]
    pub judging: JudgingArgs,
}

fn which(name: &str) -> Result<Which, String> {
    Which::from_name(name).ok_or_else(|| {
        let faults: Vec<_> = table::TABLE.iter().map(|row| row.key).collect();
        format!("choose flagged, all or one of {}", faults.join(", "))
    })
}

/// The choices with the words that stand for them everywhere else.
fn which_help() -> String {
    let in_words =
        |row: &table::Row| if row.key == row.word { row.key.into() } else { format!("{} ({})", row.key, row.word) };
    let faults: Vec<String> = table::TABLE.iter().map(in_words).collect();
    format!("Which entrances to mark: flagged, all, or those with one fault: {}", faults.join(", "))
}

/// Scans and marks; true when every take could be read and marked.
pub fn run(args: &MarkArgs) -> Result<io::Result<bool>, clap::Error> {
    let takes = without_marked_copies(&args.takes);
    if takes.is_empty() {
        complain("nothing is left to mark: name the takes themselves");
        return Ok(Ok(false));
    }
    let remembered = settings::remembered();
    let out = args.out.clone().or_else(|| remembered.out.clone());
    let args = &MarkArgs { out, ..args.clone() };
    Ok(match args.judging.judgings(takes.len(), &remembered)? {
        Some(judgings) => mark(args, &takes, &judgings),
        None => Ok(false),
    })
}

fn mark(args: &MarkArgs, takes: &[PathBuf], judgings: &[Judging]) -> io::Result<bool> {
    if let Some(twice) = first_name_clash(takes, args) {
        complain(&format!(
            "{}: another take has the same name but for its ending, so their files would be the same. \
             Mark them one by one with --out.",
            twice.display()
        ));
        return Ok(false);
    }
    if args.out.as_deref().is_some_and(|folder| !make_folder(folder)) {
        return Ok(false);
    }
    let scanned = scan_all(takes, judgings);
    let mut is_complete = true;
    for (path, result) in takes.iter().zip(&scanned) {
        report_trouble(path, result, true);
        is_complete &= match result {
            Ok(take) => mark_one(take, args)?,
            Err(_) => false,
        };
    }
    Ok(is_complete)
}

fn folder_for<'a>(take: &'a Path, args: &'a MarkArgs) -> &'a Path {
    let own = take.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    args.out.as_deref().unwrap_or(own)
}

/// The first take whose files would take the place of another's.
fn first_name_clash<'a>(takes: &'a [PathBuf], args: &MarkArgs) -> Option<&'a PathBuf> {
    let mut seen = HashSet::new();
    let target = |take: &PathBuf| folder_for(take, args).join(take.file_stem().unwrap_or(OsStr::new("")));
    takes.iter().find(|take| !seen.insert(target(take)))
}

/// The bars of the written notes, where they were given.
fn places(take: &Take) -> Vec<Place> {
    let by_index: HashMap<usize, usize> = take.entrances.iter().enumerate().map(|(i, e)| (e.front.index, i)).collect();
    let mut places = vec![Place::default(); take.entrances.len()];
    for step in take.reading.iter().flat_map(|reading| &reading.steps) {
        let place = step.entrance.and_then(|index| by_index.get(&index));
        if let (Some(&i), Some(written)) = (place, &step.written) {
            places[i].bar.clone_from(&written.bar);
        }
    }
    places
}

/// True when everything there is to write was written.
fn mark_one(take: &Take, args: &MarkArgs) -> io::Result<bool> {
    let path = &take.source.path;
    let places = places(take);
    let marking = Marking {
        entrances: &take.entrances,
        which: args.which,
        beats: take.beats.as_ref(),
        places: &places,
        by_ear: take.corrected.as_ref().map_or(&[], |corrected| &corrected.by_ear),
        duration_s: take.source.duration_s,
        ..Marking::default()
    };
    match mark_take(path, folder_for(path, args), marking) {
        Err(e) => {
            complain(&format!("{}: {e}", path.display()));
            Ok(false)
        }
        Ok(files) => {
            print_files(take, &files)?;
            Ok(tell_about_copy(path, &files.wav))
        }
    }
}

fn print_files(take: &Take, files: &MarkFiles) -> io::Result<()> {
    let mut out = io::stdout().lock();
    let marked = match files.num_marks {
        1 => "1 entrance".to_owned(),
        n => format!("{n} entrances"),
    };
    writeln!(out, "{}: {marked} of {} marked in", take.source.path.display(), take.entrances.len())?;
    for path in &files.paths {
        writeln!(out, "  {}", path.display())?;
    }
    out.flush()
}

/// Says what a player must know of the copy. A take that is no WAV file is no failure; a damaged one is.
fn tell_about_copy(path: &Path, wav: &Result<Marked, MarkError>) -> bool {
    let tell = |what: String| complain(&format!("{}: {what}", path.display()));
    match wav {
        Ok(marked) => {
            if marked.is_repaired {
                tell("its header told a wrong length; that of the copy is right".into());
            }
            if marked.num_outside > 0 {
                tell(format!("{} marks lie outside the sound and are not in the copy", marked.num_outside));
            }
            true
        }
        Err(MarkError::NotWave) => {
            tell("no marked copy, since only WAV files hold cue points. The other files are written".into());
            true
        }
        Err(e) => {
            tell(format!("no marked copy: {e}. The other files are written"));
            false
        }
    }
}
