//! What the player says of a pass, laid over what was measured by the code that a scan lays it on with. What was measured
//! stays beside it, and comes back when everything is undone.

use super::{Pass, Revision};
use crate::timing::{self, Judging};
use notefront_dsp::{CannotTell, Entrance, FaultName, Front};
use notefront_takes::corrections::apply::{hear, place, verdict_by_ear};
use notefront_takes::corrections::file::Found;
use notefront_takes::corrections::{By, ByEar, Correction, Corrections, Heard, What};
use std::borrow::Cow;
use std::path::PathBuf;

/// Most that is said of one pass, undone ones included: each is looked for among all entrances whenever they are judged.
pub const MAX_SAID: usize = 2_000;

impl Pass {
    /// The player says something of the entrance that speaks at a time of the pass, s: the id of that. `None` where the
    /// pass holds no more.
    pub fn say(&mut self, by: By, at_s: f64, what: What, judging: &Judging) -> Option<String> {
        if self.corrections.corrections.len() >= MAX_SAID {
            return None;
        }
        let id = self.corrections.say(by, at_s, what).id.clone();
        self.rejudge(judging);
        Some(id)
    }

    /// Takes one thing back, by its id; false where it does not hold.
    pub fn undo(&mut self, id: &str, judging: &Judging) -> bool {
        let is_undone = self.corrections.undo(id).is_some();
        self.rejudge(judging);
        is_undone
    }

    /// Takes in what was said of the pass elsewhere, in times that lie `later_s` before its own. As much as it holds.
    pub fn take_in(&mut self, others: &Corrections, later_s: f64, judging: &Judging) {
        self.corrections.merge(others, later_s);
        self.corrections.corrections.truncate(MAX_SAID);
        self.rejudge(judging);
    }

    /// What holds, the latest last.
    #[must_use]
    pub fn said(&self) -> Vec<Correction> {
        self.corrections.active()
    }

    /// What was said of an entrance, by its place in the pass.
    #[must_use]
    pub fn said_of(&self, place: usize) -> Option<&ByEar> {
        self.corrected.as_ref()?.of(place)
    }

    /// True where the ear alone calls an entrance unclear and names no fault.
    #[must_use]
    pub fn is_unclear_by_ear(&self, place: usize) -> bool {
        let heard = self.said_of(place).and_then(|by_ear| by_ear.heard.as_ref());
        heard == Some(&Heard::Unclear(None)) && self.entrances.get(place).is_some_and(|e| !e.is_flagged())
    }

    /// True where an entrance has a fault, or is unclear to the player's ear.
    #[must_use]
    pub fn is_flagged(&self, place: usize) -> bool {
        self.entrances.get(place).is_some_and(Entrance::is_flagged) || self.is_unclear_by_ear(place)
    }

    /// True where the ear alone hears this fault of an entrance.
    #[must_use]
    pub fn is_by_ear(&self, place: usize, fault: FaultName) -> bool {
        let is_heard = |by_ear: &&ByEar| by_ear.heard == Some(Heard::Unclear(Some(fault)));
        let by_ear = self.said_of(place).filter(is_heard);
        by_ear.is_some_and(|b| b.found.is_none_or(|found| found.verdict.faults.get(fault).is_none()))
    }

    /// Entrances that the ear alone calls unclear, without a fault's name.
    #[must_use]
    pub fn num_unclear_by_ear(&self) -> usize {
        let num = self.corrected.as_ref().map_or(0, |_| self.entrances.len());
        (0..num).filter(|&place| self.is_unclear_by_ear(place)).count()
    }

    /// Changes whenever something is said or undone.
    #[must_use]
    pub fn num_changes(&self) -> (usize, usize) {
        (self.corrections.corrections.len(), self.corrections.undone.len())
    }

