//! One look at a harmonic sound of nearly known pitch: exact frequency, level and time of the look.
//!
//! Windowed sums at every harmonic give amplitude; the window's derivative gives the frequency that
//! is really there, and the window times its own time axis gives where in the window the energy sits
//! (reassignment: Auger & Flandrin 1995, IEEE Trans. SP 43:1068-1089 \[M\]). A symmetric window makes
//! the frequency exact for a linear chirp; the reassigned time keeps it honest while the level grows.

use crate::vector::dot;

/// Harmonics looked at \[T\].
pub const MAX_HARMONICS: usize = 16;
/// Highest frequency of a harmonic used for pitch, Hz: above it jitter and air rule \[T\].
const TOP_HZ: f64 = 3_000.0;
/// A harmonic's own frequency may lie this many bins (1 / window length) from its place \[T\].
const MAX_OFFSET_BINS: f64 = 1.6;

/// What a look finds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Look {
    /// Frequency of the fundamental, cycles per sample.
    pub freq: f64,
    /// Samples from the window's centre to where the energy sits.
    pub time_offset: f64,
    /// Standard deviation of the frequency, cycles per sample: what the harmonics disagree by.
    pub freq_sd: f64,
    /// ... for each unit of noise amplitude (RMS) in the window: the Cramer-Rao bound of this window and these harmonics.
    pub noise_gain: f64,
    /// Power of the harmonics (mean square).
    pub tone_power: f64,
    /// Power of everything in the window (mean square, same weighting).
    pub total_power: f64,
}

impl Look {
    /// Share of the power that the harmonics looked at explain, 0..1.
    #[must_use]
    pub fn explained(&self) -> f64 {
        if self.total_power <= 0.0 { 0.0 } else { (self.tone_power / self.total_power).min(1.0) }
    }
}

/// Periodicity of `x` at a lag in samples (fractions allowed): the correlation of the window with
/// itself one lag later, about 1 for a tone of that period, about 0 for noise. The share of the
/// power that is tone, whatever its number of harmonics.
#[must_use]
pub fn periodicity(x: &[f32], lag: f64) -> f64 {
    let whole = lag.floor() as usize;
    let t = (lag - lag.floor()) as f32;
    if x.len() < whole + 8 || whole < 2 {
        return 0.0;
    }
    // Four-point Lagrange weights between x[whole] (t = 0) and x[whole + 1] (t = 1).
    let w = [
        -t * (t - 1.0) * (t - 2.0) / 6.0,
        (t + 1.0) * (t - 1.0) * (t - 2.0) / 2.0,
        -(t + 1.0) * t * (t - 2.0) / 2.0,
        (t + 1.0) * t * (t - 1.0) / 6.0,
    ];
    let num = x.len() - whole - 2;
    let (mut product, mut first, mut second) = (0.0f32, 1e-20f32, 1e-20f32);
    for (&a, b) in x[..num].iter().zip(x[whole - 1..].windows(4)) {
        let later = b[0] * w[0] + b[1] * w[1] + b[2] * w[2] + b[3] * w[3];
        product += a * later;
        first += a * a;
        second += later * later;
    }
    // The geometric mean forgives a level that grows from one period to the next, as every attack does.
    f64::from(product / (first.sqrt() * second.sqrt()))
}

/// The highest periodicity of `x` over whole lags `shortest..=longest`.
#[must_use]
pub fn best_periodicity(x: &[f32], shortest: usize, longest: usize) -> f64 {
    let mut best = 0.0f64;
    let total: f64 = x.iter().map(|v| f64::from(v * v)).sum::<f64>() + 1e-20;
    let (mut head, mut tail) = (0.0, 0.0);
    for lag in 1..=longest.min(x.len().saturating_sub(8)) {
        // Energies of the two stretches compared: without the last, without the first `lag` samples.
        head += f64::from(x[lag - 1] * x[lag - 1]);
        tail += f64::from(x[x.len() - lag] * x[x.len() - lag]);
        if lag >= shortest.max(2) {
            let product = f64::from(dot(&x[..x.len() - lag], &x[lag..]));
            best = best.max(product / ((total - head) * (total - tail)).max(1e-30).sqrt());
        }
    }
    best
}

