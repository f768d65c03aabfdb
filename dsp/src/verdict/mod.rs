//! Verdicts: what is made of a front. A pure function of the front, the beat next to it and the settings; nothing
//! here is ever stored in a front.

pub mod lines;
mod sentences;
pub mod table;
mod clarity;
mod judge;

pub use clarity::{clarity, cost};
pub use judge::judge;

use crate::entrance::{CannotTell, Front, Told};
use crate::grid::Beat;
use crate::settings::Settings;

/// A fault of an entrance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "kebab-case"))]
pub enum FaultName {
    /// Air before the tone.
    Airy,
    /// Leans under its pitch, on the same partial.
    Below,
    /// Leans over its pitch, on the same partial.
    Above,
    /// The tone took long to come.
    Slow,
    /// Began on another partial.
    Split,
    /// The slide was still under way.
    Smear,
    /// Two starts.
    Stutter,
    /// A burst over the settled level.
    Hard,
    /// Before the beat.
    Early,
    /// After the beat.
    Late,
    /// Silence between the breath and the sound.
    HeldBreath,
}

impl FaultName {
    /// Every fault, in the order tables and filters show them \[T\].
    pub const ALL: [Self; 11] = [
        Self::Airy,
        Self::Below,
        Self::Above,
        Self::Slow,
        Self::Split,
        Self::Smear,
        Self::Stutter,
        Self::Hard,
        Self::Early,
        Self::Late,
        Self::HeldBreath,
    ];

    /// The fixed name used in files.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        table::row(self).key
    }
}

/// One fault found, how bad it is and how sure.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Fault {
    /// Which.
    pub name: FaultName,
    /// 0 (just at the line) to 1 (as bad as it gets).
    pub severity: f64,
    /// How sure the analysis is, 0 to 1: the share of the measure's uncertainty that lies beyond the line, times how likely what was
    /// measured is there at all.
    pub sureness: f64,
}

/// Room for every fault an entrance can have at once; the whole analysis stays free of allocation.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Faults([Option<Fault>; FaultName::ALL.len()]);

impl Faults {
    /// Adds or replaces a fault.
    pub fn insert(&mut self, fault: Fault) {
        self.0[fault.name as usize] = Some(fault);
    }

    /// The fault of that name, if the entrance has it.
    #[must_use]
    pub fn get(&self, name: FaultName) -> Option<&Fault> {
        self.0[name as usize].as_ref()
    }

    /// All faults, in the order of [`FaultName::ALL`].
    pub fn iter(&self) -> impl Iterator<Item = &Fault> {
        self.0.iter().flatten()
    }

    /// The fault that weighs most, if any.
    #[must_use]
    pub fn worst(&self) -> Option<&Fault> {
        self.iter().max_by(|a, b| a.severity.total_cmp(&b.severity))
    }

    /// True when nothing was found.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.iter().next().is_none()
    }
}

/// What is made of one front.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Verdict {
    /// Distance from the beat, ms; positive = late.
    pub timing_ms: Told,
    /// What is wrong.
    pub faults: Faults,
    /// 0 (unclear) to 100 (clear).
    pub clarity: f64,
}

/// A front and what is made of it.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Entrance {
    /// What was measured.
    #[cfg_attr(feature = "serde", serde(flatten))]
    pub front: Front,
    /// What is made of it.
    #[cfg_attr(feature = "serde", serde(flatten))]
    pub verdict: Verdict,
}

impl Entrance {
    /// The front judged: see [`judge`].
    #[must_use]
    pub fn of(front: Front, beat: Option<&Beat>, settings: &Settings) -> Self {
        Self { front, verdict: judge(&front, beat, settings) }
    }

    /// The same front judged anew.
    #[must_use]
    pub fn judged(&self, beat: Option<&Beat>, settings: &Settings) -> Self {
        Self::of(self.front, beat, settings)
    }

    /// The same front judged anew without timing, which cannot be told for a reason.
    #[must_use]
    pub fn untimed(&self, why: CannotTell, settings: &Settings) -> Self {
        let verdict = Verdict { timing_ms: Err(why), ..judge(&self.front, None, settings) };
        Self { front: self.front, verdict }
    }

    /// True when anything is wrong with it.
    #[must_use]
    pub fn is_flagged(&self) -> bool {
        !self.verdict.faults.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_sounds::clear_front;
    use judge::tests::at;

    fn fault(name: FaultName, severity: f64) -> Fault {
        Fault { name, severity, sureness: 1.0 }
    }

    #[test]
    fn faults_are_kept_by_name_in_the_order_of_the_table() {
        let mut faults = Faults::default();
        assert!(faults.is_empty() && faults.worst().is_none());
        for name in FaultName::ALL.into_iter().rev() {
            faults.insert(fault(name, 0.3));
        }
        assert_eq!(faults.iter().map(|f| f.name).collect::<Vec<_>>(), FaultName::ALL);
        faults.insert(fault(FaultName::Split, 0.9));
        assert_eq!(faults.iter().count(), FaultName::ALL.len(), "one that is there is replaced");
        assert_eq!(faults.worst().map(|f| f.name), Some(FaultName::Split));
        assert_eq!(faults.get(FaultName::Split).map(|f| f.severity), Some(0.9));
        assert_eq!(Faults::default().get(FaultName::Hard), None);
    }

    /// Invariant 8 of the design: a front never changes with what is asked of it, and a verdict follows from it alone.
    #[test]
    fn judging_anew_changes_the_verdict_and_never_the_front() {
        for name in FaultName::ALL {
            let settings = Settings::default();
            let (front, beat) = at(name, 1.5, &settings);
            let entrance = Entrance::of(front, beat.as_ref(), &settings);
            assert!(entrance.is_flagged(), "{name:?}");
            let relaxed = Settings { strictness: crate::settings::Strictness::RELAXED, ..settings };
            let milder = entrance.judged(beat.as_ref(), &relaxed);
            assert_eq!(format!("{:?}", milder.front), format!("{:?}", entrance.front));
            assert!(milder.verdict.faults.iter().count() <= 1 && milder.verdict.clarity > entrance.verdict.clarity);
            let again = milder.judged(beat.as_ref(), &settings);
            assert_eq!(again.verdict, entrance.verdict, "and back again");
        }
    }

    #[test]
    fn without_a_beat_it_says_why_and_keeps_all_else() {
        let settings = Settings::default();
        let (front, beat) = at(FaultName::Late, 3.0, &settings);
        let late = Entrance::of(front, beat.as_ref(), &settings);
        assert_eq!(late.verdict.faults.worst().map(|f| f.name), Some(FaultName::Late));
        for why in [CannotTell::NotToBeat, CannotTell::Broadened] {
            let untimed = late.untimed(why, &settings);
            assert_eq!(untimed.verdict.timing_ms, Err(why));
            assert!(!untimed.is_flagged() && untimed.verdict.clarity > 99.0);
        }
        assert!(!Entrance::of(clear_front(), None, &settings).is_flagged());
    }
}
