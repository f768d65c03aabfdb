//! Counts of every kind of note, fast enough for years of playing: figures are counted in whole units, and medians read off
//! the counts.

use super::Row;
use crate::log::Played;
use crate::log::digest::{Counted, NO_KIND, UNTOLD};
use crate::patterns::{Facet, Kind, Share};
use crate::statistics::Draws;
use crate::summary::MIN_VALUES;
use notefront_dsp::FaultName;
use rayon::prelude::*;

/// Kinds that a facet can have.
const KINDS: [usize; Facet::ALL.len()] = [256, 5, 3, 3, 10, 8, 7];
/// All of them.
pub(super) const NUM_CELLS: usize = 292;
/// Blocks of sessions that are drawn anew for an interval: more tell nothing more, and cost time.
const MOST_BLOCKS: usize = 200;

/// What medians are told of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Measure {
    /// 0 to 100.
    Clarity,
    /// ms.
    Settle,
    /// ms of air, of the notes with air.
    Noise,
    /// ms, positive = late.
    Timing,
}

impl Measure {
    /// All, in the order they are shown.
    pub const ALL: [Self; 4] = [Self::Clarity, Self::Settle, Self::Noise, Self::Timing];

    /// Lowest and highest whole unit that is told apart; what lies beyond counts as the end.
    const fn range(self) -> (i32, i32) {
        match self {
            Self::Clarity => (0, 100),
            Self::Settle | Self::Noise => (0, 400),
            Self::Timing => (-200, 200),
        }
    }

    /// Its heading, with its unit.
    #[must_use]
    pub fn title(self) -> &'static str {
        match self {
            Self::Clarity => "clarity",
            Self::Settle => "settles in, ms",
            Self::Noise => "air, ms",
            Self::Timing => "off the beat, ms",
        }
    }

    fn of(self, note: &Counted) -> Option<i32> {
        let (low, high) = self.range();
        let value = match self {
            Self::Clarity => i32::from(note.clarity),
            Self::Settle => whole(note.tenths[0])?,
            Self::Noise => whole(note.tenths[1])?,
            Self::Timing => whole(note.tenths[2])?,
        };
        Some(value.clamp(low, high))
    }
}

/// Tenths as the nearest whole, halves away from nothing; `None` where they are not told.
fn whole(tenths: i16) -> Option<i32> {
    let tenths = (tenths != UNTOLD).then_some(i32::from(tenths))?;
    Some((tenths + 5 * tenths.signum()) / 10)
}

/// Where the counts of a measure begin and end in a row of counts.
const BINS: [(usize, usize); 4] = [(0, 101), (101, 502), (502, 903), (903, 1304)];
const NUM_BINS: usize = 1304;

/// Notes of one kind.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Cell {
    /// Notes.
    pub num: usize,
    /// Those with any fault.
    pub num_flagged: usize,
    /// Those with each fault, in the order of `FaultName::ALL`.
    pub faults: [usize; FaultName::ALL.len()],
}

impl Cell {
    fn count(&mut self, note: &Counted) {
        self.num += 1;
        self.num_flagged += usize::from(note.faults != 0);
        let mut left = note.faults & ((1 << FaultName::ALL.len()) - 1);
        while left != 0 {
            self.faults[left.trailing_zeros() as usize] += 1;
            left &= left - 1;
        }
    }

    fn join(&mut self, other: &Self) {
        self.num += other.num;
        self.num_flagged += other.num_flagged;
        self.faults.iter_mut().zip(other.faults).for_each(|(a, b)| *a += b);
    }

    /// Faults that occur, the most frequent first.
    #[must_use]
    pub fn most_frequent(&self) -> Vec<(FaultName, usize)> {
        let mut found: Vec<_> = FaultName::ALL.map(|name| (name, self.faults[name as usize])).to_vec();
        found.retain(|&(_, num)| num > 0);
        found.sort_by_key(|&(_, num)| std::cmp::Reverse(num));
        found
    }
}

