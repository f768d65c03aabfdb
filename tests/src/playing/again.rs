//! The same sound again: begun a little later, softer, dithered, through lossy coding, in a measured room, with a metronome.

use crate::audio::{self, Sound};
use crate::synth::{Dice, convolve};
use std::path::Path;
use std::process::{Command, Stdio};

/// What is done to a sound.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Again {
    /// So many samples of silence before it.
    Later(usize),
    /// Turned by so many dB.
    Turned(f64),
    /// Rounded to 16 bits with triangular dither.
    Dithered,
    /// Through mp3 at 128 kb/s and back, by ffmpeg.
    Mp3,
    /// In the measured room of the shared folder.
    InRoom,
    /// With a metronome that runs from before it until after it.
    WithMetronome,
}

impl Again {
    /// Nothing a listener could hear: what is said of an entrance must not change.
    pub const INAUDIBLE: [Self; 5] =
        [Self::Later(37), Self::Later(149), Self::Later(701), Self::Turned(-6.3), Self::Dithered];
    /// What a listener hears, but not as other playing.
    pub const AUDIBLE: [Self; 3] = [Self::Mp3, Self::InRoom, Self::WithMetronome];

    /// In words.
    #[must_use]
    pub fn words(self) -> String {
        match self {
            Self::Later(samples) => format!("begun {samples} samples later"),
            Self::Turned(db) => format!("turned by {db} dB"),
            Self::Dithered => "dithered to 16 bits".into(),
            Self::Mp3 => "through mp3 at 128 kb/s".into(),
            Self::InRoom => "in a seminar room".into(),
            Self::WithMetronome => "with a metronome".into(),
        }
    }

    /// The sound again, and by how much it is later, s.
    ///
    /// # Errors
    /// What it takes is not there (ffmpeg, the room), in words.
    pub fn of(self, sound: &Sound) -> Result<(Sound, f64), String> {
        let with = |samples: Vec<f32>| Sound { samples, rate_hz: sound.rate_hz };
        Ok(match self {
            Self::Later(num) => {
                let mut samples = vec![0.0; num];
                samples.extend(&sound.samples);
                (with(samples), num as f64 / sound.rate_hz)
            }
            Self::Turned(db) => {
                let gain = 10f64.powf(db / 20.0) as f32;
                (with(sound.samples.iter().map(|s| s * gain).collect()), 0.0)
            }
            Self::Dithered => (with(dithered(&sound.samples)), 0.0),
            Self::Mp3 => (through_mp3(sound)?, 0.0),
            Self::InRoom => (in_room(sound)?, 0.0),
            Self::WithMetronome => (with_metronome(sound), ALONE_S),
        })
    }
}

/// Triangular dither of two steps' width, as it is done before rounding to 16 bits.
fn dithered(samples: &[f32]) -> Vec<f32> {
    let mut dice = Dice::new(16);
    let step = 32_768.0;
    let round = |s: f32| (f64::from(s) * step + dice.within(-0.5, 0.5) + dice.within(-0.5, 0.5)).round();
    samples.iter().copied().map(round).map(|s| (s.clamp(-step, step - 1.0) / step) as f32).collect()
}

/// ffmpeg notes the coder's delay in the file and takes it off again when it decodes.
fn through_mp3(sound: &Sound) -> Result<Sound, String> {
    let folder = tempfile::tempdir().map_err(|e| e.to_string())?;
    let [wav, mp3, back] = ["in.wav", "x.mp3", "back.wav"].map(|name| folder.path().join(name));
    crate::synth::write_wav(&wav, sound).map_err(|e| e.to_string())?;
    ffmpeg(&wav, &["-c:a", "libmp3lame", "-b:a", "128k"], &mp3)?;
    ffmpeg(&mp3, &["-c:a", "pcm_s24le"], &back)?;
    audio::read(&back)
}

fn ffmpeg(from: &Path, options: &[&str], to: &Path) -> Result<(), String> {
    let mut command = Command::new("ffmpeg");
    command.args(["-v", "error", "-y", "-i"]).arg(from).args(options).arg(to).stdin(Stdio::null());
    let done = command.output().map_err(|e| format!("ffmpeg: {e}"))?;
    if done.status.success() { Ok(()) } else { Err(format!("ffmpeg: {}", String::from_utf8_lossy(&done.stderr))) }
}

/// The room's response is taken from its direct sound on, so that a place stays a place, and scaled so that the direct
/// sound stays what it was.
fn in_room(sound: &Sound) -> Result<Sound, String> {
    let path = crate::shared::folder("playing").ok_or("no shared folder with playing")?;
    let response = audio::read(&path.join("seminar-room-response.flac"))?;
    if (response.rate_hz - sound.rate_hz).abs() > 0.5 {
        return Err(format!("the room was measured at {} Hz, the sound is at {} Hz", response.rate_hz, sound.rate_hz));
    }
    let direct = (0..response.samples.len())
        .max_by(|a, b| response.samples[*a].abs().total_cmp(&response.samples[*b].abs()))
        .ok_or("an empty room response")?;
    let as_f64 = |samples: &[f32]| samples.iter().map(|s| f64::from(*s)).collect::<Vec<f64>>();
    let (dry, room) = (as_f64(&sound.samples), as_f64(&response.samples[direct..]));
    let wet: Vec<f64> = convolve(&dry, &room).take(dry.len()).collect();
    let loudest = |samples: &[f64]| samples.iter().fold(1e-9f64, |a, s| a.max(s.abs()));
    let gain = loudest(&dry) / loudest(&wet);
    Ok(Sound { samples: wet.iter().map(|s| (s * gain) as f32).collect(), rate_hz: sound.rate_hz })
}

