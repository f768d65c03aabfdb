//! The command line: what can be asked, with every option's unit and default.

use crate::compare::CompareArgs;
use crate::report::ReportArgs;
use clap::{Args, Parser, Subcommand, ValueEnum};
use notefront_dsp::{Grid, Instrument, Settings, SettingsError, Source, Strictness};
use notefront_takes::audio_file::ChannelChoice;
use notefront_takes::take::ScanOptions;
use std::path::PathBuf;

/// Judges the attack of every note in recorded trombone takes.
#[derive(Debug, Parser)]
#[command(name = "notefront", version, about, max_term_width = 100, after_help = EXIT_STATUS)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

const EXIT_STATUS: &str = "Exit status: 0 done, 1 a take could not be read (the others are still reported), \
    2 the command line cannot be used.";

/// What can be done.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Finds, measures and judges every entrance of takes
    #[command(after_help = EXIT_STATUS)]
    Scan(ScanArgs),
    /// Compares takes of the same music: which front to keep, and why
    #[command(after_help = EXIT_STATUS)]
    Compare(CompareArgs),
    /// Writes a page to look at, listen to and print: one HTML file that needs nothing else
    #[command(after_help = EXIT_STATUS)]
    Report(ReportArgs),
}

/// Options of `scan`.
#[derive(Debug, Args)]
pub struct ScanArgs {
    /// Recordings: WAV, AIFF, FLAC, MP3, OGG Vorbis, M4A, CAF; 8 to 768 kHz
    #[arg(value_name = "TAKE", required = true)]
    pub takes: Vec<PathBuf>,

    /// Print one JSON document instead of tables: an object for one take, an array for several
    #[arg(long)]
    pub json: bool,

    /// Tempo, in beats per minute (10 to 500); without it no timing is told [default: none]
    #[arg(long, value_name = "N", requires = "first_beat")]
    pub bpm: Option<f64>,

    /// Time of one beat, in seconds from the start of the take [default: none]
    #[arg(long, value_name = "S", requires = "bpm", allow_negative_numbers = true)]
    pub first_beat: Option<f64>,

    /// Subdivisions of a beat that entrances may fall on (1 to 24)
    #[arg(long, value_name = "N", default_value_t = 1, requires = "bpm")]
    pub per_beat: u32,

    /// Whether to look for the beat in the sound when no --bpm is given
    #[arg(long, value_enum, default_value_t = GridSearch::Auto)]
    pub grid: GridSearch,

    /// Tuning reference A4, in Hz (430 to 450)
    #[arg(long, value_name = "HZ", default_value_t = 440.0)]
    pub a4: f64,

    /// How severe to judge: 0 relaxed, 0.5 the usual lines, 1 strict
    #[arg(long, value_name = "0..1", default_value_t = Strictness::NORMAL.value(), value_parser = strictness)]
    pub strictness: f64,

    /// The horn
    #[arg(long, value_enum, default_value_t = InstrumentArg::FAttachment)]
    pub instrument: InstrumentArg,

    /// What sounds: the horn, or the mouthpiece alone
    #[arg(long, value_enum, default_value_t = SourceArg::Horn)]
    pub source: SourceArg,

    /// Judge this channel alone, counted from 1 [default: all channels mixed]
    #[arg(long, value_name = "N", value_parser = channel)]
    pub channel: Option<usize>,

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
    /// Look for it (this version finds none yet: give --bpm)
    Auto,
    /// Do not look
    Off,
}

/// The horn, on the command line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum InstrumentArg {
    /// Tenor in B-flat
    Tenor,
    /// Tenor or bass in B-flat with F attachment
    FAttachment,
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

/// Reads a channel, counted from 1.
pub fn channel(text: &str) -> Result<usize, String> {
    match text.parse() {
        Ok(0) => Err("channels are counted from 1".into()),
        Ok(n) => Ok(n),
        Err(_) => Err("not a channel number".into()),
    }
}

impl ScanArgs {
    /// The options of the library.
    ///
    /// # Errors
    /// A setting outside its range.
    pub fn options(&self) -> Result<ScanOptions, SettingsError> {
        let grid = self.bpm.zip(self.first_beat);
        let settings = Settings {
            a4_hz: self.a4,
            strictness: Strictness::new(self.strictness),
            instrument: self.instrument.into(),
            source: self.source.into(),
            grid: grid.map(|(bpm, first_beat_s)| Grid { bpm, first_beat_s, per_beat: self.per_beat }),
        };
        settings.validate()?;
        Ok(ScanOptions { settings, channel: self.channel.map_or(ChannelChoice::Mix, ChannelChoice::One) })
    }
}

impl From<InstrumentArg> for Instrument {
    fn from(arg: InstrumentArg) -> Self {
        match arg {
            InstrumentArg::Tenor => Self::Tenor,
            InstrumentArg::FAttachment => Self::FAttachment,
            InstrumentArg::Alto => Self::Alto,
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

    fn scan(args: &[&str]) -> Result<ScanArgs, clap::Error> {
        let all = ["notefront", "scan", "take.wav"].iter().chain(args);
        match Cli::try_parse_from(all)?.command {
            Command::Scan(args) => Ok(args),
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn the_command_line_is_consistent() {
        Cli::command().debug_assert();
    }

    #[test]
    fn defaults_are_those_of_the_analysis() {
        let options = scan(&[]).expect("a take is enough").options().expect("defaults are valid");
        assert_eq!(options, ScanOptions::default());
    }

    #[test]
    fn a_grid_needs_tempo_and_first_beat() {
        assert!(scan(&["--bpm", "72"]).is_err());
        assert!(scan(&["--first-beat", "1"]).is_err());
        let options = scan(&["--bpm", "72", "--first-beat", "-0.5", "--per-beat", "2"]).expect("complete").options();
        let grid = options.expect("valid").settings.grid;
        assert_eq!(grid, Some(Grid { bpm: 72.0, first_beat_s: -0.5, per_beat: 2 }));
    }

    #[test]
    fn values_out_of_range_are_refused() {
        for args in [&["--strictness", "1.1"], &["--strictness", "nan"], &["--channel", "0"], &["--grid", "yes"]] {
            assert!(scan(args).is_err(), "{args:?}");
        }
        assert!(scan(&["--a4", "500"]).expect("a number").options().is_err());
    }
}
