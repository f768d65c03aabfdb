//! How many entrances of a pass are flagged, and for what.

use crate::passes::{Pass, PassId, Revision};
use crate::session::MAX_UNKEPT;
use notefront_dsp::FaultName;
use std::collections::HashMap;

/// Counts of one pass.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counts {
    /// By fault, in the order of [`FaultName::ALL`].
    pub by_fault: [usize; FaultName::ALL.len()],
    /// All entrances.
    pub num_entrances: usize,
    /// Entrances with any fault, or unclear to the ear.
    pub num_flagged: usize,
    /// Those unclear to the ear alone, without a fault's name.
    pub num_by_ear: usize,
}

impl Counts {
    /// Counts the faults of a pass; an entrance with two counts under both.
    #[must_use]
    pub fn of(pass: &Pass) -> Self {
        let (num_flagged, num_by_ear) = (pass.num_flagged(), pass.num_unclear_by_ear());
        let mut counts =
            Self { num_entrances: pass.entrances.len(), num_flagged, num_by_ear, by_fault: Default::default() };
        for entrance in &pass.entrances {
            entrance.verdict.faults.iter().for_each(|f| counts.by_fault[f.name as usize] += 1);
        }
        counts
    }

    /// "3 of 16 flagged".
    #[must_use]
    pub fn in_words(&self) -> String {
        format!("{} of {} flagged", self.num_flagged, self.num_entrances)
    }
}

/// Counts of passes, each kept while its pass stays as it is.
#[derive(Debug, Default)]
pub struct Counted(HashMap<PassId, (Revision, Counts)>);

impl Counted {
    /// Those of a pass.
    pub fn of(&mut self, pass: &Pass) -> Counts {
        if let Some((_, counts)) = self.0.get(&pass.id).filter(|(of, _)| *of == pass.revision) {
            return *counts;
        }
        // Those of passes that are gone go some time.
        if self.0.len() > MAX_UNKEPT {
            self.0.clear();
        }
        let counts = Counts::of(pass);
        self.0.insert(pass.id, (pass.revision, counts));
        counts
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;
    use notefront_takes::corrections::{By, What};

    #[test]
    fn what_changes_is_counted_anew() {
        let judging = crate::choices::Choices::default().judging();
        let (mut pass, mut counted) = (fixture::pass_at_60(&[1.0, 2.0]), Counted::default());
        assert_eq!(counted.of(&pass).num_flagged, 0);
        let heard = What::Unclear { fault: Some(FaultName::Airy) };
        let id = pass.say(By::Insert, 2.0, heard, &judging).expect("room");
        assert_eq!((counted.of(&pass).num_flagged, counted.of(&pass)), (1, Counts::of(&pass)));
        pass.undo(&id, &judging);
        assert_eq!(counted.of(&pass).num_flagged, 0);
        let late = fixture::clear(2, 3.3, 46);
        pass.push_front(late.front, &judging);
        assert_eq!(counted.of(&pass).num_entrances, 3);
        pass.truncate(2.5, &judging);
        assert_eq!(counted.of(&pass).num_entrances, 2);
    }

    #[test]
    fn an_entrance_with_two_faults_counts_under_both_and_once_as_flagged() {
        let mut pass = fixture::pass_at_60(&[1.0, 2.0]);
        for fault in [FaultName::Airy, FaultName::Late] {
            pass.entrances[1] = fixture::with_fault(pass.entrances[1], fault, 0.5);
        }
        let judging = crate::choices::Choices::default().judging();
        let heard = What::Unclear { fault: None };
        let mut by_ear = fixture::pass_at_60(&[1.0, 2.0]);
        by_ear.say(By::Insert, 2.0, heard, &judging);
        let counts = Counts::of(&by_ear);
        assert_eq!((counts.num_flagged, counts.num_by_ear, counts.by_fault.iter().sum::<usize>()), (1, 1, 0));
        let counts = Counts::of(&pass);
        assert_eq!((counts.num_entrances, counts.num_flagged), (2, 1));
        assert_eq!(counts.by_fault.iter().sum::<usize>(), 2);
    }
}
