//! Where it goes wrong, over many takes: every kind of note with its counts, medians and intervals, and which kinds stand
//! out against the player's own other notes.

mod cells;
mod standing;

pub use cells::{Cell, Measure, Typical};
pub use standing::{MOST_STANDING, Standing, standing_out};

use super::Played;
use super::read::sessions;
use crate::patterns::{Facet, Kind, Share};
use crate::summary::MIN_VALUES;
use cells::{Cells, Unders};
use rayon::prelude::*;

/// One kind of note.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// In which facet.
    pub facet: Facet,
    /// Which kind.
    pub kind: Kind,
    /// Notes, faults.
    pub cell: Cell,
    /// The share that is unclear; `None` of fewer than five notes.
    pub unclear: Option<Share>,
    /// Medians in the order of [`Measure::ALL`]; `None` of fewer than five values.
    pub typical: [Option<Typical>; Measure::ALL.len()],
}

/// The habits of a player over some takes.
#[derive(Debug, Clone, PartialEq)]
pub struct Habits {
    /// Sessions, takes, notes.
    pub counts: (usize, usize, usize),
    /// All notes as one kind.
    pub all: Row,
    /// Kinds with at least one note, by facet.
    pub rows: Vec<Row>,
    /// What stands out, the clearest case first.
    pub standing: Vec<Standing>,
}

impl Habits {
    /// Those of takes in the order they were played.
    #[must_use]
    pub fn of(played: &[Played]) -> Self {
        let sessions = sessions(played);
        let cells = Cells::of(&sessions);
        let unders = Unders::of(&sessions, &cells);
        let row = |facet: Facet, kind: Kind| {
            let cell = cells.cell(facet, kind);
            let typical = std::array::from_fn(|m| cells.typical(facet, kind, m, &unders));
            Row { facet, kind, unclear: Share::of(cell.num_flagged, cell.num), cell, typical }
        };
        let kinds = |facet| cells.kinds(facet).map(move |kind| (facet, kind));
        let rows: Vec<(Facet, Kind)> = Facet::ALL.into_iter().flat_map(kinds).collect();
        Self {
            counts: (sessions.len(), played.len(), played.iter().map(Played::num_notes).sum()),
            all: cells.all(&unders),
            rows: rows.into_par_iter().map(|(facet, kind)| row(facet, kind)).collect(),
            standing: standing_out(&sessions),
        }
    }

    /// The rows of a facet that have enough notes to be told; and how many have fewer.
    #[must_use]
    pub fn told(&self, facet: Facet) -> (Vec<&Row>, usize) {
        let of_facet = self.rows.iter().filter(|row| row.facet == facet);
        let (told, few): (Vec<_>, Vec<_>) = of_facet.partition(|row| row.cell.num >= MIN_VALUES);
        (told, few.len())
    }
}

#[cfg(test)]
mod tests;
