//! Pieces of passes packed ahead of the host's call to save, which then packs what is not ready and joins texts.
//!
//! The worker packs what has ended, a piece at a time, and of a pass that runs everything but its head and its last part.
//! What a project was read from is ready as it was read.

use super::pieces::{Material, Piece, Pieces};
use super::{PackedPass, SavedSession, Written, stays};
use crate::fronts;
use crate::passes::{Pass, PassId};
use crate::session::SharedSession;
use parking_lot::Mutex;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::collections::{HashMap, HashSet};
use std::io;
use std::sync::Arc;

/// Pieces that the host's call copies at a time: 8 MB of entrances.
const AT_A_TIME: usize = 16;

/// A piece of one of the passes.
pub type Place = (PassId, Piece);

/// The texts that are ready.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Ahead(HashMap<Place, Ready>);

/// A piece that is packed.
#[derive(Debug, Clone, PartialEq)]
struct Ready {
    print: u64,
    text: Arc<str>,
}

/// A piece that waits to be packed.
struct Wanted {
    place: Place,
    print: u64,
    material: Material,
}

impl Ahead {
    /// Takes in a text that is ready.
    pub fn insert(&mut self, place: Place, print: u64, text: Arc<str>) {
        self.0.insert(place, Ready { print, text });
    }

    fn pack(&mut self, wanted: &Wanted) -> io::Result<()> {
        self.insert(wanted.place, wanted.print, wanted.material.packed()?);
        Ok(())
    }

    /// A text, where it is of what the piece is now.
    fn current(&self, place: Place, print: u64) -> Option<&Arc<str>> {
        self.0.get(&place).filter(|ready| ready.print == print).map(|ready| &ready.text)
    }

    /// Forgets what is of no pass any more.
    fn tidy(&mut self, passes: &[Pass]) {
        let ids: HashSet<PassId> = passes.iter().map(|pass| pass.id).collect();
        self.0.retain(|(id, _), _| ids.contains(id));
    }
}

/// The room that pictures have: the newest come first, and the first that do not fit are the last.
struct Room(Option<usize>);

impl Room {
    fn new() -> Self {
        Self(Some(fronts::MAX_BYTES))
    }

    fn take(&mut self, text: &str) -> bool {
        self.0 = self.0.and_then(|left| left.checked_sub(text.len()));
        self.0.is_some()
    }
}

/// Whether what still changes is wanted too.
#[derive(Clone, Copy, PartialEq)]
enum Which {
    All,
    Settled,
}

/// Up to `most` pieces that are not ready, those of the newest passes first; none of those that were `tried`.
fn wanted(passes: &[Pass], ahead: &Ahead, which: Which, most: usize, tried: &HashSet<Place>) -> Vec<Wanted> {
    let (mut wanted, mut room, mut waits_for_pictures) = (Vec::new(), Room::new(), false);
    for pass in passes.iter().rev() {
        let pieces = Pieces::of(pass);
        let is_settled = !pass.live || which == Which::All;
        let settled_parts = if is_settled { pieces.num_parts() } else { pieces.num_parts().saturating_sub(1) };
        let parts = (0..settled_parts).rev().flat_map(|i| [Piece::Part(i), Piece::Pictures(i)]);
        for piece in is_settled.then_some(Piece::Head).into_iter().chain(parts) {
            if wanted.len() >= most {
                return wanted;
            }
            let is_pictures = matches!(piece, Piece::Pictures(_));
            if is_pictures && (room.0.is_none() || waits_for_pictures) {
                continue;
            }
            let place = (pass.id, piece);
            let Some(print) = pieces.print(piece) else { continue };
            match ahead.current(place, print) {
                Some(text) if is_pictures => {
                    room.take(text);
                }
                Some(_) => {}
                None if tried.contains(&place) => {}
                None => {
                    waits_for_pictures |= is_pictures;
                    wanted.push(Wanted { place, print, material: pieces.material(piece) });
                }
            }
        }
    }
    wanted
}

/// What is ready of each pass, the oldest first, with whether it stays.
fn joined(passes: &[Pass], reference: Option<PassId>, ahead: &Ahead) -> Vec<(bool, PackedPass)> {
    let mut room = Room::new();
    let packed = |pass: &Pass| Some((stays(pass, reference), joined_pass(pass, ahead, &mut room)?));
    let mut all: Vec<_> = passes.iter().rev().filter_map(packed).collect();
    all.reverse();
    all
}

