//! The exercises there are: practice of the trade \[P\], none is anybody's own.

use super::{BAR, Exercise, Note};
use crate::summary::Register;
use crate::words;
use notefront_dsp::units::{hz_to_midi, midi_to_hz, note_name};
use notefront_dsp::{Instrument, SlidePosition, trombone};

/// Highest partial of an arpeggio: the top Bb of a tenor in first position.
pub const MOST_PARTIAL: u8 = 8;
/// The partial that lies a third of a semitone low and is left out of arpeggios \[C\].
const FLAT_PARTIAL: u8 = 7;
/// Pedal of the B-flat side in first position: MIDI Bb1.
const PEDAL: f64 = 34.0;
const MAJOR: [u8; 8] = [0, 2, 4, 5, 7, 9, 11, 12];
/// Notes of an exercise of starts.
const NUM_STARTS: usize = 8;

/// The note of a partial in a position, and the place to play it.
fn at(partial: u8, position: u8) -> (u8, SlidePosition) {
    let hz = midi_to_hz(PEDAL, 440.0) * f64::from(partial) / (f64::from(position - 1) / 12.0).exp2();
    let place = SlidePosition { position: f64::from(position), trigger: false, partial };
    (hz_to_midi(hz, 440.0).round() as u8, place)
}

/// The most usual place of a note.
fn usual(midi_note: u8) -> Option<SlidePosition> {
    let hz = midi_to_hz(f64::from(midi_note), 440.0);
    trombone::positions(hz, 440.0, Instrument::FAttachment).iter().next().copied()
}

/// Notes one after the other, each of so many beats; the last is held to the end of its bar.
fn in_a_row(pitches: &[(u8, Option<SlidePosition>)], beats: f64, is_slurred: bool) -> Vec<Note> {
    let bar = f64::from(BAR);
    let mut notes: Vec<Note> = Vec::new();
    for (i, &(midi_note, position)) in pitches.iter().enumerate() {
        let beat = i as f64 * beats;
        let is_last = i + 1 == pitches.len();
        let length_beats = if is_last { bar - beat % bar } else { beats };
        notes.push(Note { midi_note, beat, length_beats, position, is_slurred: is_slurred && i > 0 });
    }
    notes
}

/// Up and down the partials of a position, in quarters; slurred, or each tongued.
#[must_use]
pub fn arpeggio(position: u8, to_partial: u8, is_slurred: bool) -> Exercise {
    let position = position.clamp(1, 7);
    let up: Vec<u8> = (2..=to_partial.clamp(3, MOST_PARTIAL)).filter(|&k| k != FLAT_PARTIAL).collect();
    let pitches: Vec<_> = up
        .iter()
        .chain(up.iter().rev().skip(1))
        .map(|&partial| at(partial, position))
        .map(|(midi, place)| (midi, Some(place)))
        .collect();
    let (how, aim) = if is_slurred {
        ("slurred", "One breath, the air never stops: every partial is there before the next is thought of.")
    } else {
        ("tongued", "The same air as slurred; the tongue only opens it.")
    };
    Exercise::new(format!("Arpeggio in position {position}, {how}"), aim.into(), in_a_row(&pitches, 1.0, is_slurred))
}

/// A major scale over an octave, up and down, in quarters.
#[must_use]
pub fn scale(tonic: u8) -> Exercise {
    let tonic = tonic.clamp(34, 65);
    let pitches: Vec<_> =
        MAJOR.iter().chain(MAJOR.iter().rev().skip(1)).map(|step| (tonic + step, usual(tonic + step))).collect();
    Exercise::new(
        format!("Scale from {}", note_name(tonic)),
        "Slide and tongue arrive at once, on the click: slower rather than unclear.".into(),
        in_a_row(&pitches, 1.0, false),
    )
}

/// A note of three beats in each bar, over a register.
#[must_use]
pub fn long_starts(register: Register) -> Exercise {
    starts(
        format!("Long starts, {}", register.label()),
        "Hear the pitch first; the tone is there with the click, and stays as it began.",
        register,
    )
}

/// The same without the tongue.
#[must_use]
pub fn breath_attacks(register: Register) -> Exercise {
    starts(
        format!("Breath attacks, {}", register.label()),
        "Without the tongue: the lips are set before the breath turns, and the air alone begins the note.",
        register,
    )
}

fn starts(title: String, aim: &str, register: Register) -> Exercise {
    let pitches = notes_of(register);
    let notes = pitches.iter().enumerate().map(|(i, &midi_note)| Note {
        midi_note,
        beat: i as f64 * f64::from(BAR),
        length_beats: 3.0,
        position: usual(midi_note),
        is_slurred: false,
    });
    Exercise::new(title, aim.into(), notes.collect())
}

/// Notes of the B-flat major scale in a register, up and down again.
fn notes_of(register: Register) -> Vec<u8> {
    // The pedals and the top as far as a tenor is asked for them by usual parts [P].
    let all = (32..=72_u8).filter(|&midi| Register::of(midi) == register && MAJOR.contains(&((midi + 2) % 12)));
    let up: Vec<u8> = all.collect();
    let down = up.iter().rev().skip(1).copied();
    up.iter().copied().chain(down).cycle().take(NUM_STARTS).collect()
}

/// One note four times in each bar, short, with a bar of rest after two: note by note until each is like the last.
#[must_use]
pub fn repeats(midi_note: u8, position: Option<SlidePosition>) -> Exercise {
    let midi_note = midi_note.clamp(28, 84);
    let position = position.or_else(|| usual(midi_note));
    let bars = [0, 1, 3, 4, 6, 7];
    let notes = bars.iter().flat_map(|&bar| {
        (0..BAR).map(move |beat| Note {
            midi_note,
            beat: f64::from(bar * BAR + beat),
            length_beats: 0.5,
            position,
            is_slurred: false,
        })
    });
    let place = position.map_or_else(String::new, |p| format!(" in position {}", words::position(&p)));
    Exercise::new(
        format!("Repeats of {}{place}", note_name(midi_note)),
        "Every start like the one before; in the bar of rest, hear the next one first.".into(),
        notes.collect(),
    )
}

/// A step from note to note, there and back, along the B-flat major scale of the middle register.
#[must_use]
pub fn steps(semitones: i8) -> Exercise {
    let from = notes_of(Register::Middle);
    let pitches: Vec<_> = from
        .iter()
        .flat_map(|&midi| [midi, midi.saturating_add_signed(semitones)])
        .map(|midi| (midi, usual(midi)))
        .collect();
    let way = if semitones < 0 { "down" } else { "up" };
    Exercise::new(
        format!("Steps {way} by {} semitones", semitones.unsigned_abs()),
        "The slide leaves at the last moment and arrives before the tongue; the second note is as clear as the first."
            .into(),
        in_a_row(&pitches, 2.0, false),
    )
}
