//! Options of every command that judges takes: how to judge, where the beats are, and what was to be played.

use crate::cli::{GridSearch, InstrumentArg, SourceArg, channel, seconds, strictness};
use crate::{bad_value, complain};
use clap::Args;
use notefront_dsp::settings::STRICTNESS_IN_WORDS;
use notefront_dsp::{Grid, Settings, Strictness};
use notefront_takes::audio_file::ChannelChoice;
use notefront_takes::corrections::ear::Lines;
use notefront_takes::remembered::Remembered;
use notefront_takes::take::{BeatSource, Reference, ScanOptions};
use notefront_takes::{click, sheet};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// How takes are judged, and against what.
#[derive(Debug, Clone, Args)]
pub struct JudgingArgs {
    /// Tempo, in beats per minute (10 to 500): one for all takes, or one for each, with commas. Without --first-beat a
    /// count-in of clicks or the notes tell where the beats lie [default: none]
    #[arg(long, value_name = "N,...", value_delimiter = ',')]
    pub bpm: Vec<f64>,

    /// Time of beat 1 of bar 1, in seconds or as the program prints times (0:02.5): one for all takes, or one for each,
    /// with commas; goes with --bpm [default: found]
    #[arg(long, value_name = "S,...", value_delimiter = ',', allow_negative_numbers = true, value_parser = seconds)]
    pub first_beat: Vec<f64>,

    /// Subdivisions of a beat that entrances may fall on (1 to 24); goes with --bpm or a click [default: 1]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=24))]
    pub per_beat: Option<u32>,

    /// A recording of the metronome alone, begun with the take: its clicks are the beats, drift and pauses
    /// included. Once for all takes, or once for each [default: none]
    #[arg(long, value_name = "FILE")]
    pub click: Vec<PathBuf>,

    /// The channel of the take that holds the metronome, counted from 1; of two channels the other one is
    /// judged then [default: none]
    #[arg(long, value_name = "N", value_parser = channel)]
    pub click_channel: Option<usize>,

    /// The written notes: a MIDI file, MusicXML or compressed MusicXML; missed, wrong and extra notes are told,
    /// and the written tempo gives the beats if the take keeps it [default: none]
    #[arg(long, value_name = "FILE")]
    pub notes: Option<PathBuf>,

    /// The part of the written notes, by its number from 1 or a piece of its name; goes with --notes
    /// [default: the trombone's]
    #[arg(long, value_name = "PART")]
    pub part: Option<String>,

    /// Whether to look for the beat in clicks before the first note, in the written notes and in the playing, when neither
    /// --bpm nor a click is given [default: auto]
    #[arg(long, value_enum)]
    pub grid: Option<GridSearch>,

    /// Tuning reference A4, in Hz (392 to 466: from French Baroque pitch to high pitch) [default: 440]
    #[arg(long, value_name = "HZ")]
    pub a4: Option<f64>,

    /// How severe to judge
    #[arg(long, help = format!("How severe to judge: {STRICTNESS_IN_WORDS} [default: 0.5]"), value_name = "0..1", value_parser = strictness)]
    pub strictness: Option<f64>,

    /// The horn [default: f-attachment]
    #[arg(long, value_enum)]
    pub instrument: Option<InstrumentArg>,

    /// What sounds: the horn, or the mouthpiece alone
    #[arg(long, value_enum, default_value_t = SourceArg::Horn)]
    pub source: SourceArg,

    /// Judge as measured: leave the corrections out that lie beside a take
    #[arg(long)]
    pub blind: bool,

    /// Move lines, each to a multiple of its place (0.25 to 4), such as below=1.4,airy=0.8; "" moves none [default: none]
    #[arg(long, value_name = "FAULT=N,...", value_parser = Lines::read)]
    pub lines: Option<Lines>,

    /// Judge this channel alone, counted from 1 [default: all channels mixed]
    #[arg(long, value_name = "N", value_parser = channel)]
    pub channel: Option<usize>,
}

/// How one take is judged.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Judging {
    /// What shapes the numbers.
    pub options: ScanOptions,
    /// What the take is held against.
    pub reference: Reference,
}

