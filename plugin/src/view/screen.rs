//! The whole window: which panels stand where, and what is selected.

mod listening;
mod middle;
mod saying;
mod steps;

use super::closeup::{self, CloseupWish, Shown};
use super::compare::Comparer;
use super::correct::{self, CorrectInput, Draft};
use super::counts::Counted;
use super::filter::FaultFilter;
use super::header::{self, HeaderInput, View, Wish};
use super::keys;
use super::listen::{ListenWish, Listening};
use super::markers::{self, MarkersPanel, MarkersWish};
use super::moved_lines;
use super::overview::{self, KeptOverview};
use super::patterns::PatternsView;
use super::scale::TimeScale;
use super::settings;
use super::status;
use super::strip;
use super::theme::Theme;
use crate::choices::Choices;
use crate::looks::Looks;
use crate::meters::Meters;
use crate::passes::{Pass, PassId};
use crate::session::Session;
use crate::tasks::Task;
use crate::words;
use egui::{Context, FontId, Frame, Margin, Panel, RichText, TextStyle, Ui};
use notefront_takes::corrections::ear::Lines;
use std::collections::HashMap;
use std::path::PathBuf;

/// Share of the height the close-up takes.
const CLOSEUP_SHARE: f32 = 0.44;

/// What a frame shows.
pub struct ScreenInput<'a> {
    /// The passes.
    pub session: &'a mut Session,
    /// The settings.
    pub choices: Choices,
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
    /// Passes of which something was said or undone.
    pub said: Vec<PassId>,
    /// What is to be heard.
    pub listen: Vec<ListenWish>,
}

/// What the window keeps between frames.
#[derive(Default)]
pub struct Screen {
    shown: Option<PassId>,
    selected: Option<usize>,
    /// "Here" in a pass, where it was moved, s.
    here: Option<(PassId, f64)>,
    /// What can be said is open, and what is being written there.
    correcting: bool,
    correct_draft: Draft,
    view: Option<(PassId, TimeScale)>,
    free_view: bool,
    filter: FaultFilter,
    middle: View,
    comparer: Comparer,
    patterns: PatternsView,
    overview: KeptOverview,
    counted: Counted,
    /// Heights of header and strip, pixels.
    header_px: f32,
    strip_px: f32,
    settings_open: bool,
    markers_open: bool,
    draft: Option<(PassId, String)>,
    dressed: Option<Looks>,
    /// The markers panel.
    pub markers: MarkersPanel,
    /// What became of what was said of a take, when it was to be kept beside that: why it was not.
    pub beside: HashMap<PassId, Result<(), String>>,
    /// How the player listens, and what sounds, where the window plays.
    pub listening: Listening,
    /// What is to be heard, until the frame is over.
    asked: Vec<ListenWish>,
    /// Lines that the player moved for every program, where this one keeps its own.
    pub ear_lines: Lines,
    /// There is no host around it: what is said of one is said otherwise.
    pub alone: bool,
}

impl Screen {
    /// A window whose marker files go to this folder until the player names another.
    #[must_use]
    pub fn writing_to(folder: PathBuf) -> Self {
        let markers = MarkersPanel { folder: folder.display().to_string(), ..MarkersPanel::default() };
        Self { markers, ..Self::default() }
    }

    /// Shows or hides panels, as the keys do.
    pub fn open(&mut self, middle: View, markers: bool, settings: bool) {
        (self.middle, self.markers_open, self.settings_open) = (middle, markers, settings);
    }

    /// Opens the panel of files.
    pub fn open_markers(&mut self) {
        self.markers_open = true;
    }

    /// Selects an entrance of the pass on show.
    pub fn select(&mut self, index: Option<usize>) {
        (self.selected, self.here) = (index, None);
    }

    /// Shows or hides what can be said of an entrance.
    pub fn correct(&mut self, on: bool) {
        self.correcting = on;
    }

