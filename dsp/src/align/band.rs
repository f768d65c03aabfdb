//! Which pairings an alignment considers: all of a small table, a band of a large one or of lists on one time line.

use super::{GAP_COST, PLACE_SPAN_S, Step};

/// Cells of the table, three bytes each, up to which every pairing is considered \[C\].
const MAX_CELLS: usize = 25_000_000;
/// Half width of the band of pairings considered in larger tables, entrances \[C\].
const BAND: usize = 1_000;
/// Distance on one time line beyond which no pair is cheaper than two gaps, s \[C\].
const LINE_REACH_S: f64 = 2.0 * GAP_COST * PLACE_SPAN_S;

/// The stretch of columns considered in each row: its first column, never falling, and the width of all.
pub(super) struct Band {
    starts: Vec<usize>,
    pub(super) width: usize,
}

impl Band {
    /// The whole of a small table, a diagonal band of a large one.
    pub(super) fn new(num_a: usize, num_b: usize) -> Self {
        let num_columns = num_b + 1;
        let half = BAND + num_a.abs_diff(num_b);
        let is_small = (num_a + 1).saturating_mul(num_columns) <= MAX_CELLS;
        let width = if is_small { num_columns } else { (2 * half + 1).min(num_columns) };
        let slope = num_b as f64 / num_a.max(1) as f64;
        let start = |row| ((row as f64 * slope) as usize).saturating_sub(half).min(num_columns - width);
        Self { starts: (0..=num_a).map(start).collect(), width }
    }

    /// For lists on one time line: which notes of `b` can be near a note of `a`. A row stands between two notes of
    /// `a`; it goes from what is far before the first of them to what is far after the second.
    pub(super) fn on_line(a: &[Step], b: &[Step]) -> Self {
        let num_before = |at_s: f64| b.partition_point(|step| step.at_s < at_s);
        let mut starts = vec![0];
        starts.extend(a.iter().map(|step| num_before(step.at_s - LINE_REACH_S)));
        let ends = a.iter().map(|step| num_before(step.at_s + LINE_REACH_S)).chain([b.len()]);
        // Whatever the times are, a row begins no earlier than the one before and meets the next.
        (1..starts.len()).for_each(|row| starts[row] = starts[row].max(starts[row - 1]));
        let next = starts.iter().skip(1).copied().chain([b.len()]);
        let reaches = ends.zip(next).map(|(end, next)| end.max(next));
        let width = starts.iter().zip(reaches).map(|(start, end)| end.max(*start) - start + 1).max().unwrap_or(1);
        starts.iter_mut().for_each(|start| *start = (*start).min(b.len() + 1 - width));
        Self { starts, width }
    }

    /// First column of a row.
    pub(super) fn start(&self, row: usize) -> usize {
        self.starts[row]
    }

    /// The columns of a row. The last row reaches the last column.
    pub(super) fn columns(&self, row: usize) -> std::ops::Range<usize> {
        self.starts[row]..self.starts[row] + self.width
    }

    /// Every column in every row.
    #[cfg(test)]
    pub(super) fn whole(num_a: usize, num_b: usize) -> Self {
        Self { starts: vec![0; num_a + 1], width: num_b + 1 }
    }
}
