//! The pitch's path through a front: the smoothest line that the looks allow, at even steps, with its own half widths.
//!
//! Penalised least squares (a cubic smoothing spline in discrete form: Whittaker 1923, Eilers 2003, Anal. Chem.
//! 75:3631 \[M\]): each look pulls at the path with the inverse of its own variance, and the path resists a change of
//! slope. Read as probability it is a random walk of the slope seen through noise, so one matrix gives the path and
//! the variance of anything read from it.

use crate::look::{Point, look_window};
use crate::parameters::shape::{SLOPE_LEAP, SLOPE_WEARS_OFF_S, UNSEEN_SLOPE};

/// Distance of the path's points, s \[T\].
pub const STEP_S: f64 = 0.002;
/// Most points: a front of 650 ms \[T\].
const MAX_POINTS: usize = 330;
/// How freely the slope may change, cents^2/s^3: in a settled tone (a vibrato of 20 cents at 5.5 Hz takes 7e6 \[C\]),
/// and as the note begins (an exponential of 80 cents over 15 ms takes 1e9 in its first moment \[C\]),
/// which wears off in this time, s \[H\].
const SLOPE_REST: f64 = 1e7;
const SLOPES_FRONT: [f64; 5] = [1e6, 1e7, 1e8, 1e9, 1e10];
/// A look this many of its own deviations off the path counts less (Huber 1964 \[M\]).
const OUTLIER: f64 = 2.0;
/// Rounds of weighing outliers down \[T\].
const ROUNDS: usize = 3;
/// The path is told where a look lies this near, periods \[T\].
const SEEN_PERIODS: f64 = 1.0;

/// A symmetric matrix with two bands beside the diagonal: diagonal, first, second.
type Row = [f64; 3];

/// Finds paths; its lists are allocated once.
pub struct Path {
    rate_hz: f64,
    start: f64,
    step: f64,
    /// Time of the first look used.
    first: f64,
    is_split: bool,
    slope_front: f64,
    rows: Vec<Row>,
    cents: Vec<f64>,
    seen: Vec<bool>,
    work: Vec<f64>,
    weights: Vec<f64>,
}

impl Path {
    /// Room for a path at an internal rate in Hz.
    #[must_use]
    pub fn new(rate_hz: f64) -> Self {
        Self {
            rate_hz,
            start: 0.0,
            step: STEP_S * rate_hz,
            first: 0.0,
            is_split: false,
            slope_front: 0.0,
            rows: Vec::with_capacity(MAX_POINTS),
            cents: Vec::with_capacity(MAX_POINTS),
            seen: Vec::with_capacity(MAX_POINTS),
            work: Vec::with_capacity(MAX_POINTS),
            weights: Vec::with_capacity(MAX_POINTS),
        }
    }

    /// Forgets the path.
    pub fn clear(&mut self) {
        self.rows.clear();
        self.cents.clear();
        self.seen.clear();
    }

    /// Lays the path through the looks that hold tone, from `onset` (internal samples) to the last look.
    pub fn fit(&mut self, points: &[Point], onset: f64, period: f64, is_split: bool) {
        self.is_split = is_split;
        self.clear();
        let used = || tones(points, onset - 0.25 * period, is_split);
        let (Some(first), Some(last)) = (used().next(), used().next_back()) else { return };
        self.first = first.time.max(onset);
        self.start = onset;
        let num = (((last.time - onset) / self.step).ceil().max(0.0) as usize + 1).clamp(3, MAX_POINTS);
        self.cents.resize(num, 0.0);
        self.seen.resize(num, false);
        let reach = SEEN_PERIODS * period;
        for point in used() {
            let (low, high) = (self.index(point.time - reach), self.index(point.time + reach));
            self.seen[low..=high].fill(true);
        }
        self.slope_front = self.likeliest_slope(points, period);
        for round in 0..ROUNDS {
            self.solve_once(points, period, round > 0);
        }
    }

    fn solve_once(&mut self, points: &[Point], period: f64, is_second: bool) {
        self.fill(points, period, is_second);
        self.weights.clear();
        self.weights.extend_from_slice(&self.work);
        factor(&mut self.rows);
        solve(&self.rows, &mut self.work);
        self.cents.copy_from_slice(&self.work);
    }

