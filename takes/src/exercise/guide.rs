//! A sheet as a sound to play along to: a click with its count-in, and softly under it the pitch of every note.

use super::{BAR, COUNT_IN_BARS, PracticeSheet};
use notefront_dsp::units::midi_to_hz;
use std::f64::consts::TAU;
use std::io::Cursor;

const RATE: u32 = 48_000;
/// Level of the pitch, of a beat, of the first of a bar; full scale = 1. The pitch lies under the player's own.
const PITCH: f64 = 0.12;
const BEAT: f64 = 0.25;
const FIRST: f64 = 0.45;
/// A click: its length, s, and its pitch, Hz: far over the horn, so that it is heard and not taken for a note.
const CLICK_S: f64 = 0.02;
const CLICK_HZ: [f64; 2] = [2000.0, 3000.0];
/// The pitch fades in and out over this, s.
const FADE_S: f64 = 0.015;
/// Harmonics of the pitch, each half as strong as the one before: low notes are heard on small loudspeakers too.
const NUM_HARMONICS: u32 = 6;

/// The bytes of a WAV file, 48 kHz, 16 bits, mono.
#[must_use]
pub fn wav(sheet: &PracticeSheet) -> Vec<u8> {
    let mut out = vec![0.0; (sheet.duration_s() * f64::from(RATE)).ceil() as usize];
    let beat_s = 60.0 / sheet.bpm;
    for beat in 0..sheet.num_bars() * BAR {
        let is_first = beat % BAR == 0;
        let level = if is_first || beat < COUNT_IN_BARS * BAR { FIRST } else { BEAT };
        click(&mut out, f64::from(beat) * beat_s, CLICK_HZ[usize::from(is_first)], level);
    }
    for note in sheet.notes() {
        let hz = midi_to_hz(f64::from(note.midi_note), sheet.a4_hz);
        pitch(&mut out, note.beat * beat_s, note.length_beats * beat_s, hz);
    }
    bytes(&out)
}

fn add(out: &mut [f64], at_s: f64, length_s: f64, sound: impl Fn(f64) -> f64) {
    let from = (at_s * f64::from(RATE)).round() as usize;
    let len = (length_s * f64::from(RATE)) as usize;
    for (i, sample) in out.iter_mut().skip(from).take(len).enumerate() {
        *sample += sound(i as f64 / f64::from(RATE));
    }
}

fn click(out: &mut [f64], at_s: f64, hz: f64, level: f64) {
    add(out, at_s, CLICK_S, |t| level * (TAU * hz * t).sin() * (-t / (CLICK_S / 5.0)).exp());
}

fn pitch(out: &mut [f64], at_s: f64, length_s: f64, hz: f64) {
    add(out, at_s, length_s, |t| {
        let fade = (t / FADE_S).min((length_s - t) / FADE_S).clamp(0.0, 1.0);
        let tone: f64 =
            (1..=NUM_HARMONICS).map(|k| (TAU * hz * f64::from(k) * t).sin() / f64::from(1 << (k - 1))).sum();
        PITCH * fade * tone
    });
}

/// With 16 bits the header is the plain one, which has no mask of channels: a mono file is then nobody's left.
fn bytes(samples: &[f64]) -> Vec<u8> {
    let spec =
        hound::WavSpec { channels: 1, sample_rate: RATE, bits_per_sample: 16, sample_format: hound::SampleFormat::Int };
    let mut out = Cursor::new(Vec::new());
    let write = |out: &mut Cursor<Vec<u8>>| -> Result<(), hound::Error> {
        let mut writer = hound::WavWriter::new(out, spec)?;
        for sample in samples {
            writer.write_sample((sample.clamp(-1.0, 1.0) * 32_767.0).round() as i16)?;
        }
        writer.finalize()
    };
    // Writing to memory cannot fail but for a sound over 4 GiB.
    let _ = write(&mut out);
    out.into_inner()
}
