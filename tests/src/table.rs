//! The one table of figures: every row says what it stands on.

use crate::accuracy::Reach;
use notefront_dsp::FaultName;

/// One figure.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// What kind of sound it was measured on.
    pub section: &'static str,
    /// What is measured.
    pub name: String,
    /// Its value; NaN when there was nothing to measure.
    pub value: f64,
    /// Unit, empty for shares and scores.
    pub unit: &'static str,
    /// What it is to reach.
    pub reach: Option<Reach>,
    /// How many of what stand behind it, and whose word the truth is.
    pub stands_on: String,
}

impl Row {
    /// A share or score without unit.
    #[must_use]
    pub fn share(section: &'static str, name: &str, (part, whole): (usize, usize), stands_on: String) -> Self {
        Self::value(section, name, part as f64 / whole as f64, "", stands_on)
    }

    /// Any value in a unit.
    #[must_use]
    pub fn value(section: &'static str, name: &str, value: f64, unit: &'static str, stands_on: String) -> Self {
        Self { section, name: name.to_owned(), value, unit, reach: None, stands_on }
    }

    /// The same row with something to reach.
    #[must_use]
    pub fn reaching(self, reach: Reach) -> Self {
        Self { reach: Some(reach), ..self }
    }

    /// True when the figure is short of what it is to reach. Nothing measured is not a miss.
    #[must_use]
    pub fn misses(&self) -> bool {
        self.reach.is_some_and(|reach| !self.value.is_nan() && !reach.is_met(self.value))
    }
}

/// How many entrances of a kind were flagged, and with what.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct FlagRow {
    /// What kind of sound it was counted on.
    pub section: &'static str,
    /// Which of its entrances: an articulation, a dynamic, a register, a length.
    pub of: String,
    /// Entrances looked at.
    pub num_entrances: usize,
    /// Those with a flag other than early or late.
    pub num_flagged: usize,
    /// Flags by fault, in the order of [`crate::accuracy::FAULTS`].
    pub num_of_fault: [usize; crate::accuracy::FAULTS.len()],
}

impl FlagRow {
    /// Nothing counted yet.
    #[must_use]
    pub fn new(section: &'static str, of: &str) -> Self {
        Self { section, of: of.to_owned(), ..Self::default() }
    }

    /// Counts one entrance with its flags.
    pub fn count(&mut self, flags: &[FaultName]) {
        self.num_entrances += 1;
        self.num_flagged += usize::from(!flags.is_empty());
        for (num, name) in self.num_of_fault.iter_mut().zip(crate::accuracy::FAULTS) {
            *num += usize::from(flags.contains(&name));
        }
    }

    /// Share flagged; NaN of none.
    #[must_use]
    pub fn share(&self) -> f64 {
        self.num_flagged as f64 / self.num_entrances as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_entrance_with_two_flags_is_one_flagged_entrance() {
        let mut row = FlagRow::new("phrases", "legato");
        row.count(&[FaultName::Split, FaultName::Airy]);
        row.count(&[]);
        assert_eq!((row.num_entrances, row.num_flagged), (2, 1));
        assert_eq!(row.num_of_fault.iter().sum::<usize>(), 2);
    }

    #[test]
    fn what_is_to_be_reached_is_inclusive_and_nothing_measured_misses_nothing() {
        let row = |value: f64| Row::value("x", "y", value, "", String::new()).reaching(Reach::Within(0.06));
        assert!(!row(0.06).misses());
        assert!(row(0.061).misses());
        assert!(!row(f64::NAN).misses());
    }
}
