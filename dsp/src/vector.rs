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
