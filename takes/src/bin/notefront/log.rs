//! `notefront log`: what the practice log says, and what is done with it.

use crate::logging::place_of;
use crate::places::page_name;
use crate::{complain, screen};
use clap::{Args, Subcommand};
use notefront_takes::atomic_file::Prepared;
use notefront_takes::log::alternates::Alternates;
use notefront_takes::log::habits::Habits;
use notefront_takes::log::position_map::PositionMap;
use notefront_takes::log::progress::{Progress, unusual};
use notefront_takes::log::stamina::Stamina;
use notefront_takes::log::tone::Tones;
use notefront_takes::log::{self, Log, LogError, Played, Span, when, words};
use notefront_takes::report;
use notefront_takes::system_error::in_words;
use std::io::{self, BufReader, Write};
use std::path::{Path, PathBuf};

/// Options of `log`.
#[derive(Debug, Args)]
pub struct LogArgs {
    /// The practice log [default: the one in your data folder]
    #[arg(long, value_name = "FILE", global = true)]
    pub log: Option<PathBuf>,

    /// What to do with it.
    #[command(subcommand)]
    pub command: LogCommand,
}

/// What can be done with the log.
#[derive(Debug, Subcommand)]
pub enum LogCommand {
    /// Who is in it, with how much
    Players,
    /// Where it goes wrong: by partial and position, register, dynamic, articulation, step, minutes, weekday
    Patterns(Which),
    /// Better or worse, week by week, tested against chance
    Progress(Which),
    /// Where the slide should go: intonation by partial and position, as millimetres
    Positions(PositionsArgs),
    /// How long it lasts and how even it is: the minutes of a session, rests, repeated notes, the longest clean run
    Stamina(Which),
    /// Writes a page with all of this to look at and print: one HTML file that needs nothing else
    Page(PageArgs),
    /// Writes the whole log as JSON lines
    Export(ExportArgs),
    /// Takes JSON lines over, all or none; takes that are in the log stay one entry
    Import(ImportArgs),
    /// Writes a note beside a session: the last one, or the last up to a day
    Note(NoteArgs),
    /// Forgets a player and all their takes for good
    Forget(ForgetArgs),
    /// Looks through the whole log for damage
    Check,
}

/// Which takes are asked for.
#[derive(Debug, Clone, Args)]
pub struct Which {
    /// Whose takes [default: the only player in the log]
    #[arg(long, value_name = "NAME")]
    pub player: Option<String>,

    /// From this day on, as 2026-03-04 [default: the first]
    #[arg(long, value_name = "DAY", value_parser = when::read)]
    pub since: Option<when::Moment>,

    /// Before this day [default: to the last]
    #[arg(long, value_name = "DAY", value_parser = when::read)]
    pub until: Option<when::Moment>,

    /// Only takes with this tag [default: all]
    #[arg(long, value_name = "WORD")]
    pub tag: Option<String>,
}

/// Options of `log positions`.
#[derive(Debug, Args)]
pub struct PositionsArgs {
    /// How far out a position lies on your own slide, in mm from first, as 4=260; may be given again
    #[arg(long, value_name = "POSITION=MM", value_parser = slide)]
    pub slide: Vec<(f64, f64)>,

    /// Which takes.
    #[command(flatten)]
    pub which: Which,
}

/// A measured position: "4=260".
fn slide(text: &str) -> Result<(f64, f64), String> {
    let told = text.split_once('=').and_then(|(position, mm)| Some((position.parse().ok()?, mm.parse().ok()?)));
    let sound = |&(position, mm): &(f64, f64)| (1.5..=7.5).contains(&position) && (20.0..=900.0).contains(&mm);
    told.filter(sound).ok_or_else(|| format!("{text:?} is no measured position: write 4=260"))
}

/// Options of `log page`.
#[derive(Debug, Args)]
pub struct PageArgs {
    /// The page to write
    #[arg(short, long, value_name = "FILE.html", default_value = "practice.html", value_parser = page_name)]
    pub out: PathBuf,

    /// Replace the page if it is there already
    #[arg(long)]
    pub force: bool,

    /// Which takes.
    #[command(flatten)]
    pub which: Which,
}

/// Options of `log export`.
#[derive(Debug, Args)]
pub struct ExportArgs {
    /// The file to write [default: standard output]
    #[arg(short, long, value_name = "FILE.jsonl")]
    pub out: Option<PathBuf>,

    /// Only this player [default: all]
    #[arg(long, value_name = "NAME")]
    pub player: Option<String>,
}

/// Options of `log import`.
#[derive(Debug, Args)]
pub struct ImportArgs {
    /// An export
    #[arg(value_name = "FILE.jsonl")]
    pub file: PathBuf,
}

/// Options of `log note`.
#[derive(Debug, Args)]
pub struct NoteArgs {
    /// The note
    pub text: String,

    /// Whose session [default: the only player in the log]
    #[arg(long, value_name = "NAME")]
    pub player: Option<String>,

    /// The last session up to this time [default: the last]
    #[arg(long, value_name = "DAY", value_parser = when::read)]
    pub at: Option<when::Moment>,
}

/// Options of `log forget`.
#[derive(Debug, Args)]
pub struct ForgetArgs {
    /// The player
    pub player: String,

    /// Yes, for good: there is no way back
    #[arg(long, required = true)]
    pub for_good: bool,
}