    /// How freely the slope changes as this note begins: the likeliest of some, all that is known but the looks' variance
    /// being that they are drawn from such a path.
    fn likeliest_slope(&mut self, points: &[Point], period: f64) -> f64 {
        let mut best = (f64::MAX, SLOPES_FRONT[0]);
        for slope_front in SLOPES_FRONT {
            self.slope_front = slope_front;
            self.solve_once(points, period, false);
            // Twice the negative logarithm of the likelihood, less what is the same for all.
            let explained: f64 = self.weights.iter().zip(&self.cents).map(|(b, x)| b * x).sum();
            let volume: f64 = self.rows.iter().map(|row| row[0].ln()).sum();
            let freedom: f64 = (1..self.rows.len() - 1).map(|i| self.slope_freedom(i, false).ln()).sum();
            let unlikely = volume + freedom - explained;
            if unlikely < best.0 {
                best = (unlikely, slope_front);
            }
        }
        best.1
    }

    /// Sums up what the looks and the path's stiffness ask for. With `is_second`, looks far off the path count less.
    fn fill(&mut self, points: &[Point], period: f64, is_second: bool) {
        let num = self.cents.len();
        self.rows.clear();
        self.rows.resize(num, [0.0; 3]);
        self.work.clear();
        self.work.resize(num, 0.0);
        let window = look_window(period, self.rate_hz);
        let mut before: Option<&Point> = None;
        let mut leaps = [usize::MAX; 4];
        let mut num_leaps = 0;
        for point in tones(points, self.start - 0.25 * period, self.is_split) {
            let hop = before.map_or(self.step, |b| point.centre - b.centre);
            if before.is_some_and(|b| b.is_other_partial != point.is_other_partial) && num_leaps < leaps.len() {
                leaps[num_leaps] = self.index(0.5 * (before.map_or(0.0, |b| b.time) + point.time));
                num_leaps += 1;
            }
            before = Some(point);
            // Looks that overlap tell the same: half a window of Hann's shape is one look's worth.
            let overlap = (0.5 * window / hop.max(1.0)).max(1.0);
            let mut variance = point.sd_cents * point.sd_cents * overlap;
            let (i, share) = self.place(point.time);
            if is_second {
                let off = (point.cents - self.cents[i] * (1.0 - share) - self.cents[i + 1] * share).abs();
                variance *= (off / (OUTLIER * point.sd_cents)).max(1.0);
            }
            let (a, b) = (1.0 - share, share);
            self.rows[i][0] += a * a / variance;
            self.rows[i][1] += a * b / variance;
            self.rows[i + 1][0] += b * b / variance;
            self.work[i] += a * point.cents / variance;
            self.work[i + 1] += b * point.cents / variance;
        }
        for i in 0..num - 2 {
            let is_leap = leaps[..num_leaps].iter().any(|&l| l.abs_diff(i + 1) <= 1);
            let stiffness = 1.0 / (self.slope_freedom(i + 1, is_leap) * STEP_S.powi(3));
            self.rows[i][0] += stiffness;
            self.rows[i][1] -= 2.0 * stiffness;
            self.rows[i][2] += stiffness;
            self.rows[i + 1][0] += 4.0 * stiffness;
            self.rows[i + 1][1] -= 2.0 * stiffness;
            self.rows[i + 2][0] += stiffness;
        }
        let hold = 1.0 / (UNSEEN_SLOPE * STEP_S).powi(2);
        for i in 0..num - 1 {
            // A path of one look has no slope to tell; where there is none, the pitch is held.
            let hold = if self.seen[i] { 1e-9 } else { hold };
            self.rows[i][0] += hold;
            self.rows[i][1] -= hold;
            self.rows[i + 1][0] += hold;
        }
    }

    fn slope_freedom(&self, i: usize, is_leap: bool) -> f64 {
        let since_s = i as f64 * STEP_S;
        if is_leap { SLOPE_LEAP } else { SLOPE_REST + self.slope_front * (-since_s / SLOPE_WEARS_OFF_S).exp() }
    }