    /// An entrance as a scan of a take tells it: what the ear alone calls a fault is no measured one.
    #[must_use]
    pub fn as_scanned(&self, place: usize) -> Entrance {
        let mut entrance = self.entrances[place];
        let Some(by_ear) = self.said_of(place) else { return entrance };
        if let Some(Heard::Unclear(_)) = by_ear.heard {
            let measured = by_ear.found.map(|found| found.verdict);
            entrance.verdict.clarity = measured.map_or(entrance.verdict.clarity, |verdict| verdict.clarity);
            entrance.verdict.faults = measured.map(|verdict| verdict.faults).unwrap_or_default();
        }
        entrance
    }

    /// The entrances as they were found and judged, in the order they were found.
    #[must_use]
    pub fn measured(&self) -> Cow<'_, [Entrance]> {
        match self.corrected {
            Some(_) => Cow::Owned(self.measured_in_place().into_iter().copied().collect()),
            None => Cow::Borrowed(&self.entrances),
        }
    }

    /// The same where they lie.
    pub(crate) fn measured_in_place(&self) -> Vec<&Entrance> {
        let Some(corrected) = &self.corrected else { return self.entrances.iter().collect() };
        let kept = corrected.by_ear.iter().filter_map(|by_ear| by_ear.found.as_ref());
        let mut all: Vec<&Entrance> = kept.chain(corrected.removed.iter().map(|(_, found)| found)).collect();
        let order = |e: &Entrance| (e.front.index, e.front.speaks_s);
        all.sort_by(|a, b| order(a).0.cmp(&order(b).0).then(order(a).1.total_cmp(&order(b).1)));
        all
    }

    /// The measured entrances of which something was said, by their index.
    pub(crate) fn indices_spoken_of(&self) -> impl Iterator<Item = usize> {
        let corrected = self.corrected.iter();
        corrected.flat_map(|c| &c.by_ear).filter(|b| !b.said.is_empty()).filter_map(|b| Some(b.found?.front.index))
    }

    /// Changes what was measured, and judges all anew.
    pub(super) fn with_measured(&mut self, judging: &Judging, change: impl FnOnce(&mut Vec<Entrance>)) {
        let mut measured = self.measured().into_owned();
        change(&mut measured);
        (self.entrances, self.corrected) = (measured, None);
        self.rejudge(judging);
    }

    /// Judges what was measured and lays what was said over it: where the entrances are first, since what they are held
    /// against follows from it, what the ear hears of them last.
    pub fn rejudge(&mut self, judging: &Judging) {
        self.revision = Revision::fresh();
        if self.corrected.is_some() {
            (self.entrances, self.corrected) = (self.measured().into_owned(), None);
        }
        self.entrances.iter_mut().for_each(|e| timing::name(&mut e.front, judging));
        let kept = self.corrections.clone();
        let found = Found { path: PathBuf::new(), corrections: kept, later_s: 0.0 };
        let corrected = place(&mut self.entrances, &found, self.duration_s, &judging.settings);
        self.to_beat = timing::follows(&self.entrances, &self.beats, judging);
        for i in 0..self.entrances.len() {
            self.entrances[i] = self.judged(self.entrances[i].front, judging);
        }
        let Some(mut corrected) = corrected else { return };
        hear(&mut self.entrances, &mut corrected);
        for (entrance, by_ear) in self.entrances.iter_mut().zip(&mut corrected.by_ear) {
            if let Some(heard) = &by_ear.heard {
                entrance.verdict = verdict_by_ear(entrance, heard);
            }
            // What was moved was measured where it was found.
            if let Some(found) = by_ear.found.as_mut().filter(|_| !by_ear.said.is_empty()) {
                *found = self::judged(found.front, &self.beats, self.to_beat, judging);
            }
        }
        for (_, found) in &mut corrected.removed {
            *found = self::judged(found.front, &self.beats, self.to_beat, judging);
        }
        let measured = corrected.by_ear.iter().filter_map(|b| b.found.as_ref());
        let all = measured.chain(corrected.removed.iter().map(|(_, found)| found));
        corrected.as_measured.1 = all.filter(|e| e.is_flagged()).count();
        self.corrected = Some(Box::new(corrected));
    }

    /// Without its timing where the pass is not played to its beats.
    pub(super) fn judged(&self, front: Front, judging: &Judging) -> Entrance {
        judged(front, &self.beats, self.to_beat, judging)
    }
}

