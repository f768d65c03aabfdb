//! `scan --log`: judged takes into the practice log. Whatever is wrong with the log, the takes are reported all the same.

use crate::complain;
use clap::Args;
use notefront_dsp::Entrance;
use notefront_takes::log::{Kept, Log, LogError, LoggedEntrance, TakeEntry, heard, place, when};
use notefront_takes::sheet::{Position, Reading};
use notefront_takes::take::Take;
use std::collections::HashMap;
use std::path::PathBuf;

/// Whether and how takes go into the practice log.
#[derive(Debug, Clone, Args)]
pub struct LoggingArgs {
    /// Keep the takes in the practice log; the same take again is measured anew, not kept twice. With =FILE in that
    /// file [default: not kept; without =FILE the log in your data folder]
    #[arg(long, value_name = "FILE", num_args = 0..=1, require_equals = true)]
    pub log: Option<Option<PathBuf>>,

    /// Whose takes they are; goes with --log [default: me]
    #[arg(long, value_name = "NAME")]
    pub player: Option<String>,

    /// Words to find the takes by; D4=4 says that every D4 in them was played in position 4; may be given again; goes
    /// with --log
    #[arg(long, value_name = "WORD")]
    pub tag: Vec<String>,

    /// A note kept beside the takes; goes with --log
    #[arg(long, value_name = "TEXT")]
    pub note: Option<String>,

    /// When the takes were played, as 2026-03-04 or "2026-03-04 18:30"; goes with --log [default: by the file's own time]
    #[arg(long, value_name = "DAY", value_parser = when::read)]
    pub when: Option<when::Moment>,
}

impl LoggingArgs {
    /// Whether what is said of the log is said with one, in a musician's words.
    ///
    /// # Errors
    /// What is said without.
    pub fn belong_together(&self) -> Result<(), String> {
        let said = [
            ("--player", self.player.is_some()),
            ("--tag", !self.tag.is_empty()),
            ("--note", self.note.is_some()),
            ("--when", self.when.is_some()),
        ];
        match said.into_iter().find(|(_, is_said)| *is_said && self.log.is_none()) {
            Some((option, _)) => {
                Err(format!("{option} tells something to the practice log: add --log to keep the take"))
            }
            None => Ok(()),
        }
    }

    fn player(&self) -> &str {
        self.player.as_deref().unwrap_or(place::ALONE)
    }
}

/// Opens the log that was named, or the usual one.
pub fn place_of(named: Option<&PathBuf>) -> Result<PathBuf, LogError> {
    named.map_or_else(place::usual, |path| Ok(path.clone()))
}

/// Keeps takes, and says what became of them; true when all are in the log, or none was to be. Takes that were judged
/// blind leave the corrections that the log has of them.
pub fn keep(args: &LoggingArgs, takes: &[Take], is_blind: bool) -> bool {
    let Some(named) = &args.log else { return true };
    let opened = place_of(named.as_ref()).and_then(|path| Log::open(&path));
    let mut log = match opened {
        Ok(log) => log,
        Err(e) => {
            complain(&format!("{e} The takes are not in the log."));
            return false;
        }
    };
    let kept = takes.iter().map(|take| keep_one(args, take, is_blind, &mut log));
    // Every take is tried.
    kept.fold(true, |all, one| all & one)
}

fn keep_one(args: &LoggingArgs, take: &Take, is_blind: bool, log: &mut Log) -> bool {
    let path = &take.source.path;
    let sound = match heard::of_file(path, take.options.channel) {
        Ok(sound) => sound,
        Err(e) => {
            complain(&format!("{}: not in the log, since it cannot be heard a second time: {e}", path.display()));
            return false;
        }
    };
    let by_ear = |place| take.corrected.as_ref().and_then(|corrected| corrected.of(place));
    let written: HashMap<usize, Position> = take.reading.iter().flat_map(Reading::positions).collect();
    let logged = |(i, e): (usize, &Entrance)| LoggedEntrance {
        position: written.get(&e.front.index).copied(),
        ..LoggedEntrance::heard(e, by_ear(i))
    };
    let entrances = take.entrances.iter().enumerate().map(logged).collect();
    let (begun_s, utc_offset_min) = args.when.unwrap_or_else(|| when::of_file(path, take.source.duration_s));
    let entry = TakeEntry {
        player: args.player().to_owned(),
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
        has_all_corrections: !is_blind,
        tags: args.tag.clone(),
        note: args.note.clone().unwrap_or_default(),
    };
    match log.keep(&entry) {
        Ok(kept) => {
            complain(&format!("{}: {}", path.display(), said(&kept, args.player(), log)));
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