    /// Point before a time, and how far on the way to the next.
    fn place(&self, time: f64) -> (usize, f64) {
        let at = ((time - self.start) / self.step).clamp(0.0, (self.cents.len() - 1) as f64);
        let i = (at as usize).min(self.cents.len() - 2);
        (i, at - i as f64)
    }

    fn index(&self, time: f64) -> usize {
        (((time - self.start) / self.step).round().max(0.0) as usize).min(self.cents.len() - 1)
    }

    /// True without a look to lay it through.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.cents.is_empty()
    }

    /// Number of points.
    #[must_use]
    pub fn len(&self) -> usize {
        self.cents.len()
    }

    /// Distance of two points, internal samples.
    #[must_use]
    pub fn step(&self) -> f64 {
        self.step
    }

    /// Internal sample of point `i`.
    #[must_use]
    pub fn time(&self, i: usize) -> f64 {
        self.start + i as f64 * self.step
    }

    /// Internal sample of the first look used, or of the onset where that is later.
    #[must_use]
    pub fn first(&self) -> f64 {
        self.first
    }

    /// Cents from the settled pitch at point `i`.
    #[must_use]
    pub fn cents(&self, i: usize) -> f64 {
        self.cents[i]
    }

    /// Cents from the settled pitch at a time; `None` where no look is near.
    #[must_use]
    pub fn at(&self, time: f64) -> Option<f64> {
        if self.cents.len() < 3 || time < self.start || time > self.time(self.cents.len() - 1) {
            return None;
        }
        let (i, share) = self.place(time);
        self.seen[self.index(time)].then(|| self.cents[i] * (1.0 - share) + self.cents[i + 1] * share)
    }

    /// The sum of the points' cents times their weights, and its standard deviation.
    pub fn weighted(&mut self, weight: impl Fn(usize) -> f64) -> (f64, f64) {
        self.weights.clear();
        self.weights.extend((0..self.cents.len()).map(weight));
        let sum = self.weights.iter().zip(&self.cents).map(|(w, c)| w * c).sum();
        self.work.clone_from(&self.weights);
        solve(&self.rows, &mut self.work);
        let variance: f64 = self.work.iter().zip(&self.weights).map(|(x, w)| w * x).sum();
        (sum, variance.max(0.0).sqrt())
    }

    /// Standard deviation of point `i`.
    pub fn sd(&mut self, i: usize) -> f64 {
        self.weighted(|j| f64::from(u8::from(j == i))).1
    }
}

/// Looks that hold tone from a time on; those on another partial only where the note split.
fn tones(points: &[Point], from: f64, is_split: bool) -> impl DoubleEndedIterator<Item = &Point> {
    let counts = move |p: &Point| is_split || !p.is_other_partial;
    points.iter().filter(move |p| p.is_tone && p.time >= from && counts(p))
}

/// L D L^T of a symmetric matrix with two bands, in place: D on the diagonal, L beside it.
fn factor(rows: &mut [Row]) {
    for i in 0..rows.len() {
        let one = if i >= 1 { rows[i - 1] } else { [0.0; 3] };
        let two = if i >= 2 { rows[i - 2] } else { [0.0; 3] };
        let row = &mut rows[i];
        // `one` and `two` hold D and L already.
        row[0] -= one[1] * one[1] * one[0] + two[2] * two[2] * two[0];
        row[1] -= one[1] * one[2] * one[0];
        row[1] /= row[0];
        row[2] /= row[0];
    }
}

