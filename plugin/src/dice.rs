//! Chance that repeats: numbers by Marsaglia's xorshift (2003, Journal of Statistical Software 8:14).

/// Numbers that follow from a seed.
pub struct Dice(u64);

impl Dice {
    /// The same numbers for the same seed.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Self(seed | 1)
    }

    /// The next number under `most`; 0 where there is none.
    pub fn below(&mut self, most: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        ((self.0 >> 11) % most.max(1) as u64) as usize
    }

    /// All in another order (Fisher and Yates).
    pub fn shuffled<T>(&mut self, mut all: Vec<T>) -> Vec<T> {
        for i in (1..all.len()).rev() {
            all.swap(i, self.below(i + 1));
        }
        all
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_order_of_three_comes_up_as_often() {
        let mut dice = Dice::new(9);
        let mut counts = std::collections::BTreeMap::new();
        (0..6_000).for_each(|_| *counts.entry(dice.shuffled(vec![0, 1, 2])).or_insert(0) += 1);
        // 1000 each; their standard deviation is 29 (binomial).
        assert!(counts.len() == 6 && counts.values().all(|num| (880..=1_120).contains(num)), "{counts:?}");
        assert_eq!((dice.below(0), dice.below(1)), (0, 0));
    }
}
