//! What the player says of an entrance, or of a place where one was missed: buttons in the words of the page, "here" and
//! how to move it, and all that was said of the pass, each to be taken back.

use super::theme::Theme;
use crate::passes::Pass;
use egui::{ComboBox, Grid, RichText, TextEdit, Ui};
use notefront_dsp::FaultName;
use notefront_takes::corrections::words::{self as said_words, on_button};
use notefront_takes::corrections::{Correction, What, heard_faults};
use notefront_takes::words::{clock, word};

/// Most of what was said that is listed, the latest first.
const MAX_LISTED: usize = 40;
/// Longest reason that is written, letters.
const MAX_REASON: usize = 200;
/// Steps of "here", ms.
const NUDGES_MS: [i32; 4] = [-50, -10, 10, 50];

/// What is shown.
pub struct CorrectInput<'a> {
    /// The pass.
    pub pass: &'a Pass,
    /// The chosen entrance, by its place.
    pub place: Option<usize>,
    /// Where "here" is, seconds of the pass; `None` where nothing is chosen.
    pub here_s: Option<f64>,
    /// Where what is said is kept, in a sentence.
    pub kept: &'a str,
}

/// What is being written, and what was amiss with it.
#[derive(Debug, Default)]
pub struct Draft {
    /// Why it is fine.
    pub reason: String,
    /// Which fault is heard.
    pub fault: Option<FaultName>,
    /// The note's name.
    pub note: String,
    /// What stood in the way of the last wish.
    pub trouble: String,
}

/// What the player wants said or done.
#[derive(Debug, Clone, PartialEq)]
pub enum Saying {
    /// This, of the chosen entrance or of the place that is "here".
    Say(What),
    /// Take one back, by its id.
    Undo(String),
    /// Move "here" by so many ms.
    Nudge(i32),
}

impl Draft {
    /// What is said with what is written; `None` where something is missing, which is then told.
    pub fn filled(&mut self, what: What) -> Option<What> {
        self.trouble.clear();
        let note = said_words::note(self.note.trim());
        let reason = Some(self.reason.trim().to_owned()).filter(|reason| !reason.is_empty());
        match (what, note) {
            (What::Fine { .. }, _) => Some(What::Fine { reason }),
            (What::Unclear { .. }, _) => Some(What::Unclear { fault: self.fault }),
            (What::Added { .. }, note) => Some(What::Added { midi_note: note.ok() }),
            (What::Note { .. }, Ok(midi_note)) => Some(What::Note { midi_note }),
            (What::Note { .. }, Err(_)) => {
                self.trouble = "Write the note first, such as Bb2.".into();
                None
            }
            (other, _) => Some(other),
        }
    }
}

/// Draws what can be said, and what was.
pub fn show(ui: &mut Ui, input: &CorrectInput<'_>, draft: &mut Draft, theme: &Theme) -> Option<Saying> {
    let mut wish = None;
    if input.place.is_some() {
        of_entrance(ui, draft, &mut wish);
    }
    match input.here_s {
        Some(here_s) => of_here(ui, input, here_s, draft, &mut wish),
        None => {
            ui.label("Click on the lane where an entrance was missed, or on a stroke to say something of it.");
        }
    }
    if !draft.trouble.is_empty() {
        ui.label(RichText::new(&draft.trouble).color(theme.warm));
    }
    list(ui, input, theme, &mut wish);
    wish
}

/// A button that says it, once what is written fits.
fn say(ui: &mut Ui, what: What, key: &str, draft: &mut Draft, wish: &mut Option<Saying>) {
    if ui.button(on_button(&what)).on_hover_text(format!("Key {key}")).clicked() {
        *wish = draft.filled(what).map(Saying::Say);
    }
}

