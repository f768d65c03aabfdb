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
    use crate::observe::Frame;
    use crate::observe::HOP_S;
    use crate::test_sounds::{dice, share_of};

    impl Curves {
        /// Curves as they are drawn: level and slow level alike, and novelty, of each frame.
        pub(crate) fn drawn(values: impl IntoIterator<Item = (f32, f32)>) -> Self {
            let mut curves = Self::new();
            for (level, novelty) in values {
                let i = curves.num_level;
                *curves.slot(i) = Values { level, slow: level, novelty, ..Values::default() };
                curves.num_level += 1;
            }
            (curves.num_slow, curves.num_raw, curves.num_novelty) =
                (curves.num_level, curves.num_level, curves.num_level);
            curves
        }
    }

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
        // Two frames share a transform. An odd delay pairs others, and in digital silence a ten-millionth of the sound
        // of the one shows in the other: there it is looked at from the first stroke on, when what it looks back on
        // sounds.
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

    /// The width of a smoothing is the frequency at which it passes half of the power: of a Gauss curve of deviation s
    /// frames 0.1325 / s of the frames' rate \[C\].
    #[test]
    fn a_kernel_has_the_width_it_is_said_to_have() {
        for (half, sigma, width_hz) in
            [(LEVEL_HALF, LEVEL_SIGMA, 40.0), (SLOW_HALF, SLOW_SIGMA, 12.0), (NOVELTY_HALF, NOVELTY_SIGMA, 30.0)]
        {
            let kernel = kernel(half, sigma);
            let gain = |hz: f64| {
                let turn = |k: i64| (std::f64::consts::TAU * hz * HOP_S * k as f64).cos();
                kernel.iter().zip(-half..).map(|(w, k)| f64::from(*w) * turn(k)).sum::<f64>()
            };
            assert!((gain(0.0) - 1.0).abs() < 1e-6, "a level that stands still is kept");
            // A tenth of the width is what it is rounded by, and what lies beyond the ends of the kernel.
            assert!((gain(width_hz) - 0.5f64.sqrt()).abs() < 0.06, "{width_hz} Hz: {}", gain(width_hz));
            assert!(kernel.iter().eq(kernel.iter().rev()), "it moves nothing in time");
        }
    }

    /// The curves of drawn levels, each with its slow level, growth, loudest and softest.
    fn of_levels(db: impl Fn(i64) -> f32, num: i64) -> Curves {
        let frames = Frames::drawn((0..num).map(|i| Frame::held(58.0, db(i))));
        let mut curves = Curves::new();
        curves.advance(&frames);
        assert!(curves.len() > num - 40, "all but what lies ahead");
        curves
    }

    #[test]
    fn a_straight_change_of_level_is_kept_by_both_smoothings() {
        let slope = |i: i64| -60.0 + 0.1 * i as f32;
        let curves = of_levels(slope, 400);
        for i in 20..360 {
            for level in [curves.level(i), curves.slow(i)] {
                assert!((level - slope(i)).abs() < 1e-3, "frame {i}: {level}");
            }
            // Highest of the next 37 ms over the lowest of the last 60.
            let grown = if i < 30 { continue } else { curves.grow(i) };
            assert!((grown - 0.1 * (GROW_AHEAD + GROW_BACK) as f32).abs() < 1e-3, "frame {i}: {grown}");
        }
        assert!((curves.mean_level(100, 200) - slope(150)).abs() < 1e-3);
        assert!(
            (curves.max_level(100, 200) - slope(200)).abs() < 1e-3
                && (curves.min_level(100, 200) - slope(100)).abs() < 1e-3
        );
    }

    #[test]
    fn the_loudest_sinks_by_four_and_the_softest_rises_by_two_decibels_a_second() {
        // 40 dB louder for a quarter of a second, then soft for one.
        let curves = of_levels(|i| if (200..300).contains(&i) { -20.0 } else { -60.0 }, 760);
        let second = |per_s: f32, from: i64, to: i64| per_s * (to - from) as f32 * HOP_S as f32;
        assert!((curves.loud(295) + 20.0).abs() < 0.1);
        assert!((curves.loud(700) + 20.0 + second(4.0, 299, 700)).abs() < 0.1, "{}", curves.loud(700));
        assert!((curves.floor(290) + 60.0 - second(2.0, 200, 290)).abs() < 0.1, "{}", curves.floor(290));
        assert!((curves.floor(310) + 60.0).abs() < 0.1, "it sinks at once");
    }

    #[test]
    fn levels_of_any_take_lie_between_the_softest_and_the_loudest() {
        for seed in 0..5 {
            let (mut dice, mut db) = (dice(seed + 1), -40.0f32);
            let drawn: Vec<f32> = (0..900)
                .map(|_| {
                    db = (db + 10.0 * (dice() as f32 - 0.5)).clamp(-100.0, 0.0);
                    db
                })
                .collect();
            let curves = of_levels(|i| drawn[i as usize], 900);
            let frames: Vec<i64> = (0..curves.len()).collect();
            let lies = |i: &i64| (curves.floor(*i)..=curves.loud(*i)).contains(&curves.level(*i));
            assert_eq!(share_of(&frames, lies), 1.0);
            assert!(frames.iter().all(|i| curves.grow(*i) >= 0.0));
        }
    }
}
