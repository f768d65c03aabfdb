//! The command line: what can be asked, with every option's unit and default.

use crate::compare::CompareArgs;
use crate::correct::{self, CorrectArgs};
use crate::judging::JudgingArgs;
use crate::log::LogArgs;
use crate::logging::LoggingArgs;
use crate::mark::MarkArgs;
use crate::report::ReportArgs;
use crate::settings::SettingsArgs;
use crate::sheet::SheetArgs;
use clap::{Args, Parser, Subcommand, ValueEnum};
use notefront_dsp::{Instrument, Source};
use notefront_takes::audio_file;
use std::path::PathBuf;

/// Judges the attack of every note in recorded trombone takes
#[derive(Debug, Parser)]
#[command(name = "notefront", version, max_term_width = 100, after_help = format!("{EXAMPLES}\n\n{EXIT_STATUS}"))]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

const EXIT_STATUS: &str = "Exit status: 0 done, 1 a take could not be read (the others are still reported), \
    2 the command line cannot be used.";

/// Three that are worked out; `takes/tests/help.rs` runs them.
const EXAMPLES: &str = "\
Examples:
  What is unclear in a take, played to a metronome at 72:
    notefront scan take.wav --bpm 72
  Which of two takes to keep, front by front:
    notefront compare monday.wav tuesday.wav
  A page to listen from, at half speed and in a loop, for you or your teacher:
    notefront report take.wav -o lesson.html";

/// What can be done.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Finds, measures and judges every entrance of takes
    #[command(after_help = format!("{SCAN_EXAMPLES}\n\n{EXIT_STATUS}"))]
    Scan(ScanArgs),
    /// Compares takes of the same music: which front to keep, and why
    #[command(after_help = EXIT_STATUS)]
    Compare(CompareArgs),
    /// Writes a page to look at, listen to and print: one HTML file that needs nothing else
    #[command(after_help = EXIT_STATUS)]
    Report(ReportArgs),
    /// Writes the entrances of takes as markers: a marked copy of a WAV file, MIDI, CSV and JSON
    #[command(after_help = EXIT_STATUS)]
    Mark(MarkArgs),
    /// Says what you hear against what was measured: a flag dismissed, an entrance added, moved or removed
    #[command(after_help = correct::help())]
    Correct(CorrectArgs),
    /// Asks the practice log: who, where it goes wrong, better or worse; and takes care of it
    #[command(after_help = EXIT_STATUS)]
    Log(LogArgs),
    /// Shows or changes what is remembered: A4, horn, strictness, beat, folder for files
    #[command(after_help = EXIT_STATUS)]
    Settings(SettingsArgs),
    /// Writes what to practise: MIDI with a click, MusicXML with positions, and a sound to play along to
    #[command(after_help = EXIT_STATUS)]
    Sheet(SheetArgs),
}

/// The same for `scan`.
const SCAN_EXAMPLES: &str = "\
Examples:
  A take, with a count-in of clicks or without; the worst first:
    notefront scan take.wav --worst-first
  Eighths at 72, with beat 1 at two and a half seconds, on a bass tuned to 442:
    notefront scan take.wav --bpm 72 --first-beat 0:02.5 --per-beat 2 --instrument bass --a4 442
  Takes against the written notes, kept in a practice log:
    notefront scan monday.wav tuesday.wav --notes etude.musicxml --log=practice.log";

/// Options of `scan`.
#[derive(Debug, Args)]
pub struct ScanArgs {
    /// Recordings
    #[arg(value_name = "TAKE", required = true, help = format!("Recordings: {}", audio_file::read_in_words()))]
    pub takes: Vec<PathBuf>,

    /// Print one JSON document instead of tables: an object for one take, an array for several
    #[arg(long)]
    pub json: bool,

    /// How takes are judged.
    #[command(flatten)]
    pub judging: JudgingArgs,

    /// Whether takes are kept in the practice log.
    #[command(flatten)]
    pub logging: LoggingArgs,

    /// List the most unclear entrance first [default: in the order of the sound]
    #[arg(long)]
    pub worst_first: bool,

    /// List clear entrances too [default: flagged ones only]
    #[arg(long)]
    pub all: bool,
}

/// Whether to look for a grid.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum GridSearch {
    /// Look for it, and tell one only where the take supports it
    Auto,
    /// Do not look
    Off,
}

/// The horn, on the command line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum InstrumentArg {
    /// Tenor in B-flat
    Tenor,
    /// Tenor with F attachment
    FAttachment,
    /// Bass in B-flat with F attachment: the same positions
    Bass,
    /// Alto in E-flat
    Alto,
}

/// What sounds, on the command line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum SourceArg {
    /// The whole horn
    Horn,
    /// The mouthpiece alone: breathier, and without partials to split between
    Mouthpiece,
}