/// Solves with a factored matrix, in place.
fn solve(rows: &[Row], x: &mut [f64]) {
    let num = rows.len();
    for i in 0..num {
        if i >= 1 {
            x[i] -= rows[i - 1][1] * x[i - 1];
        }
        if i >= 2 {
            x[i] -= rows[i - 2][2] * x[i - 2];
        }
    }
    for i in 0..num {
        x[i] /= rows[i][0];
    }
    for i in (0..num).rev() {
        if i + 1 < num {
            x[i] -= rows[i][1] * x[i + 1];
        }
        if i + 2 < num {
            x[i] -= rows[i][2] * x[i + 2];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::look::silent_point;
    use crate::test_sounds::{rms, share_of, vibrato};
    use crate::units::cents;
    use approx::assert_abs_diff_eq;

    const RATE_HZ: f64 = 12_000.0;
    const PERIOD: f64 = 100.0;

    fn look(at_s: f64, cents: f64, sd_cents: f64) -> Point {
        Point { cents, sd_cents, is_tone: true, periodicity: 1.0, ..silent_point(at_s * RATE_HZ, 1.0) }
    }

    /// Evenly drawn numbers of mean 0 and deviation 1: sums of twelve.
    fn noise(seed: &mut u64) -> f64 {
        let mut next = || {
            *seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (*seed >> 11) as f64 / (1u64 << 53) as f64
        };
        (0..12).map(|_| next()).sum::<f64>() - 6.0
    }

    fn path_through(cents: impl Fn(f64) -> f64, sd: f64, seed: &mut u64) -> Path {
        let points: Vec<Point> =
            (0..120).map(|i| f64::from(i) * 0.002).map(|t| look(t, cents(t) + sd * noise(seed), sd)).collect();
        let mut path = Path::new(RATE_HZ);
        path.fit(&points, 0.0, PERIOD, false);
        path
    }

    #[test]
    fn the_equations_are_solved() {
        let rows: Vec<Row> = (0..9).map(|i| [6.0 + f64::from(i), -2.5, 0.7]).collect();
        let at = |i: usize, j: usize| {
            let (low, off) = (i.min(j), i.abs_diff(j));
            if off < 3 { rows[low][off] } else { 0.0 }
        };
        let wanted: Vec<f64> = (0..9).map(|i| f64::from(i).sin()).collect();
        let mut x: Vec<f64> = (0..9).map(|i| (0..9).map(|j| at(i, j) * wanted[j]).sum()).collect();
        let mut factored = rows.clone();
        factor(&mut factored);
        solve(&factored, &mut x);
        for (x, wanted) in x.iter().zip(&wanted) {
            assert_abs_diff_eq!(*x, *wanted, epsilon = 1e-12);
        }
    }

    #[test]
    fn a_straight_line_is_kept_as_it_is() {
        let path = path_through(|t| 50.0 - 400.0 * t, 1e-6, &mut 1);
        for at_s in [0.0, 0.05, 0.11, 0.2] {
            let cents = path.at(at_s * RATE_HZ).expect("a look is near");
            assert_abs_diff_eq!(cents, 50.0 - 400.0 * at_s, epsilon = 1e-3);
        }
    }

    #[test]
    fn noise_is_smoothed_away_where_the_pitch_stands_still() {
        let path = path_through(|_| 0.0, 5.0, &mut 2);
        let rough = (20..100).map(|i| path.cents(i).powi(2)).sum::<f64>() / 80.0;
        // Looks of 5 cents, ten and more of them in the time a pitch stays: under 2.5 cents.
        assert!(rough.sqrt() < 2.5, "{}", rough.sqrt());
    }

    #[test]
    fn one_wild_look_hardly_moves_it() {
        let mut points: Vec<Point> = (0..100).map(|i| look(f64::from(i) * 0.002, 0.0, 1.0)).collect();
        points[50].cents = 100.0;
        let mut path = Path::new(RATE_HZ);
        path.fit(&points, 0.0, PERIOD, false);
        assert!(path.cents(50).abs() < 5.0, "{}", path.cents(50));
    }

    #[test]
    fn the_half_width_holds_the_truth_nine_times_of_ten() {
        let truth = |t: f64| 80.0 * (-t / 0.020).exp();
        let (mut inside, mut all) = (0, 0);
        for seed in 0..40 {
            let mut path = path_through(truth, 4.0, &mut (seed * 77 + 5));
            for i in [2, 10, 20, 40, 80] {
                let off = path.cents(i) - truth(i as f64 * STEP_S);
                inside += usize::from(off.abs() <= 1.645 * path.sd(i));
                all += 1;
            }
        }
        let share = f64::from(inside as u32) / f64::from(all);
        assert!((0.85..=1.0).contains(&share), "{share}");
    }

    #[test]
    fn what_no_look_shows_is_not_told_and_grows_unsure() {
        let points: Vec<Point> = (20..100).map(|i| look(f64::from(i) * 0.002, 3.0, 1.0)).collect();
        let mut path = Path::new(RATE_HZ);
        path.fit(&points, 0.0, PERIOD, false);
        assert!(path.at(0.005 * RATE_HZ).is_none(), "35 ms from the first look");
        assert!(path.sd(0) > 3.0 * path.sd(20), "{} {}", path.sd(0), path.sd(20));
    }

    /// Ways in, cents at a time in s, that fronts have: each bends otherwise.
    const WAYS: [fn(f64) -> f64; 5] = [
        |_| 4.0,
        |t| (-90.0 + 1000.0 * t).min(0.0),
        |t| 60.0 * (-t / 0.030).exp(),
        |t| -30.0 * (1.0 + (std::f64::consts::PI * (t / 0.1).min(1.0)).cos()),
        |t| cents(vibrato(1.0, 5.5, 20.0, t), 1.0),
    ];

    /// A path through looks of a sound: they overlap, so that the error of one is much that of the next. Three periods
    /// are 12 hops.
    fn path_through_overlapping(cents: impl Fn(f64) -> f64, sd: f64, seed: u64) -> Path {
        let mut seed = seed;
        let hiss: Vec<f64> = (0..140).map(|_| noise(&mut seed)).collect();
        let hann: Vec<f64> = (0..12).map(|i| f64::from(crate::window::hann_at(i, 12))).collect();
        let norm = hann.iter().map(|w| w * w).sum::<f64>().sqrt();
        let error = |i: usize| sd * hiss[i..i + 12].iter().zip(&hann).map(|(x, w)| x * w).sum::<f64>() / norm;
        let points: Vec<Point> =
            (0..120).map(|i| (i, i as f64 * 0.002)).map(|(i, t)| look(t, cents(t) + error(i), sd)).collect();
        let mut path = Path::new(RATE_HZ);
        path.fit(&points, 0.0, PERIOD, false);
        path
    }

    /// Invariant 10 of the design, for the path itself: of every kind of way, 1.645 deviations hold nine of ten.
    #[test]
    fn the_deviation_of_a_path_holds_its_error_on_every_kind_of_way() {
        let mut all = Vec::new();
        for (i, way) in WAYS.into_iter().enumerate() {
            let mut held = Vec::new();
            for seed in 0..60 {
                for sd in [1.0, 3.0, 8.0] {
                    let mut path = path_through_overlapping(way, sd, seed * 131 + 7);
                    held.extend([1, 6, 15, 40, 90].map(|k| {
                        let off = path.cents(k) - way(k as f64 * STEP_S);
                        off.abs() / path.sd(k)
                    }));
                }
            }
            let share = share_of(&held, |off| *off <= 1.645);
            println!("way {i}: {share:.3}");
            assert!(share >= 0.85, "way {i}: {share}");
            all.extend(held);
        }
        let share = share_of(&all, |off| *off <= 1.645);
        assert!((0.85..=0.97).contains(&share), "{share}");
    }

    /// The mean over the path, as the lean takes it: its own deviation, against its errors over many tries.
    #[test]
    fn the_deviation_of_a_mean_over_the_path_is_that_of_its_errors() {
        let weight = |i: usize| if i < 50 { 0.02 } else { 0.0 };
        for way in WAYS {
            let truth: f64 = (0..50).map(|i| 0.02 * way(f64::from(i) * STEP_S)).sum();
            let (mut errors, mut told) = (Vec::new(), 0.0);
            for seed in 0..150 {
                let (mean, sd) = path_through_overlapping(way, 5.0, seed * 77 + 3).weighted(weight);
                errors.push(mean - truth);
                told += sd / 150.0;
            }
            println!("told {told:.2}, there {:.2}", rms(&errors));
            assert!((0.8..1.7).contains(&(told / rms(&errors))), "told {told}, there {}", rms(&errors));
        }
    }

    #[test]
    fn vibrato_keeps_its_depth_and_noise_does_not_make_one() {
        let path = path_through(WAYS[4], 1.0, &mut 3);
        let (low, high) = (20..100).map(|i| path.cents(i)).fold((f64::MAX, f64::MIN), |(l, h), c| (l.min(c), h.max(c)));
        assert!((high - low - 40.0).abs() < 4.0, "20 cents each way: {low} to {high}");
    }

    #[test]
    fn a_path_turned_round_moved_in_time_or_in_pitch_is_the_same_path() {
        let looks = |sign: f64, shift: f64, later_s: f64| -> Path {
            let mut seed = 9;
            let points: Vec<Point> = (0..110)
                .map(|i| {
                    let t = f64::from(i) * 0.002;
                    look(later_s + t, shift + sign * (WAYS[1](t) + 3.0 * noise(&mut seed)), 3.0)
                })
                .collect();
            let mut path = Path::new(RATE_HZ);
            path.fit(&points, later_s * RATE_HZ, PERIOD, false);
            path
        };
        let plain = looks(1.0, 0.0, 0.0);
        for (sign, shift, later_s) in [(-1.0, 0.0, 0.0), (1.0, 25.0, 0.0), (1.0, 0.0, 2.0)] {
            let other = looks(sign, shift, later_s);
            assert_eq!(other.len(), plain.len());
            for i in 0..plain.len() {
                assert_abs_diff_eq!(other.cents(i), shift + sign * plain.cents(i), epsilon = 0.05);
            }
            assert_abs_diff_eq!(other.first() - plain.first(), later_s * RATE_HZ, epsilon = 1e-6);
        }
    }

    /// A start a fifth off: the leap stays one, where it is, and neither side leans towards the other.
    #[test]
    fn a_leap_to_another_partial_stays_a_leap() {
        for sd in [0.5, 4.0] {
            let mut seed = 4;
            let leap = |t: f64| if t < 0.060 { -498.0 } else { 0.0 };
            let points: Vec<Point> = (0..110)
                .map(|i| f64::from(i) * 0.002)
                .map(|t| Point { is_other_partial: t < 0.060, ..look(t, leap(t) + sd * noise(&mut seed), sd) })
                .collect();
            let mut path = Path::new(RATE_HZ);
            path.fit(&points, 0.0, PERIOD, true);
            for i in (0..27).chain(33..100) {
                assert!((path.cents(i) - leap(i as f64 * STEP_S)).abs() < 3.0 * sd + 4.0, "{i}: {}", path.cents(i));
            }
            // Where the note did not split, what lies on another partial is not its pitch.
            path.fit(&points, 0.0, PERIOD, false);
            assert!(path.first() >= 0.059 * RATE_HZ && path.at(0.020 * RATE_HZ).is_none());
        }
    }

    #[test]
    fn without_looks_there_is_no_path_and_with_one_hardly_any() {
        let mut path = Path::new(RATE_HZ);
        path.fit(&[], 0.0, PERIOD, false);
        assert!(path.is_empty() && path.at(10.0).is_none());
        path.fit(&[silent_point(100.0, 1.0)], 0.0, PERIOD, false);
        assert!(path.is_empty(), "what holds no tone is no look");
        path.fit(&[look(0.010, 12.0, 1.0)], 0.0, PERIOD, false);
        assert_abs_diff_eq!(path.at(0.010 * RATE_HZ).expect("the look itself"), 12.0, epsilon = 0.1);
        assert!(path.at(1.0 * RATE_HZ).is_none(), "nothing is told beyond it");
        path.clear();
        assert!(path.is_empty());
    }

    #[test]
    fn more_and_better_looks_make_a_surer_path() {
        let sd_of = |sd: f64, hop: usize| {
            let looks: Vec<Point> = (0..120).step_by(hop).map(|i| look(i as f64 * 0.002, 0.0, sd)).collect();
            let mut path = Path::new(RATE_HZ);
            path.fit(&looks, 0.0, PERIOD, false);
            path.sd(50)
        };
        assert!(sd_of(1.0, 1) < sd_of(3.0, 1) && sd_of(3.0, 1) < sd_of(9.0, 1));
        assert!(sd_of(3.0, 1) < 1.1 * sd_of(3.0, 5), "looks that overlap tell little more than those that do not");
    }
}
