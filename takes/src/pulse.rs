//! A steady beat from the entrances alone, offered only when the take supports it.
//!
//! Were the entrances thrown at random, the mean of their phases on a beat (a vector of length R, 0 to 1)
//! would rarely be long: the Rayleigh test gives exp(-N R^2) for one beat tried (Mardia & Jupp, Directional
//! Statistics, 2000 \[M\]), times the number of beats tried. For vectors nearly as long as can be, that is far
//! too much; there the chance is that of N phases in a small ball.

pub mod placed;

use crate::beats::{Beats, Course, Origin};
use notefront_dsp::grid::DEVIATION_OF_MEDIAN;
use std::f64::consts::TAU;

/// Fewest entrances that can show a beat.
const MIN_ENTRANCES: usize = 8;
/// Shortest and longest distance of the places that entrances fall on, s \[P\].
const UNIT_RANGE_S: (f64, f64) = (0.2, 4.0);
/// Beats tried for each that can be told apart.
const OVERSAMPLING: f64 = 6.0;
/// Entrances the search looks at; later ones are followed from there.
const SEARCHED: usize = 256;
/// Seconds the search looks at: finer steps than this asks for would take long and show no more.
const SEARCHED_S: f64 = 300.0;
/// The mean vector must be this long: a spread of 9 % of the distance \[C\].
const MIN_RESULTANT: f64 = 0.85;
/// A slower beat is chosen when its mean vector is no more than this shorter.
const SLOWER_PREFERRED: f64 = 0.03;
/// Chance beats this good must be rarer than this.
const MAX_CHANCE: f64 = 1e-4;
/// Winds in ensembles spread by 27 to 37 ms (Rasch 1979 \[S\]); entrances that spread more than this, in s
/// about the beat, do not support one.
const MAX_SPREAD_S: f64 = 0.040;
/// The line must run over so many distances at least.
const MIN_UNITS: f64 = 6.0;
/// An entrance within this share of the distance is on the beat.
const ON_BEAT: f64 = 0.15;
/// Fits of the line, each weighted by the one before, and the distance from it, s, under which all weigh the same:
/// what a player's own beat wavers by at least \[H\].
const REFITS: usize = 8;
const STEADY_S: f64 = 0.005;
/// Share of the entrances that must be on it.
const MIN_SUPPORT: f64 = 0.85;
/// From entrance to entrance the tempo must be that of the whole, to this share of it: half the just noticeable
/// difference of 2.5 % in an even sequence (Friberg & Sundberg 1995 \[S\]). Where phrases begin off the beat of
/// the one before, a line through all of them has a tempo that nobody played.
const MAX_TEMPO_BIAS: f64 = 0.0125;
/// ... or to so many standard errors of the median distance.
const BIAS_ERRORS: f64 = 2.5;
/// Fewest distances that can tell it.
const MIN_DISTANCES: usize = 5;
/// Distances of more units than this are pauses, which need not be counted out.
const MAX_DISTANCE_UNITS: f64 = 4.0;
/// Neighbours may be off the beat alike to this degree (lag-one correlation): more is a tempo that wanders, and
/// its distance from an even line is not the player's timing \[H\].
const MAX_CORRELATION: f64 = 0.6;
/// Unless all lie within so little of the beat, in s, that it does not matter.
const TIGHT_S: f64 = 0.010;
/// Distances shorter than this, s, are told as halves of a beat (160 beats a minute).
const SHORTEST_BEAT_S: f64 = 0.375;

