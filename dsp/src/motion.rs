//! What sort of motion a way in is: families of motion fitted to the looks, and which of them explains them best.
//!
//! A slide that arrives late moves at a fairly constant rate; lips that find their pitch ease in. Between a straight
//! line and a half cosine lie a few per cent of their depth, so a verdict needs evidence: the families are fitted by
//! least squares against the looks' own variance, and only a clear difference counts.

use crate::look::{Point, look_window};
use crate::parameters::shape::{EXPONENTIAL_RATE, HELD_SHARE, HYPERBOLA_RATE, PAST_CROSSES, PAST_RATE, WANDER_S};

/// A motion is looked for up to this time after the onset, s \[T\].
const RANGE_S: f64 = 0.300;
/// Lengths tried, s: from the shortest by this factor each \[T\].
const SHORTEST_S: f64 = 0.020;
const LENGTH_FACTOR: f64 = 1.07;
/// Fewest looks a motion can be told from \[T\].
const MIN_LOOKS: usize = 3;
/// Every front speaks off its pitch and leans a little, whatever else it does: motions that die away in these times, s,
/// drawn with these deviations, cents (professionals: four of five within -21 to +82 as they speak, -11 to +25 after
/// 20 ms, -10 to +15 after 50 ms \[S\]).
const NATURAL: [(f64, f64); 2] = [(0.012, 40.0), (0.050, 12.0)];
/// A look averages the motion over this share of its window: a box as wide, in variance, as a Hann window \[C\].
const BLUR_SHARE: f64 = 0.62;

/// A family of motion: how far from the settled pitch, as a share of the depth, at a share of its length.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Family {
    /// A slide at a constant rate.
    Straight,
    /// Eases in as a filter settles.
    Exponential,
    /// Eases out of one pitch and into the other.
    HalfCosine,
    /// Comes home ever more slowly.
    Hyperbola,
    /// Held off the pitch, then dropped on it.
    Held,
    /// Past the pitch and back.
    Past,
}

const FAMILIES: [Family; 6] =
    [Family::Straight, Family::Exponential, Family::HalfCosine, Family::Hyperbola, Family::Held, Family::Past];

impl Family {
    /// Integral of the family's shape from 0 to `x` (a share of the length, not negative).
    fn integral(self, x: f64) -> f64 {
        let inside = x.min(1.0);
        match self {
            Self::Straight => inside - 0.5 * inside * inside,
            Self::Exponential => (1.0 - (-EXPONENTIAL_RATE * x).exp()) / EXPONENTIAL_RATE,
            Self::HalfCosine => 0.5 * (inside + (std::f64::consts::PI * inside).sin() / std::f64::consts::PI),
            Self::Hyperbola => (HYPERBOLA_RATE * x).ln_1p() / HYPERBOLA_RATE,
            Self::Held => {
                let fallen = (inside - HELD_SHARE).max(0.0);
                inside - 0.5 * fallen * fallen / (1.0 - HELD_SHARE)
            }
            Self::Past => {
                // Integral of (1 - x / c) e^(-r x).
                let (c, r) = (PAST_CROSSES, PAST_RATE);
                let fall = (-r * x).exp();
                (1.0 - fall) / r - (1.0 - fall * (1.0 + r * x)) / (c * r * r)
            }
        }
    }

    /// The mean of the shape from `from` to `to`, shares of its length; before 0 there is no tone to see it in.
    fn mean(self, from: f64, to: f64) -> f64 {
        let from = from.max(0.0);
        let to = to.max(from + 1e-3);
        (self.integral(to) - self.integral(from)) / (to - from)
    }
}

/// A motion fitted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Motion {
    /// Cents from the settled pitch at the onset.
    pub depth_cents: f64,
    /// Length, s.
    pub length_s: f64,
    /// Sum of squared deviations over their variances.
    pub misfit: f64,
}

/// The straight motion against all others.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Evidence {
    /// The slide at a constant rate that fits best.
    pub straight: Motion,
    /// The best of the others.
    pub other: Motion,
    /// Which of the others that is.
    pub family: Family,
    /// Twice the logarithm of the odds for the straight motion against that one.
    pub odds: f64,
    /// Twice the logarithm of the odds for the straight motion against what every front does.
    pub need: f64,
    /// Root mean square of what the straight motion leaves, cents.
    pub straight_error_cents: f64,
}

