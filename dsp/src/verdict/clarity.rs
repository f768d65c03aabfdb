//! Clarity, 0 to 100: the worst fault dominates, the others take a little more.

use super::{FaultName, Faults};

/// How much of the clarity each fault can take, percent. \[H\]
const WEIGHTS: [(FaultName, f64); 11] = [
    (FaultName::Airy, 70.0),
    (FaultName::Below, 75.0),
    (FaultName::Above, 75.0),
    (FaultName::Slow, 55.0),
    (FaultName::Split, 95.0),
    (FaultName::Smear, 80.0),
    (FaultName::Stutter, 90.0),
    (FaultName::Hard, 50.0),
    (FaultName::Early, 50.0),
    (FaultName::Late, 50.0),
    (FaultName::HeldBreath, 30.0),
];
/// A fault just at its line takes this share of its weight: it was worth a flag.
const SHARE_AT_LINE: f64 = 0.25;
/// Every fault but the worst takes this share of what it would take alone.
const SHARE_OF_OTHERS: f64 = 0.25;

/// What one fault takes off, in points.
#[must_use]
pub fn cost(name: FaultName, severity: f64) -> f64 {
    WEIGHTS[name as usize].1 * (SHARE_AT_LINE + (1.0 - SHARE_AT_LINE) * severity)
}

/// Clarity of an entrance with these faults.
#[must_use]
pub fn clarity(faults: &Faults) -> f64 {
    let (mut worst, mut sum) = (0.0f64, 0.0);
    for fault in faults.iter() {
        let cost = cost(fault.name, fault.severity);
        worst = worst.max(cost);
        sum += cost;
    }
    (100.0 - worst - SHARE_OF_OTHERS * (sum - worst)).clamp(0.0, 100.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::verdict::Fault;

    #[test]
    fn the_weights_stand_in_the_order_of_the_names() {
        for (i, name) in FaultName::ALL.iter().enumerate() {
            assert_eq!(WEIGHTS[i].0, *name);
        }
    }

    #[test]
    fn a_second_fault_takes_less_than_the_first() {
        let mut faults = Faults::default();
        assert!((clarity(&faults) - 100.0).abs() < 1e-9);
        faults.insert(Fault { name: FaultName::Split, severity: 0.5, sureness: 1.0 });
        let one = clarity(&faults);
        faults.insert(Fault { name: FaultName::Airy, severity: 0.5, sureness: 1.0 });
        let two = clarity(&faults);
        assert!(one < 50.0 && two < one && one - two < 15.0, "{one} {two}");
    }
}
