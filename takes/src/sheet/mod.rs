//! Written notes: what the player meant to play, from a Standard MIDI File or MusicXML, and how it was met.

mod align;
mod midi;
mod musicxml;
mod position;
mod reading;
mod repeats;

pub use position::Position;
pub use reading::{Reading, Step, Verdict, read_along};

use crate::system_error;
use std::io::Read;
use std::path::Path;

/// Larger files than this hold no part of music; also the most that a compressed one may grow to.
const MAX_LEN: u64 = 64 << 20;
/// Notes of a part, repeats played out: a day of semiquavers.
const MAX_NOTES: usize = 500_000;

/// One written note as it is to sound.
#[derive(Debug, Clone, PartialEq)]
pub struct SheetNote {
    /// Sounding pitch: transposing parts are brought to it.
    pub midi_note: u8,
    /// Start in quarter notes from the beginning, repeats played out.
    pub beat: f64,
    /// Length in quarter notes, ties joined; 0 for grace notes.
    pub length_beats: f64,
    /// Number of its bar as it is written, where there are bars.
    pub bar: Option<String>,
    /// A grace note, which has no time of its own.
    pub is_grace: bool,
    /// The slide position that stands above it.
    pub position: Option<Position>,
}

/// One written part, played out.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Sheet {
    /// Name of the part, where it has one.
    pub part: Option<String>,
    /// Its notes, in order.
    pub notes: Vec<SheetNote>,
    /// Tempo from a beat on: (quarter notes from the beginning, quarter notes a minute). Empty when none is written.
    pub tempi: Vec<(f64, f64)>,
    /// What was left out or guessed.
    pub remarks: Vec<String>,
}

/// Tempo of parts that tell none, quarter notes a minute: SMF 1.0 \[S\].
const DEFAULT_BPM: f64 = 120.0;

/// The written tempo as a clock: beats to seconds.
#[derive(Debug, Clone, PartialEq)]
pub struct Clock {
    /// Beat and second from which a tempo holds, and the tempo, quarter notes a minute; at least one.
    spans: Vec<(f64, f64, f64)>,
}

impl Clock {
    /// The clock of tempi as in [`Sheet::tempi`]; the first also holds before its own beat.
    #[must_use]
    pub fn new(tempi: &[(f64, f64)]) -> Self {
        let first = tempi.first().map_or(DEFAULT_BPM, |&(_, bpm)| bpm);
        let mut spans = vec![(0.0, 0.0, first)];
        for &(beat, bpm) in tempi {
            let (start, start_s, before) = spans[spans.len() - 1];
            spans.push((beat, start_s + (beat - start) * 60.0 / before, bpm));
        }
        Self { spans }
    }

    /// Seconds from the beginning to a beat.
    #[must_use]
    pub fn seconds(&self, beat: f64) -> f64 {
        let after = self.spans.partition_point(|&(start, ..)| start <= beat);
        let (start, start_s, bpm) = self.spans[after.saturating_sub(1)];
        start_s + (beat - start) * 60.0 / bpm
    }
}

impl Sheet {
    /// The clock of the written tempo.
    #[must_use]
    pub fn clock(&self) -> Clock {
        Clock::new(&self.tempi)
    }

    /// Orders the notes, and keeps one of those that sound together.
    fn settle(&mut self) {
        self.notes.sort_by(|a, b| a.beat.total_cmp(&b.beat).then(b.is_grace.cmp(&a.is_grace)));
        let num_before = self.notes.len();
        self.notes.dedup_by(|next, kept| {
            let together = next.beat == kept.beat && !next.is_grace && !kept.is_grace;
            if together && next.midi_note > kept.midi_note {
                std::mem::swap(next, kept);
            }
            together
        });
        let num_dropped = num_before - self.notes.len();
        if num_dropped > 0 {
            self.remarks.push(format!("{num_dropped} notes of chords were left out: the highest counts"));
        }
        self.tempi.retain(|(beat, bpm)| beat.is_finite() && (1.0..=1000.0).contains(bpm));
        self.tempi.sort_by(|a, b| a.0.total_cmp(&b.0));
        // A tempo at a bar that is played twice, or written twice, is no change.
        self.tempi.dedup_by(|next, kept| next.1 == kept.1);
    }
}

