//! Samples at any rate in, a short history at about 12 kHz out.
//!
//! Everything later works on two tracks kept here: the sound low-passed and decimated to an
//! internal rate of 11 to 22 kHz (a trombone's partials that carry pitch lie under 5 kHz), and the
//! full-band power of the same stretch, so that air above 5 kHz is not lost to the level.

use crate::vector::dot;
use crate::window::low_pass;
use std::f64::consts::PI;

/// Lowest internal rate, Hz: the decimation factor is the largest that stays above it \[T\].
const MIN_INTERNAL_RATE_HZ: f64 = 11_000.0;
/// Cut of the high-pass that takes out DC and rumble, Hz: under E1 (41.2 Hz) \[T\].
const RUMBLE_CUT_HZ: f64 = 22.0;
/// FIR taps for each unit of decimation, each side: 70 dB of stop band with the window below \[T\].
const TAPS_PER_SIDE: usize = 12;
/// Pass band of the decimation filter as a share of the internal rate \[T\].
const PASS_SHARE: f64 = 0.44;
/// Full scale: samples at or above it are taken as clipped (a 16-bit converter tops at 0.99997) \[T\].
const CLIP_LEVEL: f32 = 0.999;

/// Second-order Butterworth high-pass.
#[derive(Clone, Copy)]
struct HighPass {
    b0: f64,
    a1: f64,
    a2: f64,
    x: [f64; 2],
    y: [f64; 2],
}

impl HighPass {
    fn new(rate_hz: f64) -> Self {
        // Bilinear transform of the analogue prototype (textbook form).
        let k = (PI * RUMBLE_CUT_HZ / rate_hz).tan();
        let norm = 1.0 / (1.0 + k * std::f64::consts::SQRT_2 + k * k);
        Self {
            b0: norm,
            a1: 2.0 * (k * k - 1.0) * norm,
            a2: (1.0 - k * std::f64::consts::SQRT_2 + k * k) * norm,
            x: [0.0; 2],
            y: [0.0; 2],
        }
    }

    fn process(&mut self, x: f64) -> f64 {
        let mut y = self.b0 * (x - 2.0 * self.x[0] + self.x[1]) - self.a1 * self.y[0] - self.a2 * self.y[1];
        if y.abs() < 1e-25 {
            y = 0.0; // keeps the recursion out of the subnormals, which are slow
        }
        self.x = [x, self.x[0]];
        self.y = [y, self.y[0]];
        y
    }
}

/// One internal sample: the decimated sound and the full-band mean square around it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Decimated {
    /// Sound, at the internal rate.
    pub sample: f32,
    /// Mean square of the input samples it stands for.
    pub power: f32,
}

/// Cleans, high-passes and decimates the input. Internal sample `n` stands for input sample `n * factor + factor - 1`, the last
/// of those it came with; the flow counts it as `n * factor`, up to 0.09 ms early.
pub struct Framer {
    factor: usize,
    high_pass: HighPass,
    taps: Vec<f32>,
    line: Vec<f32>,
    write: usize,
    phase: usize,
    power_sum: f64,
    powers: Vec<f32>,
    num_in: u64,
    num_out: u64,
    num_bad: u64,
    last_clip: Option<u64>,
}

impl Framer {
    /// A framer for an input rate in Hz.
    #[must_use]
    pub fn new(rate_hz: f64) -> Self {
        let factor = ((rate_hz / MIN_INTERNAL_RATE_HZ) as usize).max(1);
        let half = if factor == 1 { 0 } else { TAPS_PER_SIDE * factor };
        Self {
            factor,
            high_pass: HighPass::new(rate_hz),
            taps: low_pass(half, PASS_SHARE / factor as f64),
            line: vec![0.0; 2 * (2 * half + 1)],
            write: 0,
            phase: 0,
            power_sum: 0.0,
            powers: vec![0.0; half / factor + 1],
            num_in: 0,
            num_out: 0,
            num_bad: 0,
            last_clip: None,
        }
    }

