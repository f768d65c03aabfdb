//! The spectrum in bands of an eighth of a whole tone, and how it changes.
//!
//! Spectral rise with a maximum over neighbouring bands, so that vibrato is no rise: Böck & Widmer 2013,
//! "Maximum filter vibrato suppression for onset detection", DAFx \[M\].

use crate::framer::History;
use crate::vector::dot;
use crate::window::hann;
use rustfft::{Fft, FftPlanner, num_complex::Complex32};
use std::sync::Arc;

/// Window, s \[F\].
const WINDOW_S: f64 = 0.023;
/// Bands: so many an octave, from this frequency up to this one, Hz \[F\].
const BANDS_PER_OCTAVE: f64 = 24.0;
const BANDS_HZ: (f64, f64) = (60.0, 4_900.0);
/// High bands begin, low ones end here, Hz \[F\].
const HIGH_HZ: f64 = 960.0;
const LOW_HZ: f64 = 340.0;
/// The rise is taken against the spectrum so many frames earlier: 15 ms \[F\].
const LAG_FRAMES: usize = 6;
/// ... and so many frames earlier, 40 ms, where a room or a slur spreads it \[F\].
const LONG_LAG_FRAMES: usize = 16;
/// Spectra compared for the change: frames from .. to on each side \[F\].
const NEAR_FRAMES: usize = 4;
const FAR_FRAMES: usize = 14;
/// Spectra on a side \[F\].
const SUMMED: usize = FAR_FRAMES - NEAR_FRAMES;
/// The change is known this many frames later \[F\].
pub const AHEAD_FRAMES: i64 = FAR_FRAMES as i64 - 1;
/// Nothing under this share of the loudest band of the last seconds is looked at (-74 dB) \[F\].
const FLOOR_SHARE: f32 = 2e-4;
/// The loudest is forgotten by half in this time, s \[F\].
const FORGET_S: f64 = 3.0;
/// Spectra kept \[T\].
const KEPT: usize = 32;

/// What a spectrum shows.
#[derive(Debug, Clone, Copy)]
pub struct Shown {
    pub level_db: f32,
    pub high_db: f32,
    pub rise: [f32; 3],
    pub long_rise: f32,
    pub fall: f32,
    /// The change around the frame [`AHEAD_FRAMES`] earlier.
    pub change_before: f32,
}

struct Band {
    first: usize,
    weights: Vec<f32>,
}

/// A spectrum in bands.
#[derive(Clone)]
struct Spectrum {
    /// Logarithm of the bands.
    log: Vec<f32>,
    /// The most of each band and its neighbours: what a pitch that only wavers does not rise over.
    widest: Vec<f32>,
    /// The bands, so that their squares add up to one.
    unit: Vec<f32>,
    /// The sum of these over this frame and those before it, [`SUMMED`] in all.
    sum: Vec<f32>,
    /// Sum of its squares.
    sum_squares: f32,
}

/// Reads spectra out of the history, two frames at a time.
pub struct SpectrumReader {
    window: Vec<f32>,
    forward: Arc<dyn Fft<f32>>,
    buffer: Vec<Complex32>,
    scratch: Vec<Complex32>,
    magnitude: [Vec<f32>; 2],
    bands: Vec<Band>,
    low_end: usize,
    high_begin: usize,
    level_bins: (usize, usize),
    high_bin: usize,
    kept: Vec<Spectrum>,
    loudest: f32,
    forget: f32,
    num: usize,
}

