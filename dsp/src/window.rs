//! The window and the low-pass that framing and observing share.

use std::f64::consts::{PI, TAU};

/// Hann window of `len` samples: the middles of `len` equal parts of its arch.
#[must_use]
pub fn hann(len: usize) -> Vec<f32> {
    (0..len).map(|i| hann_at(i, len)).collect()
}

/// Weight of sample `i` in a Hann window of `len` samples.
#[must_use]
pub fn hann_at(i: usize, len: usize) -> f32 {
    (0.5 - 0.5 * (TAU * (i as f64 + 0.5) / len as f64).cos()) as f32
}

/// Taps of a windowed-sinc low-pass (Blackman): `half` on each side of the middle one, `cut` as a share of the sample
/// rate, unit gain at DC.
#[must_use]
pub fn low_pass(half: usize, cut: f64) -> Vec<f32> {
    let taps: Vec<f64> = (0..=2 * half)
        .map(|i| {
            let t = i as f64 - half as f64;
            let sinc = if t == 0.0 { 2.0 * cut } else { (2.0 * PI * cut * t).sin() / (PI * t) };
            let u = PI * t / (half as f64 + 1.0);
            sinc * (0.42 + 0.5 * u.cos() + 0.08 * (2.0 * u).cos())
        })
        .collect();
    let sum: f64 = taps.iter().sum();
    taps.iter().map(|t| (t / sum) as f32).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn a_hann_window_has_the_powers_of_its_law() {
        // Sum of w is N / 2, of w squared 3 N / 8 (Harris 1978, table 1: coherent gain 0.50, noise bandwidth 1.50 bins).
        let window = hann(512);
        assert_abs_diff_eq!(window.iter().sum::<f32>(), 256.0, epsilon = 1e-2);
        assert_abs_diff_eq!(window.iter().map(|w| w * w).sum::<f32>(), 192.0, epsilon = 1e-2);
    }

    #[test]
    fn a_low_pass_passes_what_lies_under_its_cut_and_halves_the_cut() {
        let taps = low_pass(48, 0.1);
        let gain = |freq: f64| {
            let at = |i: usize| f64::from(taps[i]) * (TAU * freq * (i as f64 - 48.0)).cos();
            (0..taps.len()).map(at).sum::<f64>()
        };
        // Blackman's main lobe is 6 bins wide and its first side lobe lies at -58 dB (Harris 1978): the step of the
        // windowed sinc keeps to 74 dB outside its width, 0.03 of the rate each side here.
        assert_abs_diff_eq!(gain(0.0), 1.0, epsilon = 1e-6);
        assert_abs_diff_eq!(gain(0.06), 1.0, epsilon = 2e-3);
        assert_abs_diff_eq!(gain(0.1), 0.5, epsilon = 2e-3);
        assert_abs_diff_eq!(gain(0.14), 0.0, epsilon = 2e-3);
    }
}
