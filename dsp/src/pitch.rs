//! Coarse pitch of a frame: normalised square difference (McLeod & Wyvill 2005, "A smarter way to
//! find pitch", ICMC) over a long and a short window at once. The long window holds pedals, the short
//! one follows fronts. Both autocorrelations come from one pair of complex transforms.

use crate::framer::History;
use rustfft::{Fft, FftPlanner, num_complex::Complex32};
use std::sync::Arc;

/// Long window, s: three and a half periods of E1.
const LONG_S: f64 = 0.085;
/// Short window, s: two periods of 62 Hz.
const SHORT_S: f64 = 0.032;
/// Pitch range searched, Hz: under E1 and over F5 with room for a bad day.
const RANGE_HZ: (f64, f64) = (37.0, 900.0);
/// A peak counts when it reaches this share of the highest one (McLeod's constant, tuned).
const PEAK_SHARE: f32 = 0.88;
/// Lowest pitch the short window can carry, Hz: it must hold two periods.
const SHORT_MIN_HZ: f64 = 66.0;
/// Above this pitch the long window adds nothing but blur, Hz.
const LONG_MAX_HZ: f64 = 135.0;

/// Coarse pitch of one frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CoarsePitch {
    /// Frequency, Hz.
    pub hz: f32,
    /// Periodicity 0..1: the height of the normalised square-difference peak.
    pub periodicity: f32,
}

/// Finds coarse pitches in a [`History`].
pub struct PitchFinder {
    rate_hz: f64,
    long_len: usize,
    short_len: usize,
    decimation: usize,
    forward: Arc<dyn Fft<f32>>,
    buffer: Vec<Complex32>,
    scratch: Vec<Complex32>,
    window: Vec<f32>,
    nsdf: Vec<f32>,
}

impl PitchFinder {
    /// A finder for an internal rate in Hz.
    #[must_use]
    pub fn new(internal_rate_hz: f64) -> Self {
        let decimation = if internal_rate_hz > 10_000.0 { 2 } else { 1 };
        let rate_hz = internal_rate_hz / decimation as f64;
        let long_len = (LONG_S * rate_hz) as usize;
        let max_lag = (rate_hz / RANGE_HZ.0) as usize + 2;
        let fft_len = (long_len + max_lag).next_power_of_two();
        let forward = FftPlanner::new().plan_fft_forward(fft_len);
        let scratch = vec![Complex32::default(); forward.get_inplace_scratch_len()];
        Self {
            rate_hz,
            long_len,
            short_len: (SHORT_S * rate_hz) as usize,
            decimation,
            forward,
            buffer: vec![Complex32::default(); fft_len],
            scratch,
            window: vec![0.0; long_len],
            nsdf: vec![0.0; max_lag],
        }
    }

    /// Internal samples needed on each side of a frame's centre.
    #[must_use]
    pub fn reach(&self) -> i64 {
        (self.long_len * self.decimation / 2 + 8) as i64
    }

    /// The pitch around internal sample `centre`, or `None` in silence and noise.
    pub fn find(&mut self, history: &History, centre: i64) -> Option<CoarsePitch> {
        self.load(history, centre)?;
        self.correlate();
        let long = self.pick(self.long_len, |c| c.re);
        let short = self.pick(self.short_len, |c| c.im);
        choose(long, short)
    }

    /// Decimates the stretch around `centre` by two into `window` (half-band, 7 taps).
    fn load(&mut self, history: &History, centre: i64) -> Option<()> {
        let span = self.long_len * self.decimation;
        let start = centre - span as i64 / 2;
        if self.decimation == 1 {
            self.window.copy_from_slice(history.window(start, span)?);
            return Some(());
        }
        let x = history.window(start - 3, span + 6)?;
        for (i, w) in self.window.iter_mut().enumerate() {
            let p = &x[2 * i..2 * i + 7];
            *w = 0.5 * p[3] + 0.28125 * (p[2] + p[4]) - 0.03125 * (p[0] + p[6]);
        }
        Some(())
    }