/// Why written notes cannot be used.
#[derive(Debug)]
pub enum SheetError {
    /// The file cannot be read.
    Read(std::io::Error),
    /// Not a kind that is read, or too damaged; with the reason.
    NotNotes(String),
    /// No such part; with those there are.
    NoSuchPart(Vec<String>),
    /// A part without notes.
    NoNotes,
}

impl std::fmt::Display for SheetError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Read(e) => {
                write!(f, "it could not be read ({}). Check the name and the folder.", system_error::in_words(e))
            }
            Self::NotNotes(reason) => {
                write!(f, "it holds no written notes ({reason}). Export the part as MusicXML or as a MIDI file.")
            }
            Self::NoSuchPart(parts) => write!(f, "it has no such part. Choose one of: {}.", parts.join(", ")),
            Self::NoNotes => write!(f, "the part has no notes. Choose another one with --part."),
        }
    }
}

impl std::error::Error for SheetError {}

/// Reads one part of a file; `part` is its number from 1, or a piece of its name.
/// Without it the trombone's is taken, else the first.
///
/// # Errors
/// Every [`SheetError`].
pub fn open(path: &Path, part: Option<&str>) -> Result<Sheet, SheetError> {
    let kind = std::fs::metadata(path).map_err(SheetError::Read)?;
    if !kind.is_file() {
        return Err(SheetError::NotNotes("not a regular file".into()));
    }
    let file = std::fs::File::open(path).map_err(SheetError::Read)?;
    let mut bytes = Vec::new();
    file.take(MAX_LEN + 1).read_to_end(&mut bytes).map_err(SheetError::Read)?;
    if bytes.len() as u64 > MAX_LEN {
        return Err(SheetError::NotNotes("over 64 MiB".into()));
    }
    parse(&bytes, part)
}

/// Reads one part of a file that is in memory; see [`open`].
///
/// # Errors
/// Every [`SheetError`] but those of reading.
pub fn parse(bytes: &[u8], part: Option<&str>) -> Result<Sheet, SheetError> {
    let mut sheet = match bytes {
        [b'M', b'T', b'h', b'd', ..] => midi::parse(bytes, part)?,
        [b'P', b'K', ..] => musicxml::parse(&musicxml::unpack(bytes)?, part)?,
        _ => musicxml::parse(&musicxml::text(bytes)?, part)?,
    };
    sheet.settle();
    if sheet.notes.is_empty() { Err(SheetError::NoNotes) } else { Ok(sheet) }
}

/// Words that name a trombone part in the languages of the usual editions \[P\].
const TROMBONE_NAMES: [&str; 5] = ["trombon", "posaun", "trombón", "tbn", "pos."];

/// Index of the part asked for, else of the trombone's, else of the first that is not silent.
fn choose_part(names: &[(String, usize)], asked: Option<&str>) -> Result<usize, SheetError> {
    let holds = |name: &str, piece: &str| name.to_lowercase().contains(&piece.to_lowercase());
    let chosen = match asked {
        Some(asked) => match asked.parse::<usize>() {
            Ok(number) => number.checked_sub(1).filter(|&i| i < names.len()),
            Err(_) => names.iter().position(|(name, _)| holds(name, asked)),
        },
        None => {
            let trombone = names
                .iter()
                .position(|(name, num_notes)| *num_notes > 0 && TROMBONE_NAMES.iter().any(|piece| holds(name, piece)));
            trombone.or_else(|| names.iter().position(|&(_, num_notes)| num_notes > 0)).or(Some(0))
        }
    };
    let listed = || names.iter().enumerate().map(|(i, (name, _))| format!("{} {name}", i + 1)).collect();
    chosen.filter(|&i| i < names.len()).ok_or_else(|| SheetError::NoSuchPart(listed()))
}

#[cfg(test)]
mod tests;
