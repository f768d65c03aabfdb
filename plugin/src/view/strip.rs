//! The strip of counts by fault: it shows how often each occurred, and filters.

use super::counts::Counts;
use super::filter::FaultFilter;
use super::theme::Theme;
use egui::{Button, RichText, Ui};
use notefront_dsp::FaultName;
use notefront_takes::words;

/// Below this height a window is low, pixels.
const LOW_WINDOW_PX: f32 = 480.0;

/// Draws the strip; clicks change the filter.
pub fn show(ui: &mut Ui, counts: &Counts, filter: &mut FaultFilter, theme: &Theme) {
    // In a low window the strip keeps to one line and scrolls.
    if ui.ctx().content_rect().height() < LOW_WINDOW_PX {
        egui::ScrollArea::horizontal().show(ui, |ui| ui.horizontal(|ui| show_counts(ui, counts, filter, theme)));
    } else {
        ui.horizontal_wrapped(|ui| show_counts(ui, counts, filter, theme));
    }
}

fn show_counts(ui: &mut Ui, counts: &Counts, filter: &mut FaultFilter, theme: &Theme) {
    let clear = counts.num_entrances - counts.num_flagged;
    ui.label(RichText::new(format!("{clear} of {} clear", counts.num_entrances)).strong());
    for fault in FaultName::ALL {
        let num = counts.by_fault[fault as usize];
        if num == 0 && filter.shows(fault) {
            continue;
        }
        show_fault(ui, fault, num, filter, theme);
    }
    if counts.num_by_ear > 0 {
        ui.label(format!("unclear by ear {}", counts.num_by_ear));
    }
    if !filter.is_clear() && ui.button("show all").clicked() {
        filter.clear();
    }
}

fn show_fault(ui: &mut Ui, fault: FaultName, num: usize, filter: &mut FaultFilter, theme: &Theme) {
    let is_shown = filter.shows(fault);
    let colour = if is_shown { theme.ink } else { theme.soft_ink };
    let text = RichText::new(format!("{} {num}", words::word(fault))).color(colour);
    let text = if is_shown { text } else { text.strikethrough() };
    let response = ui.add(Button::selectable(is_shown, text)).on_hover_text(format!(
        "{}: {num} entrances. Click to hide or show; double-click to see it alone.",
        words::word(fault)
    ));
    if response.double_clicked() {
        // The two clicks of a double click have toggled it twice.
        filter.only(fault);
    } else if response.clicked() {
        filter.toggle(fault);
    }
}