impl SpectrumReader {
    pub fn new(rate_hz: f64) -> Self {
        let len = ((WINDOW_S * rate_hz).round() as usize) | 1;
        let fft_len = (2 * len).next_power_of_two();
        let forward = FftPlanner::new().plan_fft_forward(fft_len);
        let scratch = vec![Complex32::default(); forward.get_inplace_scratch_len()];
        let bands = bands(rate_hz, fft_len);
        let num = bands.len();
        let place = |hz: f64| ((hz / BANDS_HZ.0).log2() * BANDS_PER_OCTAVE).round() as usize;
        let bin = |hz: f64| (hz / rate_hz * fft_len as f64).round() as usize;
        let level_bins = (bin(BANDS_HZ.0), bin(BANDS_HZ.1.min(0.42 * rate_hz)));
        let ends = bands.iter().map(|band| band.first + band.weights.len());
        let num_bins = ends.fold(level_bins.1 + 1, usize::max);
        Self {
            window: hann(len),
            forward,
            buffer: vec![Complex32::default(); fft_len],
            scratch,
            magnitude: [vec![0.0; num_bins], vec![0.0; num_bins]],
            low_end: place(LOW_HZ).min(num),
            high_begin: place(HIGH_HZ).min(num - 1),
            level_bins,
            high_bin: bin(HIGH_HZ),
            bands,
            kept: vec![Spectrum::silent(num); KEPT],
            loudest: 0.0,
            forget: (-super::HOP_S / FORGET_S).exp2() as f32,
            num: 0,
        }
    }

    pub fn clear(&mut self) {
        self.kept.iter_mut().for_each(Spectrum::clear);
        self.loudest = 0.0;
        self.num = 0;
    }

    /// Internal samples needed after a frame's centre.
    pub fn reach(&self) -> i64 {
        self.window.len() as i64 / 2 + 1
    }

    pub fn read(&mut self, history: &History, centres: [i64; 2]) -> [Shown; 2] {
        self.transform(history, centres);
        [self.show(0), self.show(1)]
    }

    /// Both frames in one complex transform.
    fn transform(&mut self, history: &History, centres: [i64; 2]) {
        let len = self.window.len();
        self.buffer.fill(Complex32::default());
        for (side, centre) in centres.into_iter().enumerate() {
            let start = centre - len as i64 / 2;
            let skip = (history.first() - start).max(0) as usize;
            let Some(x) = history.window(start + skip as i64, len.saturating_sub(skip)) else { continue };
            for ((b, x), w) in self.buffer[skip..].iter_mut().zip(x).zip(&self.window[skip..]) {
                let value = x * w;
                if side == 0 { b.re = value } else { b.im = value }
            }
        }
        self.forward.process_with_scratch(&mut self.buffer, &mut self.scratch);
        let n = self.buffer.len();
        let [first, second] = &mut self.magnitude;
        // One frame went in as the real part, one as the imaginary: their spectra are the parts that mirror with the same and
        // with the opposite sign.
        let mirrored = std::iter::once(0).chain((1..n).rev()).map(|k| self.buffer[k].conj());
        for (((a, b), first), second) in self.buffer.iter().zip(mirrored).zip(first).zip(second) {
            *first = (a + b).norm_sqr().sqrt() * 0.5;
            *second = (a - b).norm_sqr().sqrt() * 0.5;
        }
    }

    fn show(&mut self, side: usize) -> Shown {
        let slot = self.num % KEPT;
        let magnitude = &self.magnitude[side];
        let (from, to) = self.level_bins;
        let power_of = |bins: &[f32]| bins.iter().map(|m| m * m).sum::<f32>();
        let high = power_of(&magnitude[self.high_bin..=to]);
        let power = high + power_of(&magnitude[from..self.high_bin]);
        let Spectrum { log, widest, unit, .. } = &mut self.kept[slot];
        for (band, out) in self.bands.iter().zip(unit.iter_mut()) {
            *out = band.weights.iter().zip(&magnitude[band.first..]).map(|(w, m)| w * m).sum();
        }
        let top = unit.iter().copied().fold(0.0f32, f32::max);
        self.loudest = (self.loudest * self.forget).max(top).max(1e-7);
        let floor = FLOOR_SHARE * self.loudest;
        unit.iter_mut().for_each(|u| *u += floor);
        for (l, u) in log.iter_mut().zip(unit.iter()) {
            *l = log10(*u);
        }
        fill_widest(widest, log);
        let scale = 1.0 / (1e-30 + dot(unit, unit)).sqrt();
        unit.iter_mut().for_each(|u| *u *= scale);
        let (rise, fall) = self.rise_and_fall();
        let change_before = self.change();
        let long_rise = self.long_rise();
        self.num += 1;
        let db = |power: f32| 10.0 * (power + 1e-20).log10() - self.level_offset();
        Shown { level_db: db(power), high_db: db(high), rise, long_rise, fall, change_before }
    }

