//! Clarity, 0 to 100: the worst fault dominates, the others take a little more; a clear front loses little or nothing. Every fault
//! takes what it would if it were there, times how sure that is: the loss to be expected.

use super::{FaultName, Faults, table};
use crate::parameters::clarity::{NEAR_LINE_COST, NEARNESS_POWER, SHARE_AT_LINE, SHARE_OF_OTHERS};

/// What one fault takes off where it is there, in points. The root makes what is well beyond its line weigh as what it is.
#[must_use]
pub fn cost(name: FaultName, severity: f64) -> f64 {
    table::row(name).weight * (SHARE_AT_LINE + (1.0 - SHARE_AT_LINE) * severity.clamp(0.0, 1.0).sqrt())
}

/// Clarity of an entrance with these faults, whose nearest measure under its line comes as near as this (1 = at it).
#[must_use]
pub fn clarity(faults: &Faults, nearest: f64) -> f64 {
    let mut worst = NEAR_LINE_COST * nearest.clamp(0.0, 1.0).powi(NEARNESS_POWER);
    let mut sum = worst;
    for fault in faults.iter() {
        let cost = fault.sureness * cost(fault.name, fault.severity);
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
    fn a_second_fault_takes_less_than_the_first() {
        let mut faults = Faults::default();
        faults.insert(Fault { name: FaultName::Split, severity: 0.5, sureness: 1.0 });
        let one = clarity(&faults, 0.0);
        faults.insert(Fault { name: FaultName::Airy, severity: 0.5, sureness: 1.0 });
        let two = clarity(&faults, 0.0);
        assert!(one < 50.0 && two < one && one - two < 20.0, "{one} {two}");
    }

    #[test]
    fn what_may_not_be_there_takes_its_share() {
        let with = |sureness| {
            let mut faults = Faults::default();
            faults.insert(Fault { name: FaultName::Smear, severity: 0.7, sureness });
            100.0 - clarity(&faults, 0.0)
        };
        assert!((with(0.5) - 0.5 * with(1.0)).abs() < 1e-9 && with(1.0) > 50.0, "{} {}", with(0.5), with(1.0));
    }

    #[test]
    fn a_clear_front_is_at_or_near_100() {
        let clear = |nearest| clarity(&Faults::default(), nearest);
        assert!((clear(0.0) - 100.0).abs() < 1e-9 && clear(0.5) > 99.5 && clear(1.0) >= 95.0);
    }

    #[test]
    fn what_is_half_beyond_its_line_is_under_60() {
        for name in FaultName::ALL {
            let mut faults = Faults::default();
            faults.insert(Fault { name, severity: 1.0 / 3.0, sureness: 1.0 });
            assert!(clarity(&faults, 0.0) < 60.0, "{name:?}");
        }
    }
}
