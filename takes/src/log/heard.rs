//! A sound heard once more for the log: by what it is known again, and what the room and the microphone made of it.

use crate::audio_file::{AudioFile, ChannelChoice, ReadError};
use notefront_dsp::Front;
use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};
use sha2::{Digest, Sha256};
use std::path::Path;
use std::sync::Arc;

/// Length of a look at the sound, s; rounded to a power of two samples.
const WINDOW_S: f64 = 0.046;
/// Lower ends of the bands, an octave each, Hz: from over the hum to where a horn still sounds.
const BANDS_HZ: [f64; 5] = [180.0, 360.0, 720.0, 1440.0, 2880.0];
/// The quiet between the notes: this quantile of the looks' levels. A take without rests has no quiet to hear, and its
/// softest playing stands there.
const QUIET_QUANTILE: f64 = 0.05;
/// Looks within this of the quiet, and of the loudest twentieth, are averaged for the tilt, dB.
const NEAR_DB: f64 = 6.0;
/// The level of digital silence, dB re full scale: softer is not told apart.
const SILENCE_DB: f64 = -120.0;
/// Fewest looks that tell of a room: two seconds \[H\].
const MIN_LOOKS: usize = 43;

/// What is known of a sound beside its entrances.
#[derive(Debug, Clone, PartialEq)]
pub struct HeardSound {
    /// SHA-256 over the rate and the samples that were judged.
    pub fingerprint: [u8; 32],
    /// The quiet between the notes and its colour; `None` for less than two seconds of sound.
    pub room: Option<Room>,
}

impl HeardSound {
    /// What stands for a sound that is not at hand, such as a pass of the insert: the same measured fronts are the same sound.
    /// Nothing is known of its room.
    #[must_use]
    pub fn of_fronts<'a>(rate_hz: f64, fronts: impl Iterator<Item = &'a Front>) -> Self {
        let mut hash = Sha256::new();
        hash.update(rate_hz.to_le_bytes());
        for front in fronts {
            // To a millionth, as a project keeps them.
            let figures = [front.sound_start_s, front.onset_s, front.speaks_s, front.level_db];
            figures.iter().for_each(|figure| hash.update(((figure * 1e6).round() as i64).to_le_bytes()));
        }
        Self { fingerprint: hash.finalize().into(), room: None }
    }
}

/// Room and microphone as far as they are heard.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Room {
    /// Level of the quiet, dB re full scale.
    pub floor_db: f64,
    /// How its spectrum falls, dB an octave; `None` under digital silence.
    pub floor_tilt_db: Option<f64>,
    /// How that of the playing falls, dB an octave.
    pub tone_tilt_db: Option<f64>,
}

/// One look: the level, and the power in each band.
struct Look {
    level_db: f64,
    bands: [f32; BANDS_HZ.len()],
}

/// Listens to a stream of samples.
pub struct Listener {
    hash: Sha256,
    fft: Arc<dyn Fft<f32>>,
    rate_hz: f64,
    window: Vec<f32>,
    pending: Vec<f32>,
    looks: Vec<Look>,
}

impl Listener {
    /// A listener to a signal at a rate in Hz.
    #[must_use]
    pub fn new(rate_hz: f64) -> Self {
        let len = ((rate_hz * WINDOW_S) as usize).next_power_of_two().clamp(64, 1 << 16);
        let hann = |i: usize| 0.5 - 0.5 * (std::f32::consts::TAU * i as f32 / len as f32).cos();
        let mut hash = Sha256::new();
        hash.update(rate_hz.to_le_bytes());
        Self {
            hash,
            fft: FftPlanner::new().plan_fft_forward(len),
            rate_hz,
            window: (0..len).map(hann).collect(),
            pending: Vec::with_capacity(len),
            looks: Vec::new(),
        }
    }

    /// Takes the next samples, in blocks of any length.
    pub fn push(&mut self, block: &[f32]) {
        for sample in block {
            self.hash.update(sample.to_bits().to_le_bytes());
            self.pending.push(if sample.is_finite() { *sample } else { 0.0 });
            if self.pending.len() == self.window.len() {
                self.look();
            }
        }
    }

    fn look(&mut self) {
        let power = self.pending.iter().map(|&x| f64::from(x) * f64::from(x)).sum::<f64>() / self.pending.len() as f64;
        let mut spectrum: Vec<Complex<f32>> =
            self.pending.iter().zip(&self.window).map(|(x, w)| Complex::new(x * w, 0.0)).collect();
        self.fft.process(&mut spectrum);
        let bin = |hz: f64| (hz * self.window.len() as f64 / self.rate_hz) as usize;
        let half = self.window.len() / 2;
        let bands = BANDS_HZ.map(|from| {
            let (from, to) = (bin(from).min(half), bin(2.0 * from).min(half));
            spectrum[from..to].iter().map(|c| c.norm_sqr()).sum::<f32>()
        });
        self.looks.push(Look { level_db: (10.0 * power.log10()).max(SILENCE_DB), bands });
        self.pending.clear();
    }

    /// What was heard.
    #[must_use]
    pub fn finish(self) -> HeardSound {
        let room = room(&self.looks, self.rate_hz);
        HeardSound { fingerprint: self.hash.finalize().into(), room }
    }
}

/// Listens to a whole file, read in blocks.
///
/// # Errors
/// A file that cannot be read.
pub fn of_file(path: &Path, channel: ChannelChoice) -> Result<HeardSound, ReadError> {
    let mut file = AudioFile::open(path, channel)?;
    let mut listener = Listener::new(file.sample_rate_hz());
    while let Some(block) = file.next_block()? {
        listener.push(block);
    }
    Ok(listener.finish())
}

