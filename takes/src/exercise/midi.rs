//! A sheet as a Standard MIDI File 1.0: tempo and titles, the trombone, and a click on the drum channel.

use super::{BAR, COUNT_IN_BARS, PracticeSheet};
use midly::num::{u4, u7, u15, u24, u28};
use midly::{Format, Header, MetaMessage, MidiMessage, Smf, Timing, TrackEvent, TrackEventKind};

/// Ticks of a quarter: halves and thirds of a beat are whole.
const TICKS: u16 = 480;
/// The drum channel of General MIDI, from 0, and its metronome keys: click and bell (General MIDI 1, keys 33 and 34).
const DRUMS: u8 = 9;
const CLICK: u8 = 33;
const BELL: u8 = 34;
/// The trombone of General MIDI, from 0.
const TROMBONE: u8 = 57;

type Timed<'a> = (f64, TrackEventKind<'a>);

/// The bytes of the file.
#[must_use]
pub fn midi(sheet: &PracticeSheet) -> Vec<u8> {
    let header = Header::new(Format::Parallel, Timing::Metrical(u15::new(TICKS)));
    let smf = Smf { header, tracks: vec![conductor(sheet), trombone(sheet), click(sheet)] };
    let mut bytes = Vec::new();
    // Writing to memory cannot fail but for a track over 4 GiB.
    let _ = smf.write(&mut bytes);
    bytes
}

fn meta(message: MetaMessage<'_>) -> TrackEventKind<'_> {
    TrackEventKind::Meta(message)
}

/// Events by beat, with the end of the sheet after them.
fn track<'a>(mut events: Vec<Timed<'a>>, sheet: &PracticeSheet) -> Vec<TrackEvent<'a>> {
    events.sort_by(|a, b| a.0.total_cmp(&b.0));
    events.push((f64::from(sheet.num_bars() * BAR), meta(MetaMessage::EndOfTrack)));
    let mut now = 0;
    let timed = events.into_iter().map(|(beat, kind)| {
        let tick = (beat * f64::from(TICKS)).round() as u32;
        let delta = u28::new(tick.saturating_sub(now));
        now = tick;
        TrackEvent { delta, kind }
    });
    timed.collect()
}

fn conductor(sheet: &PracticeSheet) -> Vec<TrackEvent<'_>> {
    let micros = (60e6 / sheet.bpm).round() as u32;
    let mut events = vec![
        (0.0, meta(MetaMessage::TrackName(sheet.title.as_bytes()))),
        (0.0, meta(MetaMessage::Tempo(u24::new(micros)))),
        (0.0, meta(MetaMessage::TimeSignature(BAR as u8, 2, 24, 8))),
    ];
    let markers = sheet
        .placed()
        .map(|(bar, exercise)| (f64::from(bar * BAR), meta(MetaMessage::Marker(exercise.title.as_bytes()))));
    events.extend(markers);
    track(events, sheet)
}

fn voice(channel: u8, message: MidiMessage) -> TrackEventKind<'static> {
    TrackEventKind::Midi { channel: u4::new(channel), message }
}

/// A note of a voice; it ends where the next begins, and the end comes first.
fn note(channel: u8, key: u8, velocity: u8, beat: f64, length: f64) -> [Timed<'static>; 2] {
    let key = u7::new(key);
    [
        (beat, voice(channel, MidiMessage::NoteOn { key, vel: u7::new(velocity) })),
        (beat + length, voice(channel, MidiMessage::NoteOff { key, vel: u7::new(0) })),
    ]
}

fn trombone(sheet: &PracticeSheet) -> Vec<TrackEvent<'_>> {
    let program = MidiMessage::ProgramChange { program: u7::new(TROMBONE) };
    let head = [(0.0, meta(MetaMessage::TrackName(b"Trombone"))), (0.0, voice(0, program))];
    let mut ends = Vec::new();
    let mut beginnings = Vec::new();
    for n in sheet.notes() {
        let [on, off] = note(0, n.midi_note, 80, n.beat, n.length_beats);
        beginnings.push(on);
        ends.push(off);
    }
    // A stable sort: at the same beat a note ends before the next begins.
    track(head.into_iter().chain(ends).chain(beginnings).collect(), sheet)
}

fn click(sheet: &PracticeSheet) -> Vec<TrackEvent<'_>> {
    let mut events = vec![(0.0, meta(MetaMessage::TrackName(b"Click")))];
    for beat in 0..sheet.num_bars() * BAR {
        let is_first = beat % BAR == 0;
        let key = if is_first { BELL } else { CLICK };
        let velocity = if is_first || beat < COUNT_IN_BARS * BAR { 110 } else { 80 };
        events.extend(note(DRUMS, key, velocity, f64::from(beat), 0.1));
    }
    track(events, sheet)
}
