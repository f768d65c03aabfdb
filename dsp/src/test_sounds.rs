//! Sounds by closed forms, and what the framer makes of them: for the modules' own tests.

use crate::framer::{Framer, History};
use crate::observe::{Frame, Frames};
use std::f64::consts::TAU;

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

/// A sound of so many seconds and eight partials whose pitch is `hz(time)`; its phase is the sum of that. `level` is its
/// amplitude at each time.
pub fn gliding(seconds: f64, hz: impl Fn(f64) -> f64, level: impl Fn(f64) -> f64) -> Vec<f32> {
    let mut phase = 0.0;
    let mut value = |s: f64| {
        phase += hz(s) / RATE_HZ;
        level(s) * tone(1.0, 1..=8, 0.1, phase)
    };
    (0..(seconds * RATE_HZ) as usize).map(|i| value(i as f64 / RATE_HZ) as f32).collect()
}

/// White noise of standard deviation 1 (sums of twelve uniform numbers; xorshift, Marsaglia 2003).
pub fn noise(seed: u64) -> impl FnMut() -> f64 {
    let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
    let mut uniform = move || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1u64 << 53) as f64
    };
    move || (0..12).map(|_| uniform()).sum::<f64>() - 6.0
}

/// All of a sound as a history, and its internal rate in Hz.
pub fn history(samples: &[f32]) -> (History, f64) {
    let mut framer = Framer::new(RATE_HZ);
    let rate_hz = RATE_HZ / framer.factor() as f64;
    let mut history = History::new(samples.len() / framer.factor() + 1);
    samples.iter().filter_map(|x| framer.push(*x)).for_each(|decimated| history.push(decimated));
    (history, rate_hz)
}

/// The frames of a sound.
pub fn frames(samples: &[f32]) -> Vec<Frame> {
    let (history, rate_hz) = history(samples);
    let mut frames = Frames::new(rate_hz);
    while frames.advance(&history) {}
    (0..frames.len()).map(|i| frames.get(i)).collect()
}