/// Fits all families to the looks from `onset` on (internal samples). `None` where there are too few.
#[must_use]
pub fn compare(points: &[Point], onset: f64, period: f64, wander_cents: f64, rate_hz: f64) -> Option<Evidence> {
    let until = onset + RANGE_S * rate_hz;
    let looks = || points.iter().filter(move |p| p.is_tone && p.time >= onset && p.time <= until).take(MAX_LOOKS);
    let num = looks().count();
    if num < MIN_LOOKS {
        return None;
    }
    let blur_s = BLUR_SHARE * look_window(period, rate_hz) / rate_hz;
    let hop_s = (looks().last()?.centre - looks().next()?.centre) / rate_hz / (num - 1) as f64;
    // Overlapping looks, and a wander slower than the looks, tell the same several times over.
    let window_share = (0.8 * blur_s / hop_s).max(1.0);
    let wander_share = (WANDER_S / hop_s).max(1.0);
    let variance = |p: &Point| p.sd_cents * p.sd_cents * window_share + wander_cents * wander_cents * wander_share;
    let front = Samples::of(looks().map(|p| ((p.time - onset) / rate_hz, p.cents, 1.0 / variance(p))), blur_s);
    let motions = FAMILIES.map(|family| front.best(family));
    // Where none fits, the noise is more than was thought, and all differences less.
    let num_apart = (num as f64 / wander_share).max(1.0);
    let null = front.natural.clone().solve().1;
    let surplus = (motions.iter().map(|m| m.misfit).fold(f64::MAX, f64::min) / num_apart).max(1.0);
    let other = (1..FAMILIES.len()).min_by(|&a, &b| motions[a].misfit.total_cmp(&motions[b].misfit))?;
    Some(Evidence {
        straight: motions[0],
        other: motions[other],
        family: FAMILIES[other],
        odds: (motions[other].misfit - motions[0].misfit) / surplus,
        need: (null - motions[0].misfit) / surplus,
        straight_error_cents: (motions[0].misfit / front.weights).sqrt(),
    })
}

/// Most looks at a way in: 300 ms at 2 ms and some \[T\].
const MAX_LOOKS: usize = 160;

/// A look: seconds since the onset, cents and weight, and the natural parts of a front as it sees them.
#[derive(Clone, Copy, Default)]
struct Sample {
    t: f64,
    cents: f64,
    weight: f64,
    natural: [f64; 2],
}

/// The looks at a way in.
struct Samples {
    samples: [Sample; MAX_LOOKS],
    num: usize,
    blur_s: f64,
    weights: f64,
    /// What no motion has a part in.
    natural: Equations,
}

impl Samples {
    fn of(looks: impl Iterator<Item = (f64, f64, f64)>, blur_s: f64) -> Self {
        let mut front = Self {
            samples: [Sample::default(); MAX_LOOKS],
            num: 0,
            blur_s,
            weights: 0.0,
            natural: Equations::default(),
        };
        for (sample, (t, cents, weight)) in front.samples.iter_mut().zip(looks) {
            *sample = Sample { t, cents, weight, natural: [0, 1].map(|i| natural(i, t, blur_s)) };
            front.natural.add(sample);
            front.weights += weight;
            front.num += 1;
        }
        front
    }

    /// The length and depth with which a family fits best, the natural part of the front fitted with it.
    fn best(&self, family: Family) -> Motion {
        let mut best = Motion { depth_cents: 0.0, length_s: SHORTEST_S, misfit: f64::MAX };
        let mut length_s = SHORTEST_S;
        while length_s <= RANGE_S {
            let mut equations = self.natural.clone();
            for sample in &self.samples[..self.num] {
                let (from, to) = (sample.t - 0.5 * self.blur_s, sample.t + 0.5 * self.blur_s);
                equations.add_motion(family.mean(from / length_s, to / length_s), sample);
            }
            let (depth_cents, misfit) = equations.solve();
            if misfit < best.misfit {
                best = Motion { depth_cents, length_s, misfit };
            }
            length_s *= LENGTH_FACTOR;
        }
        best
    }
}

