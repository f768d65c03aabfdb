//! Counts in place of strokes when they would stand too close: a group is never a blur.

use super::filter::FaultFilter;
use super::scale::TimeScale;
use crate::passes::Pass;
use notefront_dsp::Entrance;
use std::ops::Range;

/// Strokes closer than this on average are shown as counts, pixels.
pub const MIN_STROKE_DISTANCE_PX: f32 = 5.0;
/// Width of a column of counts, pixels at least.
const COLUMN_PX: f64 = 26.0;

/// One column of counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Column {
    /// Indexes of its entrances within the pass: first, and one past the last.
    pub first: usize,
    /// One past the last.
    pub end: usize,
    /// Entrances with a fault that is shown.
    pub num_flagged: usize,
    /// Place in steps of [`column_s`].
    pub place: i64,
}

impl Column {
    /// Entrances in it.
    #[must_use]
    pub fn num(&self) -> usize {
        self.end - self.first
    }
}

/// Entrances on the screen, by index, with one more on either side for ink that reaches in.
#[must_use]
pub fn visible(entrances: &[Entrance], scale: &TimeScale) -> Range<usize> {
    let first = entrances.partition_point(|e| e.front.speaks_s < scale.left_s);
    let end = entrances.partition_point(|e| e.front.speaks_s <= scale.right_s());
    first.saturating_sub(1)..(end + 1).min(entrances.len())
}

/// True when the entrances on the screen stand too close for strokes.
#[must_use]
pub fn is_crowded(num_visible: usize, scale: &TimeScale) -> bool {
    num_visible as f32 * MIN_STROKE_DISTANCE_PX > scale.width
}

/// Length of a column, seconds: a power of two, so that columns keep their place while scrolling.
#[must_use]
pub fn column_s(scale: &TimeScale) -> f64 {
    (COLUMN_PX / scale.px_per_s).log2().ceil().exp2()
}

/// Counts of the entrances on the screen.
#[must_use]
pub fn columns(pass: &Pass, scale: &TimeScale, filter: &FaultFilter) -> Vec<Column> {
    let entrances = &pass.entrances;
    let step = column_s(scale);
    let mut columns: Vec<Column> = Vec::new();
    for index in visible(entrances, scale) {
        let place = (entrances[index].front.speaks_s / step).floor() as i64;
        let is_flagged = usize::from(filter.flags(pass, index));
        match columns.last_mut().filter(|c| c.place == place) {
            Some(column) => {
                column.end = index + 1;
                column.num_flagged += is_flagged;
            }
            None => columns.push(Column { first: index, end: index + 1, num_flagged: is_flagged, place }),
        }
    }
    columns
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;

    #[test]
    fn every_entrance_is_counted_once() {
        let pass = fixture::mixed_pass(10_000, 3);
        let scale = TimeScale::fit(pass.duration_s, 0.0, 1000.0);
        assert!(is_crowded(visible(&pass.entrances, &scale).len(), &scale));
        let columns = columns(&pass, &scale, &FaultFilter::default());
        assert_eq!(columns.iter().map(Column::num).sum::<usize>(), 10_000);
        assert_eq!(columns.iter().map(|c| c.num_flagged).sum::<usize>(), pass.num_flagged());
        assert!(columns.len() < 60);
    }

    #[test]
    fn columns_keep_their_entrances_while_scrolling() {
        let pass = fixture::mixed_pass(500, 3);
        let scale = TimeScale { left_s: 20.0, px_per_s: 4.0, x0: 0.0, width: 800.0 };
        let before = columns(&pass, &scale, &FaultFilter::default());
        let after = columns(&pass, &scale.scrolled(37.0, pass.duration_s), &FaultFilter::default());
        let inner = &before[5];
        assert!(after.contains(inner));
    }

    #[test]
    fn an_empty_pass_has_no_columns() {
        let scale = TimeScale::fit(0.0, 0.0, 800.0);
        assert!(columns(&fixture::pass_at_60(&[]), &scale, &FaultFilter::default()).is_empty());
        assert_eq!(visible(&[], &scale), 0..0);
    }
}