/// Looks for a steady beat in the times at which entrances speak, in seconds.
/// The confidence is the share of entrances on the beat, times the chance that it is one, times the share of
/// their distances from it that the one before does not foretell.
#[must_use]
pub fn find(speaks_s: &[f64]) -> Option<Beats> {
    let mut times: Vec<_> = speaks_s.iter().copied().filter(|t| t.is_finite()).collect();
    times.sort_by(f64::total_cmp);
    if times.len() < MIN_ENTRANCES {
        return None;
    }
    let searched = times.iter().take(SEARCHED).take_while(|&&t| t - times[0] <= SEARCHED_S).count();
    let head = &times[..searched.max(MIN_ENTRANCES)];
    let span_s = head[head.len() - 1] - head[0];
    let num_tried = span_s * (1.0 / UNIT_RANGE_S.0 - 1.0 / UNIT_RANGE_S.1);
    let unit = Line::through(head, search(head, span_s)?).followed(&times);
    let resultant = unit.resultant(&times);
    let chance = num_tried.max(1.0) * chance(times.len() as f64, resultant);
    let support = unit.support(&times);
    let found = unit.beats(support * (1.0 - chance) * (1.0 - unit.correlation(&times).powi(2)));
    let is_supported = resultant >= MIN_RESULTANT
        && chance <= MAX_CHANCE
        && support >= MIN_SUPPORT
        && unit.spread_s(&times) <= MAX_SPREAD_S
        && unit.is_in_range()
        && unit.is_kept(&times)
        && unit.is_even(&times)
        && span_s >= MIN_UNITS * unit.unit_s
        && found.met_by(&times).0 == Some(true);
    is_supported.then_some(found)
}

/// Chance that N random phases have a mean vector at least this long.
fn chance(num: f64, resultant: f64) -> f64 {
    let rayleigh = (-num * resultant * resultant).exp();
    // A spread of s (radians, s^2 = 2 (1 - R)) is a ball of radius s sqrt(N) in N - 1 dimensions of 2 pi each:
    // by Stirling about (s sqrt(2 pi e) / 2 pi)^(N - 1) of the whole [C].
    let spread = (2.0 * (1.0 - resultant)).max(0.0).sqrt();
    let ball = ((0.5 * std::f64::consts::E / std::f64::consts::PI).sqrt() * spread).powf(num - 1.0);
    rayleigh.min(ball)
}

/// The frequency, in Hz, on which the times agree best.
fn search(times: &[f64], span_s: f64) -> Option<f64> {
    let step_hz = 1.0 / (OVERSAMPLING * span_s.max(UNIT_RANGE_S.1));
    let (low, high) = (1.0 / UNIT_RANGE_S.1, 1.0 / UNIT_RANGE_S.0);
    let num_steps = ((high - low) / step_hz).ceil() as usize;
    let tried: Vec<f64> = (0..=num_steps).map(|i| resultant(times, low + i as f64 * step_hz)).collect();
    let best = tried.iter().copied().fold(0.0, f64::max);
    let is_peak =
        |i: usize| (i == 0 || tried[i] >= tried[i - 1]) && tried.get(i + 1).is_none_or(|&next| tried[i] >= next);
    let slowest = (0..tried.len()).find(|&i| tried[i] >= best - SLOWER_PREFERRED && is_peak(i))?;
    Some(low + slowest as f64 * step_hz)
}

fn mean_vector(times: &[f64], hz: f64) -> (f64, f64) {
    let (sin, cos) = times.iter().fold((0.0, 0.0), |(sin, cos), t| {
        let phase = TAU * hz * (t - times[0]);
        (sin + phase.sin(), cos + phase.cos())
    });
    (sin / times.len() as f64, cos / times.len() as f64)
}

fn resultant(times: &[f64], hz: f64) -> f64 {
    let (sin, cos) = mean_vector(times, hz);
    sin.hypot(cos)
}