    /// Leaves the long window's autocorrelation in the real part and the short one's in the imaginary.
    fn correlate(&mut self) {
        let skip = (self.long_len - self.short_len) / 2;
        self.buffer.fill(Complex32::default());
        for (i, &x) in self.window.iter().enumerate() {
            self.buffer[i].re = x;
        }
        for i in 0..self.short_len {
            self.buffer[i].im = self.window[skip + i];
        }
        self.forward.process_with_scratch(&mut self.buffer, &mut self.scratch);
        split_powers(&mut self.buffer);
        // The power spectra are real and even, so a forward transform inverts them up to a scale.
        self.forward.process_with_scratch(&mut self.buffer, &mut self.scratch);
    }

    fn pick(&mut self, len: usize, part: impl Fn(&Complex32) -> f32) -> Option<CoarsePitch> {
        let skip = (self.long_len - len) / 2;
        let window = &self.window[skip..skip + len];
        let scale = 1.0 / self.buffer.len() as f32;
        let max_lag = self.nsdf.len().min(len / 2 + 1);
        let mut m: f64 = 2.0 * window.iter().map(|x| f64::from(x * x)).sum::<f64>();
        if m < 1e-12 * len as f64 {
            return None;
        }
        for lag in 0..max_lag {
            self.nsdf[lag] = (2.0 * f64::from(part(&self.buffer[lag]) * scale) / m.max(1e-18)) as f32;
            m -= f64::from(window[lag] * window[lag] + window[len - 1 - lag] * window[len - 1 - lag]);
        }
        let min_lag = (self.rate_hz / RANGE_HZ.1) as usize;
        let (lag, height) = first_high_peak(&self.nsdf[..max_lag], min_lag.max(2))?;
        Some(CoarsePitch { hz: (self.rate_hz / f64::from(lag)) as f32, periodicity: height.clamp(0.0, 1.0) })
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

/// The first peak that comes near the highest one, refined by a parabola: (lag, height).
fn first_high_peak(nsdf: &[f32], min_lag: usize) -> Option<(f32, f32)> {
    // The peak at lag 0 is not a period: start after its first dip under 0, or at `min_lag`.
    let start = nsdf.iter().position(|&v| v < 0.0).unwrap_or(nsdf.len()).max(min_lag);
    let is_peak = |i: usize| nsdf[i] > 0.0 && nsdf[i] >= nsdf[i - 1] && nsdf[i] > nsdf[i + 1];
    let end = nsdf.len().saturating_sub(1);
    let highest = (start..end).filter(|&i| is_peak(i)).map(|i| nsdf[i]).fold(0.0f32, f32::max);
    let lag = (start..end).find(|&i| is_peak(i) && nsdf[i] >= PEAK_SHARE * highest)?;
    let (l, c, r) = (nsdf[lag - 1], nsdf[lag], nsdf[lag + 1]);
    let curve = l - 2.0 * c + r;
    let offset = if curve < 0.0 { 0.5 * (l - r) / curve } else { 0.0 };
    Some((lag as f32 + offset, c - 0.25 * (l - r) * offset))
}

/// The short window where it can carry the pitch, the long one for low notes.
fn choose(long: Option<CoarsePitch>, short: Option<CoarsePitch>) -> Option<CoarsePitch> {
    let (long, short) = match (long, short) {
        (Some(l), Some(s)) => (l, s),
        (l, s) => return l.or(s),
    };
    let ratio = f64::from(short.hz / long.hz);
    let is_multiple = ratio > 1.5 && (ratio - ratio.round()).abs() < 0.08 * ratio.round();
    let long_is_low = f64::from(long.hz) < LONG_MAX_HZ && long.periodicity > 0.75 * short.periodicity;
    if long_is_low && (is_multiple || f64::from(short.hz) < SHORT_MIN_HZ || long.periodicity > short.periodicity) {
        return Some(long);
    }
    Some(short)
}