fn of_entrance(ui: &mut Ui, draft: &mut Draft, wish: &mut Option<Saying>) {
    ui.horizontal_wrapped(|ui| {
        say(ui, What::Fine { reason: None }, "D", draft, wish);
        let field = TextEdit::singleline(&mut draft.reason).desired_width(130.0).char_limit(MAX_REASON);
        let response = ui.add(field.hint_text("why, if you like"));
        response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::TextInput, true, "why, if you like"));
    });
    ui.horizontal_wrapped(|ui| {
        say(ui, What::Unclear { fault: None }, "U", draft, wish);
        let chosen = draft.fault.map_or("unclear", word);
        let combo = ComboBox::from_id_salt("heard").width(110.0).selected_text(chosen).show_ui(ui, |ui| {
            ui.selectable_value(&mut draft.fault, None, "unclear");
            for fault in heard_faults() {
                ui.selectable_value(&mut draft.fault, Some(fault), word(fault));
            }
        });
        let spoken = format!("which fault: {chosen}");
        combo.response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::ComboBox, true, &spoken));
    });
    ui.horizontal_wrapped(|ui| {
        say(ui, What::Removed, "Delete", draft, wish);
        say(ui, What::Joined, "J", draft, wish);
    });
    ui.horizontal_wrapped(|ui| {
        note_field(ui, draft);
        say(ui, What::Note { midi_note: 0 }, "N", draft, wish);
    });
}

fn note_field(ui: &mut Ui, draft: &mut Draft) {
    let field = TextEdit::singleline(&mut draft.note).desired_width(44.0).char_limit(5).hint_text("Bb2");
    let response = ui.add(field);
    response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::TextInput, true, "note, such as Bb2"));
}

fn of_here(ui: &mut Ui, input: &CorrectInput<'_>, here_s: f64, draft: &mut Draft, wish: &mut Option<Saying>) {
    ui.horizontal_wrapped(|ui| {
        ui.label(format!("here: {}", clock(here_s)));
        for ms in NUDGES_MS {
            let sign = if ms < 0 { "\u{2212}" } else { "+" };
            let why = "Move \u{201c}here\u{201d} by so many milliseconds (comma and full stop; with shift, 50)";
            if ui.small_button(format!("{sign}{}", ms.abs())).on_hover_text(why).clicked() {
                *wish = Some(Saying::Nudge(ms));
            }
        }
    });
    ui.horizontal_wrapped(|ui| {
        say(ui, What::Added { midi_note: None }, "A", draft, wish);
        if input.place.is_some() {
            say(ui, What::Moved { to_s: here_s }, "T", draft, wish);
            say(ui, What::Split { second_s: here_s }, "2", draft, wish);
        } else {
            note_field(ui, draft);
        }
    });
}

/// What was said of the pass, the latest first.
fn list(ui: &mut Ui, input: &CorrectInput<'_>, theme: &Theme, wish: &mut Option<Saying>) {
    let said = input.pass.said();
    ui.add_space(4.0);
    let heading = match said.len() {
        0 => "You said nothing of this pass yet.".to_owned(),
        1 => "You said one thing of this pass:".into(),
        num => format!("You said {num} things of this pass, the latest first:"),
    };
    ui.label(RichText::new(heading).color(theme.soft_ink));
    Grid::new("said").num_columns(2).spacing(egui::vec2(8.0, 2.0)).show(ui, |ui| {
        for correction in said.iter().rev().take(MAX_LISTED) {
            let spoken = line(input.pass, correction);
            let button = ui.small_button("take it back");
            button.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, true, format!("take back: {spoken}")));
            if button.clicked() {
                *wish = Some(Saying::Undo(correction.id.clone()));
            }
            ui.label(RichText::new(&spoken).small());
            ui.end_row();
        }
    });
    ui.label(RichText::new(input.kept).color(theme.soft_ink).small());
}

/// "0:03.50  fine as it is", and where that finds no entrance any more.
fn line(pass: &Pass, correction: &Correction) -> String {
    let is_lost = pass.corrected.as_ref().is_some_and(|c| c.lost.iter().any(|lost| lost.id == correction.id));
    let line = said_words::line(correction);
    if is_lost { format!("{line} (nothing is there any more)") } else { line }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_fills_what_is_said() {
        let mut draft = Draft { note: " Bb2 ".into(), reason: " a ghost note ".into(), ..Draft::default() };
        let filled = draft.filled(What::Fine { reason: None });
        assert_eq!(filled, Some(What::Fine { reason: Some("a ghost note".into()) }));
        assert_eq!(draft.filled(What::Note { midi_note: 0 }), Some(What::Note { midi_note: 46 }));
        draft.note = "H7".into();
        assert_eq!(draft.filled(What::Note { midi_note: 0 }), None);
        assert!(draft.trouble.contains("Bb2"));
        assert_eq!(draft.filled(What::Added { midi_note: None }), Some(What::Added { midi_note: None }));
        assert!(draft.trouble.is_empty());
    }
}