/// Harmonics of `freq` (cycles per sample) worth using at a rate.
#[must_use]
pub fn num_harmonics(freq: f64, rate_hz: f64) -> usize {
    let top = TOP_HZ.min(0.42 * rate_hz);
    ((top / (freq * rate_hz)) as usize).clamp(1, MAX_HARMONICS)
}

/// Samples of a window of `periods` periods; odd, so that it has a centre.
#[must_use]
pub fn window_len(freq: f64, periods: f64) -> usize {
    ((periods / freq).round() as usize) | 1
}

/// Harmonics or samples carried at once: what fits the vector registers \[T\].
const LANES: usize = 4;
/// Samples folded before they are summed: what stays in a core's nearest memory \[T\].
const BLOCK: usize = 64;

/// Looks at `x` (a whole window, centre in the middle) for a tone near `freq` cycles per sample.
#[must_use]
pub fn look(x: &[f32], freq: f64, num: usize) -> Look {
    let mut window = Window::over(x);
    let mut sums = Sums::of(freq, num.min(MAX_HARMONICS));
    while let Some(block) = window.fold() {
        sums.add(&block);
    }
    sums.combine(&window)
}

/// [`look`], then once more from where it found the tone, unless that is where it looked.
#[must_use]
pub fn look_twice(x: &[f32], freq: f64, num: usize) -> Look {
    let first = look(x, freq, num);
    if (first.freq / freq - 1.0).abs() < SAME_PLACE { first } else { look(x, first.freq, num) }
}

/// A tone this near to where it was looked for needs no second look: 2 cents \[T\].
const SAME_PLACE: f64 = 0.001_2;

/// A Hann window over samples, folded about its middle: what stands as far before it as after it is added and taken away.
/// The window and the cosine are even about the middle; the window's derivative, its time axis and the sine are odd, so that
/// half as many products give the same sums.
struct Window<'x> {
    x: &'x [f32],
    middle: usize,
    /// Samples from the middle that were folded already.
    folded: usize,
    /// Turn of the window from one sample to the next, and where it stands at the next ones.
    step: f64,
    turns: [(f64, f64); LANES],
    /// Sum of the window, and of the squares under it, so far.
    sum: f64,
    power: f64,
}

/// A stretch of it, first its place from the middle: sums and differences times the window, its derivative, the window times time.
struct Block {
    len: usize,
    even: [[f32; BLOCK]; 3],
    odd: [[f32; BLOCK]; 3],
}

/// The parts of a harmonic's sums \[T\]
const PLAIN: usize = 0;
const SLOPE: usize = 1;
const TIME: usize = 2;

impl<'x> Window<'x> {
    fn over(x: &'x [f32]) -> Self {
        let middle = x.len().saturating_sub(1) / 2;
        let step = std::f64::consts::PI / (middle as f64 + 1.0);
        let turns = std::array::from_fn(|k| (step * k as f64).sin_cos());
        Self { x, middle, folded: 0, step, turns, sum: 0.0, power: 0.0 }
    }

    fn len(&self) -> f64 {
        (2 * self.middle + 1) as f64
    }

    /// The next block, from the middle outwards, [`LANES`] samples in a row at once.
    fn fold(&mut self) -> Option<Block> {
        let len = BLOCK.min((self.middle + 1).saturating_sub(self.folded).min(self.x.len()));
        let mut block = Block { len, even: [[0.0; BLOCK]; 3], odd: [[0.0; BLOCK]; 3] };
        let (step_sin, step_cos) = (LANES as f64 * self.step).sin_cos();
        for from in (0..len).step_by(LANES) {
            for (k, i) in (from..len.min(from + LANES)).enumerate() {
                let (sin, cos) = self.turns[k];
                self.turns[k] = (sin * step_cos + cos * step_sin, cos * step_cos - sin * step_sin);
                let place = self.folded + i;
                let (before, after) = (self.x[self.middle - place], self.x[self.middle + place]);
                // The middle itself stands alone.
                let (before, sides) = if place == 0 { (0.0, 1.0) } else { (before, 2.0) };
                let hann = 0.5 + 0.5 * cos;
                self.sum += sides * hann;
                self.power += hann * (f64::from(before).powi(2) + f64::from(after).powi(2));
                for (weighted, v) in [(&mut block.even, after + before), (&mut block.odd, after - before)] {
                    weighted[PLAIN][i] = v * hann as f32;
                    weighted[SLOPE][i] = v * (-0.5 * self.step * sin) as f32;
                    weighted[TIME][i] = weighted[PLAIN][i] * place as f32;
                }
            }
        }
        self.folded += len;
        (len > 0).then_some(block)
    }
}

