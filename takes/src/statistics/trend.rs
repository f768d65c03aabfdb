//! Better or worse over the weeks: a line through the sessions, and whether chance draws one as steep.

use super::{mean, two_sided_t, variance};

/// Up to so many sessions chance is tried out by shuffling them; beyond, the t law is as good.
const MOST_SHUFFLED: usize = 60;
/// Shuffles: the least chance that can be told is one in so many.
const NUM_SHUFFLES: usize = 9_999;
/// Seed of the shuffles: the same log gives the same answer.
const SEED: u64 = 0x6e6f_7465;

/// A line through sessions.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trend {
    /// Change a week (or whatever the times count in).
    pub slope: f64,
    /// How likely chance alone draws a line as steep, up or down.
    pub chance: f64,
    /// Sessions.
    pub num: usize,
}

/// The least-squares slope through (x, y); `None` where all x are one.
#[must_use]
pub fn slope(points: &[(f64, f64)]) -> Option<f64> {
    let n = points.len() as f64;
    let (mean_x, mean_y) = (points.iter().map(|p| p.0).sum::<f64>() / n, points.iter().map(|p| p.1).sum::<f64>() / n);
    let spread: f64 = points.iter().map(|p| (p.0 - mean_x).powi(2)).sum();
    let shared: f64 = points.iter().map(|p| (p.0 - mean_x) * (p.1 - mean_y)).sum();
    (spread > 0.0).then_some(shared / spread)
}

/// The trend of values over times; `None` of fewer than five sessions, or where nothing varies.
#[must_use]
pub fn trend(points: &[(f64, f64)]) -> Option<Trend> {
    if points.len() < crate::summary::MIN_VALUES {
        return None;
    }
    let slope = slope(points)?;
    let values: Vec<f64> = points.iter().map(|p| p.1).collect();
    if variance(&values)? <= 0.0 {
        return None;
    }
    let chance = if points.len() <= MOST_SHUFFLED { by_shuffling(points) } else { by_t(points)? };
    Some(Trend { slope, chance, num: points.len() })
}

/// The t law of a correlation; Pearson's r over n - 2 degrees of freedom.
fn by_t(points: &[(f64, f64)]) -> Option<f64> {
    let xs: Vec<f64> = points.iter().map(|p| p.0).collect();
    let ys: Vec<f64> = points.iter().map(|p| p.1).collect();
    let freedom = points.len().checked_sub(2).filter(|&freedom| freedom > 0)? as f64;
    let r = slope(points)? * (variance(&xs)? / variance(&ys)?).sqrt();
    Some(two_sided_t(r * (freedom / (1.0 - r * r).max(f64::MIN_POSITIVE)).sqrt(), freedom))
}

/// The share of orders of the same values whose line is as steep; the order they were played in counts as one of them.
fn by_shuffling(points: &[(f64, f64)]) -> f64 {
    let mean_x = mean(&points.iter().map(|p| p.0).collect::<Vec<_>>()).unwrap_or(0.0);
    let xs: Vec<f64> = points.iter().map(|p| p.0 - mean_x).collect();
    let mut ys: Vec<f64> = points.iter().map(|p| p.1).collect();
    let steepness = |ys: &[f64]| xs.iter().zip(ys).map(|(x, y)| x * y).sum::<f64>().abs();
    let found = steepness(&ys);
    let mut dice = fastrand::Rng::with_seed(SEED);
    // What rounding may add must not make an equal one seem less steep.
    let as_steep = (0..NUM_SHUFFLES).filter(|_| {
        dice.shuffle(&mut ys);
        steepness(&ys) >= found * (1.0 - 1e-9)
    });
    (as_steep.count() + 1) as f64 / (NUM_SHUFFLES + 1) as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Anscombe 1973, The American Statistician 27:17-21, the first set: slope 0.5001, r 0.8164 \[S\].
    const ANSCOMBE: [(f64, f64); 11] = [
        (10.0, 8.04),
        (8.0, 6.95),
        (13.0, 7.58),
        (9.0, 8.81),
        (11.0, 8.33),
        (14.0, 9.96),
        (6.0, 7.24),
        (4.0, 4.26),
        (12.0, 10.84),
        (7.0, 4.82),
        (5.0, 5.68),
    ];

    /// scipy 1.17: slope and pvalue of linregress.
    const LINREGRESS: (f64, f64) = (0.500_090_909_090_909, 0.002_169_628_873_079);

    #[test]
    fn a_line_is_drawn_as_scipy_draws_it() {
        assert!((slope(&ANSCOMBE).expect("it varies") - LINREGRESS.0).abs() < 1e-9);
        assert!((by_t(&ANSCOMBE).expect("it varies") - LINREGRESS.1).abs() < 1e-9);
        // Shuffled, the chance is the t law's to within what 9999 shuffles can tell.
        let shuffled = by_shuffling(&ANSCOMBE);
        assert!((shuffled - LINREGRESS.1).abs() < 0.002, "{shuffled}");
    }

    #[test]
    fn few_sessions_and_even_ones_have_no_trend() {
        assert_eq!(trend(&ANSCOMBE[..4]), None);
        assert_eq!(trend(&[(0.0, 1.0), (1.0, 1.0), (2.0, 1.0), (3.0, 1.0), (4.0, 1.0)]), None);
        assert_eq!(slope(&[(1.0, 1.0), (1.0, 2.0)]), None);
    }

    #[test]
    fn chance_is_claimed_no_oftener_than_it_is_allowed() {
        let mut dice = fastrand::Rng::with_seed(5);
        // 400 months of 12 sessions of nothing: at 5 % 20 are expected, and over 33 come once in a thousand \[C\].
        let claimed = (0..400).filter(|_| {
            let points: Vec<(f64, f64)> = (0..12).map(|i| (f64::from(i), dice.f64().powi(4))).collect();
            trend(&points).is_some_and(|t| t.chance < 0.05)
        });
        assert!(claimed.count() <= 33);
    }
}