impl JudgingArgs {
    /// How each take is judged; `None` when a click or the written notes cannot be used, which is told.
    ///
    /// # Errors
    /// Values that cannot be used.
    pub fn judgings(&self, num_takes: usize, remembered: &Remembered) -> Result<Option<Vec<Judging>>, clap::Error> {
        self.with(remembered).own_judgings(num_takes)
    }

    /// The options of the command, and for those it does not give what is remembered. A beat that the command tells of in
    /// whatever way stands in place of the tempo that is remembered.
    pub fn with(&self, remembered: &Remembered) -> Self {
        let mut all = self.clone();
        all.a4 = self.a4.or(remembered.a4_hz);
        all.strictness = self.strictness.or(remembered.strictness);
        all.instrument = self.instrument.or(remembered.instrument.map(Into::into));
        let tells_beat = self.has_beats() || self.grid.is_some() || self.notes.is_some();
        if !tells_beat {
            all.bpm = remembered.bpm.into_iter().collect();
        }
        if all.has_beats() {
            all.per_beat = self.per_beat.or(remembered.per_beat);
        }
        all.lines = self.lines.or(Some(remembered.lines));
        let looks = |looks| if looks { GridSearch::Auto } else { GridSearch::Off };
        all.grid = self.grid.or(remembered.looks_for_beat.map(looks));
        all
    }

    fn own_judgings(&self, num_takes: usize) -> Result<Option<Vec<Judging>>, clap::Error> {
        self.belong_together().map_err(|e| bad_value(&e))?;
        let options = self.options(num_takes).map_err(|e| bad_value(&e))?;
        if self.click.len() > 1 && self.click.len() != num_takes {
            return Err(bad_value(&wrong_count("--click", self.click.len(), num_takes)));
        }
        let references = self.references(num_takes).map_err(|e| complain(&e)).ok();
        let both = |references: Vec<Reference>| {
            options.into_iter().zip(references).map(|(options, reference)| Judging { options, reference }).collect()
        };
        Ok(references.map(both))
    }

    /// Whether options are there that say something only together, in a musician's words.
    fn belong_together(&self) -> Result<(), String> {
        let sources: Vec<&str> = [
            ("--bpm", !self.bpm.is_empty()),
            ("--click", !self.click.is_empty()),
            ("--click-channel", self.click_channel.is_some()),
        ]
        .into_iter()
        .filter_map(|(option, is_there)| is_there.then_some(option))
        .collect();
        if sources.len() > 1 {
            return Err(format!("the beat comes from one place: choose {}", sources.join(" or ")));
        }
        if !self.first_beat.is_empty() && self.bpm.is_empty() {
            return Err(
                "--first-beat says where the beats begin, but not how fast they are: add --bpm, such as --bpm 72"
                    .into(),
            );
        }
        if self.per_beat.is_some() && sources.is_empty() {
            return Err("--per-beat divides a beat that you give: add --bpm 72, or a click with --click FILE".into());
        }
        if self.part.is_some() && self.notes.is_none() {
            return Err("--part chooses from written notes: add them with --notes FILE".into());
        }
        Ok(())
    }

    /// Whether a beat is given, by a tempo or by a click.
    pub fn has_beats(&self) -> bool {
        !self.bpm.is_empty() || !self.click.is_empty() || self.click_channel.is_some()
    }

    fn per_beat(&self) -> u32 {
        self.per_beat.unwrap_or(1)
    }

    /// Reads the clicks and the written notes.
    fn references(&self, num_takes: usize) -> Result<Vec<Reference>, String> {
        let sheet = self.notes.as_ref().map(|path| self.sheet(path)).transpose()?;
        let beats = self.beat_sources(num_takes)?;
        let (is_corrected, lines) = (!self.blind, self.lines.unwrap_or_default());
        Ok(beats.into_iter().map(|beats| Reference { beats, sheet: sheet.clone(), is_corrected, lines }).collect())
    }

    fn sheet(&self, path: &Path) -> Result<Arc<sheet::Sheet>, String> {
        sheet::open(path, self.part.as_deref()).map(Arc::new).map_err(|e| format!("{}: {e}", path.display()))
    }

