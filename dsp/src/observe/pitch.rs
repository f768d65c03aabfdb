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
use std::f64::consts::TAU;
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
    between: Between,
}

/// Decimated samples kept, each written twice so that any stretch is one slice \[T\].
const KEPT: i64 = 1024;

impl PitchFinder {
    pub fn new(internal_rate_hz: f64) -> Self {
        let decimation = (internal_rate_hz / RATE_HZ).round().max(1.0);
        let rate_hz = internal_rate_hz / decimation;
        let max_lag = (rate_hz / RANGE_HZ.0) as usize + 1 + REACH;
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
            short: Window::new((SHORT_S * rate_hz) as usize, (rate_hz / SHORT_MIN_HZ) as usize + 1 + REACH),
            forward,
            buffer: vec![Complex32::default(); fft_len],
            scratch,
            curve: vec![0.0; max_lag],
            between: between_lags(),
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
        let long = pick(&self.buffer, |c| c.re, &self.long, &mut self.curve, &self.between, self.rate_hz);
        let short = pick(&self.buffer, |c| c.im, &self.short, &mut self.curve, &self.between, self.rate_hz);
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
    between: &Between,
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
    for lag in first..num - REACH {
        if curve[lag] < 0.15 || curve[lag] < curve[lag - 1] || curve[lag] <= curve[lag + 1] {
            continue;
        }
        let (at, height) = peak(curve, lag, between);
        let score = height - OCTAVE_COST * (at / first as f32).log2();
        if best.is_none_or(|(top, _)| score > top) {
            let hz = (rate_hz / f64::from(at)) as f32;
            best = Some((score, FramePitch { hz, periodicity: height.clamp(0.0, 1.0) }));
        }
    }
    best.map(|(_, pitch)| pitch)
}

/// Place and height of the peak near a whole lag, read between the lags by `between`. The curve goes on before lag 0 as it does
/// after it.
fn peak(curve: &[f32], lag: usize, between: &Between) -> (f32, f32) {
    let points: [f32; POINTS] = std::array::from_fn(|i| curve[(lag + i).abs_diff(REACH)]);
    let (mut best, mut height) = (MIDDLE, points[REACH]);
    let value = |eighth: usize| between[eighth].iter().zip(&points).map(|(w, p)| w * p).sum::<f32>();
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
/// Points each side from which the curve is read between its lags, and all of them \[T\].
const REACH: usize = 5;
const POINTS: usize = 2 * REACH + 1;

/// Weights of the points at each eighth.
type Between = [[f32; POINTS]; NUM_EIGHTHS];

/// The weights with which the points tell best what lies under [`HIGHEST`], in the mean of squares. Polynomials through as
/// many lose a tenth of a partial at a quarter of the rate and four tenths at a third, and a bright note falls an octave.
fn between_lags() -> Between {
    // The mean over the band of two cosines' product, so many lags apart.
    let alike = |apart: f64| {
        let turn = TAU * HIGHEST * apart;
        if turn.abs() < 1e-9 { 1.0 } else { turn.sin() / turn }
    };
    let place = |i: usize| i as f64 - REACH as f64;
    std::array::from_fn(|eighth| {
        let at = (eighth as f64 - MIDDLE as f64) / 8.0;
        let row = |i: usize| std::array::from_fn(|j| alike(place(i) - place(j)) + if i == j { NOISE } else { 0.0 });
        let weights = solve(std::array::from_fn(row), std::array::from_fn(|i| alike(place(i) - at)));
        weights.map(|w| w as f32)
    })
}

/// Highest frequency between the lags, share of their rate: where the low-pass ends \[C\].
const HIGHEST: f64 = 0.35;
/// What single precision adds to a point, share of power \[C\].
const NOISE: f64 = 1e-6;

/// Solves a symmetric, positive system by elimination.
fn solve(mut a: [[f64; POINTS]; POINTS], mut x: [f64; POINTS]) -> [f64; POINTS] {
    for i in 0..POINTS {
        for k in i + 1..POINTS {
            let share = a[k][i] / a[i][i];
            let pivot = a[i];
            a[k].iter_mut().zip(pivot).for_each(|(x, p)| *x -= share * p);
            x[k] -= share * x[i];
        }
    }
    for i in (0..POINTS).rev() {
        let known: f64 = (i + 1..POINTS).map(|j| a[i][j] * x[j]).sum();
        x[i] = (x[i] - known) / a[i][i];
    }
    x
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_sounds::{RATE_HZ, history, noise, sound, tone};
    use crate::test_sounds::{dft, dice, gliding, share_of, vibrato, with_noise};
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

    /// The pitch of a complex tone without its fundamental is that of the fundamental (Schouten 1940, "The residue"
    /// \[M\]).
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
            // 38 ms of noise hold a hundred independent values: a tenth of its share is chance, and the highest peak is
            // taken.
            assert!((mean - share).abs() < 0.02 + 0.2 * (1.0 - share), "{share}: {mean}");
        }
    }

