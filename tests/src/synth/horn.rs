//! From curves to sound: a trombone-like tone whose brightness follows its level.
//!
//! The harmonics are scaled so that their RMS is the level curve exactly: what was planned is what sounds.

use super::curve::STEP_S;
use super::dice::Dice;
use super::noise::BandNoise;
use super::score::{Attack, Start, Tone};
use super::shape::TonePlan;

/// A player with a horn: what stays the same through a take.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Player {
    /// Slope of the spectrum at fortissimo, dB per octave.
    pub slope_db: f64,
    /// How much steeper the slope gets per dB below fortissimo.
    pub softening: f64,
    /// Breath noise in the tone, dB relative to it.
    pub breath_db: f64,
    /// Random pitch wander, cents (standard deviation).
    pub jitter_cents: f64,
    /// Random level wander, dB (standard deviation).
    pub shimmer_db: f64,
    /// 20 % to 90 % of the usual attack, in ms, for low and high notes: lowest and highest.
    pub attack_ms: (f64, f64),
    /// The mouthpiece alone: no bell.
    pub mouthpiece: bool,
    /// By which recipe the tone is made.
    pub recipe: Recipe,
}

/// How a tone is made of its level and pitch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Recipe {
    /// A slope in dB per octave under the bell's curve; pitch wander under 12 Hz.
    Slope,
    /// Harmonics flat up to a corner that rises with the level, steep above it, each a few dB off of its own; a slow
    /// drift of the pitch and a fast flutter.
    Corner,
}

impl Recipe {
    /// Where harmonics begin to fall, Hz at fortissimo, and by how much it sinks per dB under it, octaves \[H\].
    const CORNER: (f64, f64) = (1400.0, 0.07);
    /// How much single harmonics stand out of the curve, dB.
    const UNEVEN_DB: f64 = 5.0;
    /// Drift and flutter: corner in Hz, share of the player's jitter.
    const DRIFT: (f64, f64) = (2.0, 2.0);
    /// See [`Self::DRIFT`].
    const FLUTTER: (f64, f64) = (45.0, 0.7);
}

/// Fortissimo, RMS dB re full scale.
const FORTISSIMO_DB: f64 = -10.0;
/// Harmonics are made up to here, Hz, and up to this number.
const HIGHEST_HZ: f64 = 9000.0;
const MAX_HARMONICS: usize = 64;
/// Spectrum is renewed this often, s.
const SPECTRUM_EVERY_S: f64 = 0.002;

impl Player {
    /// A player drawn from chance.
    #[must_use]
    pub fn any(dice: &mut Dice) -> Self {
        let quickest_ms = dice.within(11.0, 20.0);
        Self {
            slope_db: dice.within(1.5, 4.0),
            softening: dice.within(0.1, 0.3),
            breath_db: dice.within(-52.0, -38.0),
            jitter_cents: dice.within(0.3, 1.0),
            shimmer_db: dice.within(0.1, 0.4),
            attack_ms: (quickest_ms, quickest_ms * dice.within(1.5, 2.2)),
            mouthpiece: false,
            recipe: Recipe::Slope,
        }
    }

    /// Random wander of the pitch, cents, point by point of a curve.
    #[must_use]
    pub fn jitter(&self, len: usize, dice: &mut Dice) -> Vec<f64> {
        let mut wander =
            |(corner_hz, share): (f64, f64)| dice.wander(len, STEP_S, corner_hz, share * self.jitter_cents);
        match self.recipe {
            Recipe::Slope => wander((12.0, 1.0)),
            Recipe::Corner => {
                let (drift, flutter) = (wander(Recipe::DRIFT), wander(Recipe::FLUTTER));
                drift.iter().zip(flutter).map(|(slow, fast)| slow + fast).collect()
            }
        }
    }

    /// Level of a harmonic at `hz`, dB, before scaling.
    fn spectrum_db(&self, harmonic: f64, hz: f64, dynamic_db: f64) -> f64 {
        let softness_db = (FORTISSIMO_DB - dynamic_db).max(0.0);
        if self.recipe == Recipe::Corner {
            return corner_db(harmonic, hz, softness_db);
        }
        let slope_db = self.slope_db + self.softening * softness_db;
        let bell = if self.mouthpiece { 0.0 } else { bell_db(hz) };
        bell - slope_db * harmonic.log2()
    }
}

/// The other recipe's spectrum: four poles at a corner that follows the level, and harmonics that stand out of it by an
/// amount of their own, the same for every note (an uneven spectrum is uneven everywhere).
fn corner_db(harmonic: f64, hz: f64, softness_db: f64) -> f64 {
    let (corner_hz, octaves_per_db) = Recipe::CORNER;
    let corner_hz = corner_hz * (-octaves_per_db * softness_db).exp2();
    let uneven = Recipe::UNEVEN_DB * (harmonic * 2.399_963).sin();
    uneven - 20.0 * (1.0 + (hz / corner_hz).powi(4)).sqrt().log10()
}