/// [`LANES`] harmonics: where each stands at the next sample, how far it turns from sample to sample, and its complex sums
/// with the window, its derivative, and the window times time.
#[derive(Clone, Copy)]
struct Lanes {
    now: [[f32; LANES]; 2],
    step: [[f32; LANES]; 2],
    sums: [[[f32; LANES]; 2]; 3],
}

/// Sums of one pass over the window at every harmonic.
struct Sums {
    freq: f64,
    num: usize,
    lanes: [Lanes; MAX_HARMONICS / LANES],
}

impl Sums {
    fn of(freq: f64, num: usize) -> Self {
        let turns = turns(-std::f64::consts::TAU * freq);
        let lanes = std::array::from_fn(|group| {
            let turn = |k: usize| turns[group * LANES + k];
            let step = [std::array::from_fn(|k| turn(k).0 as f32), std::array::from_fn(|k| turn(k).1 as f32)];
            Lanes { now: [[1.0; LANES], [0.0; LANES]], step, sums: [[[0.0; LANES]; 2]; 3] }
        });
        Self { freq, num, lanes }
    }

    fn add(&mut self, block: &Block) {
        for lanes in &mut self.lanes[..self.num.div_ceil(LANES)] {
            lanes.add(block);
        }
    }

    /// The complex sum of a kind at harmonic `k + 1`.
    fn at(&self, kind: usize, k: usize) -> (f64, f64) {
        let [re, im] = &self.lanes[k / LANES].sums[kind];
        (f64::from(re[k % LANES]), f64::from(im[k % LANES]))
    }

    /// What the sums tell, each harmonic by its power.
    fn combine(&self, window: &Window) -> Look {
        let (freq, len) = (self.freq, window.len());
        let bin = std::f64::consts::TAU / len;
        let (mut weight, mut shift, mut time, mut energy) = (0.0, 0.0, 0.0, 0.0);
        let (mut squares, mut weights_squared) = (0.0, 0.0);
        for k in 0..self.num {
            let (re, im) = self.at(PLAIN, k);
            let norm = re * re + im * im;
            energy += norm;
            if norm <= 0.0 {
                continue;
            }
            let ((sr, si), (tr, ti)) = (self.at(SLOPE, k), self.at(TIME, k));
            let offset = -(si * re - sr * im) / norm;
            if offset.abs() > MAX_OFFSET_BINS * bin {
                continue;
            }
            let number = (k + 1) as f64;
            weight += norm * number * number;
            shift += norm * number * offset;
            squares += norm * offset * offset;
            weights_squared += (norm * number * number).powi(2);
            time += norm * number * number * ((tr * re + ti * im) / norm);
        }
        let scale = 2.0 / (window.sum * window.sum);
        let mut look = Look {
            freq,
            time_offset: 0.0,
            freq_sd: freq,
            noise_gain: 0.0,
            tone_power: energy * scale,
            total_power: window.power / window.sum,
        };
        if weight > 0.0 {
            look.freq = freq + shift / weight / std::f64::consts::TAU;
            let spread = (squares / weight - (shift / weight).powi(2)).max(0.0);
            look.freq_sd = (spread * weights_squared).sqrt() / weight / std::f64::consts::TAU;
            look.noise_gain = 6.0f64.sqrt() * window.sum / (len.powi(3) * weight).sqrt() / std::f64::consts::TAU;
            look.time_offset = (time / weight).clamp(-len / 2.0, len / 2.0);
        }
        look
    }
}