    /// Brings the level of the windowed spectrum to that of the sound, dB.
    fn level_offset(&self) -> f32 {
        // Parseval: the sum over half of the bins is half of N times the window's energy (3/8 of its length) times power.
        10.0 * (0.5 * self.buffer.len() as f32 * 0.375 * self.window.len() as f32).log10()
    }

    /// The spectrum so many frames before this one.
    fn back(&self, num_frames: usize) -> &Spectrum {
        &self.kept[(self.num + KEPT - num_frames) % KEPT]
    }

    fn rise_and_fall(&self) -> ([f32; 3], f32) {
        if self.num < LAG_FRAMES {
            return ([0.0; 3], 0.0);
        }
        let (now, then) = (self.back(0), self.back(LAG_FRAMES));
        let rise = |from: usize, to: usize| sum_over(&now.log[from..to], &then.widest[from..to]);
        let (num, high, low) = (now.log.len(), self.high_begin, self.low_end);
        let (low_rise, middle_rise, high_rise) = (rise(0, low), rise(low, high), rise(high, num));
        let rises =
            [(low_rise + middle_rise + high_rise) / num as f32, high_rise / (num - high) as f32, low_rise / low as f32];
        (rises, sum_over(&then.log, &now.log) / num as f32)
    }

    fn long_rise(&self) -> f32 {
        if self.num < LONG_LAG_FRAMES {
            return 0.0;
        }
        let (now, then) = (self.back(0), self.back(LONG_LAG_FRAMES));
        let inner = 1..now.log.len() - 1;
        sum_over(&now.log[inner.clone()], &then.widest[inner.clone()]) / inner.len() as f32
    }

    /// One less the likeness of the mean spectra before and after the frame [`AHEAD_FRAMES`] earlier.
    fn change(&mut self) -> f32 {
        self.sum_up();
        if self.num < 2 * FAR_FRAMES {
            return 0.0;
        }
        // What lies after a frame was before another one, so much later.
        let (before, after) = (self.back(NEAR_FRAMES + FAR_FRAMES - 1), self.back(0));
        let both = (before.sum_squares * after.sum_squares).sqrt();
        1.0 - dot(&before.sum, &after.sum) / (1e-20 + both)
    }

    /// The sum of the last unit spectra, kept with the newest.
    fn sum_up(&mut self) {
        let slot = self.num % KEPT;
        let mut sum = std::mem::take(&mut self.kept[slot].sum);
        sum.fill(0.0);
        for back in 0..SUMMED.min(self.num + 1) {
            add(&mut sum, &self.back(back).unit);
        }
        self.kept[slot].sum_squares = dot(&sum, &sum);
        self.kept[slot].sum = sum;
    }
}

impl Spectrum {
    fn silent(num: usize) -> Self {
        Self {
            log: vec![0.0; num],
            widest: vec![0.0; num],
            unit: vec![0.0; num],
            sum: vec![0.0; num],
            sum_squares: 0.0,
        }
    }

    fn clear(&mut self) {
        for values in [&mut self.log, &mut self.widest, &mut self.unit, &mut self.sum] {
            values.fill(0.0);
        }
        self.sum_squares = 0.0;
    }
}

/// Of each value and its neighbours the most.
fn fill_widest(widest: &mut [f32], values: &[f32]) {
    let last = values.len() - 1;
    for (w, v) in widest[1..last].iter_mut().zip(values.windows(3)) {
        *w = v[0].max(v[1]).max(v[2]);
    }
    widest[0] = values[0].max(values[1]);
    widest[last] = values[last - 1].max(values[last]);
}

