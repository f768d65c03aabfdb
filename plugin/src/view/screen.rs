//! The whole window: which panels stand where, what is selected, and what the player's wishes change.

use super::closeup;
use super::compare::{self, CompareInput, Comparison};
use super::filter::FaultFilter;
use super::header::{self, HeaderInput, Wish};
use super::keys::{self, KeyWish};
use super::lane::{self, LaneInput};
use super::markers::{self, MarkersPanel, MarkersWish};
use super::scale::TimeScale;
use super::settings;
use super::status::{self, State};
use super::strip::{self, Counts};
use super::theme::Theme;
use crate::looks::Looks;
use crate::meters::Meters;
use crate::params::NotefrontParams;
use crate::passes::{Pass, PassId};
use crate::session::Session;
use crate::tasks::Task;
use crate::timing;
use crate::words;

use egui::{Align, Context, FontId, Frame, Layout, Margin, Panel, Rect, RichText, TextStyle, Ui};
use std::path::PathBuf;

/// Scale at which a running pass is followed, pixels per second.
const LIVE_PX_PER_S: f64 = 70.0;
/// Stepping to an entrance zooms in at least this far, so that it stands as a stroke.
const STEP_PX_PER_S: f64 = 60.0;
/// Share of the height the close-up takes.
const CLOSEUP_SHARE: f32 = 0.44;

/// What a frame shows.
pub struct ScreenInput<'a> {
    /// The passes.
    pub session: &'a mut Session,
    /// The settings.
    pub params: &'a NotefrontParams,
    /// Levels and counters.
    pub meters: &'a Meters,
    /// Colours and text size.
    pub looks: &'a mut Looks,
}

/// What a frame asks for outside the window.
#[derive(Debug, Default, PartialEq)]
pub struct ScreenOutput {
    /// Parameter changes for the host's thread.
    pub tasks: Vec<Task>,
    /// Files, clipboard and takes, for the pass on show.
    pub markers: Vec<(MarkersWish, Option<PassId>)>,
}

/// What the window keeps between frames.
#[derive(Default)]
pub struct Screen {
    shown: Option<PassId>,
    selected: Option<usize>,
    view: Option<(PassId, TimeScale)>,
    free_view: bool,
    filter: FaultFilter,
    compares: bool,
    comparison: Option<Comparison>,
    settings_open: bool,
    markers_open: bool,
    draft: Option<(PassId, String)>,
    dressed: Option<Looks>,
    /// The markers panel.
    pub markers: MarkersPanel,
}

impl Screen {
    /// A window whose marker files go to this folder until the player names another.
    #[must_use]
    pub fn writing_to(folder: PathBuf) -> Self {
        let markers = MarkersPanel { folder: folder.display().to_string(), ..MarkersPanel::default() };
        Self { markers, ..Self::default() }
    }

    /// Shows or hides panels, as the keys do.
    pub fn open(&mut self, compare: bool, markers: bool, settings: bool) {
        (self.compares, self.markers_open, self.settings_open) = (compare, markers, settings);
    }

    /// Selects an entrance of the pass on show.
    pub fn select(&mut self, index: Option<usize>) {
        self.selected = index;
    }

    /// Draws a frame.
    pub fn show(&mut self, ui: &mut Ui, input: &mut ScreenInput<'_>) -> ScreenOutput {
        let theme = Theme::of(input.looks.colours);
        self.dress(ui.ctx(), input.looks, &theme);
        let mut output = ScreenOutput::default();
        if let Some(loaded) = input.session.newest_loaded.take() {
            self.follow(Wish::Show(Some(loaded)), input.session);
        }
        let mut wishes = self.read_keys(ui, input.session);
        let margin = Frame::new().fill(theme.panel).inner_margin(Margin::symmetric(10, 6));
        Panel::top("header").frame(margin).show(ui, |ui| {
            wishes.extend(self.show_header(ui, input.session));
            for warning in status::warnings(input.session, input.meters, input.params) {
                ui.label(RichText::new(warning).color(theme.warm));
            }
        });
        self.show_side(ui, input, &mut output);
        let pass = self.pass(input.session);
        if let Some(pass) = pass {
            self.show_closeup(ui, pass, &theme, input.looks.text_scale);
            if !pass.entrances.is_empty() {
                Panel::bottom("strip").frame(margin).show(ui, |ui| {
                    strip::show(ui, &Counts::of(&pass.entrances), &mut self.filter, &theme);
                });
            }
        }
        let rect = ui.available_rect_before_wrap();
        self.show_middle(ui, rect, input, &theme);
        wishes.into_iter().for_each(|wish| self.follow(wish, input.session));
        output
    }

