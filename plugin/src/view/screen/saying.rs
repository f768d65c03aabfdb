//! What keys and buttons say of entrances, and where "here" is.

use super::Screen;
use crate::passes::Pass;
use crate::session::Session;
use crate::timing::Judging;
use crate::view::correct::Saying;
use crate::view::header::Wish;
use crate::view::keys::SayKey;
use notefront_takes::corrections::apply::NEAR_S;
use notefront_takes::corrections::file::path_of;
use notefront_takes::corrections::{By, Correction, Heard, What};

/// How far from a click the sound may rise that it is taken for, s: what a hand misses on the screen. As on the page.
const REACH_S: f64 = 0.12;
/// "Here" this near to the entrance is the entrance itself, s.
const SAME_S: f64 = 0.000_5;

impl Screen {
    /// Where "here" is in a pass: where it was moved, or else at the chosen entrance.
    pub(super) fn here_s(&self, pass: &Pass) -> Option<f64> {
        let moved = self.here.filter(|(id, _)| *id == pass.id).map(|(_, s)| s);
        moved.or_else(|| Some(self.chosen(pass)?.1))
    }

    /// The chosen entrance, by its place, and when it speaks, s.
    fn chosen(&self, pass: &Pass) -> Option<(usize, f64)> {
        let place = self.selected?;
        Some((place, pass.entrances.get(place)?.front.speaks_s))
    }

    /// Puts "here" where the sound rises near a time, or else there, s.
    pub(super) fn put_here(&mut self, pass: &Pass, at_s: f64) {
        let at_s = pass.wave.rise_near(at_s, REACH_S).unwrap_or(at_s);
        self.here = Some((pass.id, at_s.clamp(0.0, pass.duration_s)));
    }

    pub(super) fn nudge(&mut self, pass: &Pass, ms: i32) {
        if let Some(here_s) = self.here_s(pass) {
            self.here = Some((pass.id, (here_s + f64::from(ms) / 1e3).clamp(0.0, pass.duration_s)));
        }
    }

    /// The chosen entrance is fine as it is, or that is taken back.
    pub(super) fn fine_wish(&mut self, pass: &Pass) -> Option<Wish> {
        let (place, at_s) = self.chosen(pass)?;
        let by_ear = pass.said_of(place);
        if by_ear.is_some_and(|by_ear| matches!(by_ear.heard, Some(Heard::Fine(_)))) {
            let is_fine = |c: &&Correction| matches!(c.what, What::Fine { .. });
            let last = by_ear.and_then(|by_ear| by_ear.said.iter().rev().find(is_fine));
            return last.map(|said| Wish::Undo(pass.id, said.id.clone()));
        }
        if !pass.is_flagged(place) {
            return None;
        }
        let fine = self.correct_draft.filled(What::Fine { reason: None })?;
        Some(Wish::Say(pass.id, at_s, fine))
    }

    /// What a key says, with what is written in the panel. Where something is missing, the panel opens and tells it.
    pub(super) fn key_wish(&mut self, pass: &Pass, key: SayKey) -> Option<Wish> {
        let Some(here_s) = self.here_s(pass) else {
            self.correcting = true;
            return None;
        };
        let what = match key {
            SayKey::Unclear => What::Unclear { fault: None },
            SayKey::Added => What::Added { midi_note: None },
            SayKey::Moved => What::Moved { to_s: here_s },
            SayKey::Split => What::Split { second_s: here_s },
            SayKey::Removed => What::Removed,
            SayKey::Joined => What::Joined,
            SayKey::Note => What::Note { midi_note: 0 },
        };
        let filled = self.correct_draft.filled(what).and_then(|what| self.say_wish(pass, what));
        self.correcting |= filled.is_none();
        filled
    }

    pub(super) fn saying_wish(&mut self, pass: &Pass, saying: Saying) -> Option<Wish> {
        match saying {
            Saying::Say(what) => self.say_wish(pass, what),
            Saying::Undo(id) => Some(Wish::Undo(pass.id, id)),
            Saying::Nudge(ms) => {
                self.nudge(pass, ms);
                None
            }
        }
    }

    fn say_wish(&mut self, pass: &Pass, what: What) -> Option<Wish> {
        let here_s = self.here_s(pass)?;
        let at_s = match (&what, self.chosen(pass)) {
            (What::Added { .. }, _) => here_s,
            (_, Some((_, at_s))) => at_s,
            (_, None) => return self.lacks("Choose an entrance first: there is none here."),
        };
        let is_moved = (here_s - at_s).abs() >= SAME_S;
        match what {
            What::Moved { .. } | What::Split { .. } if !is_moved => {
                self.lacks("Move \u{201c}here\u{201d} first, by the buttons or on the lane.")
            }
            What::Added { .. } if self.chosen(pass).is_some_and(|(_, at_s)| (here_s - at_s).abs() < SAME_S) => {
                self.lacks("There is an entrance here: move \u{201c}here\u{201d} first, by the buttons or on the lane.")
            }
            what => Some(Wish::Say(pass.id, at_s, what)),
        }
    }

    fn lacks(&mut self, what: &str) -> Option<Wish> {
        self.correct_draft.trouble = what.into();
        None
    }

    /// What was said last of the pass is taken back.
    pub(super) fn undo_wish(&self, pass: &Pass) -> Option<Wish> {
        pass.said().last().map(|said| Wish::Undo(pass.id, said.id.clone()))
    }

    /// Says something, and chooses what it was said of.
    pub(super) fn say(&mut self, session: &mut Session, id: u64, at_s: f64, what: What, judging: &Judging) {
        let Some(pass) = session.pass_mut(id) else { return };
        let then_s = match what {
            What::Moved { to_s } => to_s,
            What::Joined => pass.entrances.iter().map(|e| e.front.speaks_s).rfind(|s| *s < at_s).unwrap_or(at_s),
            _ => at_s,
        };
        if pass.say(By::Insert, at_s, what, judging).is_none() {
            return drop(self.lacks("This pass holds no more: take something back first."));
        }
        self.correct_draft.reason.clear();
        let place = nearest(pass, then_s);
        self.select(place);
    }

    /// Takes something back, and chooses what it was said of.
    pub(super) fn take_back(&mut self, session: &mut Session, id: u64, said: &str, judging: &Judging) {
        let Some(pass) = session.pass_mut(id) else { return };
        let at_s = pass.corrections.corrections.iter().find(|c| c.id == said).map(|c| c.at_s);
        pass.undo(said, judging);
        let place = at_s.and_then(|at_s| nearest(pass, at_s));
        self.select(place);
    }

    /// Where what is said of a pass is kept.
    pub(super) fn kept_words(&self, pass: &Pass) -> String {
        let with_pass = if self.alone { "with the pass" } else { "with the pass, in the host's project" };
        let Some(take) = &pass.take else { return format!("Kept {with_pass}.") };
        let file = path_of(take);
        match self.beside.get(&pass.id) {
            Some(Err(why)) => format!("Kept {with_pass}, and not beside the take: {why}."),
            _ => {
                format!("Kept beside the take, in {}, which every later scan follows; and {with_pass}.", file.display())
            }
        }
    }
}

/// The entrance that speaks at a time, s.
fn nearest(pass: &Pass, at_s: f64) -> Option<usize> {
    let off = pass.entrances.iter().map(|e| (e.front.speaks_s - at_s).abs()).enumerate();
    off.filter(|(_, off)| *off <= NEAR_S).min_by(|a, b| a.1.total_cmp(&b.1)).map(|(place, _)| place)
}