    fn beat_sources(&self, num_takes: usize) -> Result<Vec<BeatSource>, String> {
        let heard: Result<Vec<BeatSource>, String> = self.click.iter().map(|path| self.heard(path)).collect();
        let one = match (heard?, self.click_channel) {
            (mut heard, _) if heard.len() == 1 => heard.remove(0),
            (heard, _) if !heard.is_empty() => return Ok(heard),
            (_, Some(channel)) => BeatSource::ClickChannel(channel, self.per_beat()),
            (_, None) if !self.bpm.is_empty() && self.first_beat.is_empty() => return self.tempi(num_takes),
            (_, None) if self.grid == Some(GridSearch::Off) => BeatSource::Off,
            (_, None) => BeatSource::Search,
        };
        Ok(vec![one; num_takes])
    }

    fn tempi(&self, num_takes: usize) -> Result<Vec<BeatSource>, String> {
        let tempi = one_each("--bpm", &self.bpm, num_takes)?;
        let source = |bpm: Option<f64>| bpm.map_or(BeatSource::Off, |bpm| BeatSource::Tempo(bpm, self.per_beat()));
        Ok(tempi.into_iter().map(source).collect())
    }

    fn heard(&self, path: &Path) -> Result<BeatSource, String> {
        let clicks = click::listen(path, ChannelChoice::Mix).map_err(|e| format!("{}: {e}", path.display()))?;
        Ok(BeatSource::Click(clicks.into_beats(self.per_beat())))
    }

    fn options(&self, num_takes: usize) -> Result<Vec<ScanOptions>, String> {
        let bpm = one_each("--bpm", &self.bpm, num_takes)?;
        let first_beat = one_each("--first-beat", &self.first_beat, num_takes)?;
        let grids = bpm.into_iter().zip(first_beat).map(|(bpm, first_beat)| {
            // A tempo is looked at here too where its first beat is to be found.
            Some(Grid { bpm: bpm?, first_beat_s: first_beat.unwrap_or(0.0), per_beat: self.per_beat() })
        });
        let is_whole = !self.first_beat.is_empty();
        let option = |grid| self.with_grid(grid).map(|options| if is_whole { options } else { without_grid(options) });
        grids.map(option).collect()
    }

    fn with_grid(&self, grid: Option<Grid>) -> Result<ScanOptions, String> {
        let usual = Settings::default();
        let settings = Settings {
            a4_hz: self.a4.unwrap_or(usual.a4_hz),
            strictness: self.strictness.map_or(usual.strictness, Strictness::new),
            instrument: self.instrument.map_or(usual.instrument, Into::into),
            source: self.source.into(),
            grid,
        };
        settings.validate().map_err(|e| e.to_string())?;
        Ok(ScanOptions { settings, channel: self.channel.map_or(ChannelChoice::Mix, ChannelChoice::One) })
    }
}

fn without_grid(options: ScanOptions) -> ScanOptions {
    ScanOptions { settings: Settings { grid: None, ..options.settings }, ..options }
}

/// One value for each take, from none, one for all, or one each.
fn one_each(option: &str, values: &[f64], num_takes: usize) -> Result<Vec<Option<f64>>, String> {
    match values {
        [] => Ok(vec![None; num_takes]),
        [one] => Ok(vec![Some(*one); num_takes]),
        each if each.len() == num_takes => Ok(each.iter().copied().map(Some).collect()),
        each => Err(wrong_count(option, each.len(), num_takes)),
    }
}

