//! All passes of an instance: what the worker writes, the editor shows and the project keeps.
//!
//! Behind one lock that the audio side never takes.

use crate::passes::{MAX_ENTRANCES, Pass, PassId};
use crate::redraw::Redraw;
use crate::timing::Judging;
use notefront_takes::log::when::Moment;
use parking_lot::{Mutex, MutexGuard};
use std::collections::HashMap;
use std::sync::Arc;

/// Passes that were not kept make room for new ones beyond this number of them, and beyond [`MAX_ENTRANCES`] in all: a
/// project holds no more, and each takes 2.5 kB of memory.
pub const MAX_UNKEPT: usize = 200;
/// From this share of either on the player is told that the oldest will go.
const NEARLY_FULL: f64 = 0.9;

/// The passes, the oldest first.
#[derive(Debug, Default)]
pub struct Session {
    passes: Vec<Pass>,
    next_id: PassId,
    /// The pass others are compared with.
    pub reference: Option<PassId>,
    /// What the player should know: state that could not be read, files that could not be written.
    pub notices: Vec<String>,
    /// The take that is being analysed, and how much of it, 0 to 1.
    pub loading: Option<(String, f32)>,
    /// The pass that was loaded from a file last: the window shows it once.
    pub newest_loaded: Option<PassId>,
    /// What a project kept was judged by whatever lines held then: it waits to be judged by those of now.
    pub is_stale: bool,
    /// A project brought passes, and nobody has looked yet at what lies beside their takes.
    pub is_apart: bool,
    /// The track's name, where the host tells it.
    pub track: String,
    /// When passes of this run began; a project keeps it only of those that wait to go into the practice log.
    pub begun: HashMap<PassId, Moment>,
}

impl Session {
    /// All passes, the oldest first.
    #[must_use]
    pub fn passes(&self) -> &[Pass] {
        &self.passes
    }

    /// Entrances of all passes.
    #[must_use]
    pub fn num_entrances(&self) -> usize {
        self.passes.iter().map(|p| p.entrances.len()).sum()
    }

    /// The pass of that identity.
    #[must_use]
    pub fn pass(&self, id: PassId) -> Option<&Pass> {
        self.passes.iter().find(|p| p.id == id)
    }

    /// The same, to change it.
    pub fn pass_mut(&mut self, id: PassId) -> Option<&mut Pass> {
        self.passes.iter_mut().find(|p| p.id == id)
    }

    /// The pass that runs, or else the newest.
    #[must_use]
    pub fn newest(&self) -> Option<&Pass> {
        self.passes.iter().rev().find(|p| p.live).or(self.passes.last())
    }

    /// The pass that runs.
    #[must_use]
    pub fn live(&self) -> Option<&Pass> {
        self.passes.iter().find(|p| p.live)
    }

    /// Adds a pass and gives it an identity; the oldest that was not kept makes room.
    pub fn add(&mut self, mut pass: Pass) -> PassId {
        self.next_id += 1;
        pass.id = self.next_id;
        self.passes.push(pass);
        self.make_room();
        self.next_id
    }

    /// Adds a pass that begins now.
    pub fn add_begun(&mut self, pass: Pass, now: Moment) -> PassId {
        let id = self.add(pass);
        self.begun.insert(id, now);
        id
    }

    /// Passes that would make room for others.
    fn num_spare(&self) -> usize {
        self.passes.iter().filter(|p| self.is_spare(p)).count()
    }

    fn is_spare(&self, pass: &Pass) -> bool {
        !pass.kept && !pass.live && Some(pass.id) != self.reference
    }

    /// True when the oldest passes that are not kept will soon make room for others.
    #[must_use]
    pub fn is_nearly_full(&self) -> bool {
        self.num_spare() as f64 > NEARLY_FULL * MAX_UNKEPT as f64
            || self.num_entrances() as f64 > NEARLY_FULL * MAX_ENTRANCES as f64
    }

    fn make_room(&mut self) {
        while self.num_spare() > MAX_UNKEPT || self.num_entrances() > MAX_ENTRANCES {
            // The newest is what was just played.
            let older = &self.passes[..self.passes.len() - 1];
            let Some(oldest) = older.iter().position(|p| self.is_spare(p)) else { return };
            self.passes.remove(oldest);
        }
    }

    /// Takes a pass out. A running one stays: it would come back with its next note.
    pub fn forget(&mut self, id: PassId) {
        self.passes.retain(|p| p.id != id || p.live);
        if self.pass(id).is_none() && self.reference == Some(id) {
            self.reference = None;
        }
    }

    /// Ends a running pass; one without an entrance has nothing to show and goes.
    pub fn end(&mut self, id: PassId) {
        if let Some(pass) = self.pass_mut(id) {
            pass.live = false;
            if pass.entrances.is_empty() {
                self.passes.retain(|p| p.id != id);
            }
        }
    }

    /// Tries at the same passage as `id`, itself included, the oldest first.
    pub fn tries(&self, id: PassId) -> impl Iterator<Item = &Pass> {
        let this = self.pass(id);
        self.passes.iter().filter(move |p| p.id == id || this.is_some_and(|t| t.is_same_passage(p)))
    }