fn room(looks: &[Look], rate_hz: f64) -> Option<Room> {
    if looks.len() < MIN_LOOKS {
        return None;
    }
    let mut levels: Vec<f64> = looks.iter().map(|look| look.level_db).collect();
    levels.sort_by(f64::total_cmp);
    let at = |quantile: f64| levels[(quantile * (levels.len() - 1) as f64).round() as usize];
    let (floor_db, loud_db) = (at(QUIET_QUANTILE), at(1.0 - QUIET_QUANTILE));
    let quiet = looks.iter().filter(|look| look.level_db <= floor_db + NEAR_DB);
    let loud = looks.iter().filter(|look| look.level_db >= loud_db - NEAR_DB);
    let tells = |db: f64| db > SILENCE_DB;
    Some(Room {
        floor_db,
        floor_tilt_db: tells(floor_db).then(|| tilt(quiet, rate_hz)).flatten(),
        tone_tilt_db: tells(loud_db).then(|| tilt(loud, rate_hz)).flatten(),
    })
}

/// The least-squares fall of the band levels over the octaves, dB an octave; bands over half the rate do not count.
fn tilt<'a>(looks: impl Iterator<Item = &'a Look>, rate_hz: f64) -> Option<f64> {
    let mut sums = [0.0_f64; BANDS_HZ.len()];
    for look in looks {
        for (sum, band) in sums.iter_mut().zip(look.bands) {
            *sum += f64::from(band);
        }
    }
    let points: Vec<(f64, f64)> = (0..sums.len())
        .filter(|&i| 2.0 * BANDS_HZ[i] < rate_hz / 2.0 && sums[i] > 0.0)
        .map(|i| (i as f64, 10.0 * sums[i].log10()))
        .collect();
    (points.len() >= 3).then(|| crate::statistics::slope(&points)).flatten()
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE_HZ: f64 = 48_000.0;

    fn heard(samples: &[f32], block: usize) -> HeardSound {
        let mut listener = Listener::new(RATE_HZ);
        samples.chunks(block).for_each(|block| listener.push(block));
        listener.finish()
    }

    fn noise(seed: u64, rms: f32, seconds: f64) -> Vec<f32> {
        let mut dice = fastrand::Rng::with_seed(seed);
        // A uniform number over +-1 has an RMS of 1 / sqrt(3).
        (0..(RATE_HZ * seconds) as usize).map(|_| (2.0 * dice.f32() - 1.0) * rms * 3f32.sqrt()).collect()
    }

    #[test]
    fn a_sound_is_known_again_in_any_blocks_and_by_one_sample() {
        let sound = noise(1, 0.1, 3.0);
        assert_eq!(heard(&sound, 512), heard(&sound, 7919));
        let mut other = sound.clone();
        other[70_000] += 1e-4;
        assert_ne!(heard(&sound, 512).fingerprint, heard(&other, 512).fingerprint);
        assert_ne!(heard(&sound, 512).fingerprint, heard(&sound[1..], 512).fingerprint);
    }

    #[test]
    fn measured_fronts_stand_for_a_sound_that_is_not_at_hand() {
        let take = crate::fixtures::take();
        let of = |rate_hz: f64, by_s: f64| {
            let mut fronts: Vec<Front> = take.entrances.iter().map(|e| e.front).collect();
            fronts[2].speaks_s += by_s;
            HeardSound::of_fronts(rate_hz, fronts.iter()).fingerprint
        };
        assert_eq!(of(RATE_HZ, 0.0), of(RATE_HZ, 1e-8), "a project rounds");
        assert_ne!(of(RATE_HZ, 0.0), of(RATE_HZ, 1e-4));
        assert_ne!(of(RATE_HZ, 0.0), of(44_100.0, 0.0));
    }

    #[test]
    fn white_noise_rises_3_db_an_octave_in_octave_bands() {
        // An octave holds twice the width of the one below, so white noise has twice the power in it: 3.01 dB \[C\].
        let room = heard(&noise(2, 0.01, 5.0), 1024).room.expect("five seconds");
        assert!((room.floor_db + 40.0).abs() < 0.5, "{room:?}");
        assert!((room.floor_tilt_db.expect("it sounds") - 3.01).abs() < 0.3, "{room:?}");
    }

    #[test]
    fn the_quiet_is_heard_between_the_notes() {
        let mut sound = noise(3, 0.001, 6.0);
        for (i, x) in sound.iter_mut().enumerate().take(4 * RATE_HZ as usize) {
            *x += 0.3 * (std::f32::consts::TAU * 233.08 * i as f32 / RATE_HZ as f32).sin();
        }
        let room = heard(&sound, 4096).room.expect("six seconds");
        assert!((room.floor_db + 60.0).abs() < 0.7, "{room:?}");
        assert!(room.tone_tilt_db.is_some_and(|tilt| tilt < -5.0), "one harmonic falls off: {room:?}");
    }

    #[test]
    fn silence_nothing_and_no_numbers_do_no_harm() {
        assert_eq!(heard(&[], 1).room, None);
        let silent = heard(&vec![0.0; 200_000], 1000).room.expect("four seconds");
        assert_eq!((silent.floor_db, silent.floor_tilt_db), (SILENCE_DB, None));
        let odd = vec![f32::NAN; 200_000];
        assert_eq!(heard(&odd, 333).room.expect("four seconds").floor_db, SILENCE_DB);
    }
}