    #[test]
    fn silence_has_no_pitch() {
        assert!(pitches(&sound(0.5, |_| 0.0)).iter().all(Option::is_none));
    }

    /// The autocorrelation of a Hann window in closed form (Boersma 1993, eq. 8 \[M\]).
    #[test]
    fn what_a_window_takes_from_a_lag_is_its_own_autocorrelation() {
        for len in [152, 296] {
            let window = Window::new(len, len / 2 + 4);
            for (lag, per_lag) in window.per_lag.iter().enumerate() {
                let u = lag as f64 / len as f64;
                let turn = std::f64::consts::TAU * u;
                let wanted = (1.0 - u) * (2.0 / 3.0 + turn.cos() / 3.0) + turn.sin() / std::f64::consts::TAU;
                assert!((1.0 / f64::from(*per_lag) - wanted).abs() < 1e-4, "lag {lag} of {len}: {per_lag}");
            }
        }
    }

    #[test]
    fn two_powers_come_out_of_one_transform() {
        let mut hiss = noise(2);
        let (a, b): (Vec<f64>, Vec<f64>) = (0..64).map(|_| (hiss(), hiss())).unzip();
        let mut buffer: Vec<Complex32> = a.iter().zip(&b).map(|(a, b)| Complex32::new(*a as f32, *b as f32)).collect();
        FftPlanner::new().plan_fft_forward(64).process(&mut buffer);
        split_powers(&mut buffer);
        for (k, both) in buffer.iter().enumerate() {
            for (x, power) in [(&a, both.re), (&b, both.im)] {
                let (re, im) = dft(x, k as f64 / 64.0);
                assert!((f64::from(power) - re * re - im * im).abs() < 1e-2, "bin {k}");
            }
        }
    }

    /// A cosine is the autocorrelation of a pure tone: its peak is read where it is, between the lags.
    #[test]
    fn a_peak_between_lags_is_read_to_half_a_cent() {
        let mut dice = dice(3);
        for _ in 0..500 {
            let (period, top) = (9.0 + 60.0 * dice(), 0.4 + 0.6 * dice());
            let curve: Vec<f32> =
                (0..120).map(|lag| (top * (std::f64::consts::TAU * lag as f64 / period).cos()) as f32).collect();
            let (at, height) = peak(&curve, period.round() as usize, &between_lags());
            // Half a cent; single precision shows at long periods, whose tops are flat.
            assert!(cents(f64::from(at), period).abs() < 0.5, "{period}: {at}");
            assert!((f64::from(height) - top).abs() < 2e-3, "{top}: {height}");
        }
    }

    #[test]
    fn the_short_window_counts_where_it_is_about_as_sure() {
        let of = |hz: f32, periodicity: f32| Some(FramePitch { hz, periodicity });
        assert_eq!(choose(of(100.0, 0.95), of(101.0, 0.90)), of(101.0, 0.90));
        assert_eq!(choose(of(100.0, 0.95), of(101.0, 0.80)), of(100.0, 0.95));
        assert_eq!((choose(None, of(101.0, 0.2)), choose(of(100.0, 0.2), None)), (of(101.0, 0.2), of(100.0, 0.2)));
        assert_eq!(choose(None, None), None);
    }

    /// Any pitch of the range, any strengths of its partials: never an octave off, and within a few cents.
    #[test]
    fn a_tone_of_any_colour_is_heard_in_its_own_octave() {
        let mut dice = dice(17);
        let mut off_cents = Vec::new();
        for _ in 0..120 {
            let hz = 41.2 * (4.0 * dice()).exp2();
            let strengths: Vec<f64> = (0..8).map(|_| 10f64.powf(-1.2 * dice())).collect();
            let phases: Vec<f64> = (0..8).map(|_| std::f64::consts::TAU * dice()).collect();
            let value = |s: f64| {
                let part =
                    |k: usize| strengths[k] * (std::f64::consts::TAU * hz * (k + 1) as f64 * s + phases[k]).sin();
                0.05 * (0..8).map(part).sum::<f64>()
            };
            for found in pitches(&sound(0.3, value)).into_iter().take(8) {
                off_cents.push((hz, cents(f64::from(found.expect("a tone").hz), hz)));
            }
        }
        let share = |holds: &dyn Fn(f64) -> bool, within: f64| {
            let of: Vec<f64> = off_cents.iter().filter(|(hz, _)| holds(*hz)).map(|(_, off)| *off).collect();
            share_of(&of, |off| off.abs() < within)
        };
        assert_eq!(share(&|hz| hz < 300.0, 600.0), 1.0, "no octaves");
        // Higher up a lag of 7 or 11 lies between whole ones, where partials over 1 kHz may be louder than the first.
        assert_eq!(share(&|_| true, 600.0), 1.0, "nor up there");
        // Windows of three periods leak between partials of 12 dB more and less.
        assert!(share(&|_| true, 6.0) > 0.92, "{}", share(&|_| true, 6.0));
    }