/// A median with the interval that holds the true one in about 90 % of cases.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Typical {
    /// The median, in the unit of its measure.
    pub median: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// Values it stands on.
    pub num: usize,
}

/// The place of a kind among all cells; the last is that of all notes.
pub(super) fn place(facet: Facet, kind: Kind) -> usize {
    /// Where the cells of each facet begin.
    const FROM: [usize; Facet::ALL.len()] = [0, 256, 261, 264, 267, 277, 285];
    FROM[facet as usize] + usize::from(kind).min(KINDS[facet as usize] - 1)
}

/// The cells a note lies in.
fn places(note: &Counted) -> impl Iterator<Item = usize> {
    let told = Facet::ALL.into_iter().zip(note.kinds).filter(|(_, kind)| *kind != NO_KIND);
    told.map(|(facet, kind)| place(facet, kind)).chain(std::iter::once(NUM_CELLS))
}

/// The kind of a cell.
pub(super) fn key(at: usize) -> (Facet, Kind) {
    let facet = Facet::ALL.into_iter().rfind(|&facet| place(facet, 0) <= at).unwrap_or(Facet::Place);
    (facet, (at - place(facet, 0)) as Kind)
}

/// All kinds, counted.
pub struct Cells {
    cells: Vec<Cell>,
    bins: Vec<u32>,
}

impl Cells {
    fn empty() -> Self {
        Self { cells: vec![Cell::default(); NUM_CELLS + 1], bins: vec![0; (NUM_CELLS + 1) * NUM_BINS] }
    }

    /// Counts sessions.
    pub fn of(sessions: &[&[Played]]) -> Self {
        let chunk = sessions.len().div_ceil(2 * rayon::current_num_threads()).max(1);
        sessions.par_chunks(chunk).map(Self::count).reduce(Self::empty, Self::join)
    }

    fn count(sessions: &[&[Played]]) -> Self {
        let mut counted = Self::empty();
        for played in sessions.iter().copied().flatten() {
            for note in played.counted() {
                let values = Measure::ALL.map(|measure| measure.of(&note).map(|v| (v - measure.range().0) as usize));
                for at in places(&note) {
                    counted.cells[at].count(&note);
                    for (value, (from, _)) in values.iter().zip(BINS) {
                        if let Some(value) = value {
                            counted.bins[at * NUM_BINS + from + value] += 1;
                        }
                    }
                }
            }
        }
        counted
    }

    fn join(mut self, other: Self) -> Self {
        self.cells.iter_mut().zip(&other.cells).for_each(|(a, b)| a.join(b));
        self.bins.iter_mut().zip(&other.bins).for_each(|(a, b)| *a += b);
        self
    }

    /// The kinds of a facet that occur.
    pub fn kinds(&self, facet: Facet) -> impl Iterator<Item = Kind> + '_ {
        let all = (0..KINDS[facet as usize]).map(|kind| kind as Kind);
        all.filter(move |&kind| self.cells[place(facet, kind)].num > 0)
    }

    /// The counts of a kind.
    pub fn cell(&self, facet: Facet, kind: Kind) -> Cell {
        self.cells[place(facet, kind)]
    }

    /// All notes as one row; the facet stands for none.
    pub fn all(&self, unders: &Unders) -> Row {
        let cell = self.cells[NUM_CELLS];
        Row {
            facet: Facet::Register,
            kind: Kind::MAX,
            unclear: Share::of(cell.num_flagged, cell.num),
            typical: std::array::from_fn(|m| self.typical_at(NUM_CELLS, m, unders)),
            cell,
        }
    }

    fn bins(&self, at: usize, measure: usize) -> &[u32] {
        let (from, to) = BINS[measure];
        &self.bins[at * NUM_BINS + from..at * NUM_BINS + to]
    }

    fn num_values(&self, at: usize, measure: usize) -> usize {
        self.bins(at, measure).iter().map(|&num| num as usize).sum()
    }

    /// The value at a quantile, in whole units.
    fn at(&self, at: usize, measure: usize, quantile: f64) -> Option<f64> {
        let num = self.num_values(at, measure);
        if num < MIN_VALUES {
            return None;
        }
        let wanted = quantile * num as f64;
        let mut under = 0.0;
        let bins = self.bins(at, measure);
        let bin = bins.iter().position(|&num| {
            under += f64::from(num);
            under >= wanted && num > 0
        });
        Some(f64::from(Measure::ALL[measure].range().0) + bin.unwrap_or(bins.len() - 1) as f64)
    }

    /// The median of a kind with its interval.
    pub fn typical(&self, facet: Facet, kind: Kind, measure: usize, unders: &Unders) -> Option<Typical> {
        self.typical_at(place(facet, kind), measure, unders)
    }

    fn typical_at(&self, at: usize, measure: usize, unders: &Unders) -> Option<Typical> {
        let median = self.at(at, measure, 0.5)?;
        let (low, high) = unders.draws.interval(&unders.of_cell(at, measure))?;
        Some(Typical {
            median,
            low: self.at(at, measure, low)?.min(median),
            high: self.at(at, measure, high)?.max(median),
            num: self.num_values(at, measure),
        })
    }
}

