//! Intervals of medians over takes that are no two alike. Notes of one take are not independent of each other, so takes
//! are drawn anew, not notes.
//!
//! What is drawn is the share of notes under the median; the interval of that share, laid on the values, is the median's
//! (Woodruff 1952, Journal of the American Statistical Association 47:635-646 \[M\]). Where all takes are one note long it is
//! the order-statistics interval.

/// Draws.
const NUM_DRAWS: usize = 999;
/// What an interval leaves out below and above: 90 % lie within, as with every uncertainty here.
const TAIL: f64 = 0.05;
/// Seed of the draws: the same log gives the same answer.
const SEED: u64 = 0x626f_6f74;

/// Takes (or blocks of them) with how many of their notes lie under and at the median.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Blocks {
    /// For each: notes, and notes under the median plus half of those at it.
    pub blocks: Vec<(f64, f64)>,
}

impl Blocks {
    /// Lower and upper quantile (0 to 1) at which the interval of the median lies; `None` of nothing.
    #[must_use]
    pub fn interval(&self) -> Option<(f64, f64)> {
        let num: f64 = self.blocks.iter().map(|b| b.0).sum();
        if num <= 0.0 {
            return None;
        }
        let mut dice = fastrand::Rng::with_seed(SEED);
        let mut shares: Vec<f64> = (0..NUM_DRAWS)
            .filter_map(|_| {
                let drawn = (0..self.blocks.len()).map(|_| self.blocks[dice.usize(..self.blocks.len())]);
                let (notes, under) = drawn.fold((0.0, 0.0), |sum, block| (sum.0 + block.0, sum.1 + block.1));
                (notes > 0.0).then_some(under / notes)
            })
            .collect();
        shares.sort_by(f64::total_cmp);
        let under: f64 = self.blocks.iter().map(|b| b.1).sum();
        let (low, high) = (quantile(&shares, TAIL)?, quantile(&shares, 1.0 - TAIL)?);
        // Where a draw has more notes under it, the median of that draw lies lower by as much.
        let at = under / num;
        Some(((at - (high - at)).clamp(0.0, 1.0), (at + (at - low)).clamp(0.0, 1.0)))
    }
}

/// The value at a quantile of sorted values, between two where it falls between: R's type 7.
#[must_use]
pub fn quantile(sorted: &[f64], at: f64) -> Option<f64> {
    let last = sorted.len().checked_sub(1)?;
    let place = at.clamp(0.0, 1.0) * last as f64;
    let (below, share) = (place as usize, place.fract());
    Some(sorted[below] + share * (sorted[(below + 1).min(last)] - sorted[below]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_are_those_of_numpy() {
        // numpy.quantile([1, 2, 4, 8], [0, 0.1, 0.5, 1]) is 1, 1.3, 3, 8 \[C\].
        let at = |q| quantile(&[1.0, 2.0, 4.0, 8.0], q).expect("values");
        assert_eq!((at(0.0), at(0.5), at(1.0)), (1.0, 3.0, 8.0));
        assert!((at(0.1) - 1.3).abs() < 1e-12);
        assert_eq!(quantile(&[], 0.5), None);
    }

    #[test]
    fn the_interval_holds_the_true_median_nine_times_out_of_ten() {
        // 30 takes of 20 notes each, whose days differ as much as their notes do; the true median is 0 by symmetry.
        let mut dice = fastrand::Rng::with_seed(11);
        let mut bell = || (0..12).map(|_| dice.f64()).sum::<f64>() - 6.0;
        let mut num_held = 0;
        for _ in 0..400 {
            let takes: Vec<Vec<f64>> = (0..30)
                .map(|_| {
                    let day = bell();
                    (0..20).map(|_| day + bell()).collect()
                })
                .collect();
            let mut all: Vec<f64> = takes.iter().flatten().copied().collect();
            all.sort_by(f64::total_cmp);
            let median = quantile(&all, 0.5).expect("values");
            let under = |take: &Vec<f64>| take.iter().filter(|v| **v < median).count() as f64;
            let blocks = Blocks { blocks: takes.iter().map(|take| (20.0, under(take))).collect() };
            let (low, high) = blocks.interval().expect("values");
            let held = quantile(&all, low).expect("values")..=quantile(&all, high).expect("values");
            num_held += usize::from(held.contains(&0.0));
        }
        // 360 of 400 at 90 %; 340 to 380 holds 99.9 % of what chance gives, and a bootstrap of 30 is a little narrow.
        assert!((335..=385).contains(&num_held), "{num_held} of 400");
    }
}