/// By how much values lie over others, summed.
fn sum_over(values: &[f32], others: &[f32]) -> f32 {
    /// \[T\]
    const LANES: usize = 8;
    let mut sums = [0.0f32; LANES];
    for (v, o) in values.chunks(LANES).zip(others.chunks(LANES)) {
        for (sum, (v, o)) in sums.iter_mut().zip(v.iter().zip(o)) {
            *sum += (v - o).max(0.0);
        }
    }
    sums.iter().sum()
}

fn add(sum: &mut [f32], values: &[f32]) {
    for (s, v) in sum.iter_mut().zip(values) {
        *s += v;
    }
}

/// Triangles over the bins; a band narrower than a bin reads the nearest one between its neighbours.
fn bands(rate_hz: f64, fft_len: usize) -> Vec<Band> {
    let bin_hz = rate_hz / fft_len as f64;
    let top_hz = BANDS_HZ.1.min(0.42 * rate_hz);
    let at = |i: f64| BANDS_HZ.0 * (i / BANDS_PER_OCTAVE).exp2();
    let num = ((top_hz / BANDS_HZ.0).log2() * BANDS_PER_OCTAVE) as usize;
    (0..num).map(|i| band(at(i as f64 - 1.0) / bin_hz, at(i as f64) / bin_hz, at(i as f64 + 1.0) / bin_hz)).collect()
}

/// A triangle from `low` over `middle` to `high`, in bins.
fn band(low: f64, middle: f64, high: f64) -> Band {
    let height = |bin: f64| ((bin - low) / (middle - low)).min((high - bin) / (high - middle)).max(0.0);
    let first = low.ceil() as usize;
    let weights: Vec<f32> = (first..=high.floor() as usize).map(|b| height(b as f64) as f32).collect();
    if weights.iter().sum::<f32>() > 0.5 {
        return Band { first, weights };
    }
    let below = middle.floor();
    Band { first: below as usize, weights: vec![(below + 1.0 - middle) as f32, (middle - below) as f32] }
}

/// Logarithm to base 10, good to 2e-5: a polynomial over the mantissa, so that the compiler can vectorise it.
fn log10(x: f32) -> f32 {
    let bits = x.to_bits();
    let exponent = ((bits >> 23) as i32 - 127) as f32;
    let m = f32::from_bits((bits & 0x007f_ffff) | 0x3f80_0000) - 1.0;
    // log2(1 + m) / m by Chebyshev polynomials up to the fifth on 0..1.
    let log2 = m * (1.442669 + m * (-0.720177 + m * (0.468034 + m * (-0.301059 + m * (0.144693 + m * (-0.034179))))));
    (exponent + log2) * std::f32::consts::LOG10_2
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_fast_logarithm_is_one() {
        for i in 1..2000 {
            let x = i as f32 * 1.7e-3;
            assert!((log10(x) - x.log10()).abs() < 2e-5, "{x}: {} {}", log10(x), x.log10());
        }
    }

    #[test]
    fn a_flat_spectrum_is_read_flat() {
        // Neighbouring triangles add up to one wherever bands are wider than a bin, and 24 an octave are from 2.4 kHz on.
        let bands = bands(12_000.0, 1024);
        let weight = |bin: usize| -> f32 {
            let of = |b: &Band| bin.checked_sub(b.first).and_then(|i| b.weights.get(i)).copied().unwrap_or(0.0);
            bands.iter().map(of).sum()
        };
        for hz in (2400..4600).step_by(100) {
            let bin = (f64::from(hz) / 12_000.0 * 1024.0) as usize;
            assert!((weight(bin) - 1.0).abs() < 1e-4, "{hz} Hz: {}", weight(bin));
        }
    }

    #[test]
    fn the_widest_of_three_stays_inside() {
        let mut widest = [0.0; 4];
        fill_widest(&mut widest, &[4.0, 1.0, 2.0, 3.0]);
        assert_eq!(widest, [4.0, 4.0, 3.0, 3.0]);
    }
}
