//! All settings in one place.

use super::moved_lines;
use crate::choices::{Choices, GridChoice, OneOf};
use crate::looks::{Colours, Looks, TEXT_SCALE_RANGE};
use crate::tasks::Task;
use crate::timing::OffsetEstimate;
use egui::{ComboBox, DragValue, RichText, Slider, Ui};
use notefront_dsp::settings::STRICTNESS_IN_WORDS;
use notefront_takes::corrections::ear::Lines;
use notefront_takes::words::CAUTIONS;
use std::ops::RangeInclusive;

/// Step of the text size.
const TEXT_STEP: f32 = 0.1;

/// Draws the settings; every change becomes a task. `ear` are the lines that the player moved for every program; `alone` leaves
/// out what only a host can use.
pub fn show(
    ui: &mut Ui,
    choices: &Choices,
    ear: &Lines,
    looks: &mut Looks,
    estimate: Option<OffsetEstimate>,
    alone: bool,
    tasks: &mut Vec<Task>,
) {
    ui.strong("Judging");
    strictness(ui, choices, tasks);
    a4(ui, choices, tasks);
    moved_lines::setting(ui, &choices.lines, ear, tasks);
    choose(ui, "instrument", choices.instrument, |v| tasks.push(Task::Instrument(v)));
    choose(ui, "sound source", choices.source, |v| tasks.push(Task::Source(v)));
    ui.separator();
    ui.strong("Timing");
    choose(ui, "grid", choices.grid, |v| tasks.push(Task::Grid(v)));
    if choices.grid == GridChoice::Swing {
        swing(ui, choices, tasks);
    }
    offset(ui, choices, estimate, tasks);
    let insists = choices.insist_on_beat;
    let beat = if alone { "always judge by the click" } else { "always judge by the host's beat" };
    toggle(ui, beat, insists, |v| tasks.push(Task::InsistOnBeat(v)));
    if !alone {
        with_a_host(ui, choices, tasks);
    }
    let mut keeps_log = looks.keeps_log;
    ui.separator();
    ui.strong("Window");
    window(ui, looks);
    ui.separator();
    ui.strong("Practice log");
    toggle(ui, "what I keep goes into my practice log too", looks.keeps_log, |v| keeps_log = v);
    looks.keeps_log = keeps_log;
    ui.separator();
    ui.strong("About");
    ui.label(RichText::new(concat!("Notefront ", env!("CARGO_PKG_VERSION"))).small());
    ui.label(RichText::new(CAUTIONS).weak().small());
}

/// Marker notes are for a host to record, and only a host has a transport that stands.
fn with_a_host(ui: &mut Ui, choices: &Choices, tasks: &mut Vec<Task>) {
    ui.separator();
    ui.strong("Markers and listening");
    toggle(ui, "marker notes (delays the sound by 1 s)", choices.look_ahead, |v| tasks.push(Task::LookAhead(v)));
    toggle(ui, "listen while stopped", choices.listen_stopped, |v| tasks.push(Task::ListenStopped(v)));
}

fn within((least, most): (f32, f32)) -> RangeInclusive<f32> {
    least..=most
}

fn strictness(ui: &mut Ui, choices: &Choices, tasks: &mut Vec<Task>) {
    let mut value = choices.strictness;
    let slider =
        Slider::new(&mut value, within(Choices::STRICTNESS)).step_by(0.01).show_value(false).text("strictness");
    if ui.add(slider).on_hover_text(format!("{STRICTNESS_IN_WORDS}.")).changed() {
        tasks.push(Task::Strictness(value));
    }
    let word = match value {
        v if v < 0.34 => "relaxed",
        v if v <= 0.66 => "normal",
        _ => "strict",
    };
    ui.label(RichText::new(word).weak().small());
}

fn a4(ui: &mut Ui, choices: &Choices, tasks: &mut Vec<Task>) {
    let mut value = choices.a4_hz;
    ui.horizontal(|ui| {
        let label = ui.label("A4");
        let field = DragValue::new(&mut value).range(within(Choices::A4_HZ)).speed(0.5).fixed_decimals(1).suffix(" Hz");
        if ui.add(field).labelled_by(label.id).changed() {
            tasks.push(Task::A4(value));
        }
    });
}

fn swing(ui: &mut Ui, choices: &Choices, tasks: &mut Vec<Task>) {
    let mut value = choices.swing_percent;
    let slider = Slider::new(&mut value, within(Choices::SWING_PERCENT))
        .fixed_decimals(1)
        .suffix(" %")
        .text("first part of the beat");
    if ui.add(slider).changed() {
        tasks.push(Task::Swing(value));
    }
}

fn offset(ui: &mut Ui, choices: &Choices, estimate: Option<OffsetEstimate>, tasks: &mut Vec<Task>) {
    let mut value = choices.offset_ms;
    ui.horizontal(|ui| {
        let label = ui.label("recording offset");
        let field =
            DragValue::new(&mut value).range(within(Choices::OFFSET_MS)).speed(0.1).fixed_decimals(1).suffix(" ms");
        let why = "What the recording itself adds to every entrance: the round trip of the sound card.";
        if ui.add(field).labelled_by(label.id).on_hover_text(why).changed() {
            tasks.push(Task::Offset(value));
        }
    });
    let Some(estimate) = estimate else { return };
    ui.horizontal_wrapped(|ui| {
        let text = format!(
            "estimate from this pass: {:.0} \u{b1} {:.0} ms, {} entrances; a player who is late on average looks the same",
            estimate.offset_ms, estimate.uncertainty_ms, estimate.num_entrances
        );
        ui.label(RichText::new(text).weak().small());
        if ui.small_button("use it").clicked() {
            tasks.push(Task::Offset(estimate.offset_ms as f32));
        }
    });
}

fn toggle(ui: &mut Ui, label: &str, value: bool, mut send: impl FnMut(bool)) {
    let mut new = value;
    if ui.checkbox(&mut new, label).changed() {
        send(new);
    }
}

fn choose<T: OneOf>(ui: &mut Ui, label: &str, value: T, mut send: impl FnMut(T)) {
    ComboBox::from_label(label).selected_text(value.name()).show_ui(ui, |ui| {
        for one in T::ALL {
            if ui.selectable_label(*one == value, one.name()).clicked() {
                send(*one);
            }
        }
    });
}

fn window(ui: &mut Ui, looks: &mut Looks) {
    ui.horizontal(|ui| {
        ui.label("colours");
        ui.selectable_value(&mut looks.colours, Colours::Light, "light");
        ui.selectable_value(&mut looks.colours, Colours::Dark, "dark");
    });
    ui.horizontal(|ui| {
        ui.label("text size");
        if ui.button("\u{2212}").on_hover_text("smaller").clicked() {
            looks.text_scale -= TEXT_STEP;
        }
        ui.label(format!("{:.0} %", looks.text_scale * 100.0));
        if ui.button("+").on_hover_text("larger").clicked() {
            looks.text_scale += TEXT_STEP;
        }
    });
    looks.text_scale = looks.text_scale.clamp(TEXT_SCALE_RANGE.0, TEXT_SCALE_RANGE.1);
}
