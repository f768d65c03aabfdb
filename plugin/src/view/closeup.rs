//! The close-up of one entrance: the same stroke with axes, the faults in words, the numbers with their
//! uncertainty.

use super::correct::{self, CorrectInput, Draft, Saying};
use super::front_picture;
use super::listen::{self, ListenKey, Listening};
use super::theme::Theme;
use crate::passes::Pass;
use crate::words::{self, Place};
use egui::{Grid, Rect, RichText, Ui, vec2};
use notefront_dsp::{CannotTell, Entrance};
use notefront_takes::corrections::{Heard, words as said_words};
use notefront_takes::words::{articulation, because, reason, usual_remedy, worst_first};

/// Below this height there is no picture: words and numbers come first. Pixels at normal text size, as those below.
const MIN_PLOT_PX: f32 = 150.0;
/// Width of the numbers, and the least the words need beside them; in less room the numbers follow the words.
const NUMBERS_PX: f32 = 205.0;
const MIN_WORDS_PX: f32 = 150.0;
/// Share of the width the picture takes.
const PLOT_SHARE: f32 = 0.42;

/// What is shown in close-up.
pub struct Shown<'a> {
    /// The pass.
    pub pass: &'a Pass,
    /// The entrance's place in it.
    pub index: usize,
    /// The entrance.
    pub entrance: &'a Entrance,
    /// Where it stands.
    pub place: &'a Place,
    /// "Here", where it was moved, or where it is heard now, seconds of the pass.
    pub here_s: Option<f64>,
    /// How it is listened to, where there is no host to play it.
    pub listening: &'a Listening,
    /// There is no host that could play from a place.
    pub alone: bool,
}

impl Shown<'_> {
    /// The player calls it fine.
    fn is_fine(&self) -> bool {
        self.pass.said_of(self.index).is_some_and(|by_ear| matches!(by_ear.heard, Some(Heard::Fine(_))))
    }
}

/// What the player asks for there.
#[derive(Debug, Clone, PartialEq)]
pub enum CloseupWish {
    /// Copy the place to play from.
    CopyPlace,
    /// It is fine as it is, or that is taken back.
    Fine,
    /// Shows what else can be said of it, or hides that.
    Correct(bool),
    /// Something is said of it, or taken back.
    Saying(Saying),
    /// It is listened to, or otherwise.
    Listen(ListenKey),
}

