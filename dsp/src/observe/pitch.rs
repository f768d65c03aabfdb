//! Pitch of a frame: the autocorrelation of a windowed stretch over that of its window (Boersma 1993, "Accurate
//! short-term analysis of the fundamental frequency and the harmonics-to-noise ratio", IFA Proceedings 17 \[M\]), over a
//! long and a short window at once. The long window holds pedals, the short one follows fronts. What lies between the
//! harmonics of a pitch counts against it by itself: the cosine of the autocorrelation is -1 there.
//!
//! The sound is low-passed and decimated to about 4 kHz once, as it comes: a lag then is a fraction of the period of the
//! highest partial left, and loud, bright notes are not read an octave low for want of a lag that fits.

use crate::framer::History;
use crate::parameters::pitch::{OCTAVE_COST, SHORT_RESERVE};
use crate::vector::dot;
use crate::window::{hann, low_pass};
use rustfft::{Fft, FftPlanner, num_complex::Complex32};
use std::sync::Arc;

/// Rate aimed at, Hz \[T\].
const RATE_HZ: f64 = 4_000.0;
/// Cut of the low-pass, Hz: the second partial of F5 \[T\].
const CUT_HZ: f64 = 1_300.0;
/// Taps each side for a unit of decimation \[T\].
const TAPS_PER_SIDE: usize = 8;
/// Long and short window, s: three periods of E1, three of 80 Hz \[T\].
const LONG_S: f64 = 0.074;
const SHORT_S: f64 = 0.038;
/// Pitch range searched, Hz: under E1 and over F5 with room for a bad day \[T\].
const RANGE_HZ: (f64, f64) = (37.0, 900.0);
/// Lowest pitch the short window can carry, Hz: it must hold two and a half periods \[T\].
const SHORT_MIN_HZ: f64 = 66.0;

/// Pitch of one frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FramePitch {
    /// Frequency, Hz.
    pub hz: f32,
    /// Periodicity 0..1: the height of the autocorrelation's peak.
    pub periodicity: f32,
}

/// A window and what its own autocorrelation takes from a lag.
struct Window {
    weights: Vec<f32>,
    per_lag: Vec<f32>,
}

/// Finds pitches in the sound it follows.
pub struct PitchFinder {
    rate_hz: f64,
    decimation: i64,
    taps: Vec<f32>,
    sound: Vec<f32>,
    made: i64,
    long: Window,
    short: Window,
    forward: Arc<dyn Fft<f32>>,
    buffer: Vec<Complex32>,
    scratch: Vec<Complex32>,
    curve: Vec<f32>,
}

/// Decimated samples kept, each written twice so that any stretch is one slice \[T\].
const KEPT: i64 = 1024;

impl PitchFinder {
    pub fn new(internal_rate_hz: f64) -> Self {
        let decimation = (internal_rate_hz / RATE_HZ).round().max(1.0);
        let rate_hz = internal_rate_hz / decimation;
        let max_lag = (rate_hz / RANGE_HZ.0) as usize + 4;
        let long_len = (LONG_S * rate_hz) as usize;
        let fft_len = (long_len + max_lag).next_power_of_two();
        let forward = FftPlanner::new().plan_fft_forward(fft_len);
        let scratch = vec![Complex32::default(); forward.get_inplace_scratch_len()];
        Self {
            rate_hz,
            decimation: decimation as i64,
            taps: low_pass(TAPS_PER_SIDE * decimation as usize, CUT_HZ / internal_rate_hz),
            sound: vec![0.0; 2 * KEPT as usize],
            made: 0,
            long: Window::new(long_len, max_lag),
            short: Window::new((SHORT_S * rate_hz) as usize, (rate_hz / SHORT_MIN_HZ) as usize + 4),
            forward,
            buffer: vec![Complex32::default(); fft_len],
            scratch,
            curve: vec![0.0; max_lag],
        }
    }

    pub fn clear(&mut self) {
        self.sound.fill(0.0);
        self.made = 0;
    }

    /// Internal samples needed after a frame's centre.
    pub fn reach(&self) -> i64 {
        (self.long.weights.len() as i64 / 2 + 2) * self.decimation + self.taps.len() as i64 / 2
    }

    /// Takes in what the history has gained.
    pub fn follow(&mut self, history: &History) {
        let half = self.taps.len() as i64 / 2;
        while self.made * self.decimation + half < history.len() {
            let start = self.made * self.decimation - half;
            let value = if start < 0 {
                // Nothing came before the first sample.
                let x = history.window(0, (self.taps.len() as i64 + start) as usize).unwrap_or_default();
                x.iter().zip(&self.taps[(-start) as usize..]).map(|(x, t)| x * t).sum()
            } else {
                history.window(start, self.taps.len()).map_or(0.0, |x| dot(x, &self.taps))
            };
            let slot = (self.made % KEPT) as usize;
            self.sound[slot] = value;
            self.sound[slot + KEPT as usize] = value;
            self.made += 1;
        }
    }

