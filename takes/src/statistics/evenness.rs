//! Evenness of what is repeated.

use super::{mean, variance};

/// Standard deviation over the mean; `None` of fewer than two, or of a mean that is not positive.
#[must_use]
pub fn coefficient_of_variation(values: &[f64]) -> Option<f64> {
    let mean = mean(values).filter(|&mean| mean > 0.0)?;
    Some(variance(values)?.sqrt() / mean)
}

/// The normalized pairwise variability index: 100 times the mean of |a - b| over their mean, of every two neighbours. 0 is
/// even; Grabe & Low 2002 (Laboratory Phonology 7:515-546 \[M\]) define it for speech. `None` of fewer than two.
#[must_use]
pub fn npvi(values: &[f64]) -> Option<f64> {
    if values.len() < 2 || values.iter().any(|&v| v <= 0.0 || !v.is_finite()) {
        return None;
    }
    let pairs = values.windows(2).map(|pair| (pair[0] - pair[1]).abs() / (0.5 * (pair[0] + pair[1])));
    Some(100.0 * pairs.sum::<f64>() / (values.len() - 1) as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn even_values_vary_by_nothing_and_alternating_ones_by_the_formula() {
        assert_eq!(npvi(&[0.5, 0.5, 0.5]), Some(0.0));
        // |1 - 2| / 1.5 twice: 66.67 \[C\].
        assert!((npvi(&[1.0, 2.0, 1.0]).expect("three") - 200.0 / 3.0).abs() < 1e-9);
        assert_eq!((npvi(&[1.0]), npvi(&[1.0, 0.0]), npvi(&[1.0, f64::NAN])), (None, None, None));
        // Python: statistics.stdev([1, 2, 3]) / 2 is 0.5 \[C\].
        assert!((coefficient_of_variation(&[1.0, 2.0, 3.0]).expect("three") - 0.5).abs() < 1e-12);
        assert_eq!(coefficient_of_variation(&[-1.0, 1.0]), None);
    }
}
