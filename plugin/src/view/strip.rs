//! The strip of counts by fault: it shows how often each occurred, and filters.

use super::filter::FaultFilter;
use super::theme::Theme;
use crate::passes::Pass;
use egui::{Button, RichText, Ui};
use notefront_dsp::FaultName;
use notefront_takes::words;

/// Below this height a window is low, pixels.
const LOW_WINDOW_PX: f32 = 480.0;

/// Counts of one pass.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counts {
    /// By fault, in the order of [`FaultName::ALL`].
    pub by_fault: [usize; FaultName::ALL.len()],
    /// All entrances.
    pub num_entrances: usize,
    /// Entrances with any fault, or unclear to the ear.
    pub num_flagged: usize,
    /// Those unclear to the ear alone, without a fault's name.
    pub num_by_ear: usize,
}

impl Counts {
    /// Counts the faults of a pass; an entrance with two counts under both.
    #[must_use]
    pub fn of(pass: &Pass) -> Self {
        let (num_flagged, num_by_ear) = (pass.num_flagged(), pass.num_unclear_by_ear());
        let mut counts =
            Self { num_entrances: pass.entrances.len(), num_flagged, num_by_ear, by_fault: Default::default() };
        for entrance in &pass.entrances {
            entrance.verdict.faults.iter().for_each(|f| counts.by_fault[f.name as usize] += 1);
        }
        counts
    }
}

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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;
    use notefront_takes::corrections::{By, What};

    #[test]
    fn an_entrance_with_two_faults_counts_under_both_and_once_as_flagged() {
        let mut pass = fixture::pass_at_60(&[1.0, 2.0]);
        for fault in [FaultName::Airy, FaultName::Late] {
            pass.entrances[1] = fixture::with_fault(pass.entrances[1], fault, 0.5);
        }
        let judging = crate::choices::Choices::default().judging();
        let heard = What::Unclear { fault: None };
        let mut by_ear = fixture::pass_at_60(&[1.0, 2.0]);
        by_ear.say(By::Insert, 2.0, heard, &judging);
        let counts = Counts::of(&by_ear);
        assert_eq!((counts.num_flagged, counts.num_by_ear, counts.by_fault.iter().sum::<usize>()), (1, 1, 0));
        let counts = Counts::of(&pass);
        assert_eq!((counts.num_entrances, counts.num_flagged), (2, 1));
        assert_eq!(counts.by_fault.iter().sum::<usize>(), 2);
    }
}