    /// Colours and text sizes, when they changed.
    fn dress(&mut self, context: &Context, looks: &Looks, theme: &Theme) {
        let is_same = |d: &Looks| d.colours == looks.colours && d.text_scale == looks.text_scale;
        if self.dressed.as_ref().is_some_and(is_same) {
            return;
        }
        self.dressed = Some(*looks);
        context.all_styles_mut(|style| {
            style.visuals = theme.visuals();
            for (text, size) in [
                (TextStyle::Small, 11.0),
                (TextStyle::Body, 13.0),
                (TextStyle::Button, 13.0),
                (TextStyle::Heading, 17.0),
                (TextStyle::Monospace, 12.0),
            ] {
                style.text_styles.insert(text, FontId::proportional(size * looks.text_scale));
            }
        });
    }

    /// The pass on show.
    fn pass<'a>(&self, session: &'a Session) -> Option<&'a Pass> {
        self.shown.and_then(|id| session.pass(id)).or_else(|| session.newest())
    }

    fn show_header(&mut self, ui: &mut Ui, session: &Session) -> Vec<Wish> {
        let pass = self.pass(session);
        let follows = self.shown.is_none_or(|id| session.pass(id).is_none());
        let input = HeaderInput {
            session,
            pass,
            follows,
            compares: self.compares,
            settings_open: self.settings_open,
            markers_open: self.markers_open,
        };
        header::show(ui, &input, &mut self.draft)
    }

    fn show_side(&mut self, ui: &mut Ui, input: &mut ScreenInput<'_>, output: &mut ScreenOutput) {
        if !self.settings_open && !self.markers_open {
            return;
        }
        let pass = self.pass(input.session);
        let width = 280.0 * input.looks.text_scale;
        Panel::right("side").resizable(false).exact_size(width).show(ui, |ui| {
            egui::ScrollArea::vertical().show(ui, |ui| {
                if self.settings_open {
                    let grid = input.params.subdivision();
                    let estimate = pass.zip(grid).and_then(|(pass, grid)| timing::estimate_offset(pass, grid));
                    settings::show(ui, input.params, input.looks, estimate, &mut output.tasks);
                    show_keys(ui);
                }
                if self.markers_open {
                    let id = pass.map(|p| p.id);
                    let wishes = markers::show(ui, pass, input.session.loading.as_ref(), &mut self.markers);
                    output.markers.extend(wishes.into_iter().map(|wish| (wish, id)));
                }
            });
        });
    }

    fn show_closeup(&mut self, ui: &mut Ui, pass: &Pass, theme: &Theme, text_scale: f32) {
        let Some(entrance) = self.selected.and_then(|i| pass.entrances.get(i)) else { return };
        let height = ui.available_height() * CLOSEUP_SHARE;
        let frame = Frame::new().fill(theme.panel).inner_margin(Margin::symmetric(10, 8));
        Panel::bottom("closeup").frame(frame).resizable(false).exact_size(height).show(ui, |ui| {
            closeup::show(ui, entrance, &place_of(pass, entrance.speaks_s), theme, text_scale);
        });
    }

    fn show_middle(&mut self, ui: &mut Ui, rect: Rect, input: &ScreenInput<'_>, theme: &Theme) {
        let state = State::of(input.session, input.meters);
        match (self.pass(input.session), state.words()) {
            (Some(pass), None) if self.compares => self.show_compare(ui, rect, pass, input, theme),
            (Some(pass), None) => self.show_lane(ui, rect, pass, theme, input.looks.text_scale),
            (Some(pass), Some(words)) => {
                self.show_lane(ui, rect, pass, theme, input.looks.text_scale);
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
        let input = LaneInput {
            pass,
            filter: &self.filter,
            selected: self.selected,
            play_s: pass.live.then_some(pass.duration_s),
            theme,
            text_scale,
        };
        let response = lane::show(ui, rect, scale, &input);
        if let Some(clicked) = response.clicked {
            self.selected = clicked;
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
        let comparison = Comparison::of(self.comparison.take(), other, pass);
        let scale = self.scale_for(other, rect);
        let compare = CompareInput {
            a: other,
            b: pass,
            comparison: &comparison,
            filter: &self.filter,
            theme,
            text_scale: input.looks.text_scale,
        };
        let caption = compare::caption(&compare);
        let line = 20.0 * input.looks.text_scale;
        let (picture, below) = rect.split_top_bottom_at_y(rect.bottom() - line);
        let moved = compare::show(ui, picture, scale, &compare);
        ui.painter().rect_filled(below, 0.0, theme.paper);
        let at = below.left_center() + egui::vec2(8.0, 0.0);
        let font = FontId::proportional(12.0 * input.looks.text_scale);
        ui.painter().text(at, egui::Align2::LEFT_CENTER, caption, font, theme.ink);
        self.free_view |= moved.is_some();
        self.view = Some((other.id, moved.unwrap_or(scale)));
        self.comparison = Some(comparison);
    }

    fn read_keys(&mut self, ui: &Ui, session: &Session) -> Vec<Wish> {
        let open = (self.compares, self.markers_open, self.settings_open);
        let mut wishes = Vec::new();
        for key in keys::read(ui) {
            let pass = self.pass(session);
            match key {
                KeyWish::Toggle(toggle) => {
                    let is_reference = pass.is_some_and(|p| session.reference == Some(p.id));
                    wishes.extend(keys::wish(toggle, pass, is_reference, open));
                }
                KeyWish::StepFlagged(step) => wishes.push(Wish::Step(step)),
                KeyWish::StepAny(step) => {
                    if let Some(pass) = pass {
                        self.step(pass, step, |_| true);
                    }
                }
                KeyWish::Follow => wishes.push(Wish::Show(None)),
                KeyWish::Deselect => self.selected = None,
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
            .map_or(middle, |e| scale.x(e.speaks_s).clamp(scale.x0, scale.x0 + scale.width));
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
    fn step(&mut self, pass: &Pass, step: i32, is_wanted: impl Fn(&notefront_dsp::Entrance) -> bool) {
        let found = next_index(pass, self.selected, step, is_wanted);
        let Some(index) = found else { return };
        self.selected = Some(index);
        if let Some((id, scale)) = self.view.filter(|(id, _)| *id == pass.id) {
            let at_s = pass.entrances[index].speaks_s;
            let factor = (STEP_PX_PER_S / scale.px_per_s).max(1.0);
            let closer = scale.zoomed(factor, scale.x(at_s), pass.duration_s);
            self.view = Some((id, closer.showing(at_s, pass.duration_s)));
            self.free_view = true;
        }
    }

    fn follow(&mut self, wish: Wish, session: &mut Session) {
        match wish {
            Wish::Show(id) => {
                self.shown = id;
                self.selected = None;
                self.free_view = false;
                self.view = None;
            }
            Wish::Keep(id, keep) => set(session, id, |p| p.kept = keep),
            Wish::Name(id, name) => set(session, id, |p| p.name = (!name.is_empty()).then_some(name)),
            Wish::Forget(id) => session.forget(id),
            Wish::Pin(id, pin) => session.reference = pin.then_some(id),
            Wish::Compare(on) => self.compares = on,
            Wish::Markers(on) => self.markers_open = on,
            Wish::Settings(on) => self.settings_open = on,
            Wish::Step(step) => {
                let filter = self.filter;
                if let Some(pass) = self.pass(session) {
                    self.step(pass, step, |e| filter.flags(e));
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
fn next_index(
    pass: &Pass,
    from: Option<usize>,
    step: i32,
    is_wanted: impl Fn(&notefront_dsp::Entrance) -> bool,
) -> Option<usize> {
    let num = pass.entrances.len();
    let wanted = |i: &usize| is_wanted(&pass.entrances[*i]);
    match (from, step > 0) {
        (None, true) => (0..num).find(wanted),
        (None, false) => (0..num).rfind(wanted),
        (Some(at), true) => (at + 1..num).find(wanted),
        (Some(at), false) => (0..at.min(num)).rfind(wanted),
    }
}

/// What to compare a pass with: the reference, or else the try before it at the same passage.
fn other_of<'a>(session: &'a Session, pass: &Pass) -> Option<&'a Pass> {
    let reference = session.reference.filter(|id| *id != pass.id).and_then(|id| session.pass(id));
    reference.or_else(|| session.tries(pass.id).filter(|p| p.id < pass.id).last())
}

/// Where an entrance stands, in words.
fn place_of(pass: &Pass, s: f64) -> String {
    match pass.beats.bar_and_tenth(s) {
        Some((bar, tenths)) => format!("bar {bar}, beat {:.1}", tenths as f64 / 10.0),
        None => format!("at {}", words::clock(s)),
    }
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

fn show_keys(ui: &mut Ui) {
    ui.separator();
    ui.collapsing("keys", |ui| {
        egui::Grid::new("keys").num_columns(2).show(ui, |ui| {
            for (key, shift, _, what) in keys::KEYS {
                let shift = if shift { "shift + " } else { "" };
                ui.label(format!("{shift}{}", key.name()));
                ui.label(what);
                ui.end_row();
            }
        });
    });
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
        let flagged = |e: &notefront_dsp::Entrance| e.is_flagged();
        assert_eq!(next_index(&pass, None, 1, flagged), Some(1));
        assert_eq!(next_index(&pass, Some(1), 1, flagged), Some(3));
        assert_eq!(next_index(&pass, Some(3), 1, flagged), None);
        assert_eq!(next_index(&pass, Some(3), -1, flagged), Some(1));
        assert_eq!(next_index(&pass, None, -1, flagged), Some(3));
        assert_eq!(next_index(&pass, Some(99), 1, flagged), None);
    }

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
