//! The patterns: where it goes wrong, as shares with their confidence intervals.

use super::filter::FaultFilter;
use super::theme::Theme;
use crate::passes::{Pass, PassId, Revision};
use crate::patterns::{self, Facet, Row};
use crate::session::Session;
use egui::{Frame, Grid, Margin, Rect, RichText, ScrollArea, Sense, Stroke, Ui, pos2, vec2};
use notefront_takes::patterns::{Share, part_minutes};
use notefront_takes::summary::MIN_VALUES;
use notefront_takes::words;
use std::time::Duration;

/// Size of an interval's picture at normal text size, pixels.
const BAR_PX: (f32, f32) = (150.0, 14.0);
/// A second column of facets from this width on, pixels at normal text size.
const TWO_COLUMNS_PX: f32 = 980.0;
/// While passes change the rows are counted anew no sooner than this, seconds: over a long session that takes a while.
const STALE_S: f64 = 0.5;

/// What the view keeps between frames.
#[derive(Debug, Clone, Default)]
pub struct PatternsView {
    /// Over all passes of the session, not the one on show alone.
    pub whole_session: bool,
    counted: Option<Counted>,
}

/// What the rows are counted of: the passes, and the minutes of a part.
type Of = (Vec<Revision>, f64);
/// What the player chose to see: one pass or all, and the faults that count.
type Chosen = (Option<PassId>, FaultFilter);

#[derive(Debug, Clone)]
struct Counted {
    of: Of,
    chosen: Chosen,
    at_s: f64,
    num: usize,
    sections: [(Facet, Vec<Row>); Facet::ALL.len()],
}

impl PatternsView {
    fn count(&mut self, ui: &Ui, input: &PatternsInput<'_>) -> &Counted {
        let (filter, at_s) = (input.filter, ui.input(|i| i.time));
        let passes: Vec<&Pass> =
            if self.whole_session { input.session.passes().iter().collect() } else { vec![input.pass] };
        let chosen = ((!self.whole_session).then_some(input.pass.id), filter);
        let minutes = part_minutes(passes.iter().map(|p| p.duration_s).sum());
        let of = (passes.iter().map(|p| p.revision).collect(), minutes);
        let kept = self.counted.take().filter(|c| c.chosen == chosen);
        let waits = |c: &Counted| {
            let left_s = STALE_S - (at_s - c.at_s);
            let waits = c.of != of && (0.0..=STALE_S).contains(&left_s);
            if waits {
                ui.ctx().request_repaint_after(Duration::from_secs_f64(left_s));
            }
            waits
        };
        let kept = kept.filter(|c| c.of == of || waits(c));
        self.counted.insert(kept.unwrap_or_else(|| {
            let num = passes.iter().map(|p| p.entrances.len()).sum();
            let sections = patterns::sections(&passes, |fault| filter.shows(fault));
            Counted { of, chosen, at_s, num, sections }
        }))
    }
}

/// What the patterns are told of.
pub struct PatternsInput<'a> {
    /// All passes.
    pub session: &'a Session,
    /// The one on show.
    pub pass: &'a Pass,
    /// Faults that count.
    pub filter: FaultFilter,
    /// Colours.
    pub theme: &'a Theme,
    /// Text size, 1 = normal.
    pub text_scale: f32,
}

/// Draws the patterns into `rect`.
pub fn show(ui: &mut Ui, rect: Rect, view: &mut PatternsView, input: &PatternsInput<'_>) {
    let (theme, text_scale) = (input.theme, input.text_scale);
    ui.painter().rect_filled(rect, 0.0, theme.paper);
    let mut inner = ui.new_child(egui::UiBuilder::new().id_salt("patterns").max_rect(rect));
    Frame::new().inner_margin(Margin::symmetric(12, 8)).show(&mut inner, |ui| {
        ui.horizontal_wrapped(|ui| {
            ui.label("flagged entrances of");
            ui.selectable_value(&mut view.whole_session, false, "this pass");
            ui.selectable_value(&mut view.whole_session, true, "all passes");
        });
        let counted = view.count(ui, input);
        let text = format!(
            "{} entrances. A dot is the share flagged, the bar around it the range it lies in 9 times out of 10: where bars \
             overlap, the difference may be chance. Nothing is told for fewer than {MIN_VALUES} notes.",
            counted.num
        );
        ui.label(RichText::new(text).small().color(theme.soft_ink));
        ui.add_space(6.0);
        ScrollArea::vertical().id_salt("patterns").auto_shrink(false).show(ui, |ui| {
            sections(ui, &counted.sections, theme, text_scale);
        });
    });
}