    /// Reeds and mutes take partials away: the odd ones alone, and the even ones far louder.
    #[test]
    fn odd_partials_alone_and_loud_even_ones_move_no_octave() {
        for hz in [65.41, 116.54, 174.61, 233.08] {
            let odd = |s: f64| [1, 3, 5, 7].iter().map(|k| tone(hz, *k..=*k, 0.1, s)).sum::<f64>();
            let even =
                |s: f64| tone(hz, 1..=8, 0.03, s) + [2, 4, 6].iter().map(|k| tone(hz, *k..=*k, 0.05, s)).sum::<f64>();
            for found in pitches(&sound(0.4, odd)).into_iter().chain(pitches(&sound(0.4, even))) {
                let off = cents(f64::from(found.expect("a tone").hz), hz);
                assert!(off.abs() < 10.0, "{hz} Hz: {off} cents");
            }
        }
    }

    /// A window is symmetric: what glides through it is heard at its middle.
    #[test]
    fn glides_and_vibrato_are_heard_where_they_are() {
        for per_s in [-600.0, 300.0, 1200.0] {
            let pitch = |s: f64| 200.0 * (per_s * (s - 0.3) / 1200.0).exp2();
            let (history, rate_hz) = history(&gliding(0.6, pitch, |_| 1.0));
            let mut finder = PitchFinder::new(rate_hz);
            let newest = history.len() - finder.reach();
            finder.follow(&history);
            for k in 0..10 {
                let centre = newest - k * 30;
                let off = cents(f64::from(finder.find(centre).expect("a tone").hz), pitch(centre as f64 / rate_hz));
                assert!(off.abs() < 12.0, "{per_s} cents a second: {off}");
            }
        }
        let wavers = |s: f64| vibrato(233.08, 5.5, 30.0, s);
        let heard = pitches(&gliding(0.6, wavers, |_| 1.0));
        let off: Vec<f64> = heard.iter().flatten().map(|p| cents(f64::from(p.hz), 233.08)).collect();
        let swing = off.iter().copied().fold(f64::MIN, f64::max) - off.iter().copied().fold(f64::MAX, f64::min);
        // A tenth of a second holds more than half a turn of 182 ms; a window of 38 ms rounds it by a twentieth.
        assert!((30.0..=62.0).contains(&swing), "{swing} cents");
    }

    #[test]
    fn a_pitch_is_the_same_however_loud_and_from_whatever_sample_on() {
        let value = |s: f64| tone(155.56, 1..=8, 0.2, s);
        let plain = pitches(&sound(0.4, value));
        let soft = pitches(&sound(0.4, |s| 1e-3 * value(s)));
        let later = pitches(&sound(0.4, |s| value(s + 0.000_73)));
        for ((a, b), c) in plain.iter().flatten().zip(soft.iter().flatten()).zip(later.iter().flatten()) {
            assert!((a.hz / b.hz - 1.0).abs() < 1e-5 && (a.periodicity - b.periodicity).abs() < 1e-4);
            assert!((a.hz / c.hz - 1.0).abs() < 1e-3 && (a.periodicity - c.periodicity).abs() < 0.01);
        }
        assert_eq!(soft.iter().flatten().count(), 20, "60 dB softer it is still a tone");
    }

    #[test]
    fn noise_is_hardly_periodic() {
        let hiss = with_noise(vec![0.0; 48_000], 1e-2, 4);
        let heard = pitches(&hiss);
        let periodicity: Vec<f32> = heard.iter().map(|p| p.map_or(0.0, |p| p.periodicity)).collect();
        assert!(share_of(&periodicity, |p| *p < 0.75) == 1.0, "{periodicity:?}");
        assert!(share_of(&periodicity, |p| *p < 0.5) > 0.6, "{periodicity:?}");
    }
}