fn joined_pass(pass: &Pass, ahead: &Ahead, room: &mut Room) -> Option<PackedPass> {
    let pieces = Pieces::of(pass);
    let head = ahead.0.get(&(pass.id, Piece::Head))?.text.clone();
    let mut packed = PackedPass { head, parts: Vec::new(), pictures: Vec::new() };
    for i in 0..pieces.num_parts() {
        let Some(part) = ahead.0.get(&(pass.id, Piece::Part(i))) else { break };
        packed.parts.push(part.text.clone());
        // What came meanwhile is kept the next time; nothing is left out between.
        if pieces.print(Piece::Part(i)) != Some(part.print) {
            break;
        }
    }
    packed.pictures = vec![None; packed.parts.len()];
    for i in (0..packed.parts.len()).rev() {
        let place = (pass.id, Piece::Pictures(i));
        let text = pieces.print(Piece::Pictures(i)).and_then(|print| ahead.current(place, print));
        packed.pictures[i] = text.filter(|text| room.take(text)).cloned();
    }
    Some(packed)
}

/// Passes as they are written, packed here and now.
pub fn packed_now(passes: &[Pass], reference: Option<PassId>) -> io::Result<Vec<(bool, PackedPass)>> {
    let mut ahead = Ahead::default();
    loop {
        let batch = wanted(passes, &ahead, Which::All, AT_A_TIME, &HashSet::new());
        if batch.is_empty() {
            return Ok(joined(passes, reference, &ahead));
        }
        batch.iter().try_for_each(|wanted| ahead.pack(wanted))?;
    }
}

/// What a project keeps of a session, to be written or read.
#[derive(Debug)]
pub enum Kept {
    /// To be written: passes, and whether each stays.
    Ready(Vec<(bool, PackedPass)>, Option<PassId>),
    /// As it was read, with the texts that it was read from.
    Read(SavedSession, Ahead),
}

impl Serialize for Kept {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Self::Ready(packed, reference) => Written::of(packed.clone(), *reference).serialize(serializer),
            Self::Read(saved, _) => saved.serialize(serializer),
        }
    }
}

impl<'de> Deserialize<'de> for Kept {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let (saved, ahead) = super::read::with_texts(serde_json::Value::deserialize(deserializer)?);
        Ok(Self::Read(saved, ahead))
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

    /// What is to be kept.
    #[must_use]
    pub fn to_keep(&self) -> Kept {
        self.pack_rest();
        let (session, ahead) = (self.session.lock(), self.ahead.lock());
        Kept::Ready(joined(session.passes(), session.reference, &ahead), session.reference)
    }

    /// Packs what is not ready: copied under the lock a few pieces at a time, and packed outside it. Each once, since a pass
    /// that runs never stands still. Returns how many there were.
    pub fn pack_rest(&self) -> usize {
        let mut tried = HashSet::new();
        loop {
            let batch = self.wanted(Which::All, AT_A_TIME, &tried);
            if batch.is_empty() {
                return tried.len();
            }
            for wanted in &batch {
                tried.insert(wanted.place);
                self.pack(wanted);
            }
        }
    }

    /// Puts what was kept into the session.
    pub fn take_in(&self, kept: Kept) {
        if let Kept::Read(saved, ahead) = kept {
            super::take_in(&self.session, saved);
            // Not before: texts of passes that are not there are forgotten.
            *self.ahead.lock() = ahead;
        }
    }

    /// Packs a piece that has settled and is not ready; false when all are. WORKER, while nothing else is to do.
    #[must_use]
    pub fn pack_ahead(&self) -> bool {
        self.wanted(Which::Settled, 1, &HashSet::new()).first().is_some_and(|wanted| self.pack(wanted))
    }

    fn wanted(&self, which: Which, most: usize, tried: &HashSet<Place>) -> Vec<Wanted> {
        let (session, mut ahead) = (self.session.lock(), self.ahead.lock());
        ahead.tidy(session.passes());
        wanted(session.passes(), &ahead, which, most, tried)
    }

    fn pack(&self, wanted: &Wanted) -> bool {
        let Ok(text) = wanted.material.packed() else { return false };
        self.ahead.lock().insert(wanted.place, wanted.print, text);
        true
    }
}

#[cfg(test)]
mod tests {
    use super::super::pieces::PART_LEN;
    use super::*;
    use crate::choices::Choices;
    use crate::fixture;
    use crate::session::Session;

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

    /// A session that another has kept and this one has read, judged.
    fn opened(text: &str) -> Keeper {
        let keeper = Keeper::default();
        keeper.take_in(serde_json::from_str(text).expect("our own text"));
        keeper.session().lock().rejudge(&Choices::default().judging());
        keeper
    }

    /// The saved passes as they are after they were judged, which is what anybody sees of them.
    fn seen(text: &str) -> String {
        let mut session = Session::default();
        let saved: SavedSession = serde_json::from_str(text).expect("our own text");
        session.restore(saved.passes, saved.reference, saved.damage);
        session.rejudge(&Choices::default().judging());
        format!("{:?} {:?} {:?}", session.passes(), session.reference, session.notices)
    }

