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
    use crate::test_sounds::{dft, history, noise, share_of, sound, tone, tone_power, with_noise};
    use crate::units::power_to_db;

    #[test]
    fn the_fast_logarithm_is_one() {
        for i in 1..2000 {
            let x = i as f32 * 1.7e-3;
            assert!((log10(x) - x.log10()).abs() < 2e-5, "{x}: {} {}", log10(x), x.log10());
        }
    }

    #[test]
    fn a_flat_spectrum_is_read_flat() {
        // Neighbouring triangles add up to one wherever bands are wider than a bin, and 24 an octave are from 2.4 kHz
        // on.
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

    /// What is shown at 2.5 ms steps over all of a sound, from 50 ms on.
    fn shown(samples: &[f32]) -> Vec<Shown> {
        let (history, rate_hz) = history(samples);
        let mut reader = SpectrumReader::new(rate_hz);
        let hop = super::super::HOP_S * rate_hz;
        let mut all = Vec::new();
        let centre = |i: usize| (i as f64 * hop).round() as i64;
        while centre(all.len() + 21) + reader.reach() <= history.len() {
            all.extend(reader.read(&history, [centre(all.len() + 20), centre(all.len() + 21)]));
        }
        all
    }

    /// Place among those of a time, s.
    fn place(s: f64) -> usize {
        ((s - 0.05) / super::super::HOP_S).round() as usize
    }

    /// Two real windows in one complex transform, against the transform of each as it is defined.
    #[test]
    fn both_spectra_of_one_transform_are_those_of_their_windows() {
        let (history, rate_hz) = history(&with_noise(sound(0.3, |s| tone(233.08, 1..=9, 0.1, s)), 1e-4, 5));
        let mut reader = SpectrumReader::new(rate_hz);
        let centres = [1_500, 1_530];
        reader.transform(&history, centres);
        let len = reader.window.len();
        for (centre, magnitude) in centres.into_iter().zip(&reader.magnitude) {
            let x = history.window(centre - len as i64 / 2, len).expect("inside");
            let windowed: Vec<f64> = x.iter().zip(&reader.window).map(|(x, w)| f64::from(x * w)).collect();
            for bin in (0..magnitude.len()).step_by(7) {
                let (re, im) = dft(&windowed, bin as f64 / reader.buffer.len() as f64);
                assert!((f64::from(magnitude[bin]) - re.hypot(im)).abs() < 1e-5, "bin {bin} at {centre}");
            }
        }
    }

    /// Parseval: the power of the bins is that of the sound, wherever in the band it lies.
    #[test]
    fn levels_are_those_of_tones_all_over_the_band_and_of_noise() {
        for hz in [100.0, 233.0, 700.0, 1_300.0, 2_500.0, 4_000.0] {
            let one = shown(&sound(0.3, |s| tone(hz, 1..=1, 0.1, s)))[40];
            // A Hann window of 23 ms spills a little under 60 Hz.
            assert!((f64::from(one.level_db) + 23.01).abs() < 0.15, "{hz} Hz: {one:?}");
            let is_high = hz > HIGH_HZ;
            assert_eq!((one.high_db - one.level_db).abs() < 0.1, is_high, "{hz} Hz: {one:?}");
        }
        let hiss = with_noise(vec![0.0; 24_000], 1e-4, 9);
        let all = shown(&hiss);
        let mean = |of: fn(&Shown) -> f32| {
            all.iter().map(|s| 10f64.powf(f64::from(of(s)) / 10.0)).sum::<f64>() / all.len() as f64
        };
        // White noise of 24 kHz: 60 to 4900 Hz hold their share of it, and 960 to 4900.
        for (level, (from, to)) in [(mean(|s| s.level_db), (60.0, 4_900.0)), (mean(|s| s.high_db), (960.0, 4_900.0))] {
            let wanted = power_to_db(1e-4 * (to - from) / 24_000.0);
            assert!((power_to_db(level) - wanted).abs() < 0.5, "{} and not {wanted}", power_to_db(level));
        }
    }

    /// All bands ten times as strong, at once: each rises by one in log10 of amplitude, and the 15 ms window sees all
    /// of it.
    #[test]
    fn a_rise_of_20_decibels_is_a_rise_of_one_in_every_band() {
        // 90 partials alike of 50 Hz, which lie in every band of the spectrum.
        let partials = |s: f64| {
            (1..=90).map(|k| (std::f64::consts::TAU * 50.0 * f64::from(k) * s + f64::from(k * k)).cos()).sum::<f64>()
        };
        let all = shown(&sound(0.8, |s| partials(s) * if s < 0.4 { 1e-4 } else { 1e-3 }));
        let most = |of: &dyn Fn(&Shown) -> f32, from: f64, to: f64| {
            all[place(from)..place(to)].iter().map(of).fold(0.0, f32::max)
        };
        for part in 0..3 {
            let rise = most(&|s| s.rise[part], 0.38, 0.44);
            // Neighbouring bands, of which the strongest counts before, differ by the ripple of partials in a window.
            assert!((0.75..1.05).contains(&rise), "part {part}: {rise}");
        }
        assert!((0.75..1.05).contains(&most(&|s| s.long_rise, 0.38, 0.46)));
        assert!(most(&|s| s.fall, 0.38, 0.44) < 0.2, "nothing falls");
        let back = shown(&sound(0.8, |s| partials(s) * if s < 0.4 { 1e-3 } else { 1e-4 }));
        let fall = back[place(0.38)..place(0.44)].iter().map(|s| s.fall).fold(0.0, f32::max);
        assert!((0.9..1.1).contains(&fall), "{fall}");
    }

    /// The change is one less the cosine of the angle between spectra: 0 of the same, 1 of what shares no band.
    #[test]
    fn the_change_is_nothing_of_the_same_and_all_of_another() {
        let low = |s: f64| tone(300.0, 1..=1, 0.1, s);
        let high = |s: f64| tone(3_000.0, 1..=1, 0.1, s);
        let most =
            |sound: Vec<f32>| shown(&sound)[place(0.3)..place(0.6)].iter().map(|s| s.change_before).fold(0.0, f32::max);
        assert!(most(sound(0.8, low)) < 1e-3);
        assert!(most(sound(0.8, |s| if s < 0.4 { low(s) } else { high(s) })) > 0.97);
        // Twice as loud is the same spectrum.
        assert!(most(sound(0.8, |s| low(s) * if s < 0.4 { 0.5 } else { 1.0 })) < 0.02);
    }

    #[test]
    fn rises_and_changes_are_the_same_however_loud() {
        let made = |gain: f64| {
            let mut hiss = noise(3);
            sound(0.6, |s| gain * tone(if s < 0.3 { 174.61 } else { 233.08 }, 1..=9, 0.1, s))
                .into_iter()
                .map(|x| x + (gain * 1e-4 * hiss()) as f32)
                .collect::<Vec<f32>>()
        };
        let (loud, soft) = (shown(&made(1.0)), shown(&made(1.0 / 64.0)));
        for (a, b) in loud.iter().zip(&soft) {
            let pairs = [
                (a.rise[0], b.rise[0]),
                (a.long_rise, b.long_rise),
                (a.fall, b.fall),
                (a.change_before, b.change_before),
            ];
            assert!(pairs.iter().all(|(a, b)| (a - b).abs() < 1e-3), "{a:?} {b:?}");
            assert!((a.level_db - b.level_db - 36.12).abs() < 0.01, "64 times is 36.12 dB");
        }
    }

    #[test]
    fn nothing_shows_in_silence_and_a_cleared_reader_is_new() {
        let all = shown(&[0.0; 24_000]);
        assert_eq!(share_of(&all, |s| s.rise == [0.0; 3] && s.fall == 0.0 && s.change_before.abs() < 1e-5), 1.0);
        assert!(all.iter().all(|s| s.level_db.is_finite() && s.level_db < -150.0));
        let (history, rate_hz) = history(&with_noise(sound(0.4, |s| tone(233.08, 1..=9, 0.1, s)), 1e-5, 7));
        let mut reader = SpectrumReader::new(rate_hz);
        let mut run = || {
            let told: Vec<[Shown; 2]> =
                (0..60).map(|i| reader.read(&history, [1_000 + 60 * i, 1_030 + 60 * i])).collect();
            reader.clear();
            format!("{told:?}")
        };
        assert_eq!(run(), run());
        assert!(tone_power(1..=1) == 0.5, "a sine of amplitude 1");
    }

    #[test]
    fn each_band_is_a_triangle_about_its_own_frequency() {
        let bands = bands(12_000.0, 1024);
        assert!(bands.len() > 140, "{} bands, 24 an octave from 60 to 4900 Hz", bands.len());
        for (i, band) in bands.iter().enumerate() {
            let own = 60.0 * (i as f64 / 24.0).exp2() / 12_000.0 * 1024.0;
            let weights: f64 = band.weights.iter().map(|w| f64::from(*w)).sum();
            let middle =
                band.weights.iter().zip(band.first..).map(|(w, bin)| f64::from(*w) * bin as f64).sum::<f64>() / weights;
            // A triangle over a few bins is read at whole ones.
            assert!((middle - own).abs() < 0.35, "band {i}: {middle}, and not {own}");
            assert!(band.weights.iter().all(|w| (0.0..=1.0).contains(w)) && weights > 0.5, "band {i}");
        }
    }
}