    /// Back to the state of `new`.
    pub fn clear(&mut self) {
        self.high_pass.x = [0.0; 2];
        self.high_pass.y = [0.0; 2];
        self.line.fill(0.0);
        self.write = 0;
        self.phase = 0;
        self.power_sum = 0.0;
        self.powers.fill(0.0);
        self.num_in = 0;
        self.num_out = 0;
        self.num_bad = 0;
        self.last_clip = None;
    }

    /// Input samples for each internal one.
    #[must_use]
    pub fn factor(&self) -> usize {
        self.factor
    }

    /// Samples that were no numbers so far.
    #[must_use]
    pub fn num_bad(&self) -> u64 {
        self.num_bad
    }

    /// Input index of the newest sample at full scale.
    #[must_use]
    pub fn last_clip(&self) -> Option<u64> {
        self.last_clip
    }

    /// Takes one input sample; gives an internal one each `factor` samples, `delay` later.
    pub fn push(&mut self, sample: f32) -> Option<Decimated> {
        let clean = self.clean(sample);
        let high_passed = self.high_pass.process(f64::from(clean));
        self.store(high_passed as f32);
        self.power_sum += high_passed * high_passed;
        self.num_in += 1;
        self.phase += 1;
        if self.phase < self.factor {
            return None;
        }
        self.phase = 0;
        self.emit()
    }

    fn clean(&mut self, sample: f32) -> f32 {
        if !sample.is_finite() {
            self.num_bad += 1;
            return 0.0;
        }
        if sample.abs() >= CLIP_LEVEL {
            self.last_clip = Some(self.num_in);
        }
        // A float file may exceed full scale; beyond +40 dB it is garbage and would drown the history.
        sample.clamp(-100.0, 100.0)
    }

    fn store(&mut self, sample: f32) {
        let len = self.taps.len();
        self.line[self.write] = sample;
        self.line[self.write + len] = sample;
        self.write = if self.write + 1 < len { self.write + 1 } else { 0 };
    }

    fn emit(&mut self) -> Option<Decimated> {
        let slot = (self.num_out % self.powers.len() as u64) as usize;
        self.powers[slot] = (self.power_sum / self.factor as f64) as f32;
        self.power_sum = 0.0;
        self.num_out += 1;
        let oldest = (self.num_out % self.powers.len() as u64) as usize;
        if self.num_out < self.powers.len() as u64 {
            return None;
        }
        let window = &self.line[self.write..self.write + self.taps.len()];
        let sample = dot(window, &self.taps);
        Some(Decimated { sample, power: self.powers[oldest] })
    }
}

/// The last seconds of the internal tracks, addressed by absolute index.
///
/// Each value is written twice, `capacity` apart, so that any stretch is one slice.
pub struct History {
    capacity: usize,
    len: u64,
    samples: Vec<f32>,
    band_energy: Vec<f64>,
    full_energy: Vec<f64>,
    band_total: f64,
    full_total: f64,
}

impl History {
    /// A history of `capacity` internal samples.
    #[must_use]
    pub fn new(capacity: usize) -> Self {
        Self {
            capacity,
            len: 0,
            samples: vec![0.0; 2 * capacity],
            band_energy: vec![0.0; capacity],
            full_energy: vec![0.0; capacity],
            band_total: 0.0,
            full_total: 0.0,
        }
    }

    /// Forgets everything.
    pub fn clear(&mut self) {
        self.len = 0;
        self.samples.fill(0.0);
        self.band_energy.fill(0.0);
        self.full_energy.fill(0.0);
        self.band_total = 0.0;
        self.full_total = 0.0;
    }

    /// Adds the next sample.
    pub fn push(&mut self, decimated: Decimated) {
        let slot = (self.len % self.capacity as u64) as usize;
        self.samples[slot] = decimated.sample;
        self.samples[slot + self.capacity] = decimated.sample;
        self.band_total += f64::from(decimated.sample) * f64::from(decimated.sample);
        self.full_total += f64::from(decimated.power);
        self.band_energy[slot] = self.band_total;
        self.full_energy[slot] = self.full_total;
        self.len += 1;
    }

    /// Samples pushed so far: the index of the next one.
    #[must_use]
    pub fn len(&self) -> i64 {
        self.len as i64
    }

