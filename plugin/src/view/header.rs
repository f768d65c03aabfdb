//! The line over the lane: which pass, what to do with it, and the steps between flagged entrances.

use super::counts::Counted;
use crate::passes::{Pass, PassId};
use crate::session::Session;
use egui::{ComboBox, TextEdit, Ui};
use notefront_takes::corrections::What;

/// What the player wants done.
#[derive(Debug, Clone, PartialEq)]
pub enum Wish {
    /// Show this pass; `None` follows the newest.
    Show(Option<PassId>),
    /// Keep or let go.
    Keep(PassId, bool),
    /// Name it; an empty name takes the name off.
    Name(PassId, String),
    /// Take it out.
    Forget(PassId),
    /// Pin it as the reference, or unpin.
    Pin(PassId, bool),
    /// Something is said of the entrance that speaks at a time of the pass, s, or of that place.
    Say(PassId, f64, What),
    /// Something that was said is taken back, by its id.
    Undo(PassId, String),
    /// What can be said is shown, or hidden.
    Correct(bool),
    /// To the next (or previous) flagged entrance.
    Step(i32),
    /// What stands in the middle of the window.
    View(View),
    /// Show or hide the settings.
    Settings(bool),
    /// Show or hide the markers panel.
    Markers(bool),
}

impl Wish {
    /// The pass of which it says something, or takes it back.
    #[must_use]
    pub fn spoken_of(&self) -> Option<PassId> {
        match self {
            Self::Say(id, ..) | Self::Undo(id, _) => Some(*id),
            _ => None,
        }
    }
}

/// What stands in the middle of the window.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum View {
    /// The entrances of one pass.
    #[default]
    Lane,
    /// Two passes.
    Compare,
    /// Where it goes wrong.
    Patterns,
}

impl View {
    /// This view, or the lane again when it already stands.
    #[must_use]
    pub fn toggled(self, wanted: Self) -> Self {
        if self == wanted { Self::Lane } else { wanted }
    }
}

/// What the header shows.
pub struct HeaderInput<'a> {
    /// All passes.
    pub session: &'a Session,
    /// The one on show.
    pub pass: Option<&'a Pass>,
    /// The newest is followed.
    pub follows: bool,
    /// What stands in the middle.
    pub view: View,
    /// The settings are open.
    pub settings_open: bool,
    /// The markers panel is open.
    pub markers_open: bool,
}

/// Draws the header.
pub fn show(
    ui: &mut Ui,
    input: &HeaderInput<'_>,
    counted: &mut Counted,
    draft: &mut Option<(PassId, String)>,
) -> Vec<Wish> {
    let mut wishes = Vec::new();
    ui.horizontal_wrapped(|ui| {
        if !input.session.track.is_empty() {
            ui.weak(&input.session.track);
        }
        choose_pass(ui, input, counted, &mut wishes);
        if let Some(pass) = input.pass {
            handle_pass(ui, pass, input.session, draft, &mut wishes);
            ui.separator();
            step(ui, &mut wishes);
        }
        ui.separator();
        toggles(ui, input, &mut wishes);
    });
    wishes
}

fn choose_pass(ui: &mut Ui, input: &HeaderInput<'_>, counted: &mut Counted, wishes: &mut Vec<Wish>) {
    let current = input.pass.map_or("no pass yet".to_owned(), |pass| title(pass, counted));
    let spoken = format!("pass on show: {current}");
    let combo = ComboBox::from_id_salt("pass").width(200.0).selected_text(current).show_ui(ui, |ui| {
        if ui.selectable_label(input.follows, "follow the newest").clicked() {
            wishes.push(Wish::Show(None));
        }
        for pass in input.session.passes().iter().rev() {
            let is_shown = !input.follows && input.pass.is_some_and(|p| p.id == pass.id);
            let pin = if input.session.reference == Some(pass.id) { "reference: " } else { "" };
            if ui.selectable_label(is_shown, format!("{pin}{}", title(pass, counted))).clicked() {
                wishes.push(Wish::Show(Some(pass.id)));
            }
        }
    });
    combo.response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::ComboBox, true, &spoken));
}

fn title(pass: &Pass, counted: &mut Counted) -> String {
    let running = if pass.live { ", running" } else { "" };
    format!("{} ({}{running})", pass.title(), counted.of(pass).in_words())
}

fn handle_pass(
    ui: &mut Ui,
    pass: &Pass,
    session: &Session,
    draft: &mut Option<(PassId, String)>,
    wishes: &mut Vec<Wish>,
) {
    if let Some((id, name)) = draft.as_mut().filter(|(id, _)| *id == pass.id) {
        let field = ui.add(TextEdit::singleline(name).desired_width(130.0).hint_text("name"));
        if field.lost_focus() {
            wishes.push(Wish::Name(*id, name.trim().to_owned()));
            *draft = None;
        } else {
            field.request_focus();
        }
    } else if ui.button("name").on_hover_text("Give this pass a name").clicked() {
        *draft = Some((pass.id, pass.name.clone().unwrap_or_default()));
    }
    if ui.selectable_label(pass.kept, "keep").on_hover_text("Keep this pass when new ones come (K)").clicked() {
        wishes.push(Wish::Keep(pass.id, !pass.kept));
    }
    let is_pinned = session.reference == Some(pass.id);
    let why = "Compare others with this one (R)";
    if ui.selectable_label(is_pinned, "reference").on_hover_text(why).clicked() {
        wishes.push(Wish::Pin(pass.id, !is_pinned));
    }
    if !pass.live && ui.button("forget").on_hover_text("Take this pass out").clicked() {
        wishes.push(Wish::Forget(pass.id));
    }
}

fn step(ui: &mut Ui, wishes: &mut Vec<Wish>) {
    if ui.button("\u{2039} flag").on_hover_text("Previous flagged entrance (left arrow)").clicked() {
        wishes.push(Wish::Step(-1));
    }
    if ui.button("flag \u{203a}").on_hover_text("Next flagged entrance (right arrow)").clicked() {
        wishes.push(Wish::Step(1));
    }
}

fn toggles(ui: &mut Ui, input: &HeaderInput<'_>, wishes: &mut Vec<Wish>) {
    for (view, name, why) in [
        (View::Compare, "compare", "Against the reference, or the try before (C)"),
        (View::Patterns, "patterns", "Where it goes wrong: register, position, dynamic... (P)"),
    ] {
        if ui.selectable_label(input.view == view, name).on_hover_text(why).clicked() {
            wishes.push(Wish::View(input.view.toggled(view)));
        }
    }
    if ui.selectable_label(input.markers_open, "markers").on_hover_text("Files and clipboard (M)").clicked() {
        wishes.push(Wish::Markers(!input.markers_open));
    }
    if ui.selectable_label(input.settings_open, "settings").on_hover_text("All settings (S)").clicked() {
        wishes.push(Wish::Settings(!input.settings_open));
    }
}
