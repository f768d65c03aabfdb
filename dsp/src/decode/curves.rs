//! Smooth curves over the frames: level, slow level, growth and novelty; each value is made once.

use crate::observe::Frames;

/// Values kept, frames: what features look at around a candidate and some \[T\].
const KEPT: usize = 1024;
/// Half widths of the smoothing kernels, frames, and their standard deviations: 40 Hz, 12 Hz and 30 Hz wide \[F\].
const LEVEL_HALF: i64 = 4;
const LEVEL_SIGMA: f64 = 1.4;
const SLOW_HALF: i64 = 12;
const SLOW_SIGMA: f64 = 4.4;
const NOVELTY_HALF: i64 = 5;
const NOVELTY_SIGMA: f64 = 1.8;
/// Growth: highest level so many frames ahead over the lowest so many back \[F\].
const GROW_AHEAD: i64 = 15;
const GROW_BACK: i64 = 24;
/// What makes one of novelty: mean rise (log10), change, growth (dB) \[F\].
const RISE_UNIT: f32 = 0.12;
const CHANGE_UNIT: f32 = 0.6;
const GROW_UNIT: f32 = 20.0;
/// The loudest sinks, the softest rises by so much a frame, dB (4 and 2 dB a second) \[F\].
const LOUD_SINKS: f32 = 0.010;
const FLOOR_RISES: f32 = 0.005;

/// One set of values.
#[derive(Clone, Copy, Default)]
struct Values {
    level: f32,
    high: f32,
    slow: f32,
    grow: f32,
    raw: f32,
    novelty: f32,
    loud: f32,
    floor: f32,
}

/// The curves.
pub struct Curves {
    ring: Vec<Values>,
    level_kernel: Vec<f32>,
    slow_kernel: Vec<f32>,
    novelty_kernel: Vec<f32>,
    num_level: i64,
    num_slow: i64,
    num_raw: i64,
    num_novelty: i64,
}

fn kernel(half: i64, sigma: f64) -> Vec<f32> {
    let weight = |i: i64| (-0.5 * (i as f64 / sigma).powi(2)).exp();
    let sum: f64 = (-half..=half).map(weight).sum();
    (-half..=half).map(|i| (weight(i) / sum) as f32).collect()
}

impl Curves {
    pub fn new() -> Self {
        Self {
            ring: vec![Values::default(); KEPT],
            level_kernel: kernel(LEVEL_HALF, LEVEL_SIGMA),
            slow_kernel: kernel(SLOW_HALF, SLOW_SIGMA),
            novelty_kernel: kernel(NOVELTY_HALF, NOVELTY_SIGMA),
            num_level: 0,
            num_slow: 0,
            num_raw: 0,
            num_novelty: 0,
        }
    }

    pub fn clear(&mut self) {
        (self.num_level, self.num_slow, self.num_raw, self.num_novelty) = (0, 0, 0, 0);
    }

    /// Frames for which every curve is known.
    pub fn len(&self) -> i64 {
        self.num_novelty.min(self.num_slow)
    }

    /// Makes every value that the frames allow.
    pub fn advance(&mut self, frames: &Frames) {
        while self.num_level + LEVEL_HALF < frames.len() {
            let i = self.num_level;
            let level = smooth(&self.level_kernel, |k| frames.get((i + k).max(0)).smooth_db);
            let before =
                if i == 0 { Values { loud: level, floor: level, ..Values::default() } } else { *self.at(i - 1) };
            let high = smooth(&self.level_kernel, |k| frames.get((i + k).max(0)).high_db);
            let loud = (before.loud - LOUD_SINKS).max(level);
            let floor = (before.floor + FLOOR_RISES).min(level);
            *self.slot(i) = Values { level, high, loud, floor, ..Values::default() };
            self.num_level += 1;
        }
        while self.num_slow + SLOW_HALF < frames.len() && self.num_slow < self.num_level {
            let i = self.num_slow;
            self.slot(i).slow = smooth(&self.slow_kernel, |k| frames.get((i + k).max(0)).smooth_db);
            self.num_slow += 1;
        }
        while self.num_raw + GROW_AHEAD < self.num_level {
            let i = self.num_raw;
            let high = (i..=i + GROW_AHEAD).map(|j| self.level(j)).fold(f32::MIN, f32::max);
            let low = (i - GROW_BACK..=i).map(|j| self.level(j)).fold(f32::MAX, f32::min);
            let frame = frames.get(i);
            let grow = high - low;
            let raw = frame.rise[0] / RISE_UNIT + frame.change / CHANGE_UNIT + grow / GROW_UNIT;
            let slot = self.slot(i);
            (slot.grow, slot.raw) = (grow, raw);
            self.num_raw += 1;
        }
        while self.num_novelty + NOVELTY_HALF < self.num_raw {
            let i = self.num_novelty;
            let novelty = smooth(&self.novelty_kernel, |k| self.at((i + k).max(0)).raw);
            self.slot(i).novelty = novelty;
            self.num_novelty += 1;
        }
    }

