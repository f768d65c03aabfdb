//! Chance that repeats: everything random in a made take comes from here.

use oorandom::Rand64;

/// A repeatable source of chance.
#[derive(Debug, Clone)]
pub struct Dice(Rand64);

impl Dice {
    /// Chance from a seed; the same seed gives the same sequence on every machine.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Self(Rand64::new(u128::from(seed)))
    }

    /// Chance of its own for a part, so that adding a throw in one part leaves the others alone.
    #[must_use]
    pub fn fork(&mut self) -> Self {
        Self(Rand64::new(u128::from(self.0.rand_u64())))
    }

    /// Uniform within a range.
    pub fn within(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.0.rand_float()
    }

    /// True with the given probability.
    pub fn chance(&mut self, probability: f64) -> bool {
        self.0.rand_float() < probability
    }

    /// 1 or -1.
    pub fn sign(&mut self) -> f64 {
        if self.chance(0.5) { 1.0 } else { -1.0 }
    }

    /// One of a list, which must not be empty.
    pub fn pick<T: Copy>(&mut self, of: &[T]) -> T {
        of[self.0.rand_range(0..of.len() as u64) as usize]
    }

    /// Normally distributed with mean 0 and standard deviation 1 (Box & Muller 1958).
    pub fn normal(&mut self) -> f64 {
        let radius = (-2.0 * self.within(1e-300, 1.0).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.0.rand_float()).cos()
    }

    /// Noise that wanders below `corner_hz`, sampled every `step_s`, with standard deviation `spread`.
    pub fn wander(&mut self, len: usize, step_s: f64, corner_hz: f64, spread: f64) -> Vec<f64> {
        let keep = (-std::f64::consts::TAU * corner_hz * step_s).exp();
        let feed = (1.0 - keep * keep).sqrt() * spread;
        let mut value = self.normal() * spread;
        (0..len)
            .map(|_| {
                value = keep * value + feed * self.normal();
                value
            })
            .collect()
    }
}
