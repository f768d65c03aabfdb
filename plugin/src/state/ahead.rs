//! Passes packed ahead of the host's call to save: that call then only joins texts.
//!
//! A pass is packed when it has ended, by the worker, and again when what is kept of it has changed. What a pass is packed of
//! is known by its print: everything that can change of it.

use super::{SavedSession, Written, packed_pass, stays};
use crate::fronts;
use crate::passes::{Pass, PassId};
use crate::session::{Session, SharedSession};
use notefront_dsp::Measure;
use parking_lot::Mutex;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::collections::HashMap;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::mem::discriminant;
use std::sync::Arc;

/// The texts that are ready.
#[derive(Debug, Default)]
pub struct Ahead(HashMap<PassId, Ready>);

/// A pass that is packed.
#[derive(Debug, Clone)]
struct Ready {
    print: u64,
    /// Bytes that its pictures were offered, and those they took.
    room: usize,
    taken: usize,
    /// No picture was left out for want of room.
    is_whole: bool,
    text: Arc<str>,
}

impl Ready {
    /// True where it would be packed the same into this room.
    fn fits(&self, print: u64, room: usize) -> bool {
        self.print == print && (self.room == room || (self.is_whole && self.taken <= room))
    }

    fn of(pass: &Pass, print: u64, room: usize) -> std::io::Result<Self> {
        let mut left = room;
        let pictures = fronts::of_pass(pass, &mut left);
        let is_whole = pictures.iter().flatten().count() == fronts::num_wanted(pass);
        Ok(Self { print, room, taken: room - left, is_whole, text: packed_pass(pass, pictures)? })
    }
}

/// What can change of a pass, as one number.
fn print(pass: &Pass) -> u64 {
    let mut hasher = DefaultHasher::new();
    (&pass.name, pass.kept, pass.start_samples, pass.num_lost, pass.num_left_out).hash(&mut hasher);
    (pass.duration_s.to_bits(), pass.clipped_at_s.len(), pass.beats.bends().len()).hash(&mut hasher);
    pass.corrections.corrections.iter().for_each(|said| said.id.hash(&mut hasher));
    (&pass.corrections.undone, &pass.take).hash(&mut hasher);
    for entrance in pass.measured().iter() {
        let front = &entrance.front;
        (front.index, front.speaks_s.to_bits(), front.end_s.map(f64::to_bits)).hash(&mut hasher);
        let bits = |m: Measure| (m.value.to_bits(), m.uncertainty.to_bits());
        let timing = entrance.verdict.timing_ms.map(bits).map_err(|why| discriminant(&why));
        (entrance.verdict.clarity.to_bits(), timing).hash(&mut hasher);
        for fault in entrance.verdict.faults.iter() {
            (fault.name, fault.severity.to_bits(), fault.sureness.to_bits()).hash(&mut hasher);
        }
    }
    hasher.finish()
}

/// What a project keeps of a session, to be written or read.
#[derive(Debug)]
pub enum Kept {
    /// To be written: texts, and whether each stays.
    Ready(Vec<(bool, Arc<str>)>, Option<PassId>),
    /// As it was read.
    Read(SavedSession),
}

impl Serialize for Kept {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Self::Ready(texts, reference) => Written::of(texts.clone(), *reference).serialize(serializer),
            Self::Read(saved) => saved.serialize(serializer),
        }
    }
}

impl<'de> Deserialize<'de> for Kept {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        SavedSession::deserialize(deserializer).map(Self::Read)
    }
}

/// A shared session with the texts that are ready. Clones share both.
#[derive(Debug, Clone, Default)]
pub struct Keeper {
    session: SharedSession,
    ahead: Arc<Mutex<Ahead>>,
}

impl Keeper {
    /// One for this session.
    #[must_use]
    pub fn of(session: &SharedSession) -> Self {
        Self { session: session.clone(), ahead: Arc::default() }
    }

    /// The session.
    #[must_use]
    pub fn session(&self) -> &SharedSession {
        &self.session
    }

