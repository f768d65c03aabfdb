//! What keys and buttons do: stepping, zooming, and the wishes of the header.

use super::Screen;
use crate::passes::{Pass, PassId};
use crate::session::Session;
use crate::timing::Judging;
use crate::view::header::Wish;
use crate::view::keys::{self, KeyWish};
use crate::view::scale::TimeScale;
use crate::words;
use egui::Ui;

/// Stepping to an entrance zooms in at least this far, so that it stands as a stroke.
const STEP_PX_PER_S: f64 = 60.0;

impl Screen {
    pub(super) fn read_keys(&mut self, ui: &Ui, session: &Session) -> Vec<Wish> {
        let open = (self.markers_open, self.settings_open);
        let mut wishes = Vec::new();
        let alone = self.alone;
        for key in keys::read(ui).into_iter().filter(|key| key.is_for(alone)) {
            let pass = self.pass(session);
            match key {
                KeyWish::Toggle(toggle) => {
                    let is_reference = pass.is_some_and(|p| session.reference == Some(p.id));
                    wishes.extend(keys::wish(toggle, pass, is_reference, self.middle, open));
                }
                KeyWish::StepFlagged(step) => wishes.push(Wish::Step(step)),
                KeyWish::StepAny(step) => {
                    if let Some(pass) = pass {
                        self.step(pass, step, |_, _| true);
                    }
                }
                KeyWish::Follow => wishes.push(Wish::Show(None)),
                KeyWish::CopyPlace => {
                    if let Some((pass, entrance)) =
                        pass.and_then(|p| Some((p, self.selected.and_then(|i| p.entrances.get(i))?)))
                    {
                        ui.ctx().copy_text(words::place(pass, entrance.front.speaks_s).listen_from);
                    }
                }
                KeyWish::Fine => wishes.extend(pass.and_then(|p| self.fine_wish(p))),
                KeyWish::Say(key) => wishes.extend(pass.and_then(|p| self.key_wish(p, key))),
                KeyWish::Nudge(ms) => {
                    if let Some(pass) = pass {
                        self.nudge(pass, ms);
                    }
                }
                KeyWish::Listen(key) => {
                    if let Some(pass) = pass {
                        self.listen(session, pass, key);
                    }
                }
                KeyWish::Undo => wishes.extend(pass.and_then(|p| self.undo_wish(p))),
                KeyWish::Correct => self.correcting = !self.correcting,
                KeyWish::Deselect => self.select(None),
                KeyWish::Zoom(_) | KeyWish::Scroll(_) | KeyWish::Fit => self.move_view(key, session),
            }
        }
        wishes
    }

    fn move_view(&mut self, key: KeyWish, session: &Session) {
        let Some((id, scale)) = self.view else { return };
        let Some(pass) = session.pass(id) else { return };
        let middle = scale.x0 + scale.width / 2.0;
        let anchor = self
            .selected
            .and_then(|i| pass.entrances.get(i))
            .map_or(middle, |e| scale.x(e.front.speaks_s).clamp(scale.x0, scale.x0 + scale.width));
        let moved = match key {
            KeyWish::Zoom(steps) => scale.zoomed(1.5f64.powi(steps), anchor, pass.duration_s),
            KeyWish::Scroll(eighths) => {
                scale.scrolled(f64::from(scale.width) / 8.0 * f64::from(eighths), pass.duration_s)
            }
            _ => TimeScale::fit(pass.duration_s, scale.x0, scale.width),
        };
        self.free_view = true;
        self.view = Some((id, moved));
    }

    /// Selects the next entrance in a direction for which `is_wanted`, and brings it into view.
    fn step(&mut self, pass: &Pass, step: i32, is_wanted: impl Fn(&Pass, usize) -> bool) {
        let found = next_index(pass, self.selected, step, is_wanted);
        let Some(index) = found else { return };
        self.select(Some(index));
        if let Some((id, scale)) = self.view.filter(|(id, _)| *id == pass.id) {
            let at_s = pass.entrances[index].front.speaks_s;
            let factor = (STEP_PX_PER_S / scale.px_per_s).max(1.0);
            let closer = scale.zoomed(factor, scale.x(at_s), pass.duration_s);
            self.view = Some((id, closer.showing(at_s, pass.duration_s)));
            self.free_view = true;
        }
    }

    pub(super) fn follow(&mut self, wish: Wish, session: &mut Session, judging: &Judging) {
        match wish {
            Wish::Show(id) => {
                self.shown = id;
                self.select(None);
                self.free_view = false;
                self.view = None;
            }
            Wish::Keep(id, keep) => set(session, id, |p| p.kept = keep),
            Wish::Name(id, name) => set(session, id, |p| p.name = (!name.is_empty()).then_some(name)),
            Wish::Say(id, at_s, what) => self.say(session, id, at_s, what, judging),
            Wish::Undo(id, said) => self.take_back(session, id, &said, judging),
            Wish::Correct(on) => self.correcting = on,
            Wish::Forget(id) => session.forget(id),
            Wish::Pin(id, pin) => session.reference = pin.then_some(id),
            Wish::View(view) => self.middle = view,
            Wish::Markers(on) => self.markers_open = on,
            Wish::Settings(on) => self.settings_open = on,
            Wish::Step(step) => {
                let filter = self.filter;
                if let Some(pass) = self.pass(session) {
                    self.step(pass, step, |pass, place| filter.flags(pass, place));
                }
            }
        }
    }
}

fn set(session: &mut Session, id: PassId, change: impl FnOnce(&mut Pass)) {
    if let Some(pass) = session.pass_mut(id) {
        change(pass);
    }
}

/// The next wanted entrance from `from` in the direction of `step`.
fn next_index(pass: &Pass, from: Option<usize>, step: i32, is_wanted: impl Fn(&Pass, usize) -> bool) -> Option<usize> {
    let num = pass.entrances.len();
    let wanted = |i: &usize| is_wanted(pass, *i);
    match (from, step > 0) {
        (None, true) => (0..num).find(wanted),
        (None, false) => (0..num).rfind(wanted),
        (Some(at), true) => (at + 1..num).find(wanted),
        (Some(at), false) => (0..at.min(num)).rfind(wanted),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;
    use notefront_dsp::FaultName;

    #[test]
    fn stepping_goes_from_flag_to_flag_and_stops_at_the_ends() {
        let mut pass = fixture::pass_at_60(&[1.0, 2.0, 3.0, 4.0, 5.0]);
        for i in [1, 3] {
            pass.entrances[i] = fixture::with_fault(pass.entrances[i], FaultName::Airy, 0.5);
        }
        let flagged = |pass: &Pass, place: usize| pass.is_flagged(place);
        assert_eq!(next_index(&pass, None, 1, flagged), Some(1));
        assert_eq!(next_index(&pass, Some(1), 1, flagged), Some(3));
        assert_eq!(next_index(&pass, Some(3), 1, flagged), None);
        assert_eq!(next_index(&pass, Some(3), -1, flagged), Some(1));
        assert_eq!(next_index(&pass, None, -1, flagged), Some(3));
        assert_eq!(next_index(&pass, Some(99), 1, flagged), None);
    }
}
