//! WORKER: what is done while no sound waits. Passes are packed ahead of a save, and kept ones go into the practice log.

use crate::practice_log::PracticeLog;
use crate::project::Project;
use notefront_takes::log::place;
use std::time::{Duration, Instant};

/// How often it is looked whether there is anything to do: all entrances are gone through.
const LOOK: Duration = Duration::from_secs(1);

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

    /// Does one thing, as long as it is to go on; false when there was none to do.
    pub fn spend(&mut self, project: &Project, is_playing: bool, goes_on: &dyn Fn() -> bool) -> bool {
        if !self.is_due && self.looked.elapsed() < LOOK {
            return false;
        }
        // A piece at a time: the next entrance waits no longer than that, nor does a host that closes the insert.
        let keeps_log = |log: &mut PracticeLog| !is_playing && log.keep_next(project, place::usual, goes_on);
        self.is_due = project.keeper.pack_ahead() || keeps_log(&mut self.practice_log);
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
        assert!(!spare.spend(&project, true, &|| true), "not before the next look");
        spare.look_soon();
        let num_packed = (0..20).take_while(|_| spare.spend(&project, true, &|| true)).count();
        assert_eq!(num_packed, 9, "of each its head, its entrances and their pictures");
        assert_eq!(project.keeper.pack_rest(), 0, "all are ready");
    }

    #[test]
    fn a_long_pass_is_packed_in_pieces_between_which_the_host_is_heeded() {
        let project = Project::default();
        project.session.lock().add(fixture::mixed_pass(2_000, 1));
        let mut spare = SpareTime::default();
        spare.look_soon();
        let num_packed = (0..100).take_while(|_| spare.spend(&project, false, &|| true)).count();
        assert!(num_packed > 10, "{num_packed}: a head, ten parts, and pictures");
    }
}
