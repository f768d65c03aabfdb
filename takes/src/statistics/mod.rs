//! What chance can do, so that nothing is claimed that it could have done: tests, effect sizes, intervals.
//!
//! Every figure here is checked against values of scipy or R in its tests.

mod stratified;
mod two_groups;
mod trend;
mod bootstrap;
mod evenness;

pub use bootstrap::{Draws, quantile};
pub use evenness::{coefficient_of_variation, npvi};
pub use stratified::{MOST_DEALT, Stratified, Stratum, by_dealing};
pub use trend::{Trend, slope, trend};
pub use two_groups::{hedges_g, t_at_95, two_sided_t, welch};

/// Chance at which something is claimed, after all that was asked is counted in.
pub const LEVEL: f64 = 0.05;

/// Mean; `None` of nothing.
#[must_use]
pub fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

/// Variance of the population they come from, divided by n - 1; `None` of fewer than two.
#[must_use]
pub fn variance(values: &[f64]) -> Option<f64> {
    let mean = mean(values)?;
    (values.len() > 1).then(|| values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (values.len() - 1) as f64)
}

/// The chances of many questions asked at once, each made large enough that one of them all is claimed wrongly in no more
/// than [`LEVEL`] of cases when none is true: Holm 1979 (Scandinavian Journal of Statistics 6:65-70 \[M\]).
#[must_use]
pub fn holm(chances: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..chances.len()).collect();
    order.sort_by(|&a, &b| chances[a].total_cmp(&chances[b]));
    let mut adjusted = vec![1.0; chances.len()];
    let mut highest: f64 = 0.0;
    for (rank, &i) in order.iter().enumerate() {
        highest = highest.max((chances.len() - rank) as f64 * chances[i]).min(1.0);
        adjusted[i] = highest;
    }
    adjusted
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn many_questions_are_paid_for_as_r_does() {
        // R: p.adjust(c(0.01, 0.04, 0.03, 0.005), "holm") is 0.03 0.06 0.06 0.02 \[M\]; by hand: 4 x 0.005, 3 x 0.01,
        // 2 x 0.03, and no less than the one before \[C\].
        let adjusted = holm(&[0.01, 0.04, 0.03, 0.005]);
        for (found, expected) in adjusted.iter().zip([0.03, 0.06, 0.06, 0.02]) {
            assert!((found - expected).abs() < 1e-12, "{adjusted:?}");
        }
        assert_eq!(holm(&[]), Vec::<f64>::new());
        assert_eq!(holm(&[0.9, 0.8]), [1.0, 1.0]);
    }

    #[test]
    fn mean_and_variance_of_a_few() {
        // Python: statistics.variance([2, 4, 4, 4, 5, 5, 7, 9]) is 32 / 7 \[C\].
        let values = [2.0, 4.0, 4.0, 4.0, 5.0, 5.0, 7.0, 9.0];
        assert_eq!(mean(&values), Some(5.0));
        assert!((variance(&values).expect("enough") - 32.0 / 7.0).abs() < 1e-12);
        assert_eq!((mean(&[]), variance(&[1.0])), (None, None));
    }
}
