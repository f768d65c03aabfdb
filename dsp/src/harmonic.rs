//! One look at a harmonic sound of nearly known pitch: exact frequency, level and time of the look.
//!
//! Windowed sums at every harmonic give amplitude; the window's derivative gives the frequency that
//! is really there, and the window times its own time axis gives where in the window the energy sits
//! (reassignment: Auger & Flandrin 1995, IEEE Trans. SP 43:1068-1089 \[M\]). A symmetric window makes
//! the frequency exact for a linear chirp; the reassigned time keeps it honest while the level grows.

use crate::vector::dot;

/// Harmonics looked at.
pub const MAX_HARMONICS: usize = 16;
/// Highest frequency of a harmonic used for pitch, Hz: above it jitter and air rule.
const TOP_HZ: f64 = 3_000.0;
/// A harmonic's own frequency may lie this many bins (1 / window length) from its place.
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

/// Longest window, samples: three periods of 37 Hz at 22 kHz and room.
const MAX_WINDOW: usize = 2_048;
/// Harmonics or samples carried at once: what fits the vector registers.
const LANES: usize = 4;

/// Sums of one pass over the window.
struct Sums {
    plain: [[f32; MAX_HARMONICS]; 2],
    slope: [[f32; MAX_HARMONICS]; 2],
    time: [[f32; MAX_HARMONICS]; 2],
    window: f64,
    power: f64,
}

/// The samples times the window, its derivative, and the window times time.
struct Weighted {
    len: usize,
    plain: [f32; MAX_WINDOW],
    slope: [f32; MAX_WINDOW],
    time: [f32; MAX_WINDOW],
    window: f64,
    power: f64,
}

/// Looks at `x` (a whole window, centre in the middle) for a tone near `freq` cycles per sample.
#[must_use]
pub fn look(x: &[f32], freq: f64, num: usize) -> Look {
    let weighted = weigh(x);
    combine(&sum_window(&weighted, freq, num), freq, num, weighted.len)
}

/// [`look`], then once more from where it found the tone, unless that is where it looked.
#[must_use]
pub fn look_twice(x: &[f32], freq: f64, num: usize) -> Look {
    let weighted = weigh(x);
    let at = |freq: f64| combine(&sum_window(&weighted, freq, num), freq, num, weighted.len);
    let first = at(freq);
    if (first.freq / freq - 1.0).abs() < SAME_PLACE { first } else { at(first.freq) }
}

/// A tone this near to where it was looked for needs no second look: 2 cents.
const SAME_PLACE: f64 = 0.001_2;

/// Weighs samples, [`LANES`] in a row at once.
fn weigh(x: &[f32]) -> Weighted {
    let len = x.len().min(MAX_WINDOW);
    let half = (len / 2) as f64;
    let mut weighted = Weighted {
        len,
        plain: [0.0; MAX_WINDOW],
        slope: [0.0; MAX_WINDOW],
        time: [0.0; MAX_WINDOW],
        window: 0.0,
        power: 0.0,
    };
    let step = std::f64::consts::PI / (half + 1.0);
    let (step_sin, step_cos) = (LANES as f64 * step).sin_cos();
    let at = |i: usize| (step * (i as f64 - half)).sin_cos();
    let (mut sin, mut cos): ([f64; LANES], [f64; LANES]) =
        (std::array::from_fn(|k| at(k).0), std::array::from_fn(|k| at(k).1));
    let (mut window, mut power) = ([0.0f64; LANES], [0.0f64; LANES]);
    let rows =
        weighted.plain.chunks_mut(LANES).zip(weighted.slope.chunks_mut(LANES)).zip(weighted.time.chunks_mut(LANES));
    for (row, (x, ((plain, slope), time))) in x[..len].chunks(LANES).zip(rows).enumerate() {
        for (k, &v) in x.iter().enumerate() {
            let hann = 0.5 + 0.5 * cos[k];
            plain[k] = v * hann as f32;
            slope[k] = v * (-0.5 * step * sin[k]) as f32;
            time[k] = plain[k] * ((row * LANES + k) as f64 - half) as f32;
            window[k] += hann;
            power[k] += hann * f64::from(v) * f64::from(v);
            (sin[k], cos[k]) = (sin[k] * step_cos + cos[k] * step_sin, cos[k] * step_cos - sin[k] * step_sin);
        }
    }
    weighted.window = window.iter().sum();
    weighted.power = power.iter().sum();
    weighted
}