/// The metronome runs alone for so long before the playing and after it, s.
const ALONE_S: f64 = 2.0;
/// Its beats, s, and how far its loudest lies under the loudest of the playing, dB: a telephone beside a trombone.
const BEAT_S: f64 = 60.0 / 92.0;
const METRONOME_DB: f64 = -24.0;
/// Every fourth beat is struck on a block, the others are beeps of so long, s.
const BAR: usize = 4;
const BEEP_S: f64 = 0.050;

/// The sound between two stretches of metronome alone, and the metronome under it.
fn with_metronome(sound: &Sound) -> Sound {
    let alone = vec![0.0; (ALONE_S * sound.rate_hz) as usize];
    let mut samples = [&alone[..], &sound.samples, &alone].concat();
    let loudest = sound.samples.iter().fold(0.0f32, |a, s| a.max(s.abs()));
    let gain = f64::from(loudest) * 10f64.powf(METRONOME_DB / 20.0);
    let num_beats = (samples.len() as f64 / sound.rate_hz / BEAT_S) as usize;
    for beat in 0..num_beats {
        let from = ((beat as f64 + 0.5) * BEAT_S * sound.rate_hz) as usize;
        for (i, sample) in samples[from..].iter_mut().take((0.2 * sound.rate_hz) as usize).enumerate() {
            let s = i as f64 / sound.rate_hz;
            *sample += (gain * if beat % BAR == 0 { block(s) } else { beep(s) }) as f32;
        }
    }
    Sound { samples, rate_hz: sound.rate_hz }
}

/// A wooden block: two modes that ring off.
fn block(s: f64) -> f64 {
    let mode = |hz: f64, decay_s: f64| (-s / decay_s).exp() * (std::f64::consts::TAU * hz * s).sin();
    0.6 * mode(850.0, 0.020) + 0.4 * mode(1320.0, 0.013)
}

/// A beep at B5, switched on and off within a millisecond.
fn beep(s: f64) -> f64 {
    (s / 0.001).min((BEEP_S - s) / 0.001).clamp(0.0, 1.0) * (std::f64::consts::TAU * 987.77 * s).sin()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tone() -> Sound {
        let tone = |i: usize| if i < 15_000 { 0.0 } else { (0.25 * (i as f64 * 0.03).sin()) as f32 };
        Sound { samples: (0..44_100).map(tone).collect(), rate_hz: 44_100.0 }
    }

    #[test]
    fn what_is_inaudible_stays_within_two_steps_of_16_bits() {
        let sound = tone();
        for (again, gain, most) in [
            (Again::Later(37), 1.0, 0.0),
            (Again::Turned(-6.0), 10f32.powf(-0.3), 1e-6),
            (Again::Dithered, 1.0, 2.0 / 32_768.0),
        ] {
            let (other, later_s) = again.of(&sound).expect("made");
            let shift = (later_s * sound.rate_hz).round() as usize;
            for (a, b) in sound.samples.iter().zip(&other.samples[shift..]) {
                assert!((a * gain - b).abs() <= most, "{again:?}: {a} to {b}");
            }
        }
    }

    #[test]
    fn a_metronome_runs_from_before_to_after_and_24_decibels_under() {
        let sound = tone();
        let (other, later_s) = Again::WithMetronome.of(&sound).expect("made");
        assert_eq!((later_s, other.samples.len()), (ALONE_S, sound.samples.len() + 4 * 44_100));
        let most = |of: &[f32]| of.iter().fold(0.0f32, |a, s| a.max(s.abs()));
        let (before, after) = (&other.samples[..2 * 44_100], &other.samples[3 * 44_100..]);
        for alone in [before, after] {
            let under_db = 20.0 * (most(alone) / 0.25).log10();
            assert!((under_db + 24.0).abs() < 1.0, "{under_db} dB");
        }
        let playing = other.samples[2 * 44_100..].iter().zip(&sound.samples).map(|(a, b)| (a - b).abs());
        assert!(playing.fold(0.0, f32::max) < 0.25 * 0.065, "nothing else is changed");
    }

    #[test]
    fn lossy_coding_leaves_a_sound_in_its_place() {
        let sound = tone();
        let Ok((other, _)) = Again::Mp3.of(&sound) else {
            crate::skipped::say("there is no ffmpeg with mp3");
            return;
        };
        // 1 ms: a fifth of what an entrance may move by. The coder smears the beginning of a tone by about that.
        let begins = |sound: &Sound| sound.samples.iter().position(|s| s.abs() > 0.1).map(|i| i as f64 / sound.rate_hz);
        let (before_s, after_s) = (begins(&sound).expect("a tone"), begins(&other).expect("a tone"));
        assert!((before_s - after_s).abs() < 0.001, "{before_s} s to {after_s} s");
    }
}
