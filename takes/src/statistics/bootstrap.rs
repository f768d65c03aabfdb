//! Intervals of medians over takes that are no two alike. Notes of one take are not independent of each other, so takes
//! are drawn anew, not notes.
//!
//! What is drawn is the share of notes under the median; the interval of that share, laid on the values, is the median's
//! (Woodruff 1952, Journal of the American Statistical Association 47:635-646 \[M\]). Where all takes are one note long it is
//! the order-statistics interval.

/// Draws: the twentieth lowest and highest of so many are told to about a fifth of the interval.
const NUM_DRAWS: usize = 499;
/// What an interval leaves out below and above: 90 % lie within, as with every uncertainty here.
const TAIL: f64 = 0.05;
/// Seed of the draws: the same log gives the same answer.
const SEED: u64 = 0x626f_6f74;

/// Takes (or blocks of them) drawn anew, with replacement: how often each is in each draw. Drawn once for all that is asked of
/// the same takes.
#[derive(Debug, Clone, PartialEq)]
pub struct Draws {
    num_blocks: usize,
    /// Of each block how often it is in each draw: so all draws are summed at once.
    times: Vec<f32>,
}

impl Draws {
    /// Draws of so many blocks.
    #[must_use]
    pub fn of(num_blocks: usize) -> Self {
        let mut dice = fastrand::Rng::with_seed(SEED);
        let mut times = vec![0.0; NUM_DRAWS * num_blocks];
        for draw in 0..NUM_DRAWS {
            (0..num_blocks).for_each(|_| times[dice.usize(..num_blocks) * NUM_DRAWS + draw] += 1.0);
        }
        Self { num_blocks, times }
    }

    /// Interval of a mean, 90 %: of each block its number of values and their sum. `None` of nothing, or of another number of
    /// blocks than is drawn.
    #[must_use]
    pub fn mean(&self, blocks: &[(f32, f32)]) -> Option<(f64, f64)> {
        let means = self.ratios(blocks)?;
        Some((quantile(&means, TAIL)?, quantile(&means, 1.0 - TAIL)?))
    }

    /// The second sums over the first, of every draw, sorted.
    fn ratios(&self, blocks: &[(f32, f32)]) -> Option<Vec<f64>> {
        if blocks.is_empty() || blocks.len() != self.num_blocks {
            return None;
        }
        let (mut nums, mut sums) = ([0.0_f32; NUM_DRAWS], [0.0_f32; NUM_DRAWS]);
        for (times, block) in self.times.chunks_exact(NUM_DRAWS).zip(blocks) {
            nums.iter_mut().zip(times).for_each(|(num, n)| *num += n * block.0);
            sums.iter_mut().zip(times).for_each(|(sum, n)| *sum += n * block.1);
        }
        let drawn = nums.into_iter().zip(sums).filter(|(num, _)| *num > 0.0);
        let mut ratios: Vec<f64> = drawn.map(|(num, sum)| f64::from(sum / num)).collect();
        ratios.sort_unstable_by(f64::total_cmp);
        Some(ratios)
    }

    /// Lower and upper quantile (0 to 1) at which the interval of a median lies. Of each block its notes, and those under
    /// the median with half of those at it. `None` of nothing, or of another number of blocks than is drawn.
    #[must_use]
    pub fn interval(&self, blocks: &[(f32, f32)]) -> Option<(f64, f64)> {
        let (num, under) = blocks.iter().fold((0.0, 0.0), |sum, b| (sum.0 + f64::from(b.0), sum.1 + f64::from(b.1)));
        if num <= 0.0 {
            return None;
        }
        let shares = self.ratios(blocks)?;
        // Where a draw has more notes under it, the median of that draw lies lower by as much.
        let (low, high) = (quantile(&shares, TAIL)?, quantile(&shares, 1.0 - TAIL)?);
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
    fn the_interval_of_a_mean_is_that_of_the_normal_law() {
        // 60 blocks of one value each from 0 to 59: the mean is 29.5, its standard error sqrt((60^2 - 1) / 12 / 60) = 2.235, and
        // 90 % lie within 1.645 of them \[C\]; 499 draws tell it to a tenth.
        let blocks: Vec<(f32, f32)> = (0..60).map(|value| (1.0, value as f32)).collect();
        let (low, high) = Draws::of(60).mean(&blocks).expect("values");
        assert!((low - (29.5 - 3.68)).abs() < 0.5 && (high - (29.5 + 3.68)).abs() < 0.5, "{low} to {high}");
        assert_eq!(Draws::of(60).mean(&blocks[..3]), None);
    }

    #[test]
    fn the_interval_holds_the_true_median_nine_times_out_of_ten() {
        // 30 takes of 20 notes each, whose days differ as much as their notes do; the true median is 0 by symmetry.
        let mut dice = fastrand::Rng::with_seed(11);
        let mut bell = || (0..12).map(|_| dice.f64()).sum::<f64>() - 6.0;
        let mut num_held = 0;
        let draws = Draws::of(30);
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
            let under = |take: &Vec<f64>| take.iter().filter(|v| **v < median).count() as f32;
            let blocks: Vec<(f32, f32)> = takes.iter().map(|take| (20.0, under(take))).collect();
            let (low, high) = draws.interval(&blocks).expect("values");
            let held = quantile(&all, low).expect("values")..=quantile(&all, high).expect("values");
            num_held += usize::from(held.contains(&0.0));
        }
        // 360 of 400 at 90 %; 340 to 380 holds 99.9 % of what chance gives, and a bootstrap of 30 is a little narrow.
        assert!((335..=385).contains(&num_held), "{num_held} of 400");
    }
}