/// A natural part of a front as a look sees it.
fn natural(i: usize, t: f64, blur_s: f64) -> f64 {
    let length_s = EXPONENTIAL_RATE * NATURAL[i].0;
    Family::Exponential.mean((t - 0.5 * blur_s) / length_s, (t + 0.5 * blur_s) / length_s)
}

/// Least squares over the motion and the natural parts of a front, these drawn from what is natural.
#[derive(Clone, Default)]
struct Equations {
    a: [[f64; 3]; 3],
    b: [f64; 3],
    yy: f64,
}

impl Equations {
    /// The natural parts of a front in a look.
    fn add(&mut self, look: &Sample) {
        let [x, y] = look.natural;
        self.a[1][1] += look.weight * x * x;
        self.a[2][1] += look.weight * x * y;
        self.a[2][2] += look.weight * y * y;
        self.b[1] += look.weight * x * look.cents;
        self.b[2] += look.weight * y * look.cents;
        self.yy += look.weight * look.cents * look.cents;
    }

    /// A motion's shape as the same look sees it.
    fn add_motion(&mut self, shape: f64, look: &Sample) {
        let weighted = look.weight * shape;
        self.a[0][0] += weighted * shape;
        self.a[1][0] += weighted * look.natural[0];
        self.a[2][0] += weighted * look.natural[1];
        self.b[0] += weighted * look.cents;
    }

