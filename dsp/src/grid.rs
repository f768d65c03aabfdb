//! Distance of an entrance from the beats, and whether a take follows them at all.

pub use crate::parameters::beat::MIN_TO_TELL;
use crate::settings::Grid;
use std::f64::consts::TAU;

/// Entrances thrown at random seem to follow a beat in this share of takes at most.
const MAX_CHANCE_QUANTILE: f64 = 2.326; // of the standard normal: 1 % [C]
/// Half of the entrances lie within this of what the take is off in the mean, s: a spread of 75 ms, twice that of winds in
/// ensembles (27 to 37 ms, Rasch 1979 \[S\]). Who strays further is not playing to it \[H\].
const MAX_MEDIAN_S: f64 = 0.050;
/// A broadened step is longer than its beats by more than what is just noticed, 2.5 % of the interval (Friberg &
/// Sundberg 1995 \[S\]) ...
const BROADENED_STEP: f64 = 0.025;
/// ... and all of them together by more than a relaxed player's window for one note, s \[S\].
const BROADENED_S: f64 = 0.030;

/// What one entrance is timed against.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Beat {
    /// The beat or subdivision next to it, seconds from the first sample.
    pub at_s: f64,
    /// Length of a whole beat there, seconds.
    pub length_s: f64,
    /// How far the take strays from beats that nobody gave it, as a standard deviation, seconds; `None` for beats that are known.
    pub spread_s: Option<f64>,
}

impl Grid {
    /// The beat or subdivision next to a time in seconds.
    #[must_use]
    pub fn nearest(&self, time_s: f64) -> Beat {
        Beat { at_s: time_s - deviation_ms(time_s, self) / 1e3, length_s: 60.0 / self.bpm, spread_s: None }
    }
}

/// Distance of a time from the nearest beat or subdivision, ms; positive = late.
#[must_use]
pub fn deviation_ms(time_s: f64, grid: &Grid) -> f64 {
    let step_s = step_s(grid);
    let steps = (time_s - grid.first_beat_s) / step_s;
    (steps - steps.round()) * step_s * 1e3
}

/// Where an entrance lies between two places of a grid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Off {
    /// From the nearest place, s; positive = late.
    pub off_s: f64,
    /// Length of the step it lies in, from one place to the next, s.
    pub step_s: f64,
}

impl Off {
    /// Of the step, -0.5 to 0.5.
    fn share(self) -> f64 {
        self.off_s / self.step_s
    }
}

/// Whether a take is played to a beat; `None` for fewer than [`MIN_TO_TELL`] entrances.
///
/// Played to another beat or to none, entrances fall on every phase of a step alike. So the mean of the cosines of their
/// phases, 0 there with a variance of 1 / 2N, must be larger than chance makes it (the V test: Rayleigh's, for a mean that
/// is known to be the beat; Mardia & Jupp, Directional Statistics, 2000 \[M\]), and they must lie together.
#[must_use]
pub fn is_followed(offs: &[Off]) -> Option<bool> {
    if offs.len() < MIN_TO_TELL {
        return None;
    }
    let sum = |f: fn(f64) -> f64| offs.iter().map(|off| f(TAU * off.share())).sum::<f64>();
    let (cos, sin, num) = (sum(f64::cos), sum(f64::sin), offs.len() as f64);
    let mean = sin.atan2(cos) / TAU;
    let from_mean_s = |off: &&Off| {
        let share = off.share() - mean;
        ((share - share.round()) * off.step_s).abs()
    };
    let num_together = offs.iter().filter(|off| from_mean_s(off) <= MAX_MEDIAN_S).count();
    let is_no_chance = cos * (2.0 / num).sqrt() >= MAX_CHANCE_QUANTILE;
    Some(is_no_chance && 2 * num_together >= offs.len())
}

/// Whether every stretch of a take is played to a beat, of [`MIN_TO_TELL`] entrances or more each.
#[must_use]
pub fn is_followed_throughout(offs: &[Off]) -> Option<bool> {
    let num_stretches = (offs.len() / MIN_TO_TELL).max(1);
    let bound = |k: usize| k * offs.len() / num_stretches;
    let all_of = (0..num_stretches).all(|k| is_followed(&offs[bound(k)..bound(k + 1)]) != Some(false));
    is_followed(offs).map(|whole| whole && all_of)
}