    /// Judges every pass anew.
    pub fn rejudge(&mut self, judging: &Judging) {
        self.passes.iter_mut().for_each(|p| p.rejudge(judging));
        self.is_stale = false;
    }

    /// Replaces everything by what a project kept. A running pass goes on.
    pub fn restore(&mut self, passes: Vec<Pass>, reference: Option<PassId>, notices: Vec<String>) {
        let running: Vec<Pass> = self.passes.drain(..).filter(|p| p.live).collect();
        self.begun.retain(|id, _| running.iter().any(|pass| pass.id == *id));
        self.next_id = self.next_id.max(passes.iter().map(|p| p.id).max().unwrap_or(0));
        self.passes = passes;
        (self.is_stale, self.is_apart) = (true, true);
        self.reference = reference.filter(|r| self.pass(*r).is_some());
        for mut pass in running {
            // The worker knows the running pass by its identity, so a stored one of the same number gives way.
            if self.pass(pass.id).is_some() {
                let id = self.next_id + 1;
                self.next_id = id;
                if let Some(stored) = self.pass_mut(pass.id) {
                    stored.id = id;
                }
                if self.reference == Some(pass.id) {
                    self.reference = Some(id);
                }
            }
            pass.live = true;
            self.passes.push(pass);
        }
        let waiting = self.passes.iter().filter_map(|pass| Some((pass.id, pass.waits_since?)));
        self.begun.extend(waiting);
        self.notices = notices;
    }
}

/// The session as the threads share it.
#[derive(Debug, Clone, Default)]
pub struct SharedSession {
    session: Arc<Mutex<Session>>,
    redraw: Redraw,
}

impl SharedSession {
    /// Locks it. Never on the audio thread.
    pub fn lock(&self) -> MutexGuard<'_, Session> {
        self.session.lock()
    }

    /// Asks an open editor to draw.
    pub fn request_repaint(&self) {
        self.redraw.request();
    }

    /// The window that is asked.
    #[must_use]
    pub fn redraw(&self) -> &Redraw {
        &self.redraw
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;

    fn pass() -> Pass {
        fixture::pass_at_60(&[1.0, 2.0])
    }

    #[test]
    fn kept_passes_never_make_room() {
        let mut session = Session::default();
        let kept = session.add(Pass { kept: true, ..pass() });
        let reference = session.add(pass());
        session.reference = Some(reference);
        for _ in 0..2 * MAX_UNKEPT {
            session.add(pass());
        }
        assert_eq!(session.passes().len(), MAX_UNKEPT + 2);
        assert!(session.pass(kept).is_some() && session.pass(reference).is_some());
    }

    #[test]
    fn a_full_session_says_so_before_the_oldest_goes() {
        let mut session = Session::default();
        while !session.is_nearly_full() {
            session.add(pass());
        }
        assert_eq!(session.pass(1).map(|p| p.id), Some(1), "nothing went before it was said");
        let mut session = Session::default();
        let long = || fixture::mixed_pass(4_900, 3);
        let first = session.add(long());
        let kept = session.add(Pass { kept: true, ..long() });
        session.add(long());
        assert!(!session.is_nearly_full());
        session.add(long());
        assert!(session.is_nearly_full() && session.pass(first).is_some());
        let last = session.add(long());
        assert!(session.pass(first).is_none() && session.pass(kept).is_some() && session.pass(last).is_some());
    }

    #[test]
    fn a_pass_without_an_entrance_goes_when_it_ends() {
        let mut session = Session::default();
        let empty = session.add(Pass { entrances: Vec::new(), live: true, ..pass() });
        let full = session.add(Pass { live: true, ..pass() });
        session.end(empty);
        session.end(full);
        assert!(session.pass(empty).is_none());
        assert!(session.pass(full).is_some_and(|p| !p.live));
    }

    #[test]
    fn forgetting_the_reference_unpins_it_and_a_running_pass_stays() {
        let mut session = Session::default();
        let id = session.add(pass());
        session.reference = Some(id);
        session.forget(id);
        assert_eq!((session.passes().len(), session.reference), (0, None));
        let running = session.add(Pass { live: true, ..pass() });
        session.forget(running);
        assert!(session.pass(running).is_some());
    }

    #[test]
    fn restoring_keeps_the_running_pass_and_every_stored_one() {
        let mut session = Session::default();
        let running = session.add(Pass { live: true, ..pass() });
        session.restore(vec![Pass { id: running, waits_since: Some((7, 60)), ..pass() }], Some(running), Vec::new());
        assert_eq!(session.passes().len(), 2);
        let stored = session.passes().iter().find(|p| !p.live).expect("it was stored");
        assert_eq!(session.begun, HashMap::from([(stored.id, (7, 60))]), "and what waits for the log still does");
        assert!(session.pass(running).is_some_and(|p| p.live));
        assert!(session.reference.and_then(|r| session.pass(r)).is_some_and(|p| !p.live));
        let fresh = session.add(pass());
        assert_eq!(session.passes().iter().filter(|p| p.id == fresh).count(), 1);
    }
}
