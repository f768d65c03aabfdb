//! Whether notes of one kind differ from the other notes of the same takes: were their labels dealt out anew within each
//! take, how seldom would they lie as far off?
//!
//! Mantel 1963 (Journal of the American Statistical Association 58:690-700 \[M\]) gives mean and variance of that deal,
//! the moments of a sample without replacement its skewness \[C\]; a Pearson type III law through the three stands for all
//! deals (Mielke, Berry & Johnson 1976, Communications in Statistics A5:1409-1424 \[M\]). Clarity is far from a bell: most
//! notes are near 100, few far below, and a normal law would claim three times too often.

use statrs::distribution::{ContinuousCDF, Gamma, Normal};

/// Under this skewness a Pearson type III law is a normal one to four digits.
const LEAST_SKEWNESS: f64 = 1e-3;
/// The law is an approximation, and a coarse one for few notes: up to so many of a kind chance is tried out by dealing.
pub const MOST_DEALT: usize = 400;
/// Deals: the least chance that can be told is one in so many.
const NUM_DEALS: usize = 20_000;
/// Seed of the deals: the same log gives the same answer.
const SEED: u64 = 0x7061_7474;

/// All values of one take, whatever their kind.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Stratum {
    num: f64,
    sum: f64,
    squares: f64,
    cubes: f64,
}

impl Stratum {
    /// Adds a value.
    pub fn add(&mut self, value: f64) {
        self.num += 1.0;
        self.sum += value;
        self.squares += value * value;
        self.cubes += value * value * value;
    }

    /// Adds the values of another.
    pub fn join(&mut self, other: &Self) {
        self.num += other.num;
        self.sum += other.sum;
        self.squares += other.squares;
        self.cubes += other.cubes;
    }

    /// Mean, and second and third moment about it.
    fn moments(&self) -> (f64, f64, f64) {
        let mean = self.sum / self.num;
        let (second, third) = (self.squares / self.num, self.cubes / self.num);
        (mean, second - mean * mean, third - 3.0 * mean * second + 2.0 * mean.powi(3))
    }
}

/// What was found of one kind over all takes.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Stratified {
    /// Notes of the kind, in takes that have others too.
    pub num: f64,
    /// Sum over them of value less what the deal expects.
    excess: f64,
    variance: f64,
    third: f64,
    /// Sum over them of value less the mean of the take's other notes.
    off_others: f64,
}

impl Stratified {
    /// Counts a take in: all its values, and number and sum of those of the kind.
    pub fn add(&mut self, all: &Stratum, num: f64, sum: f64) {
        let others = all.num - num;
        if num < 1.0 || others < 1.0 {
            return;
        }
        let (mean, second, third) = all.moments();
        self.num += num;
        self.excess += sum - num * mean;
        self.off_others += sum - num * (all.sum - sum) / others;
        self.variance += num * others / (all.num - 1.0) * second;
        if all.num > 2.0 {
            self.third += num * others * (others - num) / ((all.num - 1.0) * (all.num - 2.0)) * third;
        }
    }

    /// Counts another part of the takes in.
    pub fn join(&mut self, other: &Self) {
        self.num += other.num;
        self.excess += other.excess;
        self.variance += other.variance;
        self.third += other.third;
        self.off_others += other.off_others;
    }

    /// How far the kind lies from the others of the same takes, in the mean.
    #[must_use]
    pub fn difference(&self) -> f64 {
        self.off_others / self.num.max(1.0)
    }

    /// In standard deviations of the deal.
    #[must_use]
    pub fn z(&self) -> f64 {
        if self.variance > 0.0 { self.excess / self.variance.sqrt() } else { 0.0 }
    }

    /// How likely a deal lies as far off to either side: twice the smaller tail.
    #[must_use]
    pub fn chance(&self) -> f64 {
        if self.variance <= 0.0 {
            return 1.0;
        }
        let skewness = self.third / self.variance.powf(1.5);
        let (below, above) = tails(self.z(), skewness);
        (2.0 * below.min(above)).min(1.0)
    }
}

/// Chances of lying at or under, and at or over, so many standard deviations under a Pearson type III law.
fn tails(z: f64, skewness: f64) -> (f64, f64) {
    if skewness.abs() < LEAST_SKEWNESS {
        return Normal::new(0.0, 1.0).map_or((1.0, 1.0), |law| (law.cdf(z), law.sf(z)));
    }
    let shape = 4.0 / (skewness * skewness);
    let Ok(law) = Gamma::new(shape, 1.0) else { return (1.0, 1.0) };
    // A gamma law of this shape has its mean at `shape` and is sqrt(shape) wide; turned round where it leans left.
    let at = (shape + z * skewness.signum() * shape.sqrt()).max(0.0);
    let (under, over) = (law.cdf(at), law.sf(at));
    if skewness > 0.0 { (under, over) } else { (over, under) }
}

