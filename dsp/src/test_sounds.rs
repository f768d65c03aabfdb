//! Sounds by closed forms, what the framer makes of them, and a front that is clear: for the modules' own tests.

use crate::analyze;
use crate::entrance::{
    Articulation, CannotTell, Evidence, Front, FrontPicture, InstantUncertainty, Measure, Positions, Told,
};
use crate::framer::{Framer, History};
use crate::observe::{Frame, Frames};
use crate::settings::Settings;
use std::f64::consts::{PI, TAU};

/// Rate of the sounds, Hz \[T\].
pub const RATE_HZ: f64 = 48_000.0;

/// A sound of so many seconds, from its value at each time.
pub fn sound(seconds: f64, value: impl Fn(f64) -> f64) -> Vec<f32> {
    (0..(seconds * RATE_HZ) as usize).map(|i| value(i as f64 / RATE_HZ) as f32).collect()
}

/// A steady tone: these partials with amplitudes 1 / k, times `amplitude`.
pub fn tone(hz: f64, partials: std::ops::RangeInclusive<u32>, amplitude: f64, s: f64) -> f64 {
    amplitude * partials.map(|k| (TAU * hz * f64::from(k) * s).sin() / f64::from(k)).sum::<f64>()
}

/// A sound of so many seconds and eight partials whose pitch is `hz(time)`; its phase is the sum of that. `level` is
/// its amplitude at each time.
pub fn gliding(seconds: f64, hz: impl Fn(f64) -> f64, level: impl Fn(f64) -> f64) -> Vec<f32> {
    let mut phase = 0.0;
    let mut value = |s: f64| {
        phase += hz(s) / RATE_HZ;
        level(s) * tone(1.0, 1..=8, 0.1, phase)
    };
    (0..(seconds * RATE_HZ) as usize).map(|i| value(i as f64 / RATE_HZ) as f32).collect()
}

/// Level of a note that rises straight within `rise_s` from its beginning on and is let go within `fall_s` before its
/// end.
pub fn held(s: f64, (from, to): (f64, f64), rise_s: f64, fall_s: f64) -> f64 {
    ((s - from) / rise_s).min((to - s) / fall_s).clamp(0.0, 1.0)
}

/// A curve.
pub type Shape = fn(f64) -> f64;

/// A way for an amplitude to rise from 0 to 1 over a length of 1, and the place at which it passes a share.
pub type Rise = (Shape, Shape);

/// Straight, a raised cosine, a square, and 60 dB of exponential growth, as lips start that feed themselves.
pub const RISES: [Rise; 4] = [
    (|x| x, |share| share),
    (|x| 0.5 - 0.5 * (PI * x).cos(), |share| (1.0 - 2.0 * share).acos() / PI),
    (|x| x * x, f64::sqrt),
    (|x| if x > 0.0 { 10f64.powf(3.0 * (x - 1.0)) } else { 0.0 }, |share| 1.0 + share.log10() / 3.0),
];

/// Pitch that wavers by so many cents each way.
pub fn vibrato(hz: f64, rate_hz: f64, cents: f64, s: f64) -> f64 {
    hz * (cents / 1200.0 * (TAU * rate_hz * s).sin()).exp2()
}

/// A sound with white noise of so much power added.
pub fn with_noise(mut samples: Vec<f32>, power: f64, seed: u64) -> Vec<f32> {
    let mut hiss = noise(seed);
    samples.iter_mut().for_each(|x| *x += (power.sqrt() * hiss()) as f32);
    samples
}

/// Mean square of [`tone`] of these partials at amplitude 1.
pub fn tone_power(partials: std::ops::RangeInclusive<u32>) -> f64 {
    partials.map(|k| 0.5 / f64::from(k).powi(2)).sum()
}

/// Numbers drawn evenly from 0 to 1 (xorshift, Marsaglia 2003).
pub fn dice(seed: u64) -> impl FnMut() -> f64 {
    let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
    move || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1u64 << 53) as f64
    }
}

