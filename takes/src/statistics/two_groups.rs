//! Two groups of sessions: the difference, what chance makes of it, and how large it is.

use super::{mean, variance};
use statrs::distribution::{ContinuousCDF, StudentsT};

/// How likely chance alone gives a t so far from 0, either way; 1 where nothing can be told.
#[must_use]
pub fn two_sided_t(t: f64, freedom: f64) -> f64 {
    match StudentsT::new(0.0, 1.0, freedom) {
        Ok(law) if t.is_finite() => (2.0 * law.cdf(-t.abs())).min(1.0),
        _ => 1.0,
    }
}

/// The t that 95 of 100 lie under: twice it holds 90 % between.
#[must_use]
pub fn t_at_95(freedom: f64) -> f64 {
    StudentsT::new(0.0, 1.0, freedom).map_or(f64::INFINITY, |law| law.inverse_cdf(0.95))
}

/// The difference of two means (second minus first) and how likely chance gives one as large: Welch 1947 (Biometrika
/// 34:28-35 \[M\]), which does not ask for equal spread. `None` where a group has fewer than two, or nothing varies.
#[must_use]
pub fn welch(first: &[f64], second: &[f64]) -> Option<(f64, f64)> {
    let (a, b) = (variance(first)? / first.len() as f64, variance(second)? / second.len() as f64);
    let difference = mean(second)? - mean(first)?;
    if a + b <= 0.0 {
        return None;
    }
    let freedom = (a + b).powi(2) / (a * a / (first.len() - 1) as f64 + b * b / (second.len() - 1) as f64);
    Some((difference, two_sided_t(difference / (a + b).sqrt(), freedom)))
}

/// How large the difference of two groups is against their spread, without the bias of few values: Hedges 1981 (Journal of
/// Educational Statistics 6:107-128 \[M\]). 0.2 is small, 0.5 medium, 0.8 large by Cohen's usual words.
#[must_use]
pub fn hedges_g(first: &[f64], second: &[f64]) -> Option<f64> {
    let freedom = (first.len() + second.len()).checked_sub(2).filter(|&freedom| freedom > 0)? as f64;
    let pooled =
        ((first.len() - 1) as f64 * variance(first)? + (second.len() - 1) as f64 * variance(second)?) / freedom;
    let bias = 1.0 - 3.0 / (4.0 * freedom - 1.0);
    (pooled > 0.0).then(|| bias * (mean(second).unwrap_or(0.0) - mean(first).unwrap_or(0.0)) / pooled.sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    const A: [f64; 10] = [27.5, 21.0, 19.0, 23.6, 17.0, 17.9, 16.9, 20.1, 21.9, 22.6];
    const B: [f64; 10] = [27.1, 22.0, 20.8, 23.4, 23.4, 23.5, 25.8, 22.0, 24.8, 20.2];

    /// scipy 1.17: mean(B) - mean(A), ttest_ind(B, A, equal_var=False).pvalue, and the difference over the pooled spread,
    /// times 1 - 3 / (4 x 18 - 1).
    const WELCH: (f64, f64, f64) = (2.55, 0.059_253_737_007_745, 0.871_909_089_775_698);

    #[test]
    fn a_difference_is_tested_as_scipy_does() {
        let (difference, chance) = welch(&A, &B).expect("two groups");
        assert!((difference - WELCH.0).abs() < 1e-9, "{difference}");
        assert!((chance - WELCH.1).abs() < 1e-6, "{chance}");
        assert!((hedges_g(&A, &B).expect("two groups") - WELCH.2).abs() < 1e-6);
    }

    #[test]
    fn groups_that_tell_nothing_are_told_so() {
        assert_eq!(welch(&[1.0], &[2.0, 3.0]), None);
        assert_eq!(welch(&[1.0, 1.0], &[1.0, 1.0]), None);
        assert_eq!(hedges_g(&[1.0], &[1.0]), None);
        assert_eq!(two_sided_t(f64::NAN, 5.0), 1.0);
        assert_eq!(two_sided_t(1.0, -5.0), 1.0);
        // scipy.stats.t.ppf(0.95, 9) \[M\], as in every table of it.
        assert!((t_at_95(9.0) - 1.833_113).abs() < 1e-6);
    }
}