/// Draws the close-up into what is left of `ui`: the picture, the faults in words or what can be said of them, the numbers.
pub fn show(
    ui: &mut Ui,
    shown: &Shown<'_>,
    correct: Option<(&CorrectInput<'_>, &mut Draft)>,
    theme: &Theme,
    text_scale: f32,
) -> Option<CloseupWish> {
    let entrance = shown.entrance;
    let all = ui.available_rect_before_wrap();
    let mut left = all.left();
    if all.height() >= MIN_PLOT_PX * text_scale {
        let plot_width = PLOT_SHARE * (all.width() - 16.0).max(0.0);
        let rect = Rect::from_min_size(all.min, vec2(plot_width, all.height()));
        let here_ms = shown.here_s.map(|here_s| (here_s - entrance.front.onset_s) * 1e3);
        // The picture shows what was measured, whatever the ear says.
        let measured = shown.pass.as_scanned(shown.index);
        front_picture::show(ui, rect, &measured, here_ms, theme, text_scale);
        left += plot_width + 12.0;
    }
    let numbers_left = all.right() - NUMBERS_PX * text_scale;
    // What can be said takes the room of the numbers.
    let is_correcting = correct.is_some();
    let has_room = !is_correcting && numbers_left - left >= MIN_WORDS_PX * text_scale;
    let right = if has_room { numbers_left - 10.0 } else { all.right() };
    let mut wish = None;
    column(ui, Rect::from_x_y_ranges(left..=right, all.y_range()), "words", |ui| {
        wish = match correct {
            Some((input, draft)) => correcting(ui, shown, input, draft, theme),
            None => describe(ui, shown, theme),
        };
        if !has_room && !is_correcting {
            numbers(ui, entrance);
        }
    });
    if has_room {
        let right = Rect::from_x_y_ranges(numbers_left..=all.right(), all.y_range());
        column(ui, right, "numbers", |ui| numbers(ui, entrance));
    }
    ui.advance_cursor_after_rect(all);
    wish
}

fn column(ui: &mut Ui, rect: Rect, id: &str, add: impl FnOnce(&mut Ui)) {
    let mut inner = ui.new_child(egui::UiBuilder::new().id_salt(id).max_rect(rect));
    inner.set_clip_rect(rect.expand(2.0).intersect(ui.clip_rect()));
    egui::ScrollArea::vertical().id_salt(id).auto_shrink(false).show(&mut inner, |ui| ui.vertical(add));
}

fn title(ui: &mut Ui, shown: &Shown<'_>) {
    let title = format!("{} \u{b7} {}", words::note(shown.entrance), shown.place.at);
    ui.label(RichText::new(title).heading().strong());
}

/// What can be said of it, in place of what is told.
fn correcting(
    ui: &mut Ui,
    shown: &Shown<'_>,
    input: &CorrectInput<'_>,
    draft: &mut Draft,
    theme: &Theme,
) -> Option<CloseupWish> {
    title(ui, shown);
    told_by_ear(ui, shown, theme);
    let said = correct::show(ui, input, draft, theme).map(CloseupWish::Saying);
    let closes = ui.small_button("done").on_hover_text("Back to what was measured (E)").clicked();
    said.or(closes.then_some(CloseupWish::Correct(false)))
}

/// What the player says of it, and what was measured; true where something was said.
fn told_by_ear(ui: &mut Ui, shown: &Shown<'_>, theme: &Theme) -> bool {
    let Some(by_ear) = shown.pass.said_of(shown.index) else { return false };
    ui.label(RichText::new(format!("You say: {}.", said_words::of(by_ear))).strong());
    if let Some(found) = by_ear.found {
        let clarity = format!("Measured clarity: {:.0} of 100.", found.verdict.clarity);
        ui.label(RichText::new(clarity).color(theme.soft_ink).small());
    }
    let told = match by_ear.found {
        None => "Placed by you: nothing of it was measured.",
        Some(found) if !found.is_flagged() => "Measured: a clear attack.",
        Some(_) if matches!(by_ear.heard, Some(Heard::Fine(_))) => return true,
        Some(_) => "Measured:",
    };
    ui.label(RichText::new(told).color(theme.soft_ink));
    true
}

fn describe(ui: &mut Ui, shown: &Shown<'_>, theme: &Theme) -> Option<CloseupWish> {
    let Shown { pass, index, entrance, place, .. } = *shown;
    let positions = words::positions(entrance);
    title(ui, shown);
    let position = if positions.is_empty() { String::new() } else { format!(" \u{b7} position {positions}") };
    let how = articulation(entrance.front.articulation);
    ui.label(format!("{how}{position} \u{b7} clarity {:.0} of 100", entrance.verdict.clarity));
    let mut wish = match shown.alone {
        true => listen::show(ui, shown.listening).map(CloseupWish::Listen),
        false => listen(ui, place).then_some(CloseupWish::CopyPlace),
    };
    ui.add_space(4.0);
    let was_said = told_by_ear(ui, shown, theme);
    if entrance.verdict.faults.is_empty() && !was_said {
        ui.label("A clear attack.");
    }
    for fault in worst_first(entrance).into_iter().filter(|fault| !pass.is_by_ear(index, fault.name)) {
        let word = notefront_takes::words::word(fault.name);
        ui.label(RichText::new(format!("{word}: {}", because(entrance, fault.name))).strong());
        let remedy = usual_remedy(fault.name);
        let sure = format!("{:.0} % sure. Players usually try: {remedy}.", fault.sureness * 100.0);
        ui.label(RichText::new(sure).color(theme.soft_ink).small());
    }
    ui.horizontal_wrapped(|ui| {
        let is_fine = shown.is_fine();
        let (name, why) = if is_fine {
            ("take it back", "What was measured counts again (D)")
        } else {
            ("fine as it is", "Dismiss these flags; what you say is kept (D)")
        };
        if (is_fine || pass.is_flagged(index)) && ui.small_button(name).on_hover_text(why).clicked() {
            wish = Some(CloseupWish::Fine);
        }
        let why = "Unclear after all, moved, missed, no entrance, another note ... (E)";
        if ui.small_button("correct").on_hover_text(why).clicked() {
            wish = Some(CloseupWish::Correct(true));
        }
    });
    wish
}

/// An insert cannot move its host's play position: it says where to put it.
fn listen(ui: &mut Ui, place: &Place) -> bool {
    ui.horizontal_wrapped(|ui| {
        ui.label(RichText::new(format!("To hear it, play from {}", place.listen_from)).small());
        ui.small_button("copy").on_hover_text("Copy this place for the host's locate field (H)").clicked()
    })
    .inner
}

fn numbers(ui: &mut Ui, entrance: &Entrance) {
    let front = &entrance.front;
    // Nobody asks for a breath that was not taken.
    let breath = front.breath_to_sound_ms().map_err(|_| CannotTell::NotConnected);
    let rows = [
        ("leaned", front.approach_cents, "cents"),
        ("in at", front.onset_cents, "cents"),
        ("spoke in", front.speak_ms, "ms"),
        ("settled after", front.settle_ms, "ms"),
        ("tuning", front.tuning_cents, "cents"),
        ("air first", front.noise_before_tone_ms, "ms"),
        ("grows in", front.attack_ms, "ms"),
        ("burst", front.overshoot_db, "dB"),
        ("passage", front.passage_ms(), "ms"),
        ("dipped", front.dip_db(), "dB"),
        ("breath to sound", breath, "ms"),
        ("from the beat", entrance.verdict.timing_ms, "ms"),
    ];
    Grid::new("measures").num_columns(2).spacing(vec2(12.0, 3.0)).show(ui, |ui| {
        // Nobody asks for the way from a note that was over.
        for (name, told, unit) in rows.into_iter().filter(|(_, told, _)| *told != Err(CannotTell::NotConnected)) {
            ui.label(RichText::new(name).weak());
            // Why there is no number is long: it stands smaller, and has the column for itself.
            match told {
                Ok(_) => ui.label(words::measure(told, unit)),
                Err(why) => ui.label(RichText::new(reason(why)).weak().small()).on_hover_text("cannot be told"),
            };
            ui.end_row();
        }
        ui.label(RichText::new("level").weak());
        match front.level_db.is_finite() {
            true => ui.label(words::signed(front.level_db, 0, "dBFS")),
            false => ui.label(RichText::new(reason(CannotTell::NotMeasured)).weak().small()),
        };
        ui.end_row();
    });
}