/// Reads a strictness.
pub fn strictness(text: &str) -> Result<f64, String> {
    let value: f64 = text.parse().map_err(|_| "not a number".to_owned())?;
    if (0.0..=1.0).contains(&value) { Ok(value) } else { Err("must lie within 0 and 1".into()) }
}

/// Reads a time: seconds, or minutes and hours before them with colons, as the program prints it.
pub fn seconds(text: &str) -> Result<f64, String> {
    let (sign, digits) = text.strip_prefix('-').map_or((1.0, text), |rest| (-1.0, rest));
    let mut total = 0.0;
    for part in digits.split(':') {
        let value: f64 = part.parse().map_err(|_| "not a time, such as 2.5 or 0:02.5".to_owned())?;
        let is_number = value.is_finite() && !part.starts_with(['-', '+']);
        total = if is_number { 60.0 * total + value } else { return Err("not a time, such as 2.5 or 0:02.5".into()) };
    }
    Ok(sign * total)
}

/// Reads a channel, counted from 1.
pub fn channel(text: &str) -> Result<usize, String> {
    match text.parse() {
        Ok(0) => Err("channels are counted from 1".into()),
        Ok(n) => Ok(n),
        Err(_) => Err("not a channel number".into()),
    }
}

impl From<InstrumentArg> for Instrument {
    fn from(arg: InstrumentArg) -> Self {
        match arg {
            InstrumentArg::Tenor => Self::Tenor,
            InstrumentArg::FAttachment | InstrumentArg::Bass => Self::FAttachment,
            InstrumentArg::Alto => Self::Alto,
        }
    }
}

impl From<Instrument> for InstrumentArg {
    fn from(instrument: Instrument) -> Self {
        match instrument {
            Instrument::Tenor => Self::Tenor,
            Instrument::FAttachment => Self::FAttachment,
            Instrument::Alto => Self::Alto,
        }
    }
}

impl From<SourceArg> for Source {
    fn from(arg: SourceArg) -> Self {
        match arg {
            SourceArg::Horn => Self::Horn,
            SourceArg::Mouthpiece => Self::Mouthpiece,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_command_line_is_consistent() {
        Cli::command().debug_assert();
    }

    /// The options of every command as README lists them; those of all commands that judge takes in a row of their own.
    fn options_in_markdown() -> String {
        let program = Cli::command();
        let of_judging = options(&JudgingArgs::augment_args(clap::Command::new("judging")));
        let judges = |command: &clap::Command| of_judging.iter().all(|option| options(command).contains(option));
        let judging: Vec<&str> = program.get_subcommands().filter(|c| judges(c)).map(clap::Command::get_name).collect();
        let mut rows = format!("| {} | {} |\n", judging.join(", "), of_judging.join(" "));
        for command in program.get_subcommands() {
            let own = options(command).into_iter().filter(|option| !judges(command) || !of_judging.contains(option));
            rows += &format!("| {} | {} |\n", command.get_name(), own.collect::<Vec<_>>().join(" "));
        }
        format!("| command | options |\n| --- | --- |\n{rows}")
    }

    /// The options of a command and of those under it, each with what it takes.
    fn options(command: &clap::Command) -> Vec<String> {
        let all = std::iter::once(command).chain(command.get_subcommands()).flat_map(clap::Command::get_arguments);
        let mut found: Vec<String> = Vec::new();
        for option in all.filter_map(option) {
            if !found.contains(&option) {
                found.push(option);
            }
        }
        found
    }

    fn option(argument: &clap::Arg) -> Option<String> {
        let takes = argument.get_action().takes_values();
        let names = argument.get_value_names().filter(|_| takes);
        let value = names.map(|names| format!(" {}", names.join(" "))).unwrap_or_default();
        Some(format!("`--{}{value}`", argument.get_long()?))
    }

    #[test]
    fn the_readme_lists_the_formats_rates_and_options_of_the_help() {
        let readme = include_str!("../../../../README.md");
        let one_line = readme.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(one_line.contains(&audio_file::read_in_words()), "put into README.md: {}", audio_file::read_in_words());
        let options = options_in_markdown();
        assert!(readme.contains(&options), "put this into README.md:\n{options}");
    }

    #[test]
    fn a_time_is_read_as_it_is_printed() {
        assert_eq!(["2.5", "0:02.5", "1:02:03", "-0.25"].map(seconds), [Ok(2.5), Ok(2.5), Ok(3723.0), Ok(-0.25)]);
        for odd in ["", ":", "1:", "two", "0:-1", "inf", "1:NaN"] {
            assert!(seconds(odd).is_err(), "{odd:?}");
        }
    }
}