    /// The pitch around internal sample `centre`, or `None` in silence and noise.
    pub fn find(&mut self, centre: i64) -> Option<FramePitch> {
        let middle = (centre as f64 / self.decimation as f64).round() as i64;
        let num = self.long.weights.len();
        let start = middle - num as i64 / 2;
        if start < 0 {
            return None;
        }
        let slot = (start % KEPT) as usize;
        let x = &self.sound[slot..slot + num];
        let skip = (num - self.short.weights.len()) / 2;
        self.buffer.fill(Complex32::default());
        for ((b, x), w) in self.buffer.iter_mut().zip(x).zip(&self.long.weights) {
            b.re = x * w;
        }
        for ((b, x), w) in self.buffer.iter_mut().zip(&x[skip..]).zip(&self.short.weights) {
            b.im = x * w;
        }
        self.forward.process_with_scratch(&mut self.buffer, &mut self.scratch);
        split_powers(&mut self.buffer);
        // The power spectra are real and even, so a forward transform inverts them up to a scale.
        self.forward.process_with_scratch(&mut self.buffer, &mut self.scratch);
        let long = pick(&self.buffer, |c| c.re, &self.long, &mut self.curve, self.rate_hz);
        let short = pick(&self.buffer, |c| c.im, &self.short, &mut self.curve, self.rate_hz);
        choose(long, short)
    }
}

/// The short window where it carries the pitch as well as the long one does.
fn choose(long: Option<FramePitch>, short: Option<FramePitch>) -> Option<FramePitch> {
    let (Some(l), Some(s)) = (long, short) else { return long.or(short) };
    Some(if s.periodicity + SHORT_RESERVE >= l.periodicity { s } else { l })
}

impl Window {
    fn new(len: usize, num_lags: usize) -> Self {
        let weights = hann(len);
        let at = |lag: usize| f64::from(dot(&weights[..len - lag], &weights[lag..]));
        let whole = at(0);
        let per_lag = (0..num_lags.min(len / 2 + 4)).map(|lag| (whole / at(lag)) as f32).collect();
        Self { weights, per_lag }
    }
}

/// Turns the transform of `long + i short` into `|Long|^2 + i |Short|^2`.
fn split_powers(buffer: &mut [Complex32]) {
    let n = buffer.len();
    for k in 0..=n / 2 {
        let (a, b) = (buffer[k], buffer[(n - k) % n].conj());
        let long = (a + b).scale(0.5).norm_sqr();
        let short = (a - b).scale(0.5).norm_sqr();
        buffer[k] = Complex32::new(long, short);
        buffer[(n - k) % n] = buffer[k];
    }
}

/// The highest peak of one window's autocorrelation, octaves held against it.
fn pick(
    buffer: &[Complex32],
    part: impl Fn(&Complex32) -> f32,
    window: &Window,
    curve: &mut [f32],
    rate_hz: f64,
) -> Option<FramePitch> {
    let whole = part(&buffer[0]);
    if whole < 1e-10 {
        return None;
    }
    let num = window.per_lag.len().min(curve.len());
    for (lag, out) in curve[..num].iter_mut().enumerate() {
        *out = part(&buffer[lag]) / whole * window.per_lag[lag];
    }
    let curve = &curve[..num];
    let first = (rate_hz / RANGE_HZ.1) as usize;
    let mut best: Option<(f32, FramePitch)> = None;
    for lag in first.max(3)..num - 3 {
        if curve[lag] < 0.15 || curve[lag] < curve[lag - 1] || curve[lag] <= curve[lag + 1] {
            continue;
        }
        let (at, height) = peak(curve, lag);
        let score = height - OCTAVE_COST * (at / first as f32).log2();
        if best.is_none_or(|(top, _)| score > top) {
            let hz = (rate_hz / f64::from(at)) as f32;
            best = Some((score, FramePitch { hz, periodicity: height.clamp(0.0, 1.0) }));
        }
    }
    best.map(|(_, pitch)| pitch)
}

/// Place and height of the peak near a whole lag, through six points (Lagrange), which is exact enough for a curve
/// without anything over a third of its rate.
fn peak(curve: &[f32], lag: usize) -> (f32, f32) {
    let points = &curve[lag - 3..=lag + 3];
    let (mut best, mut height) = (MIDDLE, points[3]);
    let value = |eighth: usize| WEIGHTS[eighth].iter().zip(points).map(|(w, p)| w * p).sum::<f32>();
    for eighth in 1..NUM_EIGHTHS - 1 {
        let value = value(eighth);
        if value > height {
            (best, height) = (eighth, value);
        }
    }
    // A parabola through the best eighth and its neighbours.
    let (l, r) = (value(best - 1), value(best + 1));
    let bend = l - 2.0 * height + r;
    let shift = if bend < 0.0 { (0.5 * (l - r) / bend).clamp(-0.5, 0.5) } else { 0.0 };
    let at = (best as f32 - MIDDLE as f32 + shift) / 8.0;
    (lag as f32 + at, height - 0.25 * (l - r) * shift)
}