fn middle(values: &mut [f64]) -> f64 {
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// Places at `first_s + k unit_s`.
#[derive(Debug, Clone, Copy)]
struct Line {
    first_s: f64,
    unit_s: f64,
}

impl Line {
    /// The line of a frequency, fitted to the times.
    fn through(times: &[f64], hz: f64) -> Self {
        let (sin, cos) = mean_vector(times, hz);
        let start = Self { first_s: times[0] + sin.atan2(cos) / (TAU * hz), unit_s: 1.0 / hz };
        (0..REFITS).fold(start, |line, _| line.fitted(times))
    }

    /// Followed to the end of a long take, by ever longer stretches.
    fn followed(self, times: &[f64]) -> Self {
        let (mut line, mut len) = (self, SEARCHED.min(times.len()));
        while len < times.len() {
            len = (len * 5 / 4 + 1).min(times.len());
            line = line.fitted(&times[..len]);
        }
        line.fitted(times)
    }

    /// The line through the times that are on the beat, on which one late note pulls no more than any other: least
    /// squares weighted by what each was off the line before (least absolute deviations, by reweighting).
    fn fitted(self, times: &[f64]) -> Self {
        let on = times.iter().filter(|&&t| self.is_on(t)).map(|&t| {
            let weight = 1.0 / self.residual_s(t).abs().max(STEADY_S);
            (((t - self.first_s) / self.unit_s).round(), t, weight)
        });
        let on: Vec<(f64, f64, f64)> = on.collect();
        let sum = |value: &dyn Fn(&(f64, f64, f64)) -> f64| on.iter().map(|p| p.2 * value(p)).sum::<f64>();
        let all = sum(&|_| 1.0);
        let (mean_k, mean_t) = (sum(&|p| p.0) / all, sum(&|p| p.1) / all);
        let slope = sum(&|p| (p.0 - mean_k) * (p.1 - mean_t)) / sum(&|p| (p.0 - mean_k).powi(2));
        if !slope.is_finite() || slope <= 0.0 {
            return self;
        }
        let first_s = mean_t - slope * mean_k;
        Self { first_s, unit_s: slope }
    }

    fn residual_s(self, time_s: f64) -> f64 {
        let units = (time_s - self.first_s) / self.unit_s;
        (units - units.round()) * self.unit_s
    }

    fn is_on(self, time_s: f64) -> bool {
        self.residual_s(time_s).abs() <= ON_BEAT * self.unit_s
    }

    fn support(self, times: &[f64]) -> f64 {
        times.iter().filter(|&&t| self.is_on(t)).count() as f64 / times.len() as f64
    }

    fn resultant(self, times: &[f64]) -> f64 {
        resultant(times, 1.0 / self.unit_s)
    }

    /// Spread of the entrances that are on the beat, root mean square.
    fn spread_s(self, times: &[f64]) -> f64 {
        let on: Vec<_> = times.iter().filter(|&&t| self.is_on(t)).map(|&t| self.residual_s(t).powi(2)).collect();
        (on.iter().sum::<f64>() / on.len().max(1) as f64).sqrt()
    }

    /// The times on the beat, as whole units and what is left over in seconds.
    fn on_beat(self, times: &[f64]) -> Vec<(f64, f64)> {
        let on = times.iter().filter(|&&t| self.is_on(t));
        on.map(|&t| (((t - self.first_s) / self.unit_s).round(), self.residual_s(t))).collect()
    }

    /// From one entrance to the next the tempo is that of the whole.
    fn is_kept(self, times: &[f64]) -> bool {
        let distances = self.on_beat(times);
        let near = distances.windows(2).filter(|w| (1.0..=MAX_DISTANCE_UNITS).contains(&(w[1].0 - w[0].0)));
        let mut gains: Vec<f64> = near.map(|w| (w[1].1 - w[0].1) / (w[1].0 - w[0].0)).collect();
        if gains.len() < MIN_DISTANCES {
            return false;
        }
        let bias = middle(&mut gains);
        let mut off: Vec<f64> = gains.iter().map(|gain| (gain - bias).abs()).collect();
        // The median of normal values errs by 1.2533 spreads / sqrt(n) [C].
        let error = DEVIATION_OF_MEDIAN * 1.2533 * middle(&mut off) / (gains.len() as f64).sqrt();
        bias.abs() <= (MAX_TEMPO_BIAS * self.unit_s).max(BIAS_ERRORS * error)
    }

    /// Early and late entrances take turns as they come, and do not drift.
    fn is_even(self, times: &[f64]) -> bool {
        self.correlation(times) <= MAX_CORRELATION
    }

    /// How much alike neighbours are off the beat, 0 (or less, as chance has it) to 1.
    fn correlation(self, times: &[f64]) -> f64 {
        let on = self.on_beat(times);
        let power: f64 = on.iter().map(|(_, off)| off * off).sum();
        let alike: f64 = on.windows(2).map(|w| w[0].1 * w[1].1).sum();
        if self.spread_s(times) <= TIGHT_S { 0.0 } else { (alike / power).max(0.0) }
    }

    fn is_in_range(self) -> bool {
        (0.95 * UNIT_RANGE_S.0..=1.05 * UNIT_RANGE_S.1).contains(&self.unit_s)
    }

    fn beats(self, confidence: f64) -> Beats {
        let per_beat = if self.unit_s < SHORTEST_BEAT_S { 2 } else { 1 };
        let bpm = 60.0 / (self.unit_s * f64::from(per_beat));
        let course = Course::Even { bpm, first_beat_s: self.first_s };
        Beats { course, per_beat, origin: Origin::Found, confidence, followed: None }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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

    /// Notes of one to three units, off the beat by a spread in s.
    fn played(unit_s: f64, num_notes: usize, spread_s: f64, seed: u64) -> Vec<f64> {
        let mut dice = Dice(seed);
        let mut at = 1.0;
        let mut next = || {
            let now = at + spread_s * dice.normal();
            at += unit_s * (1.0 + (3.0 * dice.roll()).floor());
            now
        };
        (0..num_notes).map(|_| next()).collect()
    }

    fn unit_s(beats: &Beats) -> f64 {
        60.0 / beats.bpm() / f64::from(beats.per_beat)
    }

    #[test]
    fn one_late_note_does_not_move_the_beat() {
        // Eight notes at 72 a minute, good to 5 ms, the last 71 ms late: least squares would say 71.5.
        let mut times: Vec<f64> =
            (0..8).map(|i| 1.0 + f64::from(i) * 60.0 / 72.0 + 0.005 * f64::from(i % 3 - 1)).collect();
        times[7] += 0.071;
        let beats = find(&times).expect("a beat");
        assert!((beats.bpm() - 72.0).abs() < 0.2, "{beats:?}");
        let (off_ms, _) = beats.deviation(times[7]).expect("an even grid");
        assert!((off_ms - 71.0).abs() < 15.0, "{off_ms} ms");
    }

    #[test]
    fn a_steady_take_shows_its_beat() {
        for (unit, num, seed) in [(0.25, 60, 1), (0.5, 24, 2), (60.0 / 72.0, 32, 3), (1.0, 16, 4), (0.5, 3000, 5)] {
            let beats = find(&played(unit, num, 0.015, seed)).unwrap_or_else(|| panic!("no beat at {unit}"));
            // The unit is known to spread / span: 15 ms in some seconds.
            assert!((unit_s(&beats) / unit - 1.0).abs() < 0.004, "{unit}: {beats:?}");
            let (off_ms, _) = beats.deviation(1.0).expect("an even grid");
            assert!(off_ms.abs() < 15.0, "{unit}: {off_ms} ms");
            assert!(beats.confidence > 0.85 && beats.origin == Origin::Found);
        }
    }

    #[test]
    fn a_free_take_has_none() {
        for seed in 0..200 {
            let mut dice = Dice(seed);
            let mut at = 0.0;
            let times: Vec<_> = (0..40)
                .map(|_| {
                    at += 0.3 + 1.5 * dice.roll();
                    at
                })
                .collect();
            assert_eq!(find(&times), None, "seed {seed}");
        }
    }

    #[test]
    fn a_wandering_or_sloppy_take_has_none() {
        let mut at = 0.0;
        let rushing: Vec<_> = (0..80)
            .map(|i| {
                at += 0.8 - 0.004 * f64::from(i);
                at
            })
            .collect();
        assert_eq!(find(&rushing), None);
        assert_eq!(find(&played(0.5, 60, 0.08, 1)), None);
    }

    #[test]
    fn too_few_equal_or_odd_times_have_none() {
        assert_eq!(find(&[]), None);
        assert_eq!(find(&[1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0]), None);
        assert_eq!(find(&[3.0; 50]), None);
        assert_eq!(find(&[f64::NAN; 50]), None);
    }

    /// Of so many takes, how many are told a beat, and how many of those have the right one.
    fn told(num_takes: u64, take: impl Fn(u64) -> (Vec<f64>, f64)) -> (usize, usize) {
        let beats = (0..num_takes).map(take).filter_map(|(times, unit)| Some((find(&times)?, unit)));
        let right: Vec<bool> = beats.map(|(beats, unit)| (unit_s(&beats) / unit - 1.0).abs() < 0.005).collect();
        (right.len(), right.iter().filter(|&&right| right).count())
    }

    #[test]
    fn nearly_every_take_to_a_click_is_told_its_beat() {
        for (num, spread_s) in [(24, 0.010), (24, 0.030), (100, 0.020)] {
            let (told, right) = told(60, |seed| {
                let unit = 0.4 + 0.6 * Dice(seed + 77).roll();
                (played(unit, num, spread_s, seed), unit)
            });
            assert!(told >= 57 && right == told, "{num} notes, {spread_s} s: {told} told, {right} right of 60");
        }
    }

    #[test]
    fn a_tempo_of_one_s_own_that_wanders_is_no_beat() {
        let (told, _) = told(60, |seed| {
            let mut dice = Dice(seed + 1000);
            let mut at = 0.0;
            let mut next = || {
                at += 0.7 * (1.0 + (2.0 * dice.roll()).floor()) * (1.0 + 0.04 * dice.normal());
                at
            };
            ((0..80).map(|_| next()).collect(), 0.7)
        });
        assert_eq!(told, 0);
    }

    #[test]
    fn phrases_that_begin_off_the_beat_have_none_together() {
        // Groups of 8, 4, 8, 4 ... notes of a steady 0.46 s, with a breath of another length before each: that a
        // line through all of them lies near them all tells nothing.
        let mut at = 1.0;
        let mut times = Vec::new();
        for group in 0..8 {
            for _ in 0..if group % 2 == 0 { 8 } else { 4 } {
                times.push(at);
                at += 0.4615;
            }
            at += 1.023 - 0.4615;
        }
        assert_eq!(find(&times), None);
    }

    #[test]
    fn a_beat_that_holds_for_a_part_only_is_none() {
        // The last twelve of forty off it by a fourth of a beat and a little: no beat of one unit is told for the whole.
        let mut times = played(0.6, 40, 0.010, 3);
        times.iter_mut().skip(28).for_each(|t| *t += 0.23);
        let found = find(&times);
        assert!(found.as_ref().is_none_or(|beats| beats.per_beat > 1), "{found:?}");
    }

    #[test]
    fn a_broadened_ending_leaves_the_beat() {
        let mut times: Vec<f64> = played(0.6, 30, 0.010, 3);
        times.iter_mut().skip(27).zip([0.05, 0.12, 0.25]).for_each(|(t, late)| *t += late);
        let beats = find(&times).expect("a beat");
        assert!((unit_s(&beats) / 0.6 - 1.0).abs() < 0.004, "{beats:?}");
        assert!(beats.met_by(&times).1 >= 3, "{:?}", beats.met_by(&times));
    }

    #[test]
    fn confidence_is_less_where_neighbours_are_off_alike() {
        let steady = find(&played(0.6, 40, 0.015, 3)).expect("a beat").confidence;
        let drifting: Vec<f64> =
            played(0.6, 40, 0.010, 3).iter().enumerate().map(|(i, t)| t + 0.015 * (i as f64 / 4.0).sin()).collect();
        let drifting = find(&drifting).expect("a beat").confidence;
        assert!(steady > 0.9 && drifting < 0.85, "{steady}, {drifting}");
    }
}
