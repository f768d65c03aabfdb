//! `notefront settings`: what is remembered from one command to the next.

use crate::cli::{GridSearch, InstrumentArg, strictness};
use crate::{bad_value, complain, screen};
use clap::{Args, ValueEnum};
use comfy_table::Cell;
use notefront_dsp::{Instrument, Settings};
use notefront_takes::columns::{Columns, prose};
use notefront_takes::corrections::ear::Lines;
use notefront_takes::remembered::{Remembered, RememberedError, place};
use std::io::{self, Write};
use std::path::PathBuf;

/// Options of `settings`.
#[derive(Debug, Args)]
pub struct SettingsArgs {
    /// Remember the tuning reference A4, in Hz (392 to 466)
    #[arg(long, value_name = "HZ")]
    pub a4: Option<f64>,

    /// Remember the horn
    #[arg(long, value_enum)]
    pub instrument: Option<InstrumentArg>,

    /// Remember how severe to judge
    #[arg(long, value_name = "0..1", value_parser = strictness)]
    pub strictness: Option<f64>,

    /// Remember whether to look for a beat
    #[arg(long, value_enum)]
    pub grid: Option<GridSearch>,

    /// Remember a tempo, in beats per minute (10 to 500); where its beats lie is found in each take
    #[arg(long, value_name = "N")]
    pub bpm: Option<f64>,

    /// Remember subdivisions of the beats that are given (1 to 24)
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=24))]
    pub per_beat: Option<u32>,

    /// Remember lines that are moved, each to a multiple of its place (0.25 to 4), such as below=1.4,airy=0.8: the standalone
    /// moves them to your ear after a blind sitting
    #[arg(long, value_name = "FAULT=N,...", value_parser = Lines::read)]
    pub lines: Option<Lines>,

    /// Remember the folder that mark, report and sheet write into; it is made where it is missing
    #[arg(long, value_name = "FOLDER")]
    pub out: Option<PathBuf>,

    /// Forget what was remembered, by the names of the options, with commas; all forgets everything
    #[arg(long, value_name = "NAME,...", value_enum, value_delimiter = ',')]
    pub forget: Vec<Name>,
}

/// What can be remembered, by the name of its option.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Name {
    /// The tuning reference
    A4,
    /// The horn
    Instrument,
    /// How severe to judge
    Strictness,
    /// Whether to look for a beat
    Grid,
    /// The tempo
    Bpm,
    /// Subdivisions of a beat
    PerBeat,
    /// Lines that are moved
    Lines,
    /// The folder for files
    Out,
    /// Everything
    All,
}

/// What is remembered, for the other commands. A file that cannot be used is told, and nothing is remembered then.
pub fn remembered() -> Remembered {
    let read = place().and_then(|path| path.map_or_else(|| Ok(Remembered::default()), |path| Remembered::read(&path)));
    read.unwrap_or_else(|e| {
        complain(&format!("{e}. This time everything is as if nothing were remembered."));
        Remembered::default()
    })
}

/// Shows or changes what is remembered; true when it could be done.
pub fn run(args: &SettingsArgs) -> Result<io::Result<bool>, clap::Error> {
    match changed(args) {
        Ok((path, remembered)) => Ok(show(path, &remembered).map(|()| true)),
        Err(Trouble::Value(why)) => Err(bad_value(&why)),
        Err(Trouble::File(e)) => {
            complain(&e.to_string());
            Ok(Ok(false))
        }
    }
}

enum Trouble {
    Value(String),
    File(RememberedError),
}

impl From<RememberedError> for Trouble {
    fn from(e: RememberedError) -> Self {
        Self::File(e)
    }
}

