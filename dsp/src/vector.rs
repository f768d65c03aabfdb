//! Sums: of products, written so that the compiler vectorises them, and means.

/// Sum of products in eight lanes, so that the compiler can use vector registers.
#[must_use]
pub fn dot(a: &[f32], b: &[f32]) -> f32 {
    let mut lanes = [0.0f32; 8];
    let (mut chunks_a, mut chunks_b) = (a.chunks_exact(8), b.chunks_exact(8));
    for (ca, cb) in (&mut chunks_a).zip(&mut chunks_b) {
        for i in 0..8 {
            lanes[i] += ca[i] * cb[i];
        }
    }
    let rest: f32 = chunks_a.remainder().iter().zip(chunks_b.remainder()).map(|(x, y)| x * y).sum();
    lanes.iter().sum::<f32>() + rest
}

/// Mean of some values, 0 of none.
#[must_use]
pub fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len().max(1) as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_sounds::noise;

    /// Eight lanes and what is left of them, against a sum term by term.
    #[test]
    fn a_dot_product_is_its_sum_whatever_its_length() {
        let mut noise = noise(1);
        for len in 0..=40 {
            let (a, b): (Vec<f32>, Vec<f32>) = (0..len).map(|_| (noise() as f32, noise() as f32)).unzip();
            let sum: f64 = a.iter().zip(&b).map(|(a, b)| f64::from(*a) * f64::from(*b)).sum();
            assert!((f64::from(dot(&a, &b)) - sum).abs() < 1e-5, "{len}: {} and not {sum}", dot(&a, &b));
        }
    }

    /// Cauchy and Schwarz: no product is larger than that of the lengths, and equal ones reach it.
    #[test]
    fn a_dot_product_keeps_its_inequality() {
        let mut noise = noise(2);
        for _ in 0..100 {
            let (a, b): (Vec<f32>, Vec<f32>) = (0..23).map(|_| (noise() as f32, noise() as f32)).unzip();
            let length = |x: &[f32]| dot(x, x).sqrt();
            assert!(dot(&a, &b).abs() <= 1.000_01 * length(&a) * length(&b));
            assert!((dot(&a, &a) - length(&a) * length(&a)).abs() < 1e-4);
        }
    }

    #[test]
    fn the_mean_of_nothing_is_nothing() {
        assert_eq!((mean(&[]), mean(&[3.0]), mean(&[-1.0, 4.0, 3.0])), (0.0, 3.0, 2.0));
    }
}
