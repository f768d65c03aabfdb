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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_sounds::dice;

    fn steps(times_s: impl IntoIterator<Item = f64>) -> Vec<Step> {
        times_s.into_iter().map(|at_s| Step { at_s, midi_note: Some(46) }).collect()
    }

    /// From the first pairing to the last there is a way through every row, each no earlier than the one before.
    fn assert_passable(band: &Band, num_a: usize, num_b: usize) {
        assert_eq!((band.start(0), band.columns(num_a).end), (0, num_b + 1), "{num_a} against {num_b}");
        for row in 1..=num_a {
            assert!(band.start(row) >= band.start(row - 1), "{num_a} against {num_b}, row {row}");
            assert!(
                band.columns(row).start < band.columns(row - 1).end,
                "{num_a} against {num_b}, row {row}: they meet"
            );
            assert!(band.columns(row).end <= num_b + 1);
        }
    }

    #[test]
    fn a_small_table_is_looked_at_whole_and_a_large_one_along_its_diagonal() {
        for (num_a, num_b) in [(0, 0), (0, 5), (5, 0), (1, 1), (300, 200)] {
            let band = Band::new(num_a, num_b);
            assert!((0..=num_a).all(|row| band.columns(row) == (0..num_b + 1)), "{num_a} against {num_b}");
        }
        for (num_a, num_b) in [(6_000, 6_000), (6_000, 9_000), (12_000, 4_000), (30_000, 900)] {
            let band = Band::new(num_a, num_b);
            assert_passable(&band, num_a, num_b);
            // What lies within a thousand of the straight way from corner to corner is never left out.
            for row in (0..=num_a).step_by(97) {
                let straight = row as f64 * num_b as f64 / num_a as f64;
                let (low, high) = ((straight - 990.0).max(0.0) as usize, ((straight + 990.0) as usize).min(num_b));
                assert!(band.columns(row).contains(&low) && band.columns(row).contains(&high), "row {row}");
            }
        }
    }

    #[test]
    fn on_one_line_every_pair_within_reach_is_looked_at() {
        for seed in 0..20 {
            let mut dice = dice(seed + 1);
            let mut times = |num: usize, from_s: f64| {
                let mut at_s = from_s;
                steps((0..num).map(|_| {
                    at_s += 2.0 * dice().powi(2);
                    at_s
                }))
            };
            let (a, b) = (times(80, 0.0), times(60, 10.0));
            let band = Band::on_line(&a, &b);
            assert_passable(&band, a.len(), b.len());
            for (i, note) in a.iter().enumerate() {
                for (j, other) in b.iter().enumerate() {
                    let is_near = (note.at_s - other.at_s).abs() < LINE_REACH_S;
                    // A pair of notes lies between its rows and columns: from (i, j) to (i + 1, j + 1).
                    let is_seen = band.columns(i).contains(&j) && band.columns(i + 1).contains(&(j + 1));
                    assert!(is_seen || !is_near, "seed {seed}: {i} and {j}");
                }
            }
        }
    }

    #[test]
    fn times_in_no_order_make_a_band_all_the_same() {
        let odd = steps([5.0, f64::NAN, 1.0, f64::INFINITY, 2.0, f64::NEG_INFINITY]);
        for (a, b) in [(&odd[..], &odd[..3]), (&odd[..2], &odd[..]), (&[][..], &odd[..]), (&odd[..], &[][..])] {
            assert_passable(&Band::on_line(a, b), a.len(), b.len());
        }
        assert_passable(&Band::whole(3, 7), 3, 7);
    }
}