    /// Depth of the motion, and what is left unexplained.
    fn solve(mut self) -> (f64, f64) {
        self.a[0][0] += 1e-9; // no motion, no depth
        for (i, (_, cents)) in NATURAL.iter().enumerate() {
            self.a[i + 1][i + 1] += 1.0 / (cents * cents);
        }
        // Cholesky, then the natural parts' share taken off the motion's depth by back substitution.
        let mut l = [[0.0; 3]; 3];
        let mut z = [0.0; 3];
        for i in 0..3 {
            for j in 0..=i {
                let sum: f64 = (0..j).map(|k| l[i][k] * l[j][k]).sum();
                let rest = self.a[i][j] - sum;
                l[i][j] = if i == j { rest.max(1e-12).sqrt() } else { rest / l[j][j] };
            }
            let sum: f64 = (0..i).map(|k| l[i][k] * z[k]).sum();
            z[i] = (self.b[i] - sum) / l[i][i];
        }
        let mut x = z;
        for i in (0..3).rev() {
            let sum: f64 = (i + 1..3).map(|k| l[k][i] * x[k]).sum();
            x[i] = (z[i] - sum) / l[i][i];
        }
        (x[0], (self.yy - z.iter().map(|z| z * z).sum::<f64>()).max(0.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::look::silent_point;
    use crate::test_sounds::{dice, noise, share_of};
    use approx::assert_abs_diff_eq;

    const RATE_HZ: f64 = 12_000.0;
    const PERIOD: f64 = 50.0;

    /// Looks 2 ms apart at a family of motion, as blurred as looks are.
    fn looks(family: Family, depth_cents: f64, length_s: f64) -> Vec<Point> {
        let blur_s = BLUR_SHARE * look_window(PERIOD, RATE_HZ) / RATE_HZ;
        (0..150)
            .map(|i| {
                let t = f64::from(i) * 0.002;
                let shape = family.mean((t - 0.5 * blur_s) / length_s, (t + 0.5 * blur_s) / length_s);
                Point { cents: depth_cents * shape, sd_cents: 1.0, is_tone: true, ..silent_point(t * RATE_HZ, 1.0) }
            })
            .collect()
    }

    #[test]
    fn every_integral_is_that_of_its_shape() {
        // From the definitions of the shapes, by small steps.
        let shape = |family: Family, x: f64| match family {
            Family::Straight => (1.0 - x).max(0.0),
            Family::Exponential => (-3.0 * x).exp(),
            Family::HalfCosine => 0.5 + 0.5 * (std::f64::consts::PI * x.min(1.0)).cos(),
            Family::Hyperbola => 1.0 / (1.0 + 6.0 * x),
            Family::Held => (1.0 - (x - 0.6).max(0.0) / 0.4).max(0.0),
            Family::Past => (1.0 - x / 0.55) * (-2.2 * x).exp(),
        };
        for family in FAMILIES {
            for to in [0.3, 0.8, 1.0, 1.7] {
                let sum: f64 =
                    (0..10_000).map(|i| shape(family, to * (f64::from(i) + 0.5) / 1e4)).sum::<f64>() * to / 1e4;
                // Steps of 1e-4: the error of the middle rule is far below this.
                assert_abs_diff_eq!(family.integral(to), sum, epsilon = 1e-6);
            }
        }
    }

    #[test]
    fn a_slide_is_told_from_every_other_motion() {
        let found = compare(&looks(Family::Straight, -90.0, 0.080), 0.0, PERIOD, 2.0, RATE_HZ).expect("looks enough");
        assert!(found.odds > 0.0 && found.need > 50.0, "{found:?}");
        // Lengths are tried in steps of 7 %: half of one, and the depth with it.
        assert_abs_diff_eq!(found.straight.length_s, 0.080, epsilon = 0.004);
        assert_abs_diff_eq!(found.straight.depth_cents, -90.0, epsilon = 3.0);
        for family in &FAMILIES[1..] {
            let found = compare(&looks(*family, 120.0, 0.090), 0.0, PERIOD, 2.0, RATE_HZ).expect("looks enough");
            assert!(found.odds < -1.0, "{family:?}: {found:?}");
        }
    }

    #[test]
    fn a_shallow_motion_is_no_evidence() {
        // 15 cents over a wander of 3: a half cosine lies within a cent of the line.
        let found = compare(&looks(Family::Straight, 15.0, 0.060), 0.0, PERIOD, 3.0, RATE_HZ).expect("looks enough");
        assert!(found.odds.abs() < 1.0 && found.need < 10.0, "{found:?}");
    }

    #[test]
    fn too_few_looks_are_no_motion() {
        assert!(compare(&looks(Family::Straight, 90.0, 0.080)[..2], 0.0, PERIOD, 2.0, RATE_HZ).is_none());
    }

    /// The same looks with noise of this deviation, as they are then told.
    fn noisy(family: Family, depth_cents: f64, length_s: f64, sd: f64, seed: u64) -> Vec<Point> {
        let mut noise = noise(seed);
        let noisy = |p: Point| Point { cents: p.cents + sd * noise(), sd_cents: sd, ..p };
        looks(family, depth_cents, length_s).into_iter().map(noisy).collect()
    }

    fn compared(points: &[Point]) -> Evidence {
        compare(points, 0.0, PERIOD, 2.0, RATE_HZ).expect("looks enough")
    }

    /// Depths and lengths drawn: a slide is found for what it is, as deep and long as it was made.
    #[test]
    fn slides_of_any_depth_and_pace_are_measured_as_they_were_made() {
        let mut dice = dice(1);
        for seed in 0..60 {
            let (length_s, sign) = (0.050 + 0.1 * dice(), if dice() < 0.5 { -1.0 } else { 1.0 });
            let depth = sign * (60.0 + 100.0 * dice());
            let found = compared(&noisy(Family::Straight, depth, length_s, 1.0, seed + 1));
            // Lengths are tried in steps of 7 %; what every front does may take a little of the depth.
            assert!((found.straight.length_s / length_s - 1.0).abs() < 0.10, "{depth} in {length_s} s: {found:?}");
            assert!((found.straight.depth_cents / depth - 1.0).abs() < 0.12, "{depth} in {length_s} s: {found:?}");
            assert!(found.need > 20.0, "{depth} in {length_s} s: {found:?}");
        }
    }

    /// Odds are told so that few other motions pass for slides and few slides for others, also in noise.
    #[test]
    fn in_noise_too_the_odds_tell_slides_from_other_motions() {
        let odds = |family: Family| -> Vec<f64> {
            (0..40).map(|seed| compared(&noisy(family, -100.0, 0.090, 1.5, seed * 7 + 1)).odds).collect()
        };
        assert!(share_of(&odds(Family::Straight), |odds| *odds > 0.0) > 0.9);
        for family in &FAMILIES[1..] {
            let share = share_of(&odds(*family), |odds| *odds < 0.0);
            assert!(share > 0.9, "{family:?}: {share}");
        }
    }

    #[test]
    fn the_best_other_family_is_the_one_that_was_played() {
        for family in &FAMILIES[1..] {
            let found = compared(&looks(*family, 120.0, 0.090));
            assert_eq!(found.family, *family);
            assert!((found.other.depth_cents / 120.0 - 1.0).abs() < 0.15, "{family:?}: {:?}", found.other);
        }
    }

    #[test]
    fn from_below_is_from_above_turned_round() {
        for family in FAMILIES {
            let (below, above) = (noisy(family, -90.0, 0.080, 1.0, 5), looks(family, 90.0, 0.080));
            let turned: Vec<Point> = below.iter().map(|p| Point { cents: -p.cents, ..*p }).collect();
            let (a, b) = (compared(&below), compared(&turned));
            assert_abs_diff_eq!(a.odds, b.odds, epsilon = 1e-6);
            assert_abs_diff_eq!(a.straight.depth_cents, -b.straight.depth_cents, epsilon = 1e-6);
            assert!(compared(&above).straight.depth_cents > 0.0);
        }
    }

    /// What is left of least squares stands at right angles to what was fitted: moving the depth either way leaves
    /// more.
    #[test]
    fn the_depth_found_leaves_least() {
        let mut dice = dice(3);
        for seed in 0..30 {
            let points = noisy(Family::HalfCosine, 120.0 * (dice() - 0.5), 0.080, 3.0, seed);
            let values = points.iter().map(|p| (p.time / RATE_HZ, p.cents, 1.0 / 9.0));
            let front = Samples::of(values, 0.006);
            let best = front.best(Family::Straight);
            // The misfit by hand: the motion of a depth taken off, and the natural parts fitted to the rest.
            let left = |depth: f64| {
                let taken_off = points.iter().map(|p| {
                    let t = p.time / RATE_HZ;
                    let shape = Family::Straight.mean((t - 0.003) / best.length_s, (t + 0.003) / best.length_s);
                    (t, p.cents - depth * shape, 1.0 / 9.0)
                });
                Samples::of(taken_off, 0.006).natural.solve().1
            };
            let least = left(best.depth_cents);
            assert_abs_diff_eq!(least, best.misfit, epsilon = 1e-3 * (1.0 + least));
            assert!(left(best.depth_cents + 1.0) > least && left(best.depth_cents - 1.0) > least, "seed {seed}");
        }
    }

    #[test]
    fn every_shape_begins_at_its_depth_and_comes_home() {
        for family in FAMILIES {
            assert_abs_diff_eq!(family.mean(0.0, 0.0), 1.0, epsilon = 0.01);
            let later = family.mean(3.0, 3.1);
            let most = match family {
                Family::Straight | Family::HalfCosine | Family::Held => 0.0,
                Family::Exponential => 1e-3,
                Family::Past => 0.02,
                Family::Hyperbola => 0.06,
            };
            assert!(later.abs() <= most + 1e-9, "{family:?} at three lengths: {later}");
            assert!(family.mean(-2.0, -1.0) > 0.9, "before the onset nothing is seen: it stands for the first moment");
        }
    }

    #[test]
    fn looks_that_hold_no_tone_or_lie_elsewhere_do_not_count() {
        let points = looks(Family::Straight, -90.0, 0.080);
        let plain = compared(&points);
        let mut more = points.clone();
        more.extend((0..20).map(|i| Point { cents: 900.0, ..silent_point(f64::from(i) * 100.0, 1.0) }));
        more.push(Point { cents: 500.0, is_tone: true, sd_cents: 1.0, ..silent_point(0.5 * RATE_HZ, 1.0) });
        assert_eq!(compared(&more).straight, plain.straight);
    }

    /// A box as wide, in variance, as a Hann window: its width squared over 12 \[C\].
    #[test]
    fn a_look_blurs_a_motion_as_its_window_does() {
        let places = || (0..10_000).map(|i| (f64::from(i) + 0.5) / 1e4 - 0.5);
        let hann = |x: f64| 0.5 + 0.5 * (std::f64::consts::TAU * x).cos();
        let variance = places().map(|x| hann(x) * x * x).sum::<f64>() / places().map(hann).sum::<f64>();
        assert_abs_diff_eq!(BLUR_SHARE, (12.0 * variance).sqrt(), epsilon = 0.01);
    }
}