/// How many notes of each block of sessions lie under the median of their kind.
pub struct Unders {
    blocks: Vec<Vec<(f32, f32)>>,
    draws: Draws,
}

impl Unders {
    /// Of sessions; where there are few, of takes, and where there are few of those, of notes.
    pub fn of(sessions: &[&[Played]], cells: &Cells) -> Self {
        let medians: Vec<Option<i32>> = (0..=NUM_CELLS)
            .flat_map(|at| (0..Measure::ALL.len()).map(move |m| (at, m)))
            .map(|(at, m)| cells.at(at, m, 0.5).map(|median| median as i32))
            .collect();
        let takes: Vec<&Played> = sessions.iter().copied().flatten().collect();
        let blocks: Vec<Vec<&Played>> = if sessions.len() >= MIN_VALUES {
            let per_block = sessions.len().div_ceil(MOST_BLOCKS);
            sessions.chunks(per_block).map(|chunk| chunk.iter().copied().flatten().collect()).collect()
        } else {
            takes.iter().map(|&take| vec![take]).collect()
        };
        let blocks: Vec<_> = if blocks.len() >= MIN_VALUES {
            blocks.par_iter().map(|block| under(block.iter().copied(), &medians, |_| true)).collect()
        } else {
            // Each note a block of its own would draw too often the same: a tenth of them together, by turns.
            let parts = |k: usize| under(takes.iter().copied(), &medians, move |i| i % NUM_PARTS == k);
            (0..NUM_PARTS).into_par_iter().map(parts).collect()
        };
        Self { draws: Draws::of(blocks.len()), blocks }
    }

    fn of_cell(&self, at: usize, measure: usize) -> Vec<(f32, f32)> {
        self.blocks.iter().map(|block| block[at * Measure::ALL.len() + measure]).collect()
    }
}

/// Parts that the notes of very few takes are dealt into.
const NUM_PARTS: usize = 40;

fn under<'a>(
    takes: impl Iterator<Item = &'a Played>,
    medians: &[Option<i32>],
    counts: impl Fn(usize) -> bool,
) -> Vec<(f32, f32)> {
    let mut found = vec![(0.0, 0.0); medians.len()];
    let mut num = 0;
    for played in takes {
        for note in played.counted() {
            num += 1;
            if !counts(num) {
                continue;
            }
            let values = Measure::ALL.map(|measure| measure.of(&note));
            for at in places(&note) {
                for (m, value) in values.iter().enumerate() {
                    let i = at * Measure::ALL.len() + m;
                    if let (Some(value), Some(median)) = (value, medians[i]) {
                        found[i].0 += 1.0;
                        found[i].1 += match value.cmp(&median) {
                            std::cmp::Ordering::Less => 1.0,
                            std::cmp::Ordering::Equal => 0.5,
                            std::cmp::Ordering::Greater => 0.0,
                        };
                    }
                }
            }
        }
    }
    found
}