impl Lanes {
    fn add(&mut self, block: &Block) {
        let ([mut re, mut im], [step_re, step_im]) = (self.now, self.step);
        let [even, odd] = [&block.even, &block.odd].map(|of| of.each_ref().map(|x| &x[..block.len]));
        let mut sums = self.sums;
        for i in 0..block.len {
            for k in 0..LANES {
                sums[PLAIN][0][k] += even[PLAIN][i] * re[k];
                sums[PLAIN][1][k] += odd[PLAIN][i] * im[k];
                sums[SLOPE][0][k] += odd[SLOPE][i] * re[k];
                sums[SLOPE][1][k] += even[SLOPE][i] * im[k];
                sums[TIME][0][k] += odd[TIME][i] * re[k];
                sums[TIME][1][k] += even[TIME][i] * im[k];
                let turned = re[k] * step_re[k] - im[k] * step_im[k];
                im[k] = re[k] * step_im[k] + im[k] * step_re[k];
                re[k] = turned;
            }
        }
        (self.now, self.sums) = ([re, im], sums);
    }
}

/// Cosine and sine of an angle and of its multiples.
type Turns = [(f64, f64); MAX_HARMONICS];

fn turns(angle: f64) -> Turns {
    let (sin, cos) = angle.sin_cos();
    let mut turns = [(cos, sin); MAX_HARMONICS];
    for k in 1..MAX_HARMONICS {
        let (re, im) = turns[k - 1];
        turns[k] = (re * cos - im * sin, re * sin + im * cos);
    }
    turns
}

/// Most harmonics whose amplitudes are told: 4.5 kHz of 31 Hz \[T\].
pub const MAX_AMPLITUDES: usize = 144;