fn sections(ui: &mut Ui, all: &[(Facet, Vec<Row>)], theme: &Theme, text_scale: f32) {
    let num_columns = if ui.available_width() > TWO_COLUMNS_PX * text_scale { 2 } else { 1 };
    let per_column = all.len().div_ceil(num_columns);
    ui.columns(num_columns, |columns| {
        for (i, (ui, sections)) in columns.iter_mut().zip(all.chunks(per_column)).enumerate() {
            // One grid for all, so that the bars of different sections stand under one another.
            Grid::new(("sections", i)).num_columns(4).spacing(vec2(12.0, 3.0)).show(ui, |ui| {
                for (facet, rows) in sections {
                    section(ui, *facet, rows, theme, text_scale);
                }
            });
        }
    });
}

fn section(ui: &mut Ui, facet: Facet, rows: &[Row], theme: &Theme, text_scale: f32) {
    ui.strong(facet.title());
    ui.end_row();
    for row in rows {
        ui.label(format!("   {}", row.label));
        match row.share {
            Some(share) => {
                bar(ui, row, &share, theme, text_scale);
                ui.label(format!("{} of {}", row.num_flagged, row.num));
                ui.label(RichText::new(most(row)).color(theme.soft_ink));
            }
            None => {
                ui.label(RichText::new("too few to tell").weak());
                ui.label(RichText::new(format!("{} {}", row.num, notes(row.num))).weak());
            }
        }
        ui.end_row();
    }
}

fn notes(num: usize) -> &'static str {
    if num == 1 { "note" } else { "notes" }
}

fn most(row: &Row) -> String {
    let named = row.most.map(|(fault, num)| (words::word(fault), num));
    let by_ear = Some((words::BY_EAR, row.num_by_ear)).filter(|(_, num)| *num > named.map_or(0, |(_, num)| num));
    by_ear.or(named).map_or(String::new(), |(word, num)| format!("mostly {word} ({num})"))
}

/// What a row says to a reader who does not see the bar.
#[must_use]
pub fn in_words(row: &Row, share: &Share) -> String {
    let percent = |v: f64| format!("{:.0}", v * 100.0);
    format!(
        "{}: {} of {} flagged, {} % ({} to {} %)",
        row.label,
        row.num_flagged,
        row.num,
        percent(share.value),
        percent(share.low),
        percent(share.high)
    )
}

fn bar(ui: &mut Ui, row: &Row, share: &Share, theme: &Theme, text_scale: f32) {
    let size = vec2(BAR_PX.0, BAR_PX.1) * text_scale;
    let (rect, response) = ui.allocate_exact_size(size, Sense::hover());
    let x = |v: f64| rect.left() + 4.0 + v as f32 * (rect.width() - 8.0);
    let y = rect.center().y;
    let painter = ui.painter();
    painter.hline(x(0.0)..=x(1.0), y, Stroke::new(1.0, theme.faint));
    for quarter in [0.0, 0.5, 1.0] {
        painter.vline(x(quarter), y - 4.0..=y + 4.0, Stroke::new(1.0, theme.rule));
    }
    let range = Rect::from_min_max(pos2(x(share.low), y - 2.5), pos2(x(share.high), y + 2.5));
    painter.rect_filled(range, 2.0, theme.amount(0.35));
    painter.circle_filled(pos2(x(share.value), y), 4.0, theme.ink);
    let text = in_words(row, share);
    response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Figure, true, &text));
    response.on_hover_text(text);
}