    /// Draws a frame.
    pub fn show(&mut self, ui: &mut Ui, input: &mut ScreenInput<'_>) -> ScreenOutput {
        let theme = Theme::of(input.looks.colours);
        self.dress(ui.ctx(), input.looks, &theme);
        // What is being drawn took its style before that.
        ui.set_style(ui.ctx().global_style());
        let mut output = ScreenOutput::default();
        let judging = input.choices.judging();
        if let Some(loaded) = input.session.newest_loaded.take() {
            self.follow(Wish::Show(Some(loaded)), input.session, &judging);
        }
        let mut wishes = self.read_keys(ui, input.session);
        let margin = Frame::new().fill(theme.panel).inner_margin(Margin::symmetric(10, 6));
        Panel::top("header").frame(margin).show(ui, |ui| {
            wishes.extend(self.show_header(ui, input.session));
            let pass = self.pass(input.session);
            for warning in status::warnings(input.session, pass, input.meters, &input.choices, self.alone) {
                ui.label(RichText::new(warning).color(theme.warm));
            }
            moved_lines::notice(ui, &input.choices.lines, &theme, &mut output.tasks);
            settle(ui, &mut self.header_px);
        });
        self.show_side(ui, input, &mut output);
        let pass = self.pass(input.session);
        if let Some(pass) = pass {
            wishes.extend(self.show_lower_half(ui, input.session, pass, &theme, input.looks.text_scale));
            if !pass.entrances.is_empty() {
                Panel::bottom("strip").frame(margin).show(ui, |ui| {
                    strip::show(ui, &self.counted.of(pass), &mut self.filter, &theme);
                    settle(ui, &mut self.strip_px);
                });
            }
        }
        let rect = ui.available_rect_before_wrap();
        self.show_middle(ui, rect, input, &theme);
        for wish in wishes {
            output.said.extend(wish.spoken_of());
            self.follow(wish, input.session, &judging);
        }
        output.listen = std::mem::take(&mut self.asked);
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

    /// The pass on show, where one is.
    #[must_use]
    pub fn on_show(&self, session: &Session) -> Option<PassId> {
        self.pass(session).map(|pass| pass.id)
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
            view: self.middle,
            settings_open: self.settings_open,
            markers_open: self.markers_open,
        };
        header::show(ui, &input, &mut self.counted, &mut self.draft)
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
                    let grid = input.choices.subdivision();
                    let estimate = pass.zip(grid).and_then(|(pass, grid)| pass.estimate_offset(grid));
                    let ear = &self.ear_lines;
                    settings::show(ui, &input.choices, ear, input.looks, estimate, self.alone, &mut output.tasks);
                    show_keys(ui, self.alone);
                }
                if self.markers_open {
                    let id = pass.map(|p| p.id);
                    let wishes = markers::show(ui, pass, input.session.loading.as_ref(), &mut self.markers);
                    output.markers.extend(wishes.into_iter().map(|wish| (wish, id)));
                }
            });
        });
    }

    /// The chosen entrance in close-up; before one is chosen, what the pass says.
    fn show_lower_half(
        &mut self,
        ui: &mut Ui,
        session: &Session,
        pass: &Pass,
        theme: &Theme,
        text_scale: f32,
    ) -> Option<Wish> {
        let index = self.selected.filter(|i| *i < pass.entrances.len());
        let is_here = self.correcting && self.middle == View::Lane;
        let shows_lane = self.middle == View::Lane && !pass.entrances.is_empty();
        if !shows_lane && index.is_none() && !is_here {
            return None;
        }
        let height = ui.available_height() * CLOSEUP_SHARE;
        let mut wish = None;
        let frame = Frame::new().fill(theme.panel).inner_margin(Margin::symmetric(10, 8));
        Panel::bottom("closeup").frame(frame).resizable(false).exact_size(height).show(ui, |ui| match index {
            Some(index) => wish = self.show_closeup(ui, session, pass, index, theme, text_scale),
            None if is_here => {
                egui::ScrollArea::vertical().auto_shrink(false).show(ui, |ui| {
                    wish = self.show_correct(ui, pass, theme);
                });
            }
            None => {
                let clicked = overview::show(ui, pass, &self.filter, &mut self.overview, theme);
                self.select(clicked);
            }
        });
        wish
    }

    fn show_closeup(
        &mut self,
        ui: &mut Ui,
        session: &Session,
        pass: &Pass,
        index: usize,
        theme: &Theme,
        text_scale: f32,
    ) -> Option<Wish> {
        let entrance = &pass.entrances[index];
        let place = words::place(pass, entrance.front.speaks_s);
        let here_s = self.here_s(pass);
        let moved_s = here_s.filter(|_| self.correcting && self.here.is_some());
        let heard_s = self.listening.playing.filter(|(id, _)| *id == pass.id).map(|(_, s)| s);
        let (listening, mark_s) = (self.listening.clone(), heard_s.or(moved_s));
        let shown =
            Shown { pass, index, entrance, place: &place, here_s: mark_s, listening: &listening, alone: self.alone };
        let kept = self.kept_words(pass);
        let input = CorrectInput { pass, place: Some(index), here_s, kept: &kept };
        let correct = self.correcting.then_some((&input, &mut self.correct_draft));
        match closeup::show(ui, &shown, correct, theme, text_scale)? {
            CloseupWish::CopyPlace => ui.ctx().copy_text(place.listen_from),
            CloseupWish::Fine => return self.fine_wish(pass),
            CloseupWish::Correct(on) => return Some(Wish::Correct(on)),
            CloseupWish::Saying(saying) => return self.saying_wish(pass, saying),
            CloseupWish::Listen(key) => self.listen(session, pass, key),
        }
        None
    }

    /// What can be said where no entrance is chosen.
    fn show_correct(&mut self, ui: &mut Ui, pass: &Pass, theme: &Theme) -> Option<Wish> {
        let (here_s, kept) = (self.here_s(pass), self.kept_words(pass));
        let input = CorrectInput { pass, place: None, here_s, kept: &kept };
        let saying = correct::show(ui, &input, &mut self.correct_draft, theme);
        let closes = ui.small_button("done").on_hover_text("Back to the pass at one look (E)").clicked();
        let wish = saying.and_then(|saying| self.saying_wish(pass, saying));
        wish.or(closes.then_some(Wish::Correct(false)))
    }
}

/// Has this frame drawn anew where what a panel holds is not as high as before: a panel gets the height it last needed, and
/// another frame may not come before something changes.
fn settle(ui: &Ui, height_px: &mut f32) {
    let needed_px = ui.min_rect().height();
    if needed_px != *height_px {
        *height_px = needed_px;
        ui.ctx().request_discard("a panel holds more or fewer lines than before");
    }
}

fn show_keys(ui: &mut Ui, alone: bool) {
    ui.separator();
    ui.collapsing("keys", |ui| {
        egui::Grid::new("keys").num_columns(2).show(ui, |ui| {
            for (key, shift, _, what) in keys::KEYS.iter().filter(|key| key.2.is_for(alone)) {
                let shift = if *shift { "shift + " } else { "" };
                ui.label(format!("{shift}{}", key.name()));
                ui.label(*what);
                ui.end_row();
            }
        });
    });
}
