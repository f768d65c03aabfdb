//! Which faults are shown.

use crate::passes::Pass;
use notefront_dsp::{Entrance, FaultName, Faults};

/// Faults the player has switched off in the strip.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct FaultFilter {
    hidden: [bool; FaultName::ALL.len()],
}

impl FaultFilter {
    /// True when the fault is shown.
    #[must_use]
    pub fn shows(&self, fault: FaultName) -> bool {
        !self.hidden[fault as usize]
    }

    /// Shows or hides one fault.
    pub fn toggle(&mut self, fault: FaultName) {
        self.hidden[fault as usize] ^= true;
    }

    /// Shows this fault alone; everything again when it already stands alone.
    pub fn only(&mut self, fault: FaultName) {
        let alone = FaultName::ALL.iter().all(|f| self.shows(*f) == (*f == fault));
        self.hidden = [!alone; FaultName::ALL.len()];
        self.hidden[fault as usize] = false;
    }

    /// Shows everything.
    pub fn clear(&mut self) {
        *self = Self::default();
    }

    /// True when nothing is hidden.
    #[must_use]
    pub fn is_clear(&self) -> bool {
        *self == Self::default()
    }

    /// The faults of an entrance that are shown.
    #[must_use]
    pub fn of(&self, entrance: &Entrance) -> Faults {
        let mut shown = Faults::default();
        entrance.verdict.faults.iter().filter(|f| self.shows(f.name)).for_each(|f| shown.insert(*f));
        shown
    }

    /// The faults of an entrance that are shown and were measured: what the ear alone tells draws no ink.
    #[must_use]
    pub fn ink(&self, pass: &Pass, place: usize) -> Faults {
        let mut ink = Faults::default();
        let shown = pass.entrances.get(place).map(|e| self.of(e)).unwrap_or_default();
        shown.iter().filter(|f| !pass.is_by_ear(place, f.name)).for_each(|f| ink.insert(*f));
        ink
    }

    /// True when an entrance of a pass has a fault that is shown, or is unclear to the ear without a name.
    #[must_use]
    pub fn flags(&self, pass: &Pass, place: usize) -> bool {
        let is_flagged = |e: &Entrance| e.verdict.faults.iter().any(|f| self.shows(f.name));
        pass.entrances.get(place).is_some_and(is_flagged) || pass.is_unclear_by_ear(place)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;

    #[test]
    fn hidden_faults_do_not_flag() {
        let mut pass = fixture::pass_at_60(&[1.0]);
        pass.entrances[0] = fixture::with_fault(pass.entrances[0], FaultName::Airy, 0.5);
        let mut filter = FaultFilter::default();
        assert!(filter.flags(&pass, 0) && !filter.flags(&pass, 1));
        filter.toggle(FaultName::Airy);
        assert!(!filter.flags(&pass, 0) && filter.of(&pass.entrances[0]).is_empty());
    }

    #[test]
    fn alone_and_back() {
        let mut filter = FaultFilter::default();
        filter.only(FaultName::Split);
        assert_eq!(FaultName::ALL.iter().filter(|f| filter.shows(**f)).count(), 1);
        assert!(filter.shows(FaultName::Split));
        filter.only(FaultName::Split);
        assert!(filter.is_clear());
    }
}