/// Eighths of a lag at which a peak is read: half a lag each side, and one more for the parabola \[T\].
const NUM_EIGHTHS: usize = 11;
const MIDDLE: usize = NUM_EIGHTHS / 2;
/// Lagrange's weights there of seven points a unit apart \[C\].
const WEIGHTS: [[f32; 7]; NUM_EIGHTHS] = lagrange();

const fn lagrange() -> [[f32; 7]; NUM_EIGHTHS] {
    let mut weights = [[1.0; 7]; NUM_EIGHTHS];
    let mut of = 0;
    while of < 7 * 7 * NUM_EIGHTHS {
        let (eighth, i, j) = (of / 49, of / 7 % 7, of % 7);
        if i != j {
            let t = (eighth as f32 - MIDDLE as f32) / 8.0;
            weights[eighth][i] *= (t - (j as f32 - 3.0)) / (i as f32 - j as f32);
        }
        of += 1;
    }
    weights
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_sounds::{RATE_HZ, history, noise, sound, tone};
    use crate::units::cents;

    /// Pitches every 5 ms over the last tenth of a second that can be looked at.
    fn pitches(samples: &[f32]) -> Vec<Option<FramePitch>> {
        let (history, rate_hz) = history(samples);
        let mut finder = PitchFinder::new(rate_hz);
        finder.follow(&history);
        let newest = history.len() - finder.reach();
        let step = (0.005 * rate_hz) as i64;
        (0..20).map(|k| finder.find(newest - k * step)).collect()
    }

    #[test]
    fn tones_from_the_lowest_pedal_to_the_top_are_heard_within_five_cents() {
        // Equal temperament, E1 (MIDI 28) to F5 (77).
        for midi in 28..=77 {
            let hz = 440.0 * ((f64::from(midi) - 69.0) / 12.0).exp2();
            for found in pitches(&sound(0.5, |s| tone(hz, 1..=8, 0.1, s))) {
                let found = found.expect("a tone");
                let off = cents(f64::from(found.hz), hz);
                // Windows of three periods leak a little between partials.
                assert!(off.abs() < 5.0 && found.periodicity > 0.90, "MIDI {midi}: {off} cents, {found:?}");
            }
        }
    }

    /// The pitch of a complex tone without its fundamental is that of the fundamental (Schouten 1940, "The residue" \[M\]).
    #[test]
    fn a_pedal_without_its_fundamental_is_heard_at_it_and_a_pure_tone_not_an_octave_low() {
        for (hz, partials) in [(58.27, 2..=12), (82.41, 2..=10), (233.08, 1..=1), (440.0, 1..=1), (622.25, 1..=2)] {
            for found in pitches(&sound(0.5, |s| tone(hz, partials.clone(), 0.1, s))) {
                let off = cents(f64::from(found.expect("a tone").hz), hz);
                assert!(off.abs() < 8.0, "{hz} Hz, partials {partials:?}: {off} cents");
            }
        }
    }

    /// Boersma 1993, eq. 4: the height of the peak is the share of the power that is periodic.
    #[test]
    fn periodicity_is_the_periodic_share_of_the_power() {
        for share in [0.5, 0.8, 0.95] {
            // Of white noise up to half the rate so much lies under the cut.
            let in_band = CUT_HZ / (0.5 * RATE_HZ);
            let amplitude = 0.05;
            let noise_power = 0.5 * amplitude * amplitude * (1.0 - share) / share / in_band;
            let mut hiss = noise(7);
            let mut samples = sound(0.6, |s| tone(196.0, 1..=1, amplitude, s));
            samples.iter_mut().for_each(|x| *x += (hiss() * noise_power.sqrt()) as f32);
            let found: Vec<f64> = pitches(&samples).into_iter().flatten().map(|p| f64::from(p.periodicity)).collect();
            let mean = found.iter().sum::<f64>() / found.len() as f64;
            // 38 ms of noise hold a hundred independent values: a tenth of its share is chance, and the highest peak is taken.
            assert!((mean - share).abs() < 0.02 + 0.2 * (1.0 - share), "{share}: {mean}");
        }
    }

    #[test]
    fn silence_has_no_pitch() {
        assert!(pitches(&sound(0.5, |_| 0.0)).iter().all(Option::is_none));
    }
}