/// Fills `found` with the amplitudes of so many harmonics of `freq` (cycles per sample) in a window that is weighted already;
/// their common factor is that of the window.
pub fn amplitudes(weighted: &[f32], freq: f64, num: usize, found: &mut Vec<f32>) {
    found.clear();
    for base in (0..num.min(MAX_AMPLITUDES)).step_by(LANES) {
        let (mut re, mut im) = ([1.0f32; LANES], [0.0f32; LANES]);
        let turn = |k: usize| (-std::f64::consts::TAU * freq * (base + k + 1) as f64).sin_cos();
        let turns: [(f64, f64); LANES] = std::array::from_fn(turn);
        let (step_re, step_im) = (turns.map(|t| t.1 as f32), turns.map(|t| t.0 as f32));
        let (mut sum_re, mut sum_im) = ([0.0f32; LANES], [0.0f32; LANES]);
        for &x in weighted {
            for k in 0..LANES {
                sum_re[k] += x * re[k];
                sum_im[k] += x * im[k];
                let turned = re[k] * step_re[k] - im[k] * step_im[k];
                im[k] = re[k] * step_im[k] + im[k] * step_re[k];
                re[k] = turned;
            }
        }
        let lanes = (0..LANES).map(|k| sum_re[k].hypot(sum_im[k]));
        found.extend(lanes.take(num - base));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_sounds::{dft, dice, noise, rms};
    use approx::assert_abs_diff_eq;

    const RATE_HZ: f64 = 12_000.0;

    fn chirp(f0_hz: f64, slope_hz_s: f64, growth: f64, len: usize) -> Vec<f32> {
        let half = (len / 2) as f64;
        (0..len)
            .map(|i| {
                let t = (i as f64 - half) / RATE_HZ;
                let phase = std::f64::consts::TAU * (f0_hz * t + 0.5 * slope_hz_s * t * t);
                let level = 1.0 + growth * t;
                (1..=8).map(|k| level * (f64::from(k) * phase).cos() / f64::from(k)).sum::<f64>() as f32
            })
            .collect()
    }

    #[test]
    fn a_steady_tone_is_found_from_a_bad_guess() {
        let f = 116.54;
        let x = chirp(f, 0.0, 0.0, window_len(f / RATE_HZ, 3.0));
        let found = look_twice(&x, f * 1.01 / RATE_HZ, 8);
        // 17 cents off at the start; a window of three periods leaks a little between harmonics: 1 cent.
        assert_abs_diff_eq!(crate::units::cents(found.freq * RATE_HZ, f), 0.0, epsilon = 1.0);
        assert!(found.explained() > 0.95, "{}", found.explained());
    }

    #[test]
    fn a_chirp_reads_its_middle() {
        let f = 174.6;
        // 30 cents in 10 ms, as fast as a slide smears.
        let slope = f * 0.0175 / 0.01;
        let x = chirp(f, slope, 0.0, window_len(f / RATE_HZ, 3.0));
        let found = look_twice(&x, f / RATE_HZ, 8);
        assert_abs_diff_eq!(crate::units::cents(found.freq * RATE_HZ, f), 0.0, epsilon = 1.5);
    }

    #[test]
    fn growth_moves_the_time_of_the_look() {
        let f = 116.54;
        let x = chirp(f, 0.0, 60.0, window_len(f / RATE_HZ, 3.0));
        assert!(look(&x, f / RATE_HZ, 8).time_offset > 5.0);
    }

    /// A window of white noise of deviation 1.
    fn hiss(len: usize, seed: u64) -> Vec<f32> {
        let mut noise = noise(seed);
        (0..len).map(|_| noise() as f32).collect()
    }

    /// A Hann window about the middle of an odd number of samples.
    fn hann_about_middle(len: usize) -> Vec<f64> {
        let middle = (len / 2) as f64;
        (0..len).map(|i| 0.5 + 0.5 * (std::f64::consts::PI * (i as f64 - middle) / (middle + 1.0)).cos()).collect()
    }

    /// The powers of a look against transforms at every harmonic as they are defined, in a sound of any kind.
    #[test]
    fn the_powers_of_a_look_are_those_of_plain_transforms() {
        for (len, num, freq) in [(101, 5, 0.031), (255, 12, 0.012), (511, 16, 0.006)] {
            let x = hiss(len, len as u64);
            let window = hann_about_middle(len);
            let weighted: Vec<f64> = x.iter().zip(&window).map(|(x, w)| f64::from(*x) * w).collect();
            let sum: f64 = window.iter().sum();
            let energy: f64 =
                (1..=num).map(|k| dft(&weighted, freq * k as f64)).map(|(re, im)| re * re + im * im).sum();
            let found = look(&x, freq, num);
            assert!((found.tone_power / (2.0 * energy / sum.powi(2)) - 1.0).abs() < 1e-4, "{found:?}");
            let total: f64 = x.iter().zip(&window).map(|(x, w)| f64::from(*x).powi(2) * w).sum::<f64>() / sum;
            assert!((found.total_power / total - 1.0).abs() < 1e-6, "{found:?}");
            assert!((0.0..=1.0).contains(&found.explained()));
        }
    }

    /// Rife & Boorstyn 1974, "Single-tone parameter estimation from discrete-time observations", IEEE Trans. IT 20:591:
    /// the variance of a frequency, radians per sample, is at least 12 / (snr N (N^2 - 1)) for a real tone, twice that
    /// of a complex one; snr is its power over the noise's. A Hann window misses the deviation by pi / sqrt 6 = 1.28:
    /// what its slope lets through of the noise, pi^2 / 2N, against its sum, N / 2 \[C\].
    #[test]
    fn a_tone_in_noise_is_read_as_near_the_cramer_rao_bound_as_its_window_allows() {
        let (len, amplitude) = (301, 1.0);
        for snr_db in [10.0f64, 20.0, 30.0] {
            let sd = (0.5 * amplitude * amplitude / 10f64.powf(0.1 * snr_db)).sqrt();
            let mut dice = dice(snr_db as u64);
            let mut gains = Vec::new();
            let errors: Vec<f64> = (0..400)
                .map(|seed| {
                    let (freq, phase) = (0.05 + 0.2 * dice(), std::f64::consts::TAU * dice());
                    let noise = hiss(len, seed + 1);
                    let value = |i: usize| amplitude * (std::f64::consts::TAU * freq * i as f64 + phase).cos();
                    let x: Vec<f32> = (0..len).map(|i| (value(i) + sd * f64::from(noise[i])) as f32).collect();
                    let found = look(&x, freq, 1);
                    gains.push(found.noise_gain);
                    found.freq - freq
                })
                .collect();
            let (n, snr) = (len as f64, 10f64.powf(0.1 * snr_db));
            let bound = (12.0 / (snr * n * (n * n - 1.0))).sqrt() / std::f64::consts::TAU;
            let ratio = rms(&errors) / bound;
            // The error of a deviation of 400 values is 3.5 %.
            assert!((ratio - 1.28).abs() < 0.12, "{snr_db} dB: {ratio} of the bound");
            let told = sd * gains.iter().sum::<f64>() / gains.len() as f64;
            assert!((told / bound - 1.0).abs() < 0.05, "{snr_db} dB: told as {told}, the bound is {bound}");
        }
    }

    /// A symmetric window reads a linear chirp at its middle exactly, whatever its rate, and whatever the phase.
    #[test]
    fn any_tone_and_any_linear_chirp_is_read_at_the_middle_of_the_window() {
        let mut dice = dice(5);
        for _ in 0..200 {
            let (hz, per_s) = (60.0 * (3.0 * dice()).exp2(), 3_000.0 * (dice() - 0.5));
            let slope = hz * per_s / 1200.0 * std::f64::consts::LN_2;
            let x = chirp(hz, slope, 0.0, window_len(hz / RATE_HZ, 3.0));
            // As far off as a settled pitch is looked for: the harmonics that stray too far are left out.
            let guess = hz * (100.0 * (dice() - 0.5) / 1200.0).exp2();
            let found = look_twice(&x, guess / RATE_HZ, 8);
            let off = crate::units::cents(found.freq * RATE_HZ, hz);
            assert!(off.abs() < 2.5, "{hz} Hz, {per_s} cents a second from {guess}: {off}");
            assert!(found.time_offset.abs() < 0.02 * x.len() as f64, "an even level sits in the middle: {found:?}");
        }
    }

    /// The reassigned time is the centre of what the window holds of a growing tone.
    #[test]
    fn the_time_of_a_growing_tone_is_the_centre_of_its_windowed_level() {
        for db_per_s in [-400.0, 200.0, 800.0] {
            let (freq, len) = (0.02, 301);
            let rate = db_per_s / 20.0 * 10f64.ln() / RATE_HZ;
            let level = |i: usize| (rate * (i as f64 - 150.0)).exp();
            let x: Vec<f32> =
                (0..len).map(|i| (level(i) * (std::f64::consts::TAU * freq * i as f64).cos()) as f32).collect();
            let held: Vec<f64> = hann_about_middle(len).iter().enumerate().map(|(i, w)| w * level(i)).collect();
            let centre =
                held.iter().enumerate().map(|(i, h)| h * (i as f64 - 150.0)).sum::<f64>() / held.iter().sum::<f64>();
            let found = look(&x, freq, 1);
            assert!((found.time_offset - centre).abs() < 0.3, "{db_per_s}: {} and not {centre}", found.time_offset);
        }
    }

    /// One period later a tone is the same whatever its phase, growth and fraction of a sample, and noise is not.
    #[test]
    fn periodicity_is_the_share_that_comes_again() {
        let mut dice = dice(6);
        for _ in 0..100 {
            let (lag, growth) = (40.0 + 60.0 * dice(), 0.004 * (dice() - 0.5));
            let value = |i: usize| {
                let phase = std::f64::consts::TAU * i as f64 / lag;
                (growth * i as f64).exp()
                    * (1..=6).map(|k| (f64::from(k) * phase + f64::from(k * k)).cos()).sum::<f64>()
            };
            let x: Vec<f32> = (0..500).map(|i| value(i) as f32).collect();
            // Four points between the samples: partials under a fifth of the rate.
            assert!(periodicity(&x, lag) > 0.995, "lag {lag}, growth {growth}: {}", periodicity(&x, lag));
        }
        for (share, seed) in [(0.5f64, 1), (0.8, 2), (0.95, 3)] {
            let sd = (0.5 * (1.0 - share) / share).sqrt();
            let noise = hiss(6_000, seed);
            let tone = |i: usize| (std::f64::consts::TAU * i as f64 / 60.0).cos();
            let x: Vec<f32> = (0..6_000).map(|i| (tone(i) + sd * f64::from(noise[i])) as f32).collect();
            assert!((periodicity(&x, 60.0) - share).abs() < 0.02, "{share}: {}", periodicity(&x, 60.0));
        }
    }

    #[test]
    fn the_best_of_many_lags_is_the_best_of_them_one_by_one() {
        for seed in 0..5 {
            let x = hiss(200, seed + 1);
            let at = |lag: usize| {
                let (a, b) = (&x[..200 - lag], &x[lag..]);
                let product: f64 = a.iter().zip(b).map(|(a, b)| f64::from(a * b)).sum();
                let energy = |x: &[f32]| x.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>();
                product / (energy(a) * energy(b)).sqrt()
            };
            let wanted = (10..=90).map(at).fold(0.0, f64::max);
            assert_abs_diff_eq!(best_periodicity(&x, 10, 90), wanted, epsilon = 1e-4);
        }
        assert_eq!(best_periodicity(&[0.0; 100], 10, 90), 0.0);
        assert_eq!(best_periodicity(&[1.0; 4], 10, 90), 0.0, "nothing to compare");
    }

    /// Sines between the samples of a window: each comes out with half its amplitude times the window's sum.
    #[test]
    fn amplitudes_are_those_of_the_partials() {
        let (len, freq) = (1_201, 0.01);
        let given: Vec<f64> = (1..=40).map(|k| 1.0 / f64::from(k).sqrt()).collect();
        let part = |k: usize, i: usize| given[k - 1] * (std::f64::consts::TAU * freq * (k * i) as f64 + k as f64).sin();
        let window = hann_about_middle(len);
        let weighted: Vec<f32> =
            (0..len).map(|i| (window[i] * (1..=40).map(|k| part(k, i)).sum::<f64>()) as f32).collect();
        let mut found = Vec::new();
        for num in [1, 3, 4, 17, 40] {
            amplitudes(&weighted, freq, num, &mut found);
            assert_eq!(found.len(), num);
            for (found, given) in found.iter().zip(&given) {
                let told = 2.0 * f64::from(*found) / window.iter().sum::<f64>();
                // Single precision over a turn of 1200 samples.
                assert!((told / given - 1.0).abs() < 2e-3, "{num} of them: {told}, and not {given}");
            }
        }
        amplitudes(&weighted, freq, 10_000, &mut found);
        assert!(found.len() == MAX_AMPLITUDES, "no more than there is room for");
    }

    #[test]
    fn silence_and_a_single_sample_are_looked_at_without_harm() {
        let silent = look(&[0.0; 101], 0.02, 8);
        assert_eq!((silent.freq, silent.tone_power, silent.explained()), (0.02, 0.0, 0.0));
        let one = look(&[0.5], 0.02, 8);
        assert!(one.freq.is_finite() && one.time_offset.is_finite() && one.total_power == 0.25, "{one:?}");
        assert_eq!(periodicity(&[0.0; 100], 20.5), 0.0);
        assert_eq!((periodicity(&[0.1; 20], 30.0), periodicity(&[], 5.0)), (0.0, 0.0), "shorter than a period");
    }

    #[test]
    fn windows_have_a_middle_and_harmonics_end_where_air_begins() {
        for hz in [32.0, 58.27, 116.54, 233.08, 466.16, 932.3, 5_000.0] {
            let freq = hz / RATE_HZ;
            assert!(window_len(freq, 3.0) % 2 == 1 && (window_len(freq, 3.0) as f64 * freq - 3.0).abs() <= 1.5 * freq);
            let num = num_harmonics(freq, RATE_HZ);
            assert!((1..=MAX_HARMONICS).contains(&num) && (num == 1 || num as f64 * hz <= TOP_HZ), "{hz} Hz: {num}");
        }
        assert_eq!(num_harmonics(233.08 / 8_000.0, 8_000.0), 12, "at 8 kHz too: 3 kHz");
    }
}