/// How far entrances stray from their beats, s: the standard deviation of normal ones with this median distance, which a few
/// stray notes do not move.
#[must_use]
pub fn spread_s(offs: &[Off]) -> f64 {
    let mut distances: Vec<f64> = offs.iter().map(|off| off.off_s.abs()).collect();
    if distances.is_empty() {
        return 0.0;
    }
    let middle = distances.len() / 2;
    DEVIATION_OF_MEDIAN * *distances.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// Of normal values, the standard deviation over the median distance from the mean \[C\].
pub const DEVIATION_OF_MEDIAN: f64 = 1.4826;

/// Entrances at the end that belong to a broadened ending, which is not late: each later than the one before, or late in a
/// row up to a held last note but one, after which the last note may come whenever it likes.
#[must_use]
pub fn num_broadened(offs: &[Off]) -> usize {
    match (num_later_and_later(offs), offs) {
        (0, [before @ .., _last]) => num_late_and_held(before),
        (num, _) => num,
    }
}

/// Entrances at the end that come later and later. A step that broadens by half of itself or more cannot be told from an
/// early note of the next place, and ends the count.
fn num_later_and_later(offs: &[Off]) -> usize {
    let gained = |pair: &[Off]| {
        let share = pair[1].share() - pair[0].share();
        share - share.round()
    };
    let steps = || offs.windows(2).rev().take_while(|pair| gained(pair) > BROADENED_STEP);
    let later_s: f64 = steps().map(|pair| gained(pair) * pair[1].step_s).sum();
    if later_s > BROADENED_S { steps().count() } else { 0 }
}

/// Entrances late in a row, two or more, of which the last is by far the latest, and the one that follows them.
fn num_late_and_held(offs: &[Off]) -> usize {
    let num = offs.iter().rev().take_while(|off| off.share() > BROADENED_STEP).count();
    let [before @ .., held] = &offs[offs.len() - num..] else { return 0 };
    let is_latest = before.iter().all(|off| held.off_s > off.off_s + BROADENED_S);
    if before.is_empty() || !is_latest { 0 } else { num + 1 }
}

/// Distance of two places of the grid, s.
#[must_use]
pub fn step_s(grid: &Grid) -> f64 {
    60.0 / grid.bpm / f64::from(grid.per_beat)
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn late_is_positive_and_the_nearest_beat_counts() {
        let grid = Grid { bpm: 60.0, first_beat_s: 1.0, per_beat: 2 };
        assert_abs_diff_eq!(deviation_ms(2.02, &grid), 20.0, epsilon = 1e-9);
        assert_abs_diff_eq!(deviation_ms(2.48, &grid), -20.0, epsilon = 1e-9);
        // Before the first beat the grid goes on.
        assert_abs_diff_eq!(deviation_ms(0.01, &grid), 10.0, epsilon = 1e-9);
    }

    /// Of times against an even grid.
    fn offs(times_s: impl IntoIterator<Item = f64>, grid: &Grid) -> Vec<Off> {
        let off = |at_s| Off { off_s: deviation_ms(at_s, grid) / 1e3, step_s: step_s(grid) };
        times_s.into_iter().map(off).collect()
    }

    struct Dice(u64);

    impl Dice {
        fn roll(&mut self) -> f64 {
            self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (self.0 >> 11) as f64 / (1_u64 << 53) as f64
        }

        /// Nearly normal with a spread of 1: twelve uniform numbers.
        fn normal(&mut self) -> f64 {
            (0..12).map(|_| self.roll()).sum::<f64>() - 6.0
        }
    }

    const AT_72: Grid = Grid { bpm: 72.0, first_beat_s: 1.0, per_beat: 1 };

    /// Notes on the beats of [`AT_72`] at so many times its tempo, so late, with a spread, s.
    fn played(num: usize, tempo: f64, late_s: f64, spread_s: f64, seed: u64) -> Vec<f64> {
        let mut dice = Dice(seed);
        (0..num).map(|i| 1.0 + i as f64 * 60.0 / 72.0 / tempo + late_s + spread_s * dice.normal()).collect()
    }

    #[test]
    fn a_take_on_a_click_follows_it() {
        // Spread as winds in ensembles (27 to 37 ms), early or late by as much as a recording may add.
        for (num, late_s, spread_s) in [(6, 0.0, 0.020), (8, 0.060, 0.030), (24, -0.040, 0.037), (60, 0.080, 0.037)] {
            for seed in 0..50 {
                let heard = offs(played(num, 1.0, late_s, spread_s, seed), &AT_72);
                assert_eq!(is_followed(&heard), Some(true), "{num} notes, {late_s}, {spread_s}, seed {seed}");
            }
        }
    }

    #[test]
    fn another_tempo_and_free_playing_do_not_follow_a_click() {
        for tempo in [0.9, 1.1, 0.97, 1.03] {
            for seed in 0..50 {
                let heard = offs(played(24, tempo, 0.0, 0.015, seed), &AT_72);
                assert_eq!(is_followed(&heard), Some(false), "{tempo}, seed {seed}");
            }
        }
        // At random 1 % at most may seem to follow: of 1000 takes 10, and 3 standard errors more.
        for num in [6, 12, 24, 60] {
            let free = |seed| {
                let mut dice = Dice(seed);
                (0..num).map(move |_| 40.0 * dice.roll()).collect::<Vec<_>>()
            };
            let followed = (0..1000).filter(|&seed| is_followed(&offs(free(seed), &AT_72)) == Some(true)).count();
            assert!(followed <= 20, "{num} notes: {followed} of 1000");
        }
    }

    #[test]
    fn the_spread_is_that_of_the_steady_notes_whatever_a_few_do() {
        let mut times = played(60, 1.0, 0.0, 0.020, 3);
        assert_abs_diff_eq!(spread_s(&offs(times.clone(), &AT_72)), 0.020, epsilon = 0.005);
        times.iter_mut().step_by(10).for_each(|s| *s += 0.2);
        assert_abs_diff_eq!(spread_s(&offs(times, &AT_72)), 0.020, epsilon = 0.008);
        assert_abs_diff_eq!(spread_s(&[]), 0.0);
    }

    #[test]
    fn too_few_entrances_tell_nothing_and_one_stray_note_changes_nothing() {
        assert_eq!(is_followed(&offs(played(5, 1.0, 0.0, 0.0, 1), &AT_72)), None);
        assert_eq!(is_followed_throughout(&[]), None);
        let mut stray = played(8, 1.0, 0.0, 0.010, 1);
        stray[4] += 0.3;
        assert_eq!(is_followed(&offs(stray, &AT_72)), Some(true));
    }

    #[test]
    fn what_holds_for_a_half_does_not_hold_throughout() {
        let mut times = played(24, 1.0, 0.0, 0.010, 1);
        times.iter_mut().enumerate().skip(16).for_each(|(i, t)| *t += 0.1 * (i - 15) as f64);
        assert_eq!(is_followed(&offs(times.iter().copied(), &AT_72)), Some(true));
        assert_eq!(is_followed_throughout(&offs(times, &AT_72)), Some(false));
        assert_eq!(is_followed_throughout(&offs(played(24, 1.0, 0.0, 0.030, 1), &AT_72)), Some(true));
    }

    /// Entrances counted as broadened of twelve on the beat, the last of them so late, s.
    fn broadened(late_s: &[f64]) -> usize {
        let mut times = played(12, 1.0, 0.0, 0.0, 1);
        times.iter_mut().rev().zip(late_s.iter().rev()).for_each(|(t, late)| *t += late);
        num_broadened(&offs(times, &AT_72))
    }

    #[test]
    fn a_held_last_note_but_one_belongs_to_the_broadened_ending() {
        let with = broadened;
        assert_eq!([with(&[0.1, 0.35, -0.3]), with(&[0.11, 0.07, 0.35, 0.0]), with(&[0.1, 0.3])], [3, 4, 2]);
        // One late note, and notes late alike, with one on the beat after them.
        assert_eq!([with(&[0.2, 0.0]), with(&[0.1, 0.11, 0.0])], [0, 0]);
    }

    #[test]
    fn a_broadened_ending_is_told_from_a_late_note() {
        let with = broadened;
        assert_eq!([with(&[]), with(&[0.06, 0.15, 0.4]), with(&[0.09, 0.2, 0.5, 0.9])], [0, 3, 4]);
        // A late note with one on the beat after it, all late alike, and what nobody hears.
        assert_eq!([with(&[0.08, 0.0]), with(&[0.06, 0.06, 0.06]), with(&[0.015])], [0, 0, 0]);
    }
}
