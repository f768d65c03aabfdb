//! What stands in the middle of the window: the lane, the comparison, the patterns, or what to do.

use super::{Screen, ScreenInput};
use crate::passes::Pass;
use crate::session::Session;
use crate::view::compare::{self, CompareInput};
use crate::view::header::View;
use crate::view::lane::{self, LaneInput};
use crate::view::patterns::{self, PatternsInput};
use crate::view::scale::TimeScale;
use crate::view::status::State;
use crate::view::theme::Theme;
use egui::{Align, FontId, Layout, Rect, RichText, Ui};
use std::time::Duration;

/// Scale at which a running pass is followed, pixels per second.
const LIVE_PX_PER_S: f64 = 70.0;
/// How soon to look again whether a comparison is made.
const LOOK_AGAIN: Duration = Duration::from_millis(50);

impl Screen {
    pub(super) fn show_middle(&mut self, ui: &mut Ui, rect: Rect, input: &ScreenInput<'_>, theme: &Theme) {
        let pass = self.pass(input.session);
        let text_scale = input.looks.text_scale;
        match (pass, State::of(pass, input.meters).words(self.alone)) {
            (Some(pass), _) if self.middle == View::Patterns => {
                let of = PatternsInput { session: input.session, pass, filter: self.filter, theme, text_scale };
                patterns::show(ui, rect, &mut self.patterns, &of);
            }
            (Some(pass), None) if self.middle == View::Compare => self.show_compare(ui, rect, pass, input, theme),
            (Some(pass), None) => self.show_lane(ui, rect, pass, theme, text_scale),
            (Some(pass), Some(words)) => {
                self.show_lane(ui, rect, pass, theme, text_scale);
                show_words(ui, rect, words, theme);
            }
            (None, words) => {
                ui.painter().rect_filled(rect, 0.0, theme.paper);
                show_words(ui, rect, words.unwrap_or(("Nothing to show", "Play a take.")), theme);
            }
        }
    }

    fn scale_for(&mut self, pass: &Pass, rect: Rect) -> TimeScale {
        let (x0, width) = (rect.left(), rect.width());
        let kept = self.view.filter(|(id, _)| *id == pass.id).map(|(_, scale)| TimeScale { x0, width, ..scale });
        if !pass.live {
            // Untouched, a pass fits the window, whatever size that has.
            let kept = kept.filter(|_| self.free_view);
            return kept.unwrap_or_else(|| TimeScale::fit(pass.duration_s, x0, width));
        }
        let start = TimeScale { left_s: -0.5, px_per_s: LIVE_PX_PER_S, x0, width };
        match kept {
            Some(scale) if self.free_view => scale,
            Some(scale) if pass.duration_s > scale.left_s + 0.8 * f64::from(width) / scale.px_per_s => {
                scale.following(pass.duration_s)
            }
            kept => kept.unwrap_or(start),
        }
    }

    fn show_lane(&mut self, ui: &mut Ui, rect: Rect, pass: &Pass, theme: &Theme, text_scale: f32) {
        let scale = self.scale_for(pass, rect);
        // The lane follows what is heard.
        let scale = match self.heard_s(pass) {
            Some(s) if !(scale.left_s..=scale.right_s()).contains(&s) => scale.showing(s, pass.duration_s),
            _ => scale,
        };
        let input = LaneInput {
            pass,
            filter: &self.filter,
            selected: self.selected,
            // Words stand in the middle until the first entrance.
            play_s: self.heard_s(pass).or_else(|| (pass.live && !pass.entrances.is_empty()).then_some(pass.duration_s)),
            here_s: self.here_s(pass).filter(|_| self.correcting),
            theme,
            text_scale,
        };
        let response = lane::show(ui, rect, scale, &input);
        match response.clicked {
            // What is chosen stays, so that it can be moved there.
            Some((None, at_s)) if self.correcting => self.put_here(pass, at_s),
            Some((clicked, _)) => self.select(clicked),
            None => {}
        }
        self.free_view |= response.scale.is_some();
        self.view = Some((pass.id, response.scale.unwrap_or(scale)));
    }

