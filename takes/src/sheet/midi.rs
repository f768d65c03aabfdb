//! Written notes from a Standard MIDI File 1.0: its pitches sound as they are.

use super::{MAX_NOTES, Sheet, SheetError, SheetNote, choose_part};
use midly::{MetaMessage, MidiMessage, Smf, Timing, TrackEvent, TrackEventKind};

/// The channel of General MIDI's drums, from 0.
const DRUMS: u8 = 9;

/// The notes of one channel of one track.
struct Voice {
    name: String,
    notes: Vec<SheetNote>,
}

pub fn parse(bytes: &[u8], part: Option<&str>) -> Result<Sheet, SheetError> {
    let smf = Smf::parse(bytes).map_err(|e| SheetError::NotNotes(e.to_string()))?;
    let Timing::Metrical(ticks) = smf.header.timing else {
        return Err(SheetError::NotNotes("a MIDI file timed in film frames".into()));
    };
    let per_beat = f64::from(ticks.as_int().max(1));
    let mut voices: Vec<Voice> = smf.tracks.iter().flat_map(|track| voices(track, per_beat)).collect();
    if voices.is_empty() {
        return Err(SheetError::NoNotes);
    }
    let names: Vec<_> = voices.iter().map(|v| (v.name.clone(), v.notes.len())).collect();
    let Voice { name, notes } = voices.swap_remove(choose_part(&names, part)?);
    let tempi = smf.tracks.iter().flat_map(|track| tempi(track, per_beat)).collect();
    let remarks = if names.len() > 1 && part.is_none() {
        vec![format!("of {} parts, {name:?} was taken", names.len())]
    } else {
        vec![]
    };
    Ok(Sheet { part: Some(name).filter(|name| !name.is_empty()), notes, tempi, remarks })
}

/// The events of a track with their beats.
fn timed<'a, 'b>(track: &'b [TrackEvent<'a>], per_beat: f64) -> impl Iterator<Item = (f64, TrackEventKind<'a>)> + 'b {
    track.iter().scan(0_u64, move |tick, event| {
        *tick += u64::from(event.delta.as_int());
        Some((*tick as f64 / per_beat, event.kind))
    })
}

fn tempi(track: &[TrackEvent<'_>], per_beat: f64) -> Vec<(f64, f64)> {
    let tempo = |(beat, kind)| match kind {
        TrackEventKind::Meta(MetaMessage::Tempo(micros)) => Some((beat, 60e6 / f64::from(micros.as_int().max(1)))),
        _ => None,
    };
    timed(track, per_beat).filter_map(tempo).collect()
}

fn voices(track: &[TrackEvent<'_>], per_beat: f64) -> Vec<Voice> {
    let mut name = String::new();
    let mut channels: Vec<(u8, Vec<SheetNote>)> = Vec::new();
    for (beat, kind) in timed(track, per_beat) {
        match kind {
            TrackEventKind::Meta(MetaMessage::TrackName(text)) => name = String::from_utf8_lossy(text).trim().into(),
            TrackEventKind::Midi { channel, message } if channel.as_int() != DRUMS => {
                let i = channels.iter().position(|(c, _)| *c == channel.as_int()).unwrap_or_else(|| {
                    channels.push((channel.as_int(), Vec::new()));
                    channels.len() - 1
                });
                take(&mut channels[i].1, beat, message);
            }
            _ => {}
        }
    }
    channels.retain(|(_, notes)| !notes.is_empty());
    channels.into_iter().map(|(_, notes)| Voice { name: name.clone(), notes }).collect()
}

fn take(notes: &mut Vec<SheetNote>, beat: f64, message: MidiMessage) {
    match message {
        MidiMessage::NoteOn { vel, .. } if vel > 0 && notes.len() >= MAX_NOTES => {}
        MidiMessage::NoteOn { key, vel } if vel > 0 => {
            let midi_note = key.as_int();
            notes.push(SheetNote { midi_note, beat, length_beats: 0.0, bar: None, is_grace: false, position: None });
        }
        MidiMessage::NoteOn { key, .. } | MidiMessage::NoteOff { key, .. } => {
            // Sounding notes are few: the search ends soon.
            let sounding =
                notes.iter_mut().rev().take(16).find(|n| n.midi_note == key.as_int() && n.length_beats == 0.0);
            if let Some(note) = sounding {
                note.length_beats = beat - note.beat;
            }
        }
        _ => {}
    }
}