/// White noise of standard deviation 1 (sums of twelve uniform numbers).
pub fn noise(seed: u64) -> impl FnMut() -> f64 {
    let mut uniform = dice(seed);
    move || (0..12).map(|_| uniform()).sum::<f64>() - 6.0
}

/// The sum of a Fourier transform at one frequency, cycles per sample, term by term as it is defined.
pub fn dft(x: &[f64], freq: f64) -> (f64, f64) {
    let turn = |i: usize| -TAU * freq * i as f64;
    let sum = |part: fn(f64) -> f64| x.iter().enumerate().map(|(i, v)| v * part(turn(i))).sum::<f64>();
    (sum(f64::cos), sum(f64::sin))
}

/// The share of values of which something holds.
pub fn share_of<T>(values: &[T], holds: impl Fn(&T) -> bool) -> f64 {
    values.iter().filter(|value| holds(value)).count() as f64 / values.len() as f64
}

/// Root mean square.
pub fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt()
}

/// All of a sound as a history, and its internal rate in Hz.
pub fn history(samples: &[f32]) -> (History, f64) {
    history_at(samples, RATE_HZ)
}

/// The same of a sound at another rate, Hz.
pub fn history_at(samples: &[f32], sound_rate_hz: f64) -> (History, f64) {
    let mut framer = Framer::new(sound_rate_hz);
    let rate_hz = sound_rate_hz / framer.factor() as f64;
    let mut history = History::new(samples.len() / framer.factor() + 1);
    samples.iter().filter_map(|x| framer.push(*x)).for_each(|decimated| history.push(decimated));
    (history, rate_hz)
}

/// A sound at a rate, Hz, as a history and the frames made of it while it came: what looks at them keeps a quarter of a
/// second.
pub fn seen(samples: &[f32], sound_rate_hz: f64) -> (History, Frames) {
    let mut framer = Framer::new(sound_rate_hz);
    let mut history = History::new(samples.len() / framer.factor() + 1);
    let mut frames = Frames::new(sound_rate_hz / framer.factor() as f64);
    for decimated in samples.iter().filter_map(|x| framer.push(*x)) {
        history.push(decimated);
        frames.advance(&history);
    }
    (history, frames)
}

/// The frames of a sound.
pub fn frames(samples: &[f32]) -> Vec<Frame> {
    frames_at(samples, RATE_HZ)
}

/// The same of a sound at another rate, Hz.
pub fn frames_at(samples: &[f32], sound_rate_hz: f64) -> Vec<Frame> {
    let (_, frames) = seen(samples, sound_rate_hz);
    (0..frames.len()).map(|i| frames.get(i)).collect()
}

/// The fronts of a whole sound.
pub fn fronts(samples: &[f32]) -> Vec<Front> {
    analyze(samples, RATE_HZ, Settings::default()).expect("a usual rate and settings in range")
}

/// A measure and its uncertainty of 1.
pub fn told(value: f64) -> Told {
    Ok(Measure { value, uncertainty: 1.0 })
}

/// A front with nothing to say about it: Bb3 in first position.
pub fn clear_front() -> Front {
    Front {
        index: 0,
        sound_start_s: 1.0,
        onset_s: 1.0,
        speaks_s: 1.01,
        instant_uncertainty: InstantUncertainty { sound_start_ms: 2.0, onset_ms: 2.0, speaks_ms: 2.0 },
        end_s: None,
        midi_note: Some(58),
        settled_hz: told(233.08),
        tuning_cents: told(0.0),
        partial: Some(4),
        positions: Positions::default(),
        articulation: Articulation::Tongued,
        noise_before_tone_ms: told(0.0),
        noise_before_tone_db: Err(CannotTell::NoAir),
        approach_cents: told(0.0),
        onset_cents: told(0.0),
        speak_ms: told(10.0),
        settle_ms: told(0.0),
        attack_ms: told(20.0),
        log_attack_time: told(-1.6),
        growth_db_per_s: told(500.0),
        overshoot_db: told(0.0),
        level_db: -20.0,
        evidence: Evidence::default(),
        picture: FrontPicture::empty(),
    }
}