    #[test]
    fn what_was_packed_ahead_is_what_would_be_written_now() {
        // The pictures of so many do not all fit.
        let keeper = keeper(6, 900);
        let shared = keeper.session();
        while keeper.pack_ahead() {}
        let written = || serde_json::to_string(&SavedSession::of(&shared.lock())).expect("plain data");
        assert!(text(&keeper.to_keep()) == written());
        // Another pass takes the pictures' room from the oldest; one is named, one is gone, one is judged otherwise.
        shared.lock().add(fixture::mixed_pass(300, 9));
        shared.lock().forget(2);
        let judging = Choices { strictness: 0.9, ..Choices::default() }.judging();
        let mut session = shared.lock();
        session.pass_mut(1).expect("the first").name = Some("slow".into());
        session.pass_mut(4).expect("the fourth").rejudge(&judging);
        drop(session);
        assert!(seen(&text(&keeper.to_keep())) == seen(&written()));
    }

    #[test]
    fn a_save_packs_only_what_is_not_ready() {
        let keeper = keeper(2, 5 * PART_LEN + 1);
        while keeper.pack_ahead() {}
        assert_eq!(keeper.pack_rest(), 0);
        // One more note of the pass that runs: the head, the last part, and its pictures, if it has any.
        let note = fixture::clear(5 * PART_LEN + 1, 5_000.0, 46);
        let mut session = keeper.session().lock();
        let pass = session.pass_mut(2).expect("the second");
        pass.live = true;
        pass.entrances.push(note);
        pass.duration_s = 5_002.0;
        drop(session);
        assert!(!keeper.pack_ahead(), "the worker leaves alone what changes");
        assert!((2..=3).contains(&keeper.pack_rest()));
        let back: SavedSession = serde_json::from_str(&text(&keeper.to_keep())).expect("our own text");
        assert_eq!(back.passes[1].entrances.len(), 5 * PART_LEN + 2);
    }

    #[test]
    fn the_first_save_after_opening_writes_what_was_read() {
        // Judged twice: what is rounded may be judged otherwise the first time.
        let first = opened(&text(&keeper(3, 2 * PART_LEN).to_keep()));
        let kept = text(&first.to_keep());
        let again = opened(&kept);
        assert_eq!(again.pack_rest(), 0, "all pieces are as they were read");
        assert!(text(&again.to_keep()) == kept);
        // Another judgement shows other pictures, and changes nothing of what was measured.
        let judging = Choices { strictness: 0.2, ..Choices::default() }.judging();
        again.session().lock().rejudge(&judging);
        let num = again.pack_rest();
        assert!((1..=6).contains(&num), "{num} pieces, of six with pictures");
    }

    #[test]
    fn what_was_read_with_damage_is_packed_anew() {
        let mut value = serde_json::to_value(keeper(2, 2 * PART_LEN).to_keep()).expect("plain data");
        value["packed"][0]["parts"][1] = serde_json::json!("nonsense");
        let keeper = opened(&value.to_string());
        assert_eq!(keeper.session().lock().notices.len(), 1);
        assert!(keeper.pack_rest() >= 5, "two heads and three parts");
        let back: SavedSession = serde_json::from_str(&text(&keeper.to_keep())).expect("our own text");
        let nums: Vec<usize> = back.passes.iter().map(|pass| pass.entrances.len()).collect();
        assert_eq!((nums, back.damage.len()), (vec![PART_LEN, 2 * PART_LEN], 0));
    }

    #[test]
    fn parts_of_another_length_are_not_taken_for_our_own() {
        let pass = fixture::mixed_pass(30, 1);
        let part = |from: usize, to: usize| {
            Material::Part(pass.entrances[from..to].to_vec()).packed().expect("memory").to_string()
        };
        let mut value = serde_json::to_value(SavedSession { passes: vec![pass.clone()], ..SavedSession::default() });
        let value = value.as_mut().expect("plain data");
        value["packed"][0]["parts"] = serde_json::json!([part(0, 10), part(10, 30)]);
        let keeper = opened(&value.to_string());
        let back: SavedSession = serde_json::from_str(&text(&keeper.to_keep())).expect("our own text");
        assert_eq!((back.passes[0].entrances.len(), back.damage.len()), (30, 0));
    }

    #[test]
    fn of_a_running_pass_the_worker_packs_what_is_behind() {
        let keeper = keeper(1, 2 * PART_LEN + 20);
        keeper.session().lock().pass_mut(1).expect("it was added").live = true;
        // Two parts and their pictures.
        assert_eq!((0..10).take_while(|_| keeper.pack_ahead()).count(), 4);
        let back: Kept = serde_json::from_str(&text(&keeper.to_keep())).expect("our own text");
        assert!(matches!(back, Kept::Read(saved, _) if saved.passes[0].entrances.len() == 2 * PART_LEN + 20));
    }
}
