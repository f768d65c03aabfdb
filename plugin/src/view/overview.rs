//! What a pass says before an entrance is chosen: how many are unclear, which to listen to first, what they share.

use super::filter::FaultFilter;
use super::kept::Kept;
use super::theme::Theme;
use crate::overview::Overview;
use crate::passes::{Pass, Revision};
use crate::words;
use egui::{Button, RichText, ScrollArea, Ui};
use notefront_takes::table::listen_to;
use notefront_takes::words::{because, word, worst_first};

/// The overview of a pass, through this filter.
pub type KeptOverview = Kept<(Revision, FaultFilter), Overview>;

/// Draws the overview of a pass; the entrance that was clicked.
pub fn show(ui: &mut Ui, pass: &Pass, filter: &FaultFilter, kept: &mut KeptOverview, theme: &Theme) -> Option<usize> {
    let overview = kept.of((pass.revision, *filter), || Overview::of(pass, |fault| filter.shows(fault)));
    let mut clicked = None;
    ScrollArea::vertical().auto_shrink(false).show(ui, |ui| {
        ui.label(RichText::new(overview.headline()).heading().strong());
        if overview.num_flagged == 0 {
            return;
        }
        ui.label(format!("{}.", overview.faults));
        ui.label(
            overview.shared.as_deref().unwrap_or("They have nothing in common that chance would not give them too."),
        );
        ui.add_space(6.0);
        ui.label(RichText::new(format!("{}:", listen_to(overview.worst.len()))).color(theme.soft_ink));
        for &index in &overview.worst {
            let text = RichText::new(sentence(pass, index, filter)).color(theme.ink);
            if ui.add(Button::new(text).wrap()).on_hover_text("Look at it in close-up").clicked() {
                clicked = Some(index);
            }
        }
    });
    clicked
}

/// An entrance in a line: "C3, bar 4, beat 3.1: came in 97 cents below and took 166 ms to settle".
fn sentence(pass: &Pass, index: usize, filter: &FaultFilter) -> String {
    let entrance = &pass.entrances[index];
    let shown = worst_first(entrance).into_iter().filter(|f| filter.shows(f.name));
    let told = |name| match pass.is_by_ear(index, name) {
        true => format!("{} by ear", word(name)),
        false => because(entrance, name),
    };
    let why: Vec<String> = shown.map(|f| told(f.name)).collect();
    format!("{}, {}: {}", words::note(entrance), words::place(pass, entrance.front.speaks_s).at, why.join("; "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;
    use notefront_dsp::FaultName;

    #[test]
    fn an_entrance_in_a_line_names_its_note_its_place_and_only_what_is_shown() {
        let mut pass = fixture::pass_at_60(&[3.004]);
        for fault in [FaultName::Airy, FaultName::Below] {
            pass.entrances[0] = fixture::with_fault(pass.entrances[0], fault, 0.5);
        }
        let mut filter = FaultFilter::default();
        filter.only(FaultName::Below);
        let text = sentence(&pass, 0, &filter);
        assert!(text.contains("bar 1, beat 4.0: ") && text.contains("below") && !text.contains("air"), "{text}");
    }
}
