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

    /// Where a note counts in a row of counts.
    fn bin(self, note: &Counted) -> usize {
        let (low, high) = self.range();
        let value = match self {
            Self::Clarity => i32::from(note.clarity),
            Self::Settle => whole(note.tenths[0]),
            Self::Noise => whole(note.tenths[1]),
            Self::Timing => whole(note.tenths[2]),
        };
        let bin = BINS[self as usize].0 + (value.clamp(low, high) - low) as usize;
        if value == NOT_WHOLE { NUM_BINS } else { bin }
    }
}

/// Tenths as the nearest whole, halves away from nothing; [`NOT_WHOLE`] where they are not told.
fn whole(tenths: i16) -> i32 {
    let tenths = i32::from(tenths);
    if tenths == i32::from(UNTOLD) { NOT_WHOLE } else { (tenths + 5 * tenths.signum()) / 10 }
}

const NOT_WHOLE: i32 = i32::MIN;
/// Where the counts of a measure begin and end in a row of counts.
const BINS: [(usize, usize); 4] = [(0, 101), (101, 502), (502, 903), (903, 1304)];
const NUM_BINS: usize = 1304;
/// Counts of a row: the last is of what is not told, which nobody asks, and which costs less to count than to leave out.
const ROW: usize = NUM_BINS + 1;

/// Notes of one kind.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Cell {
    /// Notes.
    pub num: usize,
    /// Those with any fault.
    pub num_flagged: usize,
    /// Those that the player's ear calls unclear without naming a fault: they are among the flagged ones.
    pub num_by_ear: usize,
    /// Those with each fault, in the order of `FaultName::ALL`.
    pub faults: [usize; FaultName::ALL.len()],
}

