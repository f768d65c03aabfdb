//! A whole take: tones and nuisances in a room, rendered and with its truth, and as files.

use super::dice::Dice;
use super::horn::{Player, render_tone};
use super::measure::note_truths;
use super::noise::{Nuisance, add_floor};
use super::room::{Room, reverberate};
use super::score::{Attack, Start, Tone};
use super::shape::plan;
use crate::audio::Sound;
use crate::truth::TakeTruth;
use std::io::{Seek, SeekFrom, Write};
use std::path::Path;

/// Everything that sounds in a take.
#[derive(Debug, Clone, PartialEq)]
pub struct Scene {
    /// Kind, as written in the truth.
    pub kind: String,
    /// Tempo, beats per minute.
    pub bpm: f64,
    /// First beat, s.
    pub grid_start_s: f64,
    /// True when the notes are played to the beat, so that the truth tells their timing.
    pub timed: bool,
    /// Length, s.
    pub duration_s: f64,
    /// Who plays.
    pub player: Player,
    /// The tones, in order, not overlapping.
    pub tones: Vec<Tone>,
    /// (time in s, level in dB, what).
    pub nuisances: Vec<(f64, f64, Nuisance)>,
    /// The room, if it is heard.
    pub room: Option<Room>,
    /// RMS of the floor, dB.
    pub floor_db: f64,
    /// Frequency in Hz and level in dB of the mains hum.
    pub hum: (f64, f64),
}

/// The highest sample of a made take, so that a 24-bit file holds it without clipping.
const HIGHEST_SAMPLE: f64 = 0.95;
/// Level of an audible inhalation, dB.
const INHALE_DB: f64 = -42.0;

impl Scene {
    /// The sound and its truth at a sample rate in Hz.
    #[must_use]
    pub fn make(&self, rate_hz: f64, seed: u64) -> (Sound, TakeTruth) {
        let mut dice = Dice::new(seed);
        let mut out = vec![0.0; (self.duration_s * rate_hz) as usize];
        let mut entrances = Vec::new();
        for tone in &self.tones {
            let plan = plan(tone, &self.player, &mut dice.fork());
            render_tone(&mut out, rate_hz, tone, &plan, &self.player, &mut dice.fork());
            self.add_inhalation(&mut out, rate_hz, tone, plan.instants[0].sound_start_s, &mut dice.fork());
            entrances.extend(note_truths(tone, &plan));
        }
        if let Some(room) = self.room {
            reverberate(&mut out, rate_hz, room, &mut dice.fork());
        }
        for (at_s, level_db, nuisance) in &self.nuisances {
            nuisance.add(&mut out, rate_hz, *at_s, *level_db, &mut dice.fork());
        }
        add_floor(&mut out, rate_hz, self.floor_db, self.hum.0, self.hum.1, &mut dice.fork());
        if self.timed {
            entrances.iter_mut().for_each(|note| note.timing_ms = Some(self.timing_ms(note.speaks_s)));
        }
        (Sound { samples: to_full_scale(&out), rate_hz }, self.truth(rate_hz, entrances))
    }

    fn truth(&self, rate_hz: f64, entrances: Vec<crate::truth::NoteTruth>) -> TakeTruth {
        let judged = ["split", "stutter", "smear", "airy", "below", "above", "slow", "hard", "held-breath"];
        TakeTruth {
            kind: self.kind.clone(),
            bpm: self.bpm,
            grid_start_s: self.grid_start_s,
            sample_rate_hz: rate_hz,
            a4_hz: 440.0,
            judged: judged.map(str::to_owned).to_vec(),
            entrances,
        }
    }

    /// Distance from the nearest beat, ms.
    fn timing_ms(&self, speaks_s: f64) -> f64 {
        let beat_s = 60.0 / self.bpm;
        let beats = (speaks_s - self.grid_start_s) / beat_s;
        (beats - beats.round()) * beat_s * 1e3
    }

    fn add_inhalation(&self, out: &mut [f64], rate_hz: f64, tone: &Tone, sound_start_s: f64, dice: &mut Dice) {
        let Start::Attack(Attack { inhaled_before_ms: Some(ms), .. }) = tone.notes[0].start else { return };
        let length_s = dice.within(0.3, 0.45);
        let at_s = sound_start_s - ms / 1e3 - length_s;
        Nuisance::Breath(length_s).add(out, rate_hz, at_s, INHALE_DB, dice);
    }
}

/// Turned down only when it would clip: levels in dB stay what they were asked to be where they can.
fn to_full_scale(out: &[f64]) -> Vec<f32> {
    let highest = out.iter().fold(0.0f64, |a, v| a.max(v.abs()));
    let gain = (HIGHEST_SAMPLE / highest.max(1e-9)).min(1.0);
    out.iter().map(|v| (v * gain) as f32).collect()
}

/// Writes `NAME.wav` (24 bit, mono) and `NAME.truth.json` into a folder.
///
/// # Errors
/// Whatever keeps a file from being written, in words.
pub fn write_take(folder: &Path, name: &str, sound: &Sound, truth: &TakeTruth) -> Result<(), String> {
    let path = folder.join(format!("{name}.wav"));
    write_wav(&path, sound).map_err(|e| format!("{}: {e}", path.display()))?;
    let path = folder.join(format!("{name}.truth.json"));
    let json = serde_json::to_string_pretty(truth).map_err(|e| e.to_string())?;
    std::fs::write(&path, json).map_err(|e| format!("{}: {e}", path.display()))
}

/// Where the channel mask stands in the header of a file of 24 bits (WAVEFORMATEXTENSIBLE, Microsoft \[S\]): after RIFF,
/// size, WAVE, `fmt `, size, 16 bytes of plain format, the size of what follows and the valid bits.
const MASK_AT: u64 = 40;
/// One channel is the front centre; the library writes front left, which encoders of AAC refuse.
const FRONT_CENTRE: u32 = 0x4;

/// Writes a WAV file of 24 bits, mono.
///
/// # Errors
/// The file cannot be written.
pub fn write_wav(path: &Path, sound: &Sound) -> Result<(), hound::Error> {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: sound.rate_hz.round() as u32,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec)?;
    for sample in &sound.samples {
        writer.write_sample((f64::from(*sample) * 8_388_607.0).round() as i32)?;
    }
    writer.finalize()?;
    let mut file = std::fs::File::options().write(true).open(path)?;
    file.seek(SeekFrom::Start(MASK_AT))?;
    file.write_all(&FRONT_CENTRE.to_le_bytes())?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_channel_is_the_front_centre() {
        let path = std::env::temp_dir().join(format!("notefront-mask-{}.wav", std::process::id()));
        let sound = Sound { rate_hz: 48_000.0, samples: vec![0.25; 480] };
        write_wav(&path, &sound).expect("room");
        let bytes = std::fs::read(&path).expect("just written");
        let field = |at: usize, len: usize| bytes[at..at + len].iter().rev().fold(0, |n, &b| n << 8 | u32::from(b));
        assert_eq!((field(20, 2), field(22, 2), field(40, 4)), (0xFFFE, 1, 4), "extensible, one channel, front centre");
        let reader = hound::WavReader::open(&path).expect("a WAV file");
        assert_eq!(reader.spec().channels, 1);
        assert_eq!(reader.into_samples::<i32>().count(), 480);
        std::fs::remove_file(path).expect("ours");
    }
}