fn wrong_count(option: &str, num: usize, num_takes: usize) -> String {
    let takes = if num_takes == 1 { "1 take".to_owned() } else { format!("{num_takes} takes") };
    format!("{option} has {num} values for {takes}: give one, or one for each")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::{Cli, Command};
    use clap::Parser;

    fn args(args: &[&str]) -> Result<JudgingArgs, clap::Error> {
        let all = ["notefront", "scan", "take.wav"].iter().chain(args);
        match Cli::try_parse_from(all)?.command {
            Command::Scan(args) => Ok(args.judging),
            other => panic!("{other:?}"),
        }
    }

    fn judging(options: &[&str]) -> Result<Judging, clap::Error> {
        let mut judgings = args(options)?.judgings(1, &Remembered::default())?.expect("no files are asked for");
        Ok(judgings.remove(0))
    }

    #[test]
    fn defaults_are_those_of_the_analysis() {
        assert_eq!(judging(&[]).expect("a take is enough").options, ScanOptions::default());
    }

    #[test]
    fn what_is_remembered_holds_until_a_command_says_otherwise() {
        let remembered = Remembered {
            a4_hz: Some(442.0),
            bpm: Some(72.0),
            per_beat: Some(2),
            looks_for_beat: Some(false),
            ..Remembered::default()
        };
        let judged = |options: &[&str]| {
            let mut all = args(options)?.judgings(1, &remembered)?.expect("no files are asked for");
            Ok::<_, clap::Error>(all.remove(0))
        };
        let plain = judged(&[]).expect("nothing is asked");
        assert_eq!((plain.options.settings.a4_hz, plain.reference.beats), (442.0, BeatSource::Tempo(72.0, 2)));
        assert_eq!(judged(&["--a4", "440"]).expect("valid").options.settings.a4_hz, 440.0);
        assert_eq!(
            judged(&["--bpm", "60", "--per-beat", "1"]).expect("valid").reference.beats,
            BeatSource::Tempo(60.0, 1)
        );
        assert_eq!(judged(&["--grid", "auto"]).expect("valid").reference.beats, BeatSource::Search);
        assert_eq!(judged(&["--click-channel", "2"]).expect("valid").reference.beats, BeatSource::ClickChannel(2, 2));
        let grid = judged(&["--first-beat", "1"]).expect("the tempo is remembered").options.settings.grid;
        assert_eq!(grid, Some(Grid { bpm: 72.0, first_beat_s: 1.0, per_beat: 2 }));
    }

    #[test]
    fn a_first_beat_needs_a_tempo_and_a_tempo_finds_its_first_beat() {
        let alone = judging(&["--bpm", "72"]).expect("a tempo is enough");
        assert_eq!(alone.reference.beats, BeatSource::Tempo(72.0, 1));
        assert_eq!(alone.options.settings.grid, None);
        assert!(judging(&["--bpm", "5"]).is_err(), "no tempo");
        assert!(judging(&["--first-beat", "1"]).is_err());
        let judging = judging(&["--bpm", "72", "--first-beat", "-0.5", "--per-beat", "2"]).expect("complete");
        assert_eq!(judging.options.settings.grid, Some(Grid { bpm: 72.0, first_beat_s: -0.5, per_beat: 2 }));
    }

    #[test]
    fn beats_come_from_one_place() {
        assert!(args(&["--click", "click.wav", "--per-beat", "2"]).is_ok());
        for (options, said) in [
            (&["--per-beat", "2"][..], "divides a beat"),
            (&["--click", "click.wav", "--click-channel", "2"], "choose --click or --click-channel"),
            (&["--click", "click.wav", "--bpm", "72", "--first-beat", "1"], "choose --bpm or --click"),
            (&["--first-beat", "1"], "add --bpm"),
            (&["--part", "2"], "--notes FILE"),
        ] {
            let refused = judging(options).expect_err("does not belong together").to_string();
            assert!(refused.contains(said) && !refused.contains("required arguments"), "{refused}");
        }
        assert!(judging(&["--click", "a.wav", "--click", "b.wav"]).is_err(), "two clicks for one take");
        assert_eq!(judging(&[]).expect("valid").reference.beats, BeatSource::Search);
        assert_eq!(judging(&["--grid", "off"]).expect("valid").reference.beats, BeatSource::Off);
    }

    #[test]
    fn values_out_of_range_are_refused() {
        for options in [&["--strictness", "1.1"], &["--strictness", "nan"], &["--channel", "0"], &["--grid", "yes"]] {
            assert!(args(options).is_err(), "{options:?}");
        }
        assert!(judging(&["--a4", "500"]).is_err());
        assert!(judging(&["--per-beat", "25", "--bpm", "72", "--first-beat", "1"]).is_err());
    }

    #[test]
    fn one_value_is_for_all_takes_and_others_must_match() {
        assert_eq!(one_each("--bpm", &[], 2), Ok(vec![None, None]));
        assert_eq!(one_each("--bpm", &[72.0], 2), Ok(vec![Some(72.0), Some(72.0)]));
        assert_eq!(one_each("--bpm", &[72.0, 80.0], 2), Ok(vec![Some(72.0), Some(80.0)]));
        assert!(one_each("--bpm", &[72.0, 80.0], 3).is_err());
    }
}