fn changed(args: &SettingsArgs) -> Result<(PathBuf, Remembered), Trouble> {
    let path = place()?.ok_or(RememberedError::NoPlace)?;
    let forgets_all = args.forget.contains(&Name::All);
    let before = if forgets_all { Remembered::default() } else { Remembered::read(&path)? };
    let out = args.out.as_ref().map(std::path::absolute).transpose();
    let mut now = before.clone();
    args.forget.iter().for_each(|name| forget(&mut now, *name));
    now.a4_hz = args.a4.or(now.a4_hz);
    now.instrument = args.instrument.map(Into::into).or(now.instrument);
    now.strictness = args.strictness.or(now.strictness);
    now.looks_for_beat = args.grid.map(|grid| grid == GridSearch::Auto).or(now.looks_for_beat);
    now.bpm = args.bpm.or(now.bpm);
    now.per_beat = args.per_beat.or(now.per_beat);
    now.lines = args.lines.unwrap_or(now.lines);
    now.out = out.map_err(|_| Trouble::Value("the folder has no name".into()))?.or(now.out);
    now.check().map_err(Trouble::Value)?;
    if now != before || forgets_all {
        now.write(&path)?;
    }
    Ok((path, now))
}

fn forget(remembered: &mut Remembered, name: Name) {
    match name {
        Name::A4 => remembered.a4_hz = None,
        Name::Instrument => remembered.instrument = None,
        Name::Strictness => remembered.strictness = None,
        Name::Grid => remembered.looks_for_beat = None,
        Name::Bpm => remembered.bpm = None,
        Name::PerBeat => remembered.per_beat = None,
        Name::Lines => remembered.lines = Lines::default(),
        Name::Out => remembered.out = None,
        Name::All => *remembered = Remembered::default(),
    }
}

/// What is remembered as options: name, value, and what holds where nothing is.
fn rows(remembered: &Remembered) -> [[String; 3]; 8] {
    let usual = Settings::default();
    let told = |value: Option<String>| value.unwrap_or_else(|| "-".into());
    let row = |name: &str, value: Option<String>, otherwise: &str| [name.into(), told(value), otherwise.into()];
    let named =
        |instrument: Instrument| InstrumentArg::from(instrument).to_possible_value().map(|v| v.get_name().to_owned());
    let hz = |hz: f64| format!("{hz} Hz");
    let grid = remembered.looks_for_beat.map(|looks| if looks { "auto" } else { "off" }.to_owned());
    [
        row("--a4", remembered.a4_hz.map(hz), &hz(usual.a4_hz)),
        row("--instrument", remembered.instrument.and_then(named), &named(usual.instrument).unwrap_or_default()),
        row(
            "--strictness",
            remembered.strictness.map(|value| value.to_string()),
            &usual.strictness.value().to_string(),
        ),
        row("--grid", grid, "auto"),
        row("--bpm", remembered.bpm.map(|bpm| bpm.to_string()), "found, where the take shows it"),
        row("--per-beat", remembered.per_beat.map(|n| n.to_string()), "1"),
        row("--lines", Some(remembered.lines.in_words()).filter(|words| !words.is_empty()), "where they lie"),
        row("--out", remembered.out.as_ref().map(|out| out.display().to_string()), "beside the take, or here"),
    ]
}

/// What is remembered, in a clause: "A4 442 Hz, tenor"; empty where nothing is that shapes the numbers.
pub fn in_words(remembered: &Remembered) -> String {
    let told = rows(remembered).into_iter().filter(|[name, value, _]| value != "-" && name != "--out");
    told.map(|[name, value, _]| format!("{} {value}", name.trim_start_matches('-'))).collect::<Vec<_>>().join(", ")
}

fn show(path: PathBuf, remembered: &Remembered) -> io::Result<()> {
    let width = screen::width();
    let columns = Columns {
        head: vec!["option", "remembered", "otherwise"],
        wrapped: &[2],
        right: &[],
        is_styled: screen::is_styled(),
    };
    let rows = rows(remembered).into_iter().map(|row| row.map(Cell::new).to_vec());
    let mut out = io::stdout().lock();
    writeln!(out, "Kept in {}", path.display())?;
    writeln!(out, "\n{}", columns.table(rows.collect(), width))?;
    let how = "Change it with the same options: notefront settings --a4 442. Forget it: notefront settings --forget a4, or \
        all. An option on a command goes before what is remembered.\n";
    write!(out, "{}", prose(how, width, 0))?;
    out.flush()
}