    /// Index of the oldest sample still kept.
    #[must_use]
    pub fn first(&self) -> i64 {
        (self.len as i64 - self.capacity as i64).max(0)
    }

    /// The `len` samples from `start` on, or `None` where they are not all kept.
    #[must_use]
    pub fn window(&self, start: i64, len: usize) -> Option<&[f32]> {
        if start < self.first() || start + len as i64 > self.len() {
            return None;
        }
        let slot = (start as u64 % self.capacity as u64) as usize;
        self.samples.get(slot..slot + len)
    }

    /// Mean square of the band-limited sound over [`from`, `to`), clipped to what is kept.
    #[must_use]
    pub fn band_power(&self, from: i64, to: i64) -> f64 {
        self.mean(&self.band_energy, from, to)
    }

    /// Mean square of the full-band sound over [`from`, `to`), clipped to what is kept.
    #[must_use]
    pub fn full_power(&self, from: i64, to: i64) -> f64 {
        self.mean(&self.full_energy, from, to)
    }

    fn mean(&self, energy: &[f64], from: i64, to: i64) -> f64 {
        // One below the oldest is gone, so the first usable difference starts one later.
        let lowest = if self.len() > self.capacity as i64 { self.first() + 1 } else { 0 };
        let (from, to) = (from.max(lowest), to.min(self.len()));
        if to <= from {
            return 0.0;
        }
        let at = |i: i64| if i < 0 { 0.0 } else { energy[(i as u64 % self.capacity as u64) as usize] };
        ((at(to - 1) - at(from - 1)) / (to - from) as f64).max(0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_sounds::{RATE_HZ, history, noise, sound, tone};
    use crate::test_sounds::{dice, history_at};
    use crate::units::power_to_db;

    /// Band and full level over the second half of a sound, dB.
    fn levels(samples: &[f32]) -> (f64, f64) {
        let (history, _) = history(samples);
        let (from, to) = (history.len() / 2, history.len());
        (power_to_db(history.band_power(from, to)), power_to_db(history.full_power(from, to)))
    }

    /// A Butterworth high-pass has half of the power at its cut (Butterworth 1930 \[M\]).
    #[test]
    fn a_tone_passes_and_rumble_does_not() {
        let at = |hz: f64| levels(&sound(2.0, |s| tone(hz, 1..=1, 0.1, s))).0 + 23.01;
        assert!(at(1000.0).abs() < 0.02, "{}", at(1000.0));
        assert!((at(RUMBLE_CUT_HZ) + 3.01).abs() < 0.1, "{}", at(RUMBLE_CUT_HZ));
        // Second order: 12 dB an octave under it.
        assert!((at(0.25 * RUMBLE_CUT_HZ) + 24.1).abs() < 0.5, "{}", at(0.25 * RUMBLE_CUT_HZ));
    }

    #[test]
    fn what_lies_over_the_band_is_kept_out_of_it_and_in_the_full_power() {
        for hz in [7_000.0, 9_000.0, 11_500.0, 15_000.0] {
            let (band, full) = levels(&sound(1.0, |s| tone(hz, 1..=1, 0.1, s)));
            assert!(band < -23.0 - 60.0 && (full + 23.01).abs() < 0.05, "{hz} Hz: {band} and {full} dB");
        }
    }

    #[test]
    fn an_internal_sample_stands_for_the_input_at_its_place() {
        let mut samples = vec![0.0; 9600];
        samples[4800] = 0.5;
        let (history, rate_hz) = history(&samples);
        let x = history.window(0, history.len() as usize).expect("all is kept");
        let loudest = (0..x.len()).max_by(|a, b| x[*a].abs().total_cmp(&x[*b].abs())).expect("some");
        // Four to one: 4 n + 3 is nearest to 4800 at 4799.
        assert_eq!((rate_hz, loudest), (12_000.0, 1199));
    }

    #[test]
    fn a_history_tells_means_of_what_it_keeps_and_nothing_of_the_rest() {
        let (mut history, mut hiss) = (History::new(100), noise(3));
        let values: Vec<f32> = (0..250).map(|_| hiss() as f32).collect();
        for &sample in &values {
            history.push(Decimated { sample, power: 2.0 * sample * sample });
        }
        assert_eq!((history.first(), history.len()), (150, 250));
        assert_eq!(history.window(160, 50), Some(&values[160..210]));
        assert_eq!((history.window(149, 10), history.window(245, 6)), (None, None));
        let mean = values[170..200].iter().map(|x| f64::from(x * x)).sum::<f64>() / 30.0;
        assert!((history.band_power(170, 200) - mean).abs() < 1e-6);
        assert!((history.full_power(170, 200) - 2.0 * mean).abs() < 1e-5);
        assert_eq!(history.band_power(20, 100), 0.0);
    }

    #[test]
    fn samples_that_are_no_numbers_are_counted_and_full_scale_is_placed() {
        let mut framer = Framer::new(RATE_HZ);
        for (i, x) in [0.1, f32::NAN, f32::INFINITY, 1.0, 0.2].into_iter().enumerate() {
            framer.push(x);
            assert_eq!(framer.last_clip(), (i >= 3).then_some(3));
        }
        assert_eq!(framer.num_bad(), 2);
        framer.clear();
        assert_eq!((framer.num_bad(), framer.last_clip()), (0, None));
    }

    /// Every rate that the analysis takes comes down to 11 to 22 kHz, or stays where it lies under that.
    #[test]
    fn every_rate_comes_down_to_about_12_khz() {
        for rate_hz in [
            8_000.0, 11_025.0, 16_000.0, 22_050.0, 32_000.0, 44_100.0, 48_000.0, 88_200.0, 96_000.0, 176_400.0,
            192_000.0,
        ] {
            let internal_hz = rate_hz / Framer::new(rate_hz).factor() as f64;
            assert!(internal_hz < 2.0 * MIN_INTERNAL_RATE_HZ, "{rate_hz}: {internal_hz}");
            assert!(internal_hz >= MIN_INTERNAL_RATE_HZ.min(rate_hz), "{rate_hz}: {internal_hz}");
        }
    }

    /// The filter is symmetric and its delay is taken out: what is told of a place is the sound there, at any rate.
    #[test]
    fn an_internal_sample_is_the_sound_at_its_place_at_every_rate() {
        for rate_hz in [22_050.0, 44_100.0, 48_000.0, 96_000.0, 192_000.0] {
            for hz in [1_000.0, 2_000.0, 3_500.0] {
                let value = |s: f64| (std::f64::consts::TAU * hz * s).sin();
                let samples: Vec<f32> =
                    (0..(0.5 * rate_hz) as usize).map(|i| (0.5 * value(i as f64 / rate_hz)) as f32).collect();
                let (history, _) = history_at(&samples, rate_hz);
                let factor = Framer::new(rate_hz).factor() as i64;
                let from = history.len() / 2;
                let x = history.window(from, 200).expect("inside");
                for (i, x) in x.iter().enumerate() {
                    let at_s = ((from + i as i64) * factor + factor - 1) as f64 / rate_hz;
                    // The high-pass turns 1 kHz by sqrt 2 x 22 / 1000 of a radian.
                    assert!((f64::from(*x) - 0.5 * value(at_s)).abs() < 0.02, "{hz} Hz at {rate_hz}: sample {i}");
                }
            }
        }
    }

    /// Butterworth 1930 \[M\], second order: power 1 / (1 + (cut / f)^4). Then flat up to where partials end.
    #[test]
    fn the_band_is_flat_between_the_rumble_and_the_filters_edge() {
        for hz in [30.0, 41.2, 58.27, 116.54, 466.16, 1_000.0, 2_000.0, 3_000.0, 4_000.0] {
            let (band, full) = levels(&sound(2.0, |s| tone(hz, 1..=1, 0.1, s)));
            let law = -10.0 * (1.0 + (RUMBLE_CUT_HZ / hz).powi(4)).log10() - 23.01;
            // Half a second holds a whole number of half waves to within one of them.
            assert!(
                (band - law).abs() < 0.2 && (full - law).abs() < 0.2,
                "{hz} Hz: {band} and {full}, and not {law} dB"
            );
        }
        // Half of the amplitude where a windowed sinc is cut.
        let edge_hz = PASS_SHARE * 12_000.0;
        let (band, full) = levels(&sound(1.0, |s| tone(edge_hz, 1..=1, 0.1, s)));
        assert!((band + 23.01 + 6.02).abs() < 0.2 && (full + 23.01).abs() < 0.1, "{band} and {full} dB");
    }

    #[test]
    fn a_constant_dies_away_and_what_is_loud_beyond_all_measure_is_held() {
        let (history, rate_hz) = history(&vec![0.5; 96_000]);
        assert!(history.band_power(history.len() - (0.5 * rate_hz) as i64, history.len()) < 1e-12, "no offset is left");
        let mut framer = Framer::new(RATE_HZ);
        let most = (0..4_800).filter_map(|_| framer.push(1e30)).map(|x| x.sample.abs()).fold(0.0, f32::max);
        assert!(most.is_finite() && most < 200.0, "40 dB over full scale is taken as that: {most}");
    }

    /// What is filtered of a sum is the sum of what is filtered, and a power of two comes through to the bit.
    #[test]
    fn framing_is_linear() {
        let (mut a, mut b) = (noise(1), noise(2));
        let (a, b): (Vec<f32>, Vec<f32>) = (0..9_600).map(|_| (0.1 * a() as f32, 0.1 * b() as f32)).unzip();
        let all = |samples: &[f32]| {
            let (history, _) = history(samples);
            history.window(0, history.len() as usize).expect("all is kept").to_vec()
        };
        let both: Vec<f32> = a.iter().zip(&b).map(|(a, b)| a + b).collect();
        let halves: Vec<f32> = a.iter().map(|x| 0.5 * x).collect();
        let (of_a, of_b, of_both, of_halves) = (all(&a), all(&b), all(&both), all(&halves));
        for i in 0..of_a.len() {
            assert!((of_a[i] + of_b[i] - of_both[i]).abs() < 1e-6, "sample {i}");
            assert_eq!(0.5 * of_a[i], of_halves[i], "sample {i}");
        }
    }

    #[test]
    fn a_cleared_framer_and_history_are_new_to_the_bit() {
        let mut hiss = noise(4);
        let samples: Vec<f32> = (0..5_000).map(|_| 0.1 * hiss() as f32).collect();
        let (mut framer, mut history) = (Framer::new(44_100.0), History::new(700));
        let mut run = || {
            samples.iter().filter_map(|x| framer.push(*x)).for_each(|x| history.push(x));
            let told =
                (history.window(history.first(), 700).map(<[f32]>::to_vec), history.full_power(600, 1_100).to_bits());
            framer.clear();
            history.clear();
            assert_eq!((history.len(), history.first(), history.band_power(0, 100)), (0, 0, 0.0));
            told
        };
        let first = run();
        assert!(first.0.is_some());
        assert_eq!(first, run());
    }

    /// Any stretch and any mean, against all that was pushed.
    #[test]
    fn whatever_is_kept_is_given_as_it_was_pushed() {
        let mut dice = dice(3);
        for capacity in [1usize, 7, 64, 100] {
            let mut history = History::new(capacity);
            let mut all = Vec::new();
            for _ in 0..400 {
                let sample = dice() as f32 - 0.5;
                all.push(sample);
                history.push(Decimated { sample, power: sample * sample });
                let (start, len) = ((all.len() as f64 * dice()) as usize, (40.0 * dice()) as usize);
                let is_kept = start >= all.len().saturating_sub(capacity) && start + len <= all.len();
                let told = history.window(start as i64, len);
                assert_eq!(told, is_kept.then(|| &all[start..start + len]), "{start}, {len} of {}", all.len());
                if is_kept && len > 0 && start > all.len().saturating_sub(capacity) {
                    let mean = all[start..start + len].iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / len as f64;
                    assert!((history.band_power(start as i64, (start + len) as i64) - mean).abs() < 1e-9);
                }
            }
            assert_eq!(history.band_power(50, 50), 0.0, "of nothing there is no power");
            assert!(history.band_power(-1_000, 100_000) >= 0.0, "nor harm in asking for more than there is");
        }
    }
}