/// The same chance by dealing: the values of each take, and how many of them are of the kind. What was found counts as one
/// of the deals.
#[must_use]
pub fn by_dealing(takes: &mut [(Vec<f64>, usize)], found: f64) -> f64 {
    let mut dice = fastrand::Rng::with_seed(SEED);
    let (mut below, mut above) = (1_usize, 1_usize);
    // Rounding must not make an equal sum a lesser one.
    let slack = 1e-9 * found.abs().max(1.0);
    for _ in 0..NUM_DEALS {
        let mut sum = 0.0;
        for (values, num) in takes.iter_mut() {
            for i in 0..*num {
                let chosen = dice.usize(i..values.len());
                values.swap(i, chosen);
                sum += values[i];
            }
        }
        below += usize::from(sum <= found + slack);
        above += usize::from(sum >= found - slack);
    }
    (2.0 * below.min(above) as f64 / (NUM_DEALS + 1) as f64).min(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(all: &[f64], kind: &[f64]) -> Stratified {
        let mut stratum = Stratum::default();
        all.iter().for_each(|&v| stratum.add(v));
        let mut found = Stratified::default();
        found.add(&stratum, kind.len() as f64, kind.iter().sum());
        found
    }

    #[test]
    fn moments_are_those_of_every_deal() {
        // All 35 deals of 3 out of 7, counted out.
        let all = [3.0, 100.0, 97.0, 20.0, 100.0, 60.0, 99.0];
        let mut sums = Vec::new();
        for i in 0..7 {
            for j in i + 1..7 {
                for k in j + 1..7 {
                    sums.push(all[i] + all[j] + all[k]);
                }
            }
        }
        let mean = sums.iter().sum::<f64>() / 35.0;
        let moment = |power| sums.iter().map(|s: &f64| (s - mean).powi(power)).sum::<f64>() / 35.0;
        let found = of(&all, &all[..3]);
        assert!((found.excess - (200.0 - mean)).abs() < 1e-9);
        assert!((found.variance - moment(2)).abs() < 1e-6, "{} {}", found.variance, moment(2));
        assert!((found.third - moment(3)).abs() < 1e-3, "{} {}", found.third, moment(3));
        assert!((found.difference() - (200.0 / 3.0 - 279.0 / 4.0)).abs() < 1e-9);
    }

    /// z, skewness, and scipy 1.17's pearson3.cdf and .sf of them.
    const PEARSON3: [(f64, f64, f64, f64); 6] = [
        (-3.5, -0.8, 0.003_645_506_865_815_5, 0.996_354_493_134_184),
        (2.5, 0.5, 0.985_830_367_809_160, 0.014_169_632_190_839_8),
        (3.0, -0.3, 0.999_823_429_988_412, 0.000_176_570_011_587_5),
        (0.4, 1.2, 0.715_557_608_332_161, 0.284_442_391_667_838),
        (-2.0, 0.0, 0.022_750_131_948_179, 0.977_249_868_051_821),
        (4.0, 0.67, 0.998_884_055_522_437, 0.001_115_944_477_562_7),
    ];
    /// Bad ones among 12 of 40 in 200, and twice the smaller tail by scipy 1.17's hypergeom.
    const HYPERGEOMETRIC: [(usize, f64); 3] = [(5, 0.132_834_566), (6, 0.032_372_004), (7, 0.005_734_203)];

    #[test]
    fn the_law_is_scipy_s() {
        for (z, skewness, below, above) in PEARSON3 {
            let found = tails(z, skewness);
            assert!((found.0 / below - 1.0).abs() < 1e-6 && (found.1 / above - 1.0).abs() < 1e-6, "{z} {skewness}");
        }
    }

    #[test]
    fn dealing_agrees_with_the_hypergeometric_law() {
        // With 20 000 deals the chance is told to about a twentieth of itself at 0.02.
        for (num_bad, expected) in HYPERGEOMETRIC {
            let values: Vec<f64> = (0..200).map(|i| if i < 40 { 0.0 } else { 100.0 }).collect();
            let sum = 100.0 * (12 - num_bad) as f64;
            let dealt = by_dealing(&mut [(values, 12)], sum);
            let tolerance = 0.1 * expected + 0.001;
            assert!((dealt - expected).abs() < tolerance, "{num_bad}: {dealt}, {expected}");
        }
    }

    #[test]
    fn takes_that_tell_nothing_do_not_count() {
        let found = of(&[1.0, 2.0], &[1.0, 2.0]);
        assert_eq!((found.num, found.chance()), (0.0, 1.0), "no others to compare with");
        assert_eq!(of(&[5.0, 5.0, 5.0], &[5.0]).chance(), 1.0, "nothing varies");
    }
}
