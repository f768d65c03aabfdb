//! `notefront sheet`: what to practise, from the log or by hand, as files.

use crate::log::{Which, played};
use crate::logging::place_of;
use crate::places::make_folder;
use crate::{complain, settings};
use clap::{Args, Subcommand, ValueEnum};
use notefront_dsp::Settings;
use notefront_takes::exercise::{self, BPM_RANGE, Exercise, PracticeSheet, USUAL_BPM, plan};
use notefront_takes::log::habits::Habits;
use notefront_takes::log::{Log, LogError, recent};
use notefront_takes::summary::Register;
use notefront_takes::words;
use std::io::{self, Write};
use std::path::PathBuf;

/// Options of `sheet`.
#[derive(Debug, Args)]
pub struct SheetArgs {
    /// Tempo, beats a minute (20 to 300)
    #[arg(long, value_name = "N", default_value_t = USUAL_BPM, value_parser = bpm, global = true)]
    pub bpm: f64,

    /// Tuning reference A4 of the guide track, in Hz (392 to 466) [default: 440]
    #[arg(long, value_name = "HZ", value_parser = a4, global = true)]
    pub a4: Option<f64>,

    /// Folder for the files NAME.mid, NAME.musicxml and NAME.wav [default: the current one]
    #[arg(long, value_name = "FOLDER", global = true)]
    pub out: Option<PathBuf>,

    /// Their name
    #[arg(long, value_name = "NAME", default_value = "sheet", global = true)]
    pub name: String,

    /// The practice log [default: the one in your data folder]
    #[arg(long, value_name = "FILE")]
    pub log: Option<PathBuf>,

    /// Which takes the sheet is made after: those of the last 21 days that were played on, unless --since says otherwise.
    #[command(flatten)]
    pub which: Which,

    /// One exercise by hand [default: the two or three things the log names]
    #[command(subcommand)]
    pub by_hand: Option<ByHand>,
}

/// Exercises by hand.
#[derive(Debug, Subcommand)]
pub enum ByHand {
    /// Up and down the partials of a position
    Arpeggio {
        /// Slide position (1 to 7)
        #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u8).range(1..=7))]
        position: u8,
        /// Highest partial (3 to 8)
        #[arg(long, value_name = "N", default_value_t = 6, value_parser = clap::value_parser!(u8).range(3..=8))]
        to_partial: u8,
        /// Slurred instead of tongued
        #[arg(long)]
        slurred: bool,
    },
    /// A major scale over an octave, in quarters
    Scale {
        /// Its first note, as Bb2
        #[arg(long, value_name = "NOTE", default_value = "Bb2", value_parser = note)]
        note: u8,
    },
    /// One note, short, four times a bar
    Repeats {
        /// The note, as F3
        #[arg(long, value_name = "NOTE", default_value = "F3", value_parser = note)]
        note: u8,
    },
    /// Long notes in one register
    Starts {
        /// The register
        #[arg(long, value_enum, default_value_t = RegisterArg::Middle)]
        register: RegisterArg,
    },
    /// The same without the tongue
    Breath {
        /// The register
        #[arg(long, value_enum, default_value_t = RegisterArg::Middle)]
        register: RegisterArg,
    },
}

/// A register, on the command line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum RegisterArg {
    /// To B1
    Pedal,
    /// C2 to A2
    Low,
    /// Bb2 to Bb3
    Middle,
    /// B3 to Bb4
    High,
    /// From B4
    Top,
}

impl From<RegisterArg> for Register {
    fn from(arg: RegisterArg) -> Self {
        match arg {
            RegisterArg::Pedal => Self::Pedal,
            RegisterArg::Low => Self::Low,
            RegisterArg::Middle => Self::Middle,
            RegisterArg::High => Self::High,
            RegisterArg::Top => Self::Top,
        }
    }
}

fn within(text: &str, (low, high): (f64, f64)) -> Result<f64, String> {
    let value: f64 = text.parse().map_err(|_| "not a number".to_owned())?;
    if (low..=high).contains(&value) { Ok(value) } else { Err(format!("must lie within {low} and {high}")) }
}

fn bpm(text: &str) -> Result<f64, String> {
    within(text, BPM_RANGE)
}

fn a4(text: &str) -> Result<f64, String> {
    within(text, notefront_dsp::settings::A4_RANGE_HZ)
}