    /// What is to be kept. Passes that are not ready are copied under the lock one at a time, and packed outside it.
    #[must_use]
    pub fn to_keep(&self) -> Kept {
        while self.pack_next(true, usize::MAX) {}
        let (session, ahead) = (self.session.lock(), self.ahead.lock());
        let text = |pass: &Pass| Some((stays(pass, session.reference), ahead.0.get(&pass.id)?.text.clone()));
        Kept::Ready(session.passes().iter().filter_map(text).collect(), session.reference)
    }

    /// Puts what was kept into the session.
    pub fn take_in(&self, kept: Kept) {
        if let Kept::Read(saved) = kept {
            super::take_in(&self.session, saved);
        }
    }

    /// Packs a pass that has ended and is not ready; false when all are, or when that would be one of more entrances than
    /// `most`. WORKER, while nothing else is to do.
    #[must_use]
    pub fn pack_ahead(&self, most: usize) -> bool {
        self.pack_next(false, most)
    }

    fn pack_next(&self, with_running: bool, most: usize) -> bool {
        let found = next(&self.session.lock(), &mut self.ahead.lock(), with_running, most);
        let Some((pass, print, room)) = found else { return false };
        let Ok(ready) = Ready::of(&pass, print, room) else { return false };
        self.ahead.lock().0.insert(pass.id, ready);
        true
    }
}

/// The newest pass that is not ready, with its print and the room its pictures have. The newest come first, since their
/// pictures do.
fn next(session: &Session, ahead: &mut Ahead, with_running: bool, most: usize) -> Option<(Pass, u64, usize)> {
    ahead.0.retain(|id, _| session.pass(*id).is_some());
    let mut room = fronts::MAX_BYTES;
    for pass in session.passes().iter().rev() {
        let print = print(pass);
        match ahead.0.get(&pass.id) {
            Some(ready) if ready.fits(print, room) => room -= ready.taken,
            _ if pass.live && !with_running => {}
            _ => return (pass.entrances.len() <= most).then(|| (pass.clone(), print, room)),
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::choices::Choices;
    use crate::fixture;

    fn keeper(num: usize, num_entrances: usize) -> Keeper {
        let shared = SharedSession::default();
        for i in 0..num {
            shared.lock().add(fixture::mixed_pass(num_entrances, i as u32 + 1));
        }
        Keeper::of(&shared)
    }

    fn text(kept: &Kept) -> String {
        serde_json::to_string(kept).expect("plain data")
    }

    #[test]
    fn what_was_packed_ahead_is_what_would_be_written_now() {
        // The pictures of so many do not all fit.
        let keeper = keeper(6, 900);
        let shared = keeper.session();
        while keeper.pack_ahead(usize::MAX) {}
        let written = || serde_json::to_string(&SavedSession::of(&shared.lock())).expect("plain data");
        assert_eq!(text(&keeper.to_keep()), written());
        // Another pass takes the pictures' room from the oldest; one is named, one is gone, one is judged otherwise.
        shared.lock().add(fixture::mixed_pass(300, 9));
        shared.lock().forget(2);
        let judging = Choices { strictness: 0.9, ..Choices::default() }.judging();
        let mut session = shared.lock();
        session.pass_mut(1).expect("the first").name = Some("slow".into());
        session.pass_mut(4).expect("the fourth").rejudge(&judging);
        drop(session);
        assert_eq!(text(&keeper.to_keep()), written());
    }

    #[test]
    fn a_long_pass_waits_until_nothing_is_played() {
        let keeper = keeper(1, 60);
        assert!(!keeper.pack_ahead(59) && keeper.pack_ahead(60) && !keeper.pack_ahead(60));
    }

    #[test]
    fn a_running_pass_is_packed_for_the_host_only() {
        let keeper = keeper(1, 20);
        keeper.session().lock().pass_mut(1).expect("it was added").live = true;
        assert!(!keeper.pack_ahead(usize::MAX));
        let back: Kept = serde_json::from_str(&text(&keeper.to_keep())).expect("our own text");
        assert!(matches!(back, Kept::Read(saved) if saved.passes.len() == 1));
    }
}
