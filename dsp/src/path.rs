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
}