/// Does it; true when it could be done.
pub fn run(args: &LogArgs) -> io::Result<bool> {
    match done(args) {
        Ok(text) => {
            let mut out = io::stdout().lock();
            out.write_all(text.as_bytes())?;
            out.flush()?;
            Ok(true)
        }
        Err(Trouble::Log(e)) => {
            complain(&e.to_string());
            Ok(false)
        }
        Err(Trouble::Told(what)) => {
            complain(&what);
            Ok(false)
        }
        Err(Trouble::Written(e)) => Err(e),
    }
}

/// Why a command was not done.
enum Trouble {
    Log(LogError),
    Told(String),
    Written(io::Error),
}

impl From<LogError> for Trouble {
    fn from(e: LogError) -> Self {
        match e {
            LogError::Exchange(e) if e.kind() == io::ErrorKind::BrokenPipe => Self::Written(e),
            e => Self::Log(e),
        }
    }
}

fn done(args: &LogArgs) -> Result<String, Trouble> {
    let path = place_of(args.log.as_ref())?;
    if let LogCommand::Import(import) = &args.command {
        return take_over(&path, &import.file);
    }
    let mut log = Log::open_existing(&path)?;
    let width = screen::width();
    match &args.command {
        LogCommand::Players => Ok(words::players(&log.players()?, width)),
        LogCommand::Patterns(which) => {
            let played = played(&log, which)?;
            let habits = words::habits(&Habits::of(&played), &unusual(&played), width);
            Ok(habits + &words::tones(&Tones::of(&played), width))
        }
        LogCommand::Progress(which) => Ok(words::progress(&Progress::of(&played(&log, which)?), width)),
        LogCommand::Positions(args) => {
            let played = played(&log, &args.which)?;
            let map = words::position_map(&PositionMap::of(&played, &args.slide), width);
            Ok(map + &words::alternates(&Alternates::of(&played), width))
        }
        LogCommand::Stamina(which) => Ok(words::stamina(&Stamina::of(&played(&log, which)?), width)),
        LogCommand::Page(args) => page(&log, args),
        LogCommand::Export(args) => export(&log, args),
        LogCommand::Import(_) => Ok(String::new()),
        LogCommand::Note(args) => {
            let player = log.player(args.player.as_deref())?;
            let is_there = log.note_session(player, args.at.map_or(i64::MAX, |at| at.0), &args.text)?;
            if is_there { Ok(String::new()) } else { Err(Trouble::Told("there is no session up to then".into())) }
        }
        LogCommand::Forget(args) => {
            let forgotten = log.forget(&args.player)?;
            Ok(format!("{} and {} are gone\n", args.player, words::counted(forgotten.num_takes, "take")))
        }
        LogCommand::Check => {
            log.check()?;
            Ok(format!("{}: whole\n", log.path().display()))
        }
    }
}

/// The takes that are asked for, with their notes.
pub fn played(log: &Log, which: &Which) -> Result<Vec<Played>, LogError> {
    let player = log.player(which.player.as_deref())?;
    let span = Span { from_s: which.since.map(|at| at.0), until_s: which.until.map(|at| at.0), tag: which.tag.clone() };
    log.played(player, &span)
}

fn page(log: &Log, args: &PageArgs) -> Result<String, Trouble> {
    report::check_place(&args.out, args.force).map_err(|e| refused(&args.out, &e))?;
    let played = played(log, &args.which)?;
    let html = log::page::page(args.which.player.as_deref(), &played);
    report::write(&args.out, &html, args.force).map_err(|e| refused(&args.out, &e))?;
    Ok(format!("wrote {} ({:.0} kB)\n", args.out.display(), html.len() as f64 / 1e3))
}

fn refused(out: &Path, error: &report::RefusedPage) -> Trouble {
    Trouble::Told(match error {
        report::RefusedPage::Unwritten(e) => e.to_string(),
        _ => format!("{}: {error}", out.display()),
    })
}

fn export(log: &Log, args: &ExportArgs) -> Result<String, Trouble> {
    let only = args.player.as_deref();
    let Some(out) = &args.out else {
        let mut stdout = io::BufWriter::new(io::stdout().lock());
        log::export(log, only, &mut stdout)?;
        return Ok(String::new());
    };
    let mut outcome = Ok(0);
    let prepared = Prepared::buffered(out, |file| {
        outcome = log::export(log, only, file);
        match &outcome {
            Ok(_) => Ok(()),
            Err(e) => Err(io::Error::other(e.to_string())),
        }
    });
    let num_takes = outcome?;
    let written = prepared.and_then(Prepared::put_in_place).map_err(|e| Trouble::Told(e.to_string()))?;
    Ok(format!("{} in {}\n", words::counted(num_takes, "take"), written.display()))
}

fn take_over(path: &Path, file: &Path) -> Result<String, Trouble> {
    let lines = std::fs::File::open(file)
        .map_err(|e| Trouble::Told(format!("{}: it cannot be read ({})", file.display(), in_words(&e))))?;
    let imported = log::import(&mut Log::open(path)?, &mut BufReader::new(lines))
        .map_err(|e| Trouble::Told(format!("{}: {e}", file.display())))?;
    Ok(format!(
        "{} new, {} in the log already\n",
        words::counted(imported.num_new, "take"),
        words::counted(imported.num_known, "take")
    ))
}