    fn slot(&mut self, i: i64) -> &mut Values {
        &mut self.ring[i as usize % KEPT]
    }

    fn at(&self, i: i64) -> &Values {
        &self.ring[i.max(0) as usize % KEPT]
    }

    /// Level, dB; that of frame 0 before it.
    pub fn level(&self, i: i64) -> f32 {
        self.at(i).level
    }

    /// Level of what lies over 960 Hz, dB.
    pub fn high(&self, i: i64) -> f32 {
        self.at(i).high
    }

    pub fn slow(&self, i: i64) -> f32 {
        self.at(i).slow
    }

    pub fn grow(&self, i: i64) -> f32 {
        self.at(i).grow
    }

    pub fn novelty(&self, i: i64) -> f32 {
        self.at(i).novelty
    }

    /// Loudest level of the last seconds, dB.
    pub fn loud(&self, i: i64) -> f32 {
        self.at(i).loud
    }

    /// Softest level of the last seconds, dB.
    pub fn floor(&self, i: i64) -> f32 {
        self.at(i).floor
    }

    /// Highest level over `from..=to`, dB.
    pub fn max_level(&self, from: i64, to: i64) -> f32 {
        (from..=to).map(|i| self.level(i)).fold(f32::MIN, f32::max)
    }

    /// Lowest level over `from..=to`, dB.
    pub fn min_level(&self, from: i64, to: i64) -> f32 {
        (from..=to).map(|i| self.level(i)).fold(f32::MAX, f32::min)
    }

    /// Mean level over `from..=to`, dB.
    pub fn mean_level(&self, from: i64, to: i64) -> f32 {
        (from..=to).map(|i| self.level(i)).sum::<f32>() / (to - from + 1) as f32
    }
}

fn smooth(kernel: &[f32], value: impl Fn(i64) -> f32) -> f32 {
    let half = kernel.len() as i64 / 2;
    kernel.iter().zip(-half..).map(|(w, k)| w * value(k)).sum()
}

#[cfg(test)]
mod tests {
    use super::super::{observe, tests::struck_tone};
    use super::*;
    use crate::observe::HOP_S;

    const RATE_HZ: f64 = 48_000.0;

    /// Level, slow level, growth and novelty of every frame.
    fn curves_of(samples: &[f32]) -> Vec<[f32; 4]> {
        let (mut curves, mut all) = (Curves::new(), Vec::new());
        observe(samples, RATE_HZ, |frames| {
            curves.advance(frames);
            for i in all.len() as i64..curves.len() {
                all.push([curves.level(i), curves.slow(i), curves.grow(i), curves.novelty(i)]);
            }
        });
        all
    }

    #[test]
    fn curves_of_a_sound_that_comes_whole_frames_later_are_the_same_later() {
        let curves = curves_of(&struck_tone(0));
        // Two frames share a transform. An odd delay pairs others, and in digital silence a ten-millionth of the sound of
        // the one shows in the other: there it is looked at from the first stroke on, when what it looks back on sounds.
        for (num_frames, from_s) in [(2usize, 0.0), (10, 0.0), (33, 0.460)] {
            let delay = (num_frames as f64 * HOP_S * RATE_HZ) as usize;
            let later = curves_of(&struck_tone(delay));
            let both = curves.iter().zip(&later[num_frames..]).enumerate();
            for (i, (here, there)) in both.skip((from_s / HOP_S) as usize) {
                for (a, b) in here.iter().zip(there) {
                    // 0.01 dB: single precision, and some.
                    assert!((a - b).abs() < 0.01, "{num_frames} frames later, frame {i}: {here:?} {there:?}");
                }
            }
        }
    }

    #[test]
    fn the_level_is_that_of_the_sound_and_growth_that_of_its_rise() {
        let curves = curves_of(&struck_tone(0));
        let at = |s: f64| curves[(s / HOP_S).round() as usize];
        // Out of digital silence, told as -110 dB, to its top within 15 ms: it grows by all that.
        assert!(at(0.40)[2] > 60.0, "{:?}", at(0.40));
        // 30 dB a second are lost, over 0.2 s.
        let lost = at(0.50)[0] - at(0.70)[0];
        assert!((lost - 6.0).abs() < 0.3, "{lost} dB in 0.2 s");
        assert!(at(0.60)[2] < 3.0, "{:?}", at(0.60));
    }
}
