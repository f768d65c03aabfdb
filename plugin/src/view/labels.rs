//! Labels in rows: the important come first, and what has no room is left out, since the ink still stands.

use super::filter::FaultFilter;
use crate::passes::Pass;
use egui::{Color32, FontId, Painter, pos2};
use notefront_takes::words;

/// Space between two labels in a row, pixels.
const APART_PX: f32 = 6.0;

/// A label that wants to stand around `x`.
#[derive(Debug, Clone, PartialEq)]
pub struct Label {
    /// Its middle, pixels.
    pub x: f32,
    /// Its words.
    pub text: String,
    /// How much it matters: the more, the sooner it finds room.
    pub weight: f64,
}

impl Label {
    /// What is unclear in an entrance, where that is shown; the less clear it is, the more it matters. What the ear alone
    /// tells says so.
    #[must_use]
    pub fn of_entrance(x: f32, pass: &Pass, place: usize, filter: &FaultFilter) -> Option<Self> {
        let entrance = pass.entrances.get(place)?;
        let by_ear = filter.of(entrance).iter().find(|f| pass.is_by_ear(place, f.name)).map(|f| words::word(f.name));
        let by_ear = by_ear.or_else(|| pass.is_unclear_by_ear(place).then_some("unclear"));
        let measured = Some(words::named(filter.ink(pass, place).iter())).filter(|text| !text.is_empty());
        let parts: Vec<String> = measured.into_iter().chain(by_ear.map(|word| format!("{word} by ear"))).collect();
        let text = parts.join(", ");
        (!text.is_empty()).then_some(Self { x, text, weight: -entrance.verdict.clarity })
    }
}

/// Where rows of labels stand.
#[derive(Debug, Clone, Copy)]
pub struct Rows {
    /// Top of the row that is taken first, pixels.
    pub first_top: f32,
    /// From a row to the next, pixels; negative: upwards.
    pub step: f32,
    /// How many.
    pub num: usize,
    /// Left and right end, pixels.
    pub x: (f32, f32),
}

/// Which row each label finds, if any; `widths` in pixels.
#[must_use]
pub fn placed(labels: &[Label], widths: &[f32], rows: &Rows) -> Vec<Option<usize>> {
    let mut taken: Vec<Vec<(f32, f32)>> = vec![Vec::new(); rows.num];
    let mut order: Vec<usize> = (0..labels.len()).collect();
    order.sort_by(|a, b| labels[*b].weight.total_cmp(&labels[*a].weight).then(a.cmp(b)));
    let mut row_of = vec![None; labels.len()];
    for i in order {
        let (left, right) = (labels[i].x - widths[i] / 2.0, labels[i].x + widths[i] / 2.0);
        let is_free = |row: &Vec<(f32, f32)>| row.iter().all(|t| right + APART_PX < t.0 || left > t.1 + APART_PX);
        if left < rows.x.0 || right > rows.x.1 {
            continue;
        }
        if let Some(row) = taken.iter().position(is_free) {
            taken[row].push((left, right));
            row_of[i] = Some(row);
        }
    }
    row_of
}

/// Writes labels.
pub fn draw(painter: &Painter, labels: &[Label], rows: &Rows, font: &FontId, colour: Color32) {
    let galleys: Vec<_> =
        labels.iter().map(|label| painter.layout_no_wrap(label.text.clone(), font.clone(), colour)).collect();
    let widths: Vec<f32> = galleys.iter().map(|galley| galley.size().x).collect();
    for ((label, galley), row) in labels.iter().zip(galleys).zip(placed(labels, &widths, rows)) {
        if let Some(row) = row {
            let left = label.x - galley.size().x / 2.0;
            painter.galley(pos2(left, rows.first_top + row as f32 * rows.step), galley, colour);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_important_find_room_first_and_none_lie_over_another() {
        let label = |x: f32, weight: f64| Label { x, text: String::new(), weight };
        let labels = [label(50.0, 0.1), label(60.0, 0.9), label(70.0, 0.5), label(200.0, 0.0), label(4.0, 1.0)];
        let rows = Rows { first_top: 0.0, step: 15.0, num: 2, x: (0.0, 300.0) };
        let found = placed(&labels, &[40.0; 5], &rows);
        // The last would run out on the left.
        assert_eq!(found, [None, Some(0), Some(1), Some(0), None]);
    }
}