/// What the bell lets out, dB: weak under its cutoff, strongest near 550 Hz, falling above 1.5 kHz \[P\].
fn bell_db(hz: f64) -> f64 {
    let weak_low = -4.0 * (200.0 / hz).log2().max(0.0);
    let strongest = 6.0 * (-((hz / 550.0).log2() / 0.8).powi(2)).exp();
    let falling_high = -5.0 * (hz / 1500.0).log2().max(0.0);
    weak_low + strongest + falling_high
}

/// Adds a planned tone to a sound.
pub fn render_tone(out: &mut [f64], rate_hz: f64, tone: &Tone, plan: &TonePlan, player: &Player, dice: &mut Dice) {
    let from = (plan.level.start_s.max(0.0) * rate_hz) as usize;
    let to = ((plan.level.end_s() * rate_hz) as usize).min(out.len());
    let mut oscillator = Oscillator::new(plan, player, rate_hz, dice);
    let mut breath = BandNoise::new(400.0, 5000.0, rate_hz);
    let breath_gain = 10f64.powf(player.breath_db / 20.0);
    for (i, sample) in out.iter_mut().enumerate().take(to).skip(from) {
        let t = i as f64 / rate_hz;
        let level = plan.level.at(t);
        let air = breath_gain * level + plan.air.at(t);
        *sample += level * oscillator.next(t, level) + air * breath.next(dice);
    }
    add_tongue(out, rate_hz, tone, plan, dice);
}

/// A click of 4 ms at the onset, and the burst of a hard attack.
fn add_tongue(out: &mut [f64], rate_hz: f64, tone: &Tone, plan: &TonePlan, dice: &mut Dice) {
    let Start::Attack(Attack { tongue_db: Some(db), .. }) = tone.notes[0].start else { return };
    let gain = plan.instants[0].peak * 10f64.powf(db / 20.0);
    let mut noise = BandNoise::new(1000.0, 6000.0, rate_hz);
    let from = (plan.instants[0].onset_s * rate_hz) as usize;
    for (i, sample) in out.iter_mut().skip(from).take((0.02 * rate_hz) as usize).enumerate() {
        *sample += gain * noise.next(dice) * (-(i as f64) / (0.004 * rate_hz)).exp();
    }
}

struct Oscillator<'a> {
    plan: &'a TonePlan,
    player: &'a Player,
    rate_hz: f64,
    turn: f64,
    phases: Vec<(f64, f64)>,
    weights: Vec<f64>,
    steps: Vec<f64>,
    left: usize,
}

impl<'a> Oscillator<'a> {
    fn new(plan: &'a TonePlan, player: &'a Player, rate_hz: f64, dice: &mut Dice) -> Self {
        let phases = (0..MAX_HARMONICS).map(|_| dice.within(0.0, std::f64::consts::TAU).sin_cos()).collect();
        let none = vec![0.0; MAX_HARMONICS];
        Self { plan, player, rate_hz, turn: 0.0, phases, weights: none.clone(), steps: none, left: 0 }
    }

    /// The next sample of the harmonics, RMS 1.
    fn next(&mut self, t: f64, level: f64) -> f64 {
        let hz = self.plan.hz.at(t);
        if self.left == 0 {
            self.renew_spectrum(hz, level);
        }
        self.left -= 1;
        self.turn = (self.turn + hz / self.rate_hz).fract();
        let (sin, cos) = (self.turn * std::f64::consts::TAU).sin_cos();
        let (mut re, mut im) = (1.0, 0.0);
        let mut sum = 0.0;
        for ((weight, step), (phase_sin, phase_cos)) in self.weights.iter_mut().zip(&self.steps).zip(&self.phases) {
            (re, im) = (re * cos - im * sin, re * sin + im * cos);
            *weight += step;
            sum += *weight * (im * phase_cos + re * phase_sin);
        }
        sum
    }

    /// Aims the weights at the spectrum of this pitch and level, to be reached after [`SPECTRUM_EVERY_S`].
    fn renew_spectrum(&mut self, hz: f64, level: f64) {
        let aims = self.aims(hz, level);
        let first = self.weights.iter().all(|w| *w == 0.0);
        self.left = (SPECTRUM_EVERY_S * self.rate_hz).ceil() as usize;
        for ((weight, step), aim) in self.weights.iter_mut().zip(&mut self.steps).zip(aims) {
            if first {
                *weight = aim;
            }
            *step = (aim - *weight) / self.left as f64;
        }
    }

    fn aims(&self, hz: f64, level: f64) -> Vec<f64> {
        let highest_hz = HIGHEST_HZ.min(0.45 * self.rate_hz);
        let dynamic_db = 20.0 * level.max(1e-6).log10();
        let mut aims: Vec<f64> = (1..=MAX_HARMONICS)
            .map(|k| {
                let at_hz = k as f64 * hz;
                if at_hz > highest_hz {
                    return 0.0;
                }
                10f64.powf(self.player.spectrum_db(k as f64, at_hz, dynamic_db) / 20.0)
            })
            .collect();
        let rms = (aims.iter().map(|a| a * a).sum::<f64>() / 2.0).sqrt();
        aims.iter_mut().for_each(|a| *a /= rms);
        aims
    }
}
