//! `scan --log`: judged takes into the practice log. Whatever is wrong with the log, the takes are reported all the same.

use crate::complain;
use clap::Args;
use notefront_takes::log::{Kept, Log, LogError, LoggedEntrance, TakeEntry, heard, place, when};
use notefront_takes::take::Take;
use std::path::PathBuf;

/// Whether and how takes go into the practice log.
#[derive(Debug, Clone, Args)]
pub struct LoggingArgs {
    /// Keep the takes in the practice log; the same take again is measured anew, not kept twice. With =FILE in that
    /// file [default: not kept; without =FILE the log in your data folder]
    #[arg(long, value_name = "FILE", num_args = 0..=1, require_equals = true)]
    pub log: Option<Option<PathBuf>>,

    /// Whose takes they are
    #[arg(long, value_name = "NAME", default_value = place::ALONE, requires = "log")]
    pub player: String,

    /// Words to find the takes by; may be given again
    #[arg(long, value_name = "WORD", requires = "log")]
    pub tag: Vec<String>,

    /// A note kept beside the takes
    #[arg(long, value_name = "TEXT", requires = "log", default_value = "", hide_default_value = true)]
    pub note: String,

    /// When the takes were played, as 2026-03-04 or "2026-03-04 18:30" [default: by the file's own time]
    #[arg(long, value_name = "DAY", requires = "log", value_parser = when::read)]
    pub when: Option<when::Moment>,
}

/// Opens the log that was named, or the usual one.
pub fn place_of(named: Option<&PathBuf>) -> Result<PathBuf, LogError> {
    named.map_or_else(place::usual, |path| Ok(path.clone()))
}

/// Keeps takes, and says what became of them; true when all are in the log, or none was to be.
pub fn keep(args: &LoggingArgs, takes: &[Take]) -> bool {
    let Some(named) = &args.log else { return true };
    let opened = place_of(named.as_ref()).and_then(|path| Log::open(&path));
    let mut log = match opened {
        Ok(log) => log,
        Err(e) => {
            complain(&format!("{e} The takes are not in the log."));
            return false;
        }
    };
    let kept = takes.iter().map(|take| keep_one(args, take, &mut log));
    // Every take is tried.
    kept.fold(true, |all, one| all & one)
}

fn keep_one(args: &LoggingArgs, take: &Take, log: &mut Log) -> bool {
    let path = &take.source.path;
    let sound = match heard::of_file(path, take.options.channel) {
        Ok(sound) => sound,
        Err(e) => {
            complain(&format!("{}: not in the log, since it cannot be heard a second time: {e}", path.display()));
            return false;
        }
    };
    // What the player corrected goes into `corrected`: the log keeps it beside what was measured, and asks it first.
    let entrances = take.entrances.iter().map(|&entrance| LoggedEntrance { entrance, corrected: None }).collect();
    let (begun_s, utc_offset_min) = args.when.unwrap_or_else(|| when::of_file(path, take.source.duration_s));
    let entry = TakeEntry {
        player: args.player.clone(),
        name: path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned(),
        begun_s,
        utc_offset_min,
        is_when_given: args.when.is_some(),
        duration_s: take.source.duration_s,
        sample_rate_hz: f64::from(take.source.sample_rate_hz),
        settings: take.options.settings,
        warnings: take.warnings.iter().map(ToString::to_string).collect(),
        sound,
        entrances,
        tags: args.tag.clone(),
        note: args.note.clone(),
    };
    match log.keep(&entry) {
        Ok(kept) => {
            complain(&format!("{}: {}", path.display(), said(&kept, &args.player, log)));
            true
        }
        Err(e) => {
            complain(&format!("{}: not in the log: {e}", path.display()));
            false
        }
    }
}

fn said(kept: &Kept, player: &str, log: &Log) -> String {
    match kept {
        Kept::New => format!("kept in the log of {player} ({})", log.path().display()),
        Kept::Again => "in the log already: its measures are those of now".into(),
        Kept::Moved { from } => format!("in the log already, as {from}'s: it is {player}'s now"),
    }
}