fn judged(front: Front, beats: &crate::beats::BeatMap, to_beat: Option<bool>, judging: &Judging) -> Entrance {
    let entrance = timing::judged(front, beats, judging);
    match to_beat {
        Some(false) => entrance.untimed(CannotTell::NotToBeat, &judging.settings),
        _ => entrance,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::choices::Choices;
    use crate::dice::Dice;
    use crate::fixture;

    fn judging() -> Judging {
        Choices::default().judging()
    }

    fn pass() -> Pass {
        let mut pass = fixture::mixed_pass(60, 3);
        pass.rejudge(&judging());
        pass
    }

    /// Everything that can be seen of a pass's entrances.
    fn seen(pass: &Pass) -> String {
        format!("{:?} {:?}", pass.entrances, pass.to_beat)
    }

    fn something(dice: &mut Dice, pass: &Pass) -> (f64, What) {
        let at_s = pass.entrances.get(dice.below(pass.entrances.len())).map_or(1.0, |e| e.front.speaks_s);
        let near_s = (at_s + 0.05 * (dice.below(41) as f64 - 20.0)).clamp(0.0, pass.duration_s);
        let reason = (dice.below(2) == 0).then(|| "a ghost note".to_owned());
        let fault = FaultName::ALL.get(dice.below(FaultName::ALL.len() + 1)).copied();
        match dice.below(8) {
            0 => (at_s, What::Fine { reason }),
            1 => (at_s, What::Unclear { fault }),
            2 => (at_s, What::Moved { to_s: near_s }),
            3 => (near_s, What::Added { midi_note: Some(40 + dice.below(30) as u8) }),
            4 => (at_s, What::Removed),
            5 => (at_s, What::Split { second_s: near_s }),
            6 => (at_s, What::Joined),
            _ => (at_s, What::Note { midi_note: 40 + dice.below(30) as u8 }),
        }
    }

    #[test]
    fn any_order_of_corrections_undone_in_any_order_is_the_first_state() {
        for seed in 1..=40_u64 {
            let (mut dice, mut pass) = (Dice::new(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15)), pass());
            let first = seen(&pass);
            let mut said = Vec::new();
            for _ in 0..=dice.below(30) {
                let (at_s, what) = something(&mut dice, &pass);
                said.push(pass.say(By::Insert, at_s, what, &judging()).expect("room"));
                assert!(pass.entrances.is_sorted_by(|a, b| a.front.speaks_s <= b.front.speaks_s), "seed {seed}");
                assert_eq!(pass.measured().len(), 60, "what was measured stays: seed {seed}");
                if dice.below(4) == 0 {
                    let at = dice.below(said.len());
                    assert!(pass.undo(&said.swap_remove(at), &judging()));
                }
            }
            while !said.is_empty() {
                let at = dice.below(said.len());
                assert!(pass.undo(&said.swap_remove(at), &judging()));
            }
            assert!(seen(&pass) == first, "seed {seed}");
            assert!(pass.corrected.is_none() && pass.said().is_empty());
        }
    }

    #[test]
    fn what_the_player_calls_fine_is_not_flagged_whatever_is_set_until_it_is_taken_back() {
        let mut pass = pass();
        let before = pass.entrances.clone();
        let place = before.iter().position(Entrance::is_flagged).expect("one of sixty is flagged");
        let at_s = before[place].front.speaks_s;
        let id = pass.say(By::Insert, at_s, What::Fine { reason: None }, &judging()).expect("room");
        pass.rejudge(&Judging { offset_ms: 1.0, ..judging() });
        assert!(!pass.entrances[place].is_flagged());
        let measured = pass.said_of(place).and_then(|by_ear| by_ear.found).expect("it was measured");
        assert!(measured.is_flagged(), "it is still known");
        pass.rejudge(&judging());
        assert_eq!(pass.num_flagged(), before.iter().filter(|e| e.is_flagged()).count() - 1);
        assert!(pass.undo(&id, &judging()) && !pass.undo(&id, &judging()));
        assert_eq!(pass.entrances[place].verdict, before[place].verdict);
    }

    #[test]
    fn what_is_unclear_by_ear_is_flagged_and_what_was_measured_is_still_told_apart() {
        let mut pass = pass();
        let clear = |pass: &Pass| pass.entrances.iter().position(|e| !e.is_flagged()).expect("some are clear");
        let before = pass.num_flagged();
        let place = clear(&pass);
        let at_s = pass.entrances[place].front.speaks_s;
        pass.say(By::Insert, at_s, What::Unclear { fault: Some(FaultName::Airy) }, &judging());
        assert!(pass.entrances[place].verdict.faults.get(FaultName::Airy).is_some());
        assert!(!pass.as_scanned(place).is_flagged());
        let place = clear(&pass);
        let at_s = pass.entrances[place].front.speaks_s;
        pass.say(By::Insert, at_s, What::Unclear { fault: None }, &judging());
        assert!(pass.is_unclear_by_ear(place) && !pass.entrances[place].is_flagged());
        assert!(pass.entrances[place].verdict.clarity < 95.0);
        assert_eq!((pass.num_flagged(), pass.num_unclear_by_ear()), (before + 2, 1));
        assert_eq!(pass.corrected.as_ref().map(|c| c.as_measured), Some((60, before)));
        for (facet, rows) in crate::patterns::sections(&[&pass], |_| true) {
            let sum = |of: fn(&crate::patterns::Row) -> usize| rows.iter().map(of).sum::<usize>();
            assert_eq!((sum(|row| row.num_flagged), sum(|row| row.num_by_ear)), (before + 2, 1), "{facet:?}");
        }
    }

    #[test]
    fn what_the_tuning_renames_keeps_the_note_that_the_player_gave_it() {
        let mut pass = pass();
        let at_s = pass.entrances[3].front.speaks_s;
        pass.say(By::Insert, at_s, What::Note { midi_note: 61 }, &judging());
        let mut sharp = judging();
        sharp.settings.a4_hz = 443.0;
        pass.rejudge(&sharp);
        assert_eq!(pass.entrances[3].front.midi_note, Some(61));
        assert_ne!(pass.measured()[3].front.midi_note, Some(61));
    }

    #[test]
    fn a_running_pass_goes_on_under_what_was_said_of_it() {
        let (whole, mut running) = (pass(), pass());
        let all = whole.entrances.clone();
        running.entrances.truncate(10);
        running.live = true;
        let at_s = running.entrances[4].front.speaks_s;
        let id = running.say(By::Insert, at_s, What::Removed, &judging()).expect("room");
        for entrance in &all[10..] {
            running.push_front(Front { end_s: None, ..entrance.front }, &judging());
            running.end_note(entrance.front.index, entrance.front.end_s.expect("told"), &judging());
        }
        assert_eq!(running.entrances.len(), 59);
        running.undo(&id, &judging());
        assert!(seen(&running) == seen(&whole));
        running.say(By::Insert, at_s, What::Removed, &judging());
        let cut_s = all[30].front.onset_s;
        running.truncate(cut_s, &judging());
        assert_eq!((running.measured().len(), running.entrances.len()), (30, 29));
    }

    #[test]
    fn an_empty_pass_takes_what_is_said_of_it() {
        let mut empty = fixture::pass_at_60(&[]);
        empty.duration_s = 3.0;
        for what in [What::Fine { reason: None }, What::Removed, What::Joined, What::Split { second_s: 2.0 }] {
            empty.say(By::Insert, 1.0, what, &judging());
        }
        empty.say(By::Insert, 1.0, What::Added { midi_note: None }, &judging());
        empty.say(By::Insert, 9.0, What::Added { midi_note: None }, &judging());
        assert_eq!((empty.entrances.len(), empty.said().len()), (1, 6));
        assert_eq!(empty.corrected.as_ref().map(|c| c.lost.len()), Some(5), "past the end, or nothing there");
        assert!(empty.measured().is_empty());
    }
}