/// A note by its name: "Bb2", "f#3", "Eb4".
fn note(text: &str) -> Result<u8, String> {
    let wrong = || format!("{text:?} is no note: write Bb2, F#3, C4");
    let mut letters = text.trim().chars();
    let step = letters.next().map(|c| c.to_ascii_uppercase()).ok_or_else(wrong)?;
    let semitones = [('C', 0), ('D', 2), ('E', 4), ('F', 5), ('G', 7), ('A', 9), ('B', 11)];
    let (_, mut semitone) = *semitones.iter().find(|(name, _)| *name == step).ok_or_else(wrong)?;
    let mut rest = letters.as_str();
    for (mark, by) in [("b", -1), ("#", 1)] {
        if let Some(after) = rest.strip_prefix(mark) {
            (semitone, rest) = (semitone + by, after);
        }
    }
    let octave: i32 = rest.parse().map_err(|_| wrong())?;
    let midi = 12 * (octave + 1) + semitone;
    // E1 to C6: what trombones play, and an octave of a scale above it still fits a MIDI note.
    u8::try_from(midi)
        .ok()
        .filter(|midi| (28..=84).contains(midi))
        .ok_or_else(|| format!("{text} lies outside E1 to C6"))
}

/// Makes the sheet; true when it was written.
pub fn run(args: &SheetArgs) -> io::Result<bool> {
    let (title, reasons, exercises) = match &args.by_hand {
        Some(by_hand) => {
            let exercise = exercise_by_hand(by_hand);
            (exercise.title.clone(), Vec::new(), vec![exercise])
        }
        None => match from_the_log(args) {
            Ok(plan) => ("What to work on".to_owned(), plan.reasons, plan.exercises),
            Err(e) => {
                complain(&e.to_string());
                return Ok(false);
            }
        },
    };
    let remembered = settings::remembered();
    let a4_hz = args.a4.or(remembered.a4_hz).unwrap_or(Settings::default().a4_hz);
    let sheet = PracticeSheet { title, bpm: args.bpm, a4_hz, exercises };
    let folder = args.out.clone().or(remembered.out).unwrap_or_else(|| PathBuf::from("."));
    if !make_folder(&folder) {
        return Ok(false);
    }
    match exercise::write(&sheet, &folder, &args.name) {
        Ok(paths) => tell(&sheet, &reasons, &paths).map(|()| true),
        Err(e) => {
            complain(&e.to_string());
            Ok(false)
        }
    }
}

fn exercise_by_hand(by_hand: &ByHand) -> Exercise {
    match *by_hand {
        ByHand::Arpeggio { position, to_partial, slurred } => exercise::arpeggio(position, to_partial, slurred),
        ByHand::Scale { note } => exercise::scale(note),
        ByHand::Repeats { note } => exercise::repeats(note, None),
        ByHand::Starts { register } => exercise::long_starts(register.into()),
        ByHand::Breath { register } => exercise::breath_attacks(register.into()),
    }
}

fn from_the_log(args: &SheetArgs) -> Result<plan::Plan, LogError> {
    let log = Log::open_existing(&place_of(args.log.as_ref())?)?;
    let played = played(&log, &args.which)?;
    let counted = if args.which.since.is_some() { &played[..] } else { recent(&played) };
    Ok(plan::of(&Habits::of(counted)))
}

fn tell(sheet: &PracticeSheet, reasons: &[String], paths: &[PathBuf]) -> io::Result<()> {
    let mut out = io::stdout().lock();
    for reason in reasons {
        writeln!(out, "{reason}")?;
    }
    if !reasons.is_empty() {
        writeln!(out)?;
    }
    let beat_s = 60.0 / sheet.bpm;
    for (bar, exercise) in sheet.placed() {
        let at = words::clock(f64::from(bar * exercise::BAR) * beat_s);
        writeln!(out, "{at}  {}. {}", exercise.title, exercise.aim)?;
    }
    writeln!(out, "\n{} at {:.0} beats a minute, in:", words::clock(sheet.duration_s()), sheet.bpm)?;
    for path in paths {
        writeln!(out, "  {}", path.display())?;
    }
    let notes = paths.iter().find(|path| path.extension().is_some_and(|e| e == "musicxml"));
    if let Some(notes) = notes {
        writeln!(out, "Play it, record it, then: notefront scan TAKE --notes {} --log", notes.display())?;
    }
    out.flush()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn notes_are_read_by_their_names() {
        for (text, midi) in [("Bb2", 46), ("bb2", 46), ("F3", 53), ("f#3", 54), ("C4", 60), ("Cb4", 59), ("E1", 28)] {
            assert_eq!(note(text), Ok(midi), "{text}");
        }
        for text in ["", "H2", "B", "Bb", "Bb9", "Bbb2x", "2"] {
            assert!(note(text).is_err(), "{text}");
        }
    }
}
