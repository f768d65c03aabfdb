//! A room: exponentially decaying noise, convolved with the dry sound.

use super::dice::Dice;
use rustfft::{FftPlanner, num_complex::Complex};

/// A room.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Room {
    /// Time in which its sound decays by 60 dB, s.
    pub rt60_s: f64,
    /// Level of the whole reverberation relative to the direct sound, dB.
    pub wet_db: f64,
    /// When its first sound arrives, s.
    pub delay_s: f64,
}

/// Adds the room to a sound. The direct sound is unchanged, so what is true of it stays true.
pub fn reverberate(sound: &mut [f64], rate_hz: f64, room: Room, dice: &mut Dice) {
    let tail = impulse_response(rate_hz, room, dice);
    let wet = convolve(sound, &tail);
    for (dry, wet) in sound.iter_mut().zip(wet) {
        *dry += wet;
    }
}

/// Noise falling by 60 dB in `rt60_s`, with the energy of `wet_db`.
fn impulse_response(rate_hz: f64, room: Room, dice: &mut Dice) -> Vec<f64> {
    let delay = (room.delay_s * rate_hz) as usize;
    let len = delay + (room.rt60_s * 1.1 * rate_hz) as usize;
    let fall = -6.9078 / (room.rt60_s * rate_hz);
    let mut dull = 0.0;
    let mut tail: Vec<f64> = (0..len)
        .map(|i| {
            let Some(since) = i.checked_sub(delay) else { return 0.0 };
            // Walls take the highs: one pole at about 3 kHz.
            dull += (dice.normal() - dull) * (1.0 - (-18_850.0 / rate_hz).exp());
            dull * (fall * since as f64).exp()
        })
        .collect();
    let energy: f64 = tail.iter().map(|v| v * v).sum();
    let gain = 10f64.powf(room.wet_db / 20.0) / energy.max(1e-30).sqrt();
    tail.iter_mut().for_each(|v| *v *= gain);
    tail
}

/// The convolution of two sounds, and silence after it up to a power of two.
pub fn convolve(a: &[f64], b: &[f64]) -> impl Iterator<Item = f64> + use<> {
    let len = (a.len() + b.len()).next_power_of_two();
    let mut planner = FftPlanner::new();
    let spectrum = |values: &[f64], planner: &mut FftPlanner<f64>| {
        let mut buffer: Vec<Complex<f64>> = values.iter().map(|v| Complex::new(*v, 0.0)).collect();
        buffer.resize(len, Complex::default());
        planner.plan_fft_forward(len).process(&mut buffer);
        buffer
    };
    let mut product = spectrum(a, &mut planner);
    for (x, y) in product.iter_mut().zip(spectrum(b, &mut planner)) {
        *x *= y;
    }
    planner.plan_fft_inverse(len).process(&mut product);
    product.into_iter().map(move |v| v.re / len as f64)
}
