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
}
