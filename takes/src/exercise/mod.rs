//! Exercises: what to practise, as notes on bars, and as files to read, to open in a DAW and to play along to.

mod kinds;
pub mod plan;
mod midi;
mod musicxml;
mod guide;

pub use guide::wav;
pub use kinds::{MOST_PARTIAL, arpeggio, breath_attacks, long_starts, repeats, scale, steps};
pub use midi::midi;
pub use musicxml::musicxml;

use crate::atomic_file::{Prepared, WriteError, put_all_in_place};
use notefront_dsp::SlidePosition;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Beats of a bar.
pub const BAR: u32 = 4;
/// Bars counted in before the first note: the player breathes in the tempo.
pub const COUNT_IN_BARS: u32 = 1;
/// Tempo unless another is asked for, beats a minute: slow enough that slide and tongue can arrive at once \[P\].
pub const USUAL_BPM: f64 = 66.0;
/// Tempi that can be played to, beats a minute.
pub const BPM_RANGE: (f64, f64) = (20.0, 300.0);

/// A note of an exercise. Lengths and places are in beats from the beginning of the exercise; no note crosses a bar line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Note {
    /// Sounding pitch.
    pub midi_note: u8,
    /// Where it begins.
    pub beat: f64,
    /// How long it is held.
    pub length_beats: f64,
    /// The position to play it in.
    pub position: Option<SlidePosition>,
    /// Slurred from the note before.
    pub is_slurred: bool,
}

/// An exercise of whole bars.
#[derive(Debug, Clone, PartialEq)]
pub struct Exercise {
    /// What it is.
    pub title: String,
    /// What to mind, in one sentence.
    pub aim: String,
    /// Its notes, in order.
    pub notes: Vec<Note>,
    /// Its length, bars, with a bar of rest at the end.
    pub num_bars: u32,
}

impl Exercise {
    /// An exercise of these notes; it ends with a bar of rest.
    fn new(title: String, aim: String, notes: Vec<Note>) -> Self {
        let end = notes.last().map_or(0.0, |last| last.beat + last.length_beats);
        let num_bars = (end / f64::from(BAR)).ceil() as u32 + 1;
        Self { title, aim, notes, num_bars }
    }
}

/// A sheet: exercises one after the other, in one tempo, after a bar that is counted in.
#[derive(Debug, Clone, PartialEq)]
pub struct PracticeSheet {
    /// Its title.
    pub title: String,
    /// Beats a minute.
    pub bpm: f64,
    /// Tuning reference, Hz.
    pub a4_hz: f64,
    /// What is practised.
    pub exercises: Vec<Exercise>,
}

impl PracticeSheet {
    /// Each exercise with the bar it begins at, from 0 with the bar that is counted in.
    pub fn placed(&self) -> impl Iterator<Item = (u32, &Exercise)> {
        self.exercises.iter().scan(COUNT_IN_BARS, |bar, exercise| {
            let from = *bar;
            *bar += exercise.num_bars;
            Some((from, exercise))
        })
    }

    /// All notes with their beats from the beginning of the sheet.
    pub fn notes(&self) -> impl Iterator<Item = Note> + '_ {
        self.placed().flat_map(|(from, exercise)| {
            let at = f64::from(from * BAR);
            exercise.notes.iter().map(move |note| Note { beat: note.beat + at, ..*note })
        })
    }

    /// Its length, bars.
    #[must_use]
    pub fn num_bars(&self) -> u32 {
        COUNT_IN_BARS + self.exercises.iter().map(|exercise| exercise.num_bars).sum::<u32>()
    }

    /// Its length, s.
    #[must_use]
    pub fn duration_s(&self) -> f64 {
        f64::from(self.num_bars() * BAR) * 60.0 / self.bpm
    }
}

/// Writes `NAME.mid`, `NAME.musicxml` and `NAME.wav` into a folder: all or none; the paths.
///
/// # Errors
/// A place that cannot be written to.
pub fn write(sheet: &PracticeSheet, folder: &Path, name: &str) -> Result<Vec<PathBuf>, WriteError> {
    let prepare = |ending: &str, bytes: &[u8]| {
        Prepared::from_file(&folder.join(format!("{name}.{ending}")), |file| file.write_all(bytes))
    };
    put_all_in_place(vec![
        prepare("mid", &midi(sheet))?,
        prepare("musicxml", musicxml(sheet).as_bytes())?,
        prepare("wav", &wav(sheet))?,
    ])
}

#[cfg(test)]
mod tests;