fn sum_window(weighted: &Weighted, freq: f64, num: usize) -> Sums {
    let mut sums = Sums {
        plain: [[0.0; MAX_HARMONICS]; 2],
        slope: [[0.0; MAX_HARMONICS]; 2],
        time: [[0.0; MAX_HARMONICS]; 2],
        window: weighted.window,
        power: weighted.power,
    };
    let omega = std::f64::consts::TAU * freq;
    let (starts, steps) = (turns(omega * (weighted.len / 2) as f64), turns(-omega));
    for base in (0..num.min(MAX_HARMONICS)).step_by(LANES) {
        sum_lanes(weighted, base, (&starts, &steps), &mut sums);
    }
    sums
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

/// The sums of [`LANES`] harmonics from number `base + 1` on.
fn sum_lanes(weighted: &Weighted, base: usize, (starts, steps): (&Turns, &Turns), sums: &mut Sums) {
    let lane = |of: &[(f64, f64)]| -> ([f32; LANES], [f32; LANES]) {
        (std::array::from_fn(|k| of[base + k].0 as f32), std::array::from_fn(|k| of[base + k].1 as f32))
    };
    let ((mut re, mut im), (step_re, step_im)) = (lane(starts), lane(steps));
    let len = weighted.len;
    let mut acc = [[0.0f32; LANES]; 6];
    let (plain, slope, time) = (&weighted.plain[..len], &weighted.slope[..len], &weighted.time[..len]);
    for i in 0..len {
        for k in 0..LANES {
            acc[0][k] += plain[i] * re[k];
            acc[1][k] += plain[i] * im[k];
            acc[2][k] += slope[i] * re[k];
            acc[3][k] += slope[i] * im[k];
            acc[4][k] += time[i] * re[k];
            acc[5][k] += time[i] * im[k];
            let turned = re[k] * step_re[k] - im[k] * step_im[k];
            im[k] = re[k] * step_im[k] + im[k] * step_re[k];
            re[k] = turned;
        }
    }
    let place = base..base + LANES;
    sums.plain[0][place.clone()].copy_from_slice(&acc[0]);
    sums.plain[1][place.clone()].copy_from_slice(&acc[1]);
    sums.slope[0][place.clone()].copy_from_slice(&acc[2]);
    sums.slope[1][place.clone()].copy_from_slice(&acc[3]);
    sums.time[0][place.clone()].copy_from_slice(&acc[4]);
    sums.time[1][place].copy_from_slice(&acc[5]);
}

fn combine(sums: &Sums, freq: f64, num: usize, len: usize) -> Look {
    let bin = std::f64::consts::TAU / len as f64;
    let (mut weight, mut shift, mut time, mut energy) = (0.0, 0.0, 0.0, 0.0);
    let (mut squares, mut weights_squared) = (0.0, 0.0);
    for k in 0..num {
        let (re, im) = (f64::from(sums.plain[0][k]), f64::from(sums.plain[1][k]));
        let norm = re * re + im * im;
        energy += norm;
        if norm <= 0.0 {
            continue;
        }
        let (sr, si) = (f64::from(sums.slope[0][k]), f64::from(sums.slope[1][k]));
        let (tr, ti) = (f64::from(sums.time[0][k]), f64::from(sums.time[1][k]));
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
    let scale = 2.0 / (sums.window * sums.window);
    let mut look = Look {
        freq,
        time_offset: 0.0,
        freq_sd: freq,
        noise_gain: 0.0,
        tone_power: energy * scale,
        total_power: sums.power / sums.window,
    };
    if weight > 0.0 {
        look.freq = freq + shift / weight / std::f64::consts::TAU;
        let spread = (squares / weight - (shift / weight).powi(2)).max(0.0);
        look.freq_sd = (spread * weights_squared).sqrt() / weight / std::f64::consts::TAU;
        look.noise_gain = 6.0f64.sqrt() * sums.window / ((len as f64).powi(3) * weight).sqrt() / std::f64::consts::TAU;
        look.time_offset = (time / weight).clamp(-(len as f64) / 2.0, len as f64 / 2.0);
    }
    look
}

/// Most harmonics whose amplitudes are told: 4.5 kHz of 31 Hz.
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