    fn show_compare(&mut self, ui: &mut Ui, rect: Rect, pass: &Pass, input: &ScreenInput<'_>, theme: &Theme) {
        let Some(other) = other_of(input.session, pass) else {
            ui.painter().rect_filled(rect, 0.0, theme.paper);
            let advice = "Play the passage again, or pin a pass as the reference with the button above.";
            return show_words(ui, rect, ("Nothing to compare with yet", advice), theme);
        };
        let scale = self.scale_for(other, rect);
        let moved = match self.comparer.of(other, pass) {
            Some(comparison) => {
                let (a, b, filter, text_scale) = (other, pass, &self.filter, input.looks.text_scale);
                let counts = [a, b].map(|pass| self.counted.of(pass));
                show_pair(ui, rect, scale, &CompareInput { a, b, counts, comparison, filter, theme, text_scale })
            }
            None => {
                ui.painter().rect_filled(rect, 0.0, theme.paper);
                show_words(ui, rect, ("Comparing", "Long passes take a moment."), theme);
                ui.ctx().request_repaint_after(LOOK_AGAIN);
                None
            }
        };
        self.free_view |= moved.is_some();
        self.view = Some((other.id, moved.unwrap_or(scale)));
    }
}

/// Two passes and the caption under them.
fn show_pair(ui: &mut Ui, rect: Rect, scale: TimeScale, compare: &CompareInput<'_>) -> Option<TimeScale> {
    let line = 20.0 * compare.text_scale;
    let (picture, below) = rect.split_top_bottom_at_y(rect.bottom() - line);
    let moved = compare::show(ui, picture, scale, compare);
    ui.painter().rect_filled(below, 0.0, compare.theme.paper);
    let at = below.left_center() + egui::vec2(8.0, 0.0);
    let font = FontId::proportional(12.0 * compare.text_scale);
    ui.painter().text(at, egui::Align2::LEFT_CENTER, compare::caption(compare), font, compare.theme.ink);
    moved
}

/// What to compare a pass with: the reference, or else the try before it at the same passage.
pub(super) fn other_of<'a>(session: &'a Session, pass: &Pass) -> Option<&'a Pass> {
    let reference = session.reference.filter(|id| *id != pass.id).and_then(|id| session.pass(id));
    reference.or_else(|| session.tries(pass.id).filter(|p| p.id < pass.id).last())
}

fn show_words(ui: &mut Ui, rect: Rect, (title, advice): (&str, &str), theme: &Theme) {
    let width = rect.width().min(460.0);
    let size = egui::vec2(width, 96.0f32.min(rect.height()));
    let at = Rect::from_center_size(egui::pos2(rect.center().x, rect.top() + 0.38 * rect.height()), size);
    ui.painter().rect_filled(at.expand(10.0), 4.0, theme.paper);
    let mut inner = ui.new_child(egui::UiBuilder::new().max_rect(at).layout(Layout::top_down(Align::Center)));
    inner.label(RichText::new(title).heading().strong());
    inner.label(RichText::new(advice).color(theme.soft_ink));
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;

    #[test]
    fn the_reference_comes_before_the_earlier_try() {
        let mut session = Session::default();
        let first = session.add(fixture::pass_at_60(&[1.0]));
        let second = session.add(fixture::pass_at_60(&[1.0]));
        let third = session.add(fixture::pass_at_60(&[1.0]));
        let other = |session: &Session| other_of(session, session.pass(third).expect("just added")).map(|p| p.id);
        assert_eq!(other(&session), Some(second));
        session.reference = Some(first);
        assert_eq!(other(&session), Some(first));
        session.reference = Some(third);
        assert_eq!(other(&session), Some(second));
    }
}
