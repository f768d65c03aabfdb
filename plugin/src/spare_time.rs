//! WORKER: what is done while no sound waits. Passes are packed ahead of a save, and kept ones go into the practice log.

use crate::practice_log::PracticeLog;
use crate::project::Project;
use notefront_takes::log::place;
use std::time::{Duration, Instant};

/// How often it is looked whether there is anything to do: all entrances are gone through.
const LOOK: Duration = Duration::from_secs(1);
/// Entrances of a pass that is packed while another is played, at most: it takes 0.1 s in a release, and the next entrance
/// waits so long \[C\].
const MOST_WHILE_PLAYED: usize = 2000;

/// When it was looked last, and what was done.
#[derive(Debug)]
pub struct SpareTime {
    looked: Instant,
    /// Does not wait for the next look: there may be more to do, or passes came from a project, which the host may save soon.
    is_due: bool,
    practice_log: PracticeLog,
}

impl Default for SpareTime {
    fn default() -> Self {
        Self { looked: Instant::now(), is_due: false, practice_log: PracticeLog::default() }
    }
}

impl SpareTime {
    /// The next look comes at once.
    pub fn look_soon(&mut self) {
        self.is_due = true;
    }

    /// Does one thing; false when there was none to do.
    pub fn spend(&mut self, project: &Project, is_playing: bool) -> bool {
        if !self.is_due && self.looked.elapsed() < LOOK {
            return false;
        }
        self.is_due = if is_playing {
            project.keeper.pack_ahead(MOST_WHILE_PLAYED)
        } else {
            project.keeper.pack_ahead(usize::MAX) || self.practice_log.keep_next(project, place::usual)
        };
        self.looked = Instant::now();
        self.is_due
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;

    #[test]
    fn what_came_from_a_project_is_packed_at_once_and_also_while_another_pass_is_played() {
        let project = Project::default();
        for i in 0..3 {
            project.session.lock().add(fixture::mixed_pass(30, i + 1));
        }
        let mut spare = SpareTime::default();
        assert!(!spare.spend(&project, true), "not before the next look");
        spare.look_soon();
        let num_packed = (0..10).take_while(|_| spare.spend(&project, true)).count();
        assert_eq!(num_packed, 3);
        assert!(!project.keeper.pack_ahead(usize::MAX), "all are ready");
    }
}