impl Cell {
    fn join(&mut self, other: &Self) {
        self.num += other.num;
        self.num_flagged += other.num_flagged;
        self.num_by_ear += other.num_by_ear;
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

/// The kind of a cell.
pub(super) fn key(at: usize) -> (Facet, Kind) {
    let facet = Facet::ALL.into_iter().rfind(|&facet| place(facet, 0) <= at).unwrap_or(Facet::Place);
    (facet, (at - place(facet, 0)) as Kind)
}

/// What notes are counted by, at once for facets of few kinds: years of notes are counted once for each of these, and their
/// sums dealt out to the cells.
const TOGETHER: [&[Facet]; 4] = [
    &[Facet::Place],
    &[Facet::Register, Facet::Dynamic, Facet::Articulation],
    &[Facet::Interval],
    &[Facet::Minutes, Facet::Weekday],
];
/// Where the rows of each of them begin, and how many there are in all.
const ROWS: ([usize; TOGETHER.len()], usize) = {
    let (mut from, mut all, mut t) = ([0; TOGETHER.len()], 0, 0);
    while t < TOGETHER.len() {
        from[t] = all;
        let (mut rows, mut f) = (1, 0);
        while f < TOGETHER[t].len() {
            rows *= kinds_and_none(TOGETHER[t][f]);
            f += 1;
        }
        (all, t) = (all + rows, t + 1);
    }
    (from, all)
};

/// The kinds of a facet, and one more for what cannot be told.
const fn kinds_and_none(facet: Facet) -> usize {
    KINDS[facet as usize] + 1
}

/// The rows that a note is counted in.
fn rows_of(note: &Counted) -> [usize; TOGETHER.len()] {
    let of = |facet: Facet| usize::from(note.kinds[facet as usize]).min(KINDS[facet as usize]);
    let few = (of(Facet::Register) * kinds_and_none(Facet::Dynamic) + of(Facet::Dynamic))
        * kinds_and_none(Facet::Articulation)
        + of(Facet::Articulation);
    let when = of(Facet::Minutes) * kinds_and_none(Facet::Weekday) + of(Facet::Weekday);
    // No place is what no kind is, 255.
    let place = usize::from(note.kinds[Facet::Place as usize]);
    let from = ROWS.0;
    [place, from[1] + few, from[2] + of(Facet::Interval), from[3] + when]
}

/// The cells that a row is dealt out to.
fn cells_of(row: usize) -> Vec<usize> {
    let together = (0..TOGETHER.len()).rfind(|&t| ROWS.0[t] <= row).unwrap_or(0);
    let mut rest = row - ROWS.0[together];
    let mut cells = Vec::new();
    for &facet in TOGETHER[together].iter().rev() {
        let num = kinds_and_none(facet);
        let kind = rest % num;
        rest /= num;
        if kind < KINDS[facet as usize] && kind != usize::from(NO_KIND) {
            cells.push(place(facet, kind as Kind));
        }
    }
    if together == TOGETHER.len() - 1 {
        // Every note has a minute and a day.
        cells.push(NUM_CELLS);
    }
    cells
}

/// Notes counted by rows.
struct Rows {
    /// Without the faults.
    cells: Vec<Cell>,
    faults: Vec<[u32; FaultName::ALL.len()]>,
    bins: Vec<u32>,
}

impl Rows {
    fn empty() -> Self {
        let faults = vec![Default::default(); ROWS.1];
        Self { cells: vec![Cell::default(); ROWS.1], faults, bins: vec![0; ROWS.1 * ROW] }
    }

    /// Counts a note, and its values.
    fn count(&mut self, note: &Counted) {
        let bins = Measure::ALL.map(|measure| measure.bin(note));
        for row in rows_of(note) {
            self.cells[row].num += 1;
            let counts = &mut self.bins[row * ROW..(row + 1) * ROW];
            bins.iter().for_each(|&bin| counts[bin] += 1);
        }
    }

    /// Counts what is wrong with a note: all faults at once, since to look which there are costs more.
    fn count_faults(&mut self, note: &Counted) {
        let is_by_ear = note.is_unclear_by_ear();
        let has: [u32; FaultName::ALL.len()] = std::array::from_fn(|fault| u32::from((note.faults >> fault) & 1));
        for row in rows_of(note) {
            self.cells[row].num_flagged += usize::from(note.faults != 0);
            self.cells[row].num_by_ear += usize::from(is_by_ear);
            self.faults[row].iter_mut().zip(has).for_each(|(num, has)| *num += has);
        }
    }

    /// Those that hold any note.
    fn filled(&self) -> impl Iterator<Item = (usize, &Cell, &[u32])> {
        let filled = self.cells.iter().enumerate().filter(|(_, cell)| cell.num > 0);
        filled.map(|(row, cell)| (row, cell, &self.bins[row * ROW..row * ROW + NUM_BINS]))
    }

    fn clear(&mut self) {
        for (row, cell) in self.cells.iter_mut().enumerate().filter(|(_, cell)| cell.num > 0) {
            *cell = Cell::default();
            self.faults[row] = Default::default();
            self.bins[row * ROW..(row + 1) * ROW].fill(0);
        }
    }
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
        let mut rows = Rows::empty();
        for note in sessions.iter().copied().flatten().flat_map(Played::counted) {
            rows.count(&note);
            rows.count_faults(&note);
        }
        let mut counted = Self::empty();
        for (row, cell, bins) in rows.filled() {
            for at in cells_of(row) {
                counted.cells[at].join(&Cell { faults: rows.faults[row].map(|num| num as usize), ..*cell });
                let sums = &mut counted.bins[at * NUM_BINS..(at + 1) * NUM_BINS];
                sums.iter_mut().zip(bins).for_each(|(sum, num)| *sum += num);
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
        // As places in the counts of their measure.
        let medians: Vec<Option<usize>> = (0..=NUM_CELLS)
            .flat_map(|at| Measure::ALL.into_iter().map(move |m| (at, m)))
            .map(|(at, m)| cells.at(at, m as usize, 0.5).map(|median| (median as i32 - m.range().0) as usize))
            .collect();
        let takes: Vec<&Played> = sessions.iter().copied().flatten().collect();
        let blocks: Vec<Vec<&Played>> = if sessions.len() >= MIN_VALUES {
            let per_block = sessions.len().div_ceil(MOST_BLOCKS);
            sessions.chunks(per_block).map(|chunk| chunk.iter().copied().flatten().collect()).collect()
        } else {
            takes.iter().map(|&take| vec![take]).collect()
        };
        let dealt: Vec<Vec<usize>> = (0..ROWS.1).map(cells_of).collect();
        let under = |rows: &mut Rows| {
            let found = under(rows, &dealt, &medians);
            rows.clear();
            found
        };
        let blocks: Vec<_> = if blocks.len() >= MIN_VALUES {
            let count = |rows: &mut Rows, block: &Vec<&Played>| {
                block.iter().for_each(|played| played.counted().for_each(|note| rows.count(&note)));
                under(rows)
            };
            blocks.par_iter().map_init(Rows::empty, count).collect()
        } else {
            // Each note a block of its own would draw too often the same: a part of them together, by turns.
            let count = |rows: &mut Rows, part: usize| {
                let first = (part + NUM_PARTS - 1) % NUM_PARTS;
                let notes = takes.iter().flat_map(|played| played.counted()).skip(first).step_by(NUM_PARTS);
                notes.for_each(|note| rows.count(&note));
                under(rows)
            };
            (0..NUM_PARTS).into_par_iter().map_init(Rows::empty, count).collect()
        };
        Self { draws: Draws::of(blocks.len()), blocks }
    }

    fn of_cell(&self, at: usize, measure: usize) -> Vec<(f32, f32)> {
        self.blocks.iter().map(|block| block[at * Measure::ALL.len() + measure]).collect()
    }
}

/// Parts that the notes of very few takes are dealt into.
const NUM_PARTS: usize = 40;

/// Of every cell and measure the values of a block, and those under the median with half of those at it.
fn under(rows: &Rows, dealt: &[Vec<usize>], medians: &[Option<usize>]) -> Vec<(f32, f32)> {
    let mut found = vec![(0.0, 0.0); medians.len()];
    let sum = |bins: &[u32]| bins.iter().sum::<u32>() as f32;
    for (row, _, bins) in rows.filled() {
        for (m, (from, to)) in BINS.into_iter().enumerate() {
            let (bins, num) = (&bins[from..to], sum(&bins[from..to]));
            for at in &dealt[row] {
                let i = at * Measure::ALL.len() + m;
                if let Some(median) = medians[i] {
                    let of_cell: &mut (f32, f32) = &mut found[i];
                    of_cell.0 += num;
                    of_cell.1 += sum(&bins[..median]) + 0.5 * bins[median] as f32;
                }
            }
        }
    }
    found
}
