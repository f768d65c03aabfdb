//! Sounds without a pitch of the horn: air, clicks, and all that must not become an entrance.

use super::curve::{bump, smoothstep};
use super::dice::Dice;
use std::f64::consts::TAU;

/// Noise between two frequencies (one pole each, 6 dB per octave) with RMS 1.
pub struct BandNoise {
    low_keep: f64,
    high_keep: f64,
    low: f64,
    high: f64,
    gain: f64,
}

impl BandNoise {
    /// Noise between `low_hz` and `high_hz` at a sample rate.
    #[must_use]
    pub fn new(low_hz: f64, high_hz: f64, rate_hz: f64) -> Self {
        let keep = |hz: f64| (-TAU * hz.min(0.45 * rate_hz) / rate_hz).exp();
        let mut noise = Self { low_keep: keep(low_hz), high_keep: keep(high_hz), low: 0.0, high: 0.0, gain: 1.0 };
        // The gain that makes the RMS 1 is measured once, on chance of its own.
        let mut dice = Dice::new(1);
        let power = (0..20_000).map(|_| noise.next(&mut dice).powi(2)).sum::<f64>() / 20_000.0;
        noise.gain = power.sqrt().recip();
        noise
    }

    /// The next sample.
    pub fn next(&mut self, dice: &mut Dice) -> f64 {
        let white = dice.normal();
        self.high = self.high_keep * self.high + (1.0 - self.high_keep) * white;
        self.low = self.low_keep * self.low + (1.0 - self.low_keep) * self.high;
        self.gain * (self.high - self.low)
    }
}

/// Something that sounds and is no entrance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Nuisance {
    /// Inhalation of a length in s.
    Breath(f64),
    /// A knock on the stand or the bell: a damped low tone.
    Knock,
    /// A page turned.
    Rustle,
    /// A voice after the last note, of a length in s: gliding pitch under moving resonances.
    Speech(f64),
    /// A click of the metronome out of the headphones.
    Click,
}

impl Nuisance {
    /// Adds it to a sound at a time in s, at a peak RMS level in dB re full scale.
    pub fn add(self, out: &mut [f64], rate_hz: f64, at_s: f64, level_db: f64, dice: &mut Dice) {
        let samples = match self {
            Self::Breath(length_s) => breath(length_s, rate_hz, dice),
            Self::Knock => knock(rate_hz, dice),
            Self::Rustle => rustle(rate_hz, dice),
            Self::Speech(length_s) => speech(length_s, rate_hz, dice),
            Self::Click => click(rate_hz),
        };
        let gain = 10f64.powf(level_db / 20.0);
        let from = (at_s * rate_hz).round().max(0.0) as usize;
        for (sum, sample) in out.iter_mut().skip(from).zip(samples) {
            *sum += gain * sample;
        }
    }
}

fn breath(length_s: f64, rate_hz: f64, dice: &mut Dice) -> Vec<f64> {
    let mut noise = BandNoise::new(500.0, 4000.0, rate_hz);
    let len = (length_s * rate_hz) as usize;
    (0..len)
        .map(|i| {
            let t = i as f64 / rate_hz;
            let shape = smoothstep(0.0, 0.3 * length_s, t) * (1.0 - smoothstep(0.85 * length_s, length_s, t));
            shape * noise.next(dice)
        })
        .collect()
}

fn knock(rate_hz: f64, dice: &mut Dice) -> Vec<f64> {
    let hz = dice.within(90.0, 240.0);
    let decay_s = dice.within(0.008, 0.02);
    (0..(0.15 * rate_hz) as usize)
        .map(|i| {
            let t = i as f64 / rate_hz;
            let body = (TAU * hz * t).sin() + 0.5 * (TAU * hz * 2.71 * t).sin();
            (body + 0.3 * dice.normal() * (-t / 0.002).exp()) * (-t / decay_s).exp()
        })
        .collect()
}

fn rustle(rate_hz: f64, dice: &mut Dice) -> Vec<f64> {
    let mut noise = BandNoise::new(1500.0, 9000.0, rate_hz);
    let bursts: Vec<(f64, f64)> = (0..7).map(|_| (dice.within(0.05, 0.65), dice.within(0.02, 0.07))).collect();
    (0..(0.7 * rate_hz) as usize)
        .map(|i| {
            let t = i as f64 / rate_hz;
            bursts.iter().map(|(centre, half)| bump(*centre, *half, t)).sum::<f64>() * noise.next(dice)
        })
        .collect()
}

/// Voiced syllables: pulses at a gliding 95 to 170 Hz through two moving resonances, with gaps.
fn speech(length_s: f64, rate_hz: f64, dice: &mut Dice) -> Vec<f64> {
    let len = (length_s * rate_hz) as usize;
    let pitch = dice.wander(len, rate_hz.recip(), 1.5, 1.0);
    let formant = dice.wander(len, rate_hz.recip(), 4.0, 1.0);
    let syllable_hz = dice.within(3.0, 4.5);
    let mut phase = 0.0f64;
    let mut resonators = [Resonator::default(), Resonator::default()];
    (0..len)
        .map(|i| {
            let t = i as f64 / rate_hz;
            phase += 125.0 * (0.12 * pitch[i]).exp2() * (1.0 - 0.25 * t / length_s) / rate_hz;
            let voiced = (TAU * syllable_hz * t).sin().max(0.0).sqrt();
            let pulse = (1.0 - phase.fract() * 4.0).max(0.0) + 0.02 * dice.normal();
            let first = resonators[0].next(pulse, 500.0 * (0.4 * formant[i]).exp2(), 90.0, rate_hz);
            let second = resonators[1].next(pulse, 1500.0 * (-0.4 * formant[i]).exp2(), 140.0, rate_hz);
            voiced * (first + 0.5 * second)
        })
        .collect()
}

#[derive(Default)]
struct Resonator([f64; 2]);

impl Resonator {
    /// Two poles at `hz` with a bandwidth in Hz, gain about 1 at the peak.
    fn next(&mut self, input: f64, hz: f64, bandwidth_hz: f64, rate_hz: f64) -> f64 {
        let radius = (-std::f64::consts::PI * bandwidth_hz / rate_hz).exp();
        let turn = TAU * hz.min(0.45 * rate_hz) / rate_hz;
        let gain = (1.0 - radius) * 2.0 * turn.sin().max(0.05);
        let out = gain * input + 2.0 * radius * turn.cos() * self.0[0] - radius * radius * self.0[1];
        self.0 = [out, self.0[0]];
        out
    }
}

fn click(rate_hz: f64) -> Vec<f64> {
    (0..(0.03 * rate_hz) as usize)
        .map(|i| {
            let t = i as f64 / rate_hz;
            (TAU * 1000.0 * t).sin() * (-t / 0.006).exp()
        })
        .collect()
}

/// Adds the floor: noise between 40 Hz and 8 kHz, and mains hum with four harmonics. Levels are RMS, dB re full scale.
pub fn add_floor(out: &mut [f64], rate_hz: f64, floor_db: f64, hum_hz: f64, hum_db: f64, dice: &mut Dice) {
    let mut noise = BandNoise::new(40.0, 8000.0, rate_hz);
    let floor = 10f64.powf(floor_db / 20.0);
    let hum = 10f64.powf(hum_db / 20.0);
    for (i, sample) in out.iter_mut().enumerate() {
        let turn = TAU * hum_hz * i as f64 / rate_hz;
        let mains: f64 = (1..=4).map(|k| (f64::from(k) * turn + f64::from(k)).sin() / f64::from(k)).sum();
        *sample += floor * noise.next(dice) + hum * mains;
    }
}
