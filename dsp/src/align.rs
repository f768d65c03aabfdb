//! Which entrance of one take is which of another: global alignment over pitch and rhythm.
//!
//! Pure data, no sound. A missed, extra, repeated or wrong note costs its own place only; a steady tempo
//! ratio, a key offset and a false start are found first and told. Dynamic programming as in Needleman &
//! Wunsch 1970 (J. Mol. Biol. 48:443-453 \[M\]); the costs below are ours \[H\]. Two best paths are kept per cell,
//! each with its last pair, so that the rhythm cost can look across a gap.

mod band;

use crate::parameters::pairs::*;
use crate::verdict::Entrance;
use band::Band;

/// One note of a list to be aligned.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Step {
    /// When it speaks, s.
    pub at_s: f64,
    /// Its MIDI note, if known.
    pub midi_note: Option<u8>,
}

impl From<&Entrance> for Step {
    fn from(entrance: &Entrance) -> Self {
        Self { at_s: entrance.front.speaks_s, midi_note: entrance.front.midi_note }
    }
}

/// Two entrances that are the same place of the music.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pair {
    /// Index in the first list.
    pub a: usize,
    /// Index in the second list.
    pub b: usize,
    /// How far `b` lies over the note `a` asks for (key offset taken off), semitones: 0 = the same note.
    /// `None` when either has no pitch.
    pub interval: Option<i32>,
}

/// One of the two lists.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// The first.
    A,
    /// The second.
    B,
}

/// Notes before the real start that repeat the beginning.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FalseStart {
    /// The list that has them.
    pub side: Side,
    /// How many: the list's first ones.
    pub num_entrances: usize,
}

/// How two lists belong together.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Alignment {
    /// Rising in both indexes.
    pub pairs: Vec<Pair>,
    /// Entrances of the first list without a partner.
    pub only_in_a: Vec<usize>,
    /// Entrances of the second list without a partner.
    pub only_in_b: Vec<usize>,
    /// Tempo of the second over that of the first; `None` for fewer than two neighbouring pairs.
    pub tempo_ratio: Option<f64>,
    /// Semitones the second list lies over the first.
    pub key_offset: i32,
    /// Told when one list begins twice.
    pub false_start: Option<FalseStart>,
}

/// An unpaired entrance \[T\].
const GAP_COST: f64 = 1.0;
/// Most that such a distance costs: more than leaving both alone \[T\].
const MAX_PLACE_COST: f64 = 3.0 * GAP_COST;
/// Key offsets looked for, semitones \[T\].
const MAX_KEY_OFFSET: i32 = 12;
/// Tempo ratios are looked for within this factor both ways: 0.57 to 1.75. Others are tried where the pitches
/// alone lead to them \[T\].
const MAX_TEMPO_FACTOR: f64 = 1.75;
/// Tempo ratios tried on each side of 1: about 5 % apart \[T\].
const TEMPO_STEPS: i32 = 12;
/// Key and tempo are found on so many entrances: enough for both, and quick \[T\].
const HEAD_LEN: usize = 300;

/// Aligns the entrances of two takes.
#[must_use]
pub fn align_entrances(a: &[Entrance], b: &[Entrance]) -> Alignment {
    let steps = |entrances: &[Entrance]| entrances.iter().map(Step::from).collect::<Vec<_>>();
    align(&steps(a), &steps(b))
}

/// Aligns two lists in the order of their times. `align(b, a)` is the mirror of `align(a, b)`.
#[must_use]
pub fn align(a: &[Step], b: &[Step]) -> Alignment {
    either_way(a, b, |a, b| align_in_key(a, b, find_key(head(a), head(b))))
}

/// [`align`] for lists whose times stand on one line, as two passes over one stretch of a session: a pair costs its
/// distance in time in place of its rhythm, and no key or tempo is looked for. Where the music repeats itself, the
/// line tells which bar is which. Times must rise.
#[must_use]
pub fn align_on_line(a: &[Step], b: &[Step]) -> Alignment {
    either_way(a, b, |a, b| {
        let model = Model { a, b, key_offset: 0, time: Time::OneLine };
        Alignment::of(&model, model.path())
    })
}

/// Ties are broken by order; with the lists always in the same order, both ways break them alike.
fn either_way(a: &[Step], b: &[Step], align: impl Fn(&[Step], &[Step]) -> Alignment) -> Alignment {
    if a.partial_cmp(b) == Some(std::cmp::Ordering::Greater) { align(b, a).mirrored() } else { align(a, b) }
}

/// [`align`] for lists whose key offset is known, as a take and its written notes.
#[must_use]
pub fn align_in_key(a: &[Step], b: &[Step], key_offset: i32) -> Alignment {
    let log_ratio = find_tempo(head(a), head(b), key_offset);
    let guess = Model { a, b, key_offset, time: Time::LogRatio(log_ratio) };
    let coarse = guess.path();
    // The tempo of the whole, from its pairs, is finer than the one of the grid that was tried.
    let log_ratio = median_log_ratio(a, b, &coarse).unwrap_or(log_ratio);
    let model = Model { time: Time::LogRatio(log_ratio), ..guess };
    Alignment::of(&model, model.path())
}

fn head(steps: &[Step]) -> &[Step] {
    &steps[..steps.len().min(HEAD_LEN)]
}

fn find_key(a: &[Step], b: &[Step]) -> i32 {
    let offsets = (0..=MAX_KEY_OFFSET).flat_map(|k| [k, -k]);
    let cost = |&key_offset: &i32| {
        Model { a, b, key_offset, time: Time::Any }.cost() + CHANGE_COST * f64::from(key_offset.abs())
    };
    offsets.min_by(|x, y| cost(x).total_cmp(&cost(y))).unwrap_or(0)
}

fn find_tempo(a: &[Step], b: &[Step], key_offset: i32) -> f64 {
    let step = MAX_TEMPO_FACTOR.ln() / f64::from(TEMPO_STEPS);
    let ratios = (0..=TEMPO_STEPS).flat_map(|k| [f64::from(k) * step, -f64::from(k) * step]);
    // Ratios farther off are found where the pitches alone tell which notes belong together.
    let by_pitch = Model { a, b, key_offset, time: Time::Any };
    let ratios = ratios.chain(median_log_ratio(a, b, &by_pitch.path()));
    let cost = |&log_ratio: &f64| {
        Model { a, b, key_offset, time: Time::LogRatio(log_ratio) }.cost() + CHANGE_COST * log_ratio.abs() / step
    };
    ratios.min_by(|x, y| cost(x).total_cmp(&cost(y))).unwrap_or(0.0)
}

/// Median log ratio of the intervals between neighbouring pairs (second list over first).
fn median_log_ratio(a: &[Step], b: &[Step], path: &[(usize, usize)]) -> Option<f64> {
    let mut ratios: Vec<f64> = path
        .windows(2)
        .filter(|w| w[1].0 == w[0].0 + 1 && w[1].1 == w[0].1 + 1)
        .filter_map(|w| log_ratio(a[w[1].0].at_s - a[w[0].0].at_s, b[w[1].1].at_s - b[w[0].1].at_s))
        .collect();
    if ratios.is_empty() {
        return None;
    }
    ratios.sort_by(f64::total_cmp);
    let n = ratios.len();
    Some(f64::midpoint(ratios[(n - 1) / 2], ratios[n / 2]))
}

fn log_ratio(interval_a_s: f64, interval_b_s: f64) -> Option<f64> {
    let ratio = (interval_b_s / interval_a_s).ln();
    (interval_a_s > 0.0 && ratio.is_finite()).then_some(ratio)
}

/// What is assumed of the times of two lists.
#[derive(Clone, Copy)]
enum Time {
    /// Nothing: rhythm does not count.
    Any,
    /// The log ratio of their intervals, second list over first.
    LogRatio(f64),
    /// They stand on one line.
    OneLine,
}

/// Two lists with what is assumed of them.
#[derive(Clone, Copy)]
struct Model<'a> {
    a: &'a [Step],
    b: &'a [Step],
    key_offset: i32,
    time: Time,
}

/// A path so far: its cost and its last pair.
#[derive(Clone, Copy)]
struct Path {
    cost: f64,
    last: Option<(u32, u32)>,
}

const CLOSED: Path = Path { cost: f64::INFINITY, last: None };

/// How a path ends in its cell.
#[derive(Clone, Copy, PartialEq)]
enum End {
    Pair,
    Gap,
}

/// The best paths into a cell: the one that ends with a pair, and the one that ends with a gap. The second may
/// be the better one to go on from, since the rhythm of the next pair tells which of equal notes is missing.
#[derive(Clone, Copy)]
struct Cell {
    by_pair: Path,
    by_gap: Path,
}

impl Cell {
    const CLOSED: Self = Self { by_pair: CLOSED, by_gap: CLOSED };

    fn best_end(&self) -> End {
        if self.by_gap.cost < self.by_pair.cost { End::Gap } else { End::Pair }
    }

    fn best(&self) -> Path {
        if self.best_end() == End::Gap { self.by_gap } else { self.by_pair }
    }
}

/// Where the two paths into a cell come from: for each the end of the path it goes on from, and for the gap
/// which list's note is left out.
#[derive(Clone, Copy)]
struct Ways {
    pair_from: End,
    gap_from: End,
    gap_in: Side,
}

const NO_WAYS: Ways = Ways { pair_from: End::Pair, gap_from: End::Pair, gap_in: Side::A };

impl Model<'_> {
    fn cost(&self) -> f64 {
        self.fill(&self.band(), |_, _, _| {}).best().cost
    }

    fn band(&self) -> Band {
        match self.time {
            Time::OneLine => Band::on_line(self.a, self.b),
            Time::Any | Time::LogRatio(_) => Band::new(self.a.len(), self.b.len()),
        }
    }

    /// The pairs of the cheapest path.
    fn path(&self) -> Vec<(usize, usize)> {
        let band = self.band();
        let mut ways = vec![NO_WAYS; (self.a.len() + 1) * band.width];
        let last = self.fill(&band, |i, j, way| ways[i * band.width + j - band.start(i)] = way);
        let (mut i, mut j, mut end) = (self.a.len(), self.b.len(), last.best_end());
        let mut pairs = Vec::with_capacity(i.min(j));
        while i > 0 && j > 0 {
            let way = ways[i * band.width + j - band.start(i)];
            match (end, way.gap_in) {
                (End::Pair, _) => {
                    (i, j, end) = (i - 1, j - 1, way.pair_from);
                    pairs.push((i, j));
                }
                (End::Gap, Side::A) => (i, end) = (i - 1, way.gap_from),
                (End::Gap, Side::B) => (j, end) = (j - 1, way.gap_from),
            }
        }
        pairs.reverse();
        pairs
    }

    /// Fills the table row by row, tells every cell's ways in, and returns the last cell.
    fn fill(&self, band: &Band, mut tell: impl FnMut(usize, usize, Ways)) -> Cell {
        let num_columns = self.b.len() + 1;
        let (mut above, mut row) = (vec![Cell::CLOSED; num_columns], vec![Cell::CLOSED; num_columns]);
        for i in 0..=self.a.len() {
            // Only what was written here two rows ago.
            row[band.columns(i.saturating_sub(2))].fill(Cell::CLOSED);
            for j in band.columns(i) {
                let (cell, ways) = self.best(i, j, &above, &row);
                row[j] = cell;
                tell(i, j, ways);
            }
            std::mem::swap(&mut above, &mut row);
        }
        above[self.b.len()]
    }

    fn best(&self, i: usize, j: usize, above: &[Cell], row: &[Cell]) -> (Cell, Ways) {
        if i == 0 && j == 0 {
            return (Cell { by_pair: Path { cost: 0.0, last: None }, by_gap: CLOSED }, NO_WAYS);
        }
        let (mut cell, mut ways) = (Cell::CLOSED, NO_WAYS);
        if i > 0 && j > 0 {
            (cell.by_pair, ways.pair_from) = self.best_pair(above[j - 1], i - 1, j - 1);
        }
        let gaps = [(i > 0).then(|| (above[j], Side::A)), (j > 0).then(|| (row[j - 1], Side::B))];
        for (from, side) in gaps.into_iter().flatten() {
            let gap = self.and_gap(from.best());
            if gap.cost < cell.by_gap.cost {
                cell.by_gap = gap;
                (ways.gap_from, ways.gap_in) = (from.best_end(), side);
            }
        }
        (cell, ways)
    }

    fn and_gap(&self, path: Path) -> Path {
        // On one line a pass that begins later is no false start.
        let is_leading = path.last.is_none() && !matches!(self.time, Time::OneLine);
        Path { cost: path.cost + if is_leading { LEADING_GAP_COST } else { GAP_COST }, ..path }
    }

    /// The better of the two paths of a cell to go on from with a pair.
    fn best_pair(&self, from: Cell, i: usize, j: usize) -> (Path, End) {
        let pitch_cost = self.pitch_cost(i, j);
        let and_pair = |path: Path| Path {
            // From a closed path nothing leads on, whatever the rhythm.
            cost: path.cost + pitch_cost + self.time_cost(path.last, i, j),
            last: Some((i as u32, j as u32)),
        };
        let (by_pair, by_gap) = (and_pair(from.by_pair), and_pair(from.by_gap));
        if by_gap.cost < by_pair.cost { (by_gap, End::Gap) } else { (by_pair, End::Pair) }
    }

    fn interval(&self, i: usize, j: usize) -> Option<i32> {
        let (a, b) = (self.a[i].midi_note?, self.b[j].midi_note?);
        Some(i32::from(b) - i32::from(a) - self.key_offset)
    }

    fn pitch_cost(&self, i: usize, j: usize) -> f64 {
        match self.interval(i, j) {
            None => UNKNOWN_NOTE_COST,
            Some(0) => 0.0,
            Some(semitones) if semitones % 12 == 0 => OCTAVE_COST,
            Some(_) => WRONG_NOTE_COST,
        }
    }

    fn time_cost(&self, last: Option<(u32, u32)>, i: usize, j: usize) -> f64 {
        match (self.time, last) {
            (Time::OneLine, _) => self.place_cost(i, j),
            (Time::LogRatio(expected), Some(last)) => self.rhythm_cost(expected, last, i, j),
            (Time::LogRatio(_), None) | (Time::Any, _) => 0.0,
        }
    }

    /// Compares the places on the line. A time that is no number is far from any.
    fn place_cost(&self, i: usize, j: usize) -> f64 {
        ((self.a[i].at_s - self.b[j].at_s).abs() / PLACE_SPAN_S).min(MAX_PLACE_COST)
    }

    /// Compares the intervals since the last pair.
    fn rhythm_cost(&self, expected: f64, (p, q): (u32, u32), i: usize, j: usize) -> f64 {
        let interval_a_s = self.a[i].at_s - self.a[p as usize].at_s;
        let interval_b_s = self.b[j].at_s - self.b[q as usize].at_s;
        let off = log_ratio(interval_a_s, interval_b_s).map_or(1.0, |ratio| (ratio - expected).abs() / RHYTHM_SPAN);
        RHYTHM_COST * off.min(1.0).powi(2)
    }
}

impl Alignment {
    fn of(model: &Model, path: Vec<(usize, usize)>) -> Self {
        let unpaired = |num: usize, of: fn(&(usize, usize)) -> usize| {
            let mut is_paired = vec![false; num];
            path.iter().for_each(|pair| is_paired[of(pair)] = true);
            (0..num).filter(|&i| !is_paired[i]).collect::<Vec<_>>()
        };
        Self {
            only_in_a: unpaired(model.a.len(), |p| p.0),
            only_in_b: unpaired(model.b.len(), |p| p.1),
            // A longer interval in b is a slower b.
            tempo_ratio: median_log_ratio(model.a, model.b, &path).map(|log| (-log).exp()),
            key_offset: model.key_offset,
            false_start: false_start(model, &path),
            pairs: path.iter().map(|&(a, b)| Pair { a, b, interval: model.interval(a, b) }).collect(),
        }
    }

    fn mirrored(self) -> Self {
        let flip = |side| if side == Side::A { Side::B } else { Side::A };
        Self {
            pairs: self.pairs.iter().map(|p| Pair { a: p.b, b: p.a, interval: p.interval.map(|i| -i) }).collect(),
            only_in_a: self.only_in_b,
            only_in_b: self.only_in_a,
            tempo_ratio: self.tempo_ratio.map(f64::recip),
            key_offset: -self.key_offset,
            false_start: self.false_start.map(|f| FalseStart { side: flip(f.side), ..f }),
        }
    }
}

/// Entrances before the first pair that repeat what follows from it.
fn false_start(model: &Model, path: &[(usize, usize)]) -> Option<FalseStart> {
    let &(first_a, first_b) = path.first()?;
    let (steps, side, num_entrances) = match (first_a, first_b) {
        (0, n @ 1..) => (model.b, Side::B, n),
        (n @ 1.., 0) => (model.a, Side::A, n),
        _ => return None,
    };
    let again = &steps[num_entrances..];
    let num_alike = steps[..num_entrances]
        .iter()
        .zip(again)
        .filter(|(before, after)| before.midi_note.is_some() && before.midi_note == after.midi_note)
        .count();
    let is_repeat = num_alike as f64 >= FALSE_START_SHARE * num_entrances as f64;
    is_repeat.then_some(FalseStart { side, num_entrances })
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    /// SplitMix64 (Steele, Lea & Flood 2014 \[M\]): the same tunes on every machine.
    struct Dice(u64);

    impl Dice {
        fn next(&mut self) -> u64 {
            self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
            let mut z = self.0;
            z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
            z ^ (z >> 31)
        }

        fn below(&mut self, n: u64) -> u64 {
            self.next() % n
        }

        fn share(&mut self) -> f64 {
            self.below(1 << 32) as f64 / (1u64 << 32) as f64
        }
    }

    /// A tune of seconds and scale steps: intervals of 0.25 to 1 s, runs of a repeated note included.
    fn tune(dice: &mut Dice, num: usize) -> Vec<Step> {
        const SCALE: [u8; 8] = [46, 48, 50, 51, 53, 55, 57, 58];
        let (mut at_s, mut degree) = (1.0, 3i64);
        (0..num)
            .map(|_| {
                let step = Step { at_s, midi_note: Some(SCALE[degree as usize]) };
                at_s += [0.25, 0.5, 0.5, 1.0][dice.below(4) as usize];
                degree = (degree + dice.below(5) as i64 - 2).clamp(0, 7);
                step
            })
            .collect()
    }

    /// What was done to a tune, and which of its notes is which of the changed one.
    struct Changed {
        steps: Vec<Step>,
        truth: Vec<(usize, usize)>,
    }

    /// Of `share` of the notes, a third each is missed, played wrong, or followed by an extra one.
    /// Human timing strays by up to 15 ms; a breath of 1 s comes before every 16th note.
    fn changed(dice: &mut Dice, tune: &[Step], share: f64, tempo: f64, key: i32) -> Changed {
        let (mut steps, mut truth, mut pause_s) = (Vec::new(), Vec::new(), 0.0);
        for (i, note) in tune.iter().enumerate() {
            pause_s += if i % 16 == 15 { 1.0 } else { 0.0 };
            let at_s = note.at_s / tempo + pause_s + 0.030 * (dice.share() - 0.5);
            let in_key = |midi: u8| u8::try_from(i32::from(midi) + key).ok();
            let mut midi_note = note.midi_note.and_then(in_key);
            let is_changed = dice.share() < share;
            let kind = if is_changed { dice.below(3) } else { 3 };
            if kind == 0 {
                continue;
            }
            if kind == 1 {
                midi_note = midi_note.map(|m| m + [1, 2, 3, 5][dice.below(4) as usize]);
            }
            truth.push((i, steps.len()));
            steps.push(Step { at_s, midi_note });
            if kind == 2 {
                let extra = in_key([46, 50, 53, 58][dice.below(4) as usize]);
                steps.push(Step { at_s: at_s + 0.12 / tempo, midi_note: extra });
            }
        }
        Changed { steps, truth }
    }

    fn share_right(found: &Alignment, truth: &[(usize, usize)]) -> f64 {
        let right = found.pairs.iter().filter(|p| truth.contains(&(p.a, p.b))).count();
        // Wrong pairs count against it as much as missing ones.
        right as f64 / truth.len().max(found.pairs.len()) as f64
    }

    fn all_right(num_trials: u64, tempo: f64, key: i32, share: f64) -> f64 {
        let shares = (0..num_trials).map(|seed| {
            let mut dice = Dice(seed);
            let tune = tune(&mut dice, 150);
            let changed = changed(&mut dice, &tune, share, tempo, key);
            share_right(&align(&tune, &changed.steps), &changed.truth)
        });
        shares.sum::<f64>() / num_trials as f64
    }

    #[test]
    fn a_take_against_itself_is_all_pairs() {
        let tune = tune(&mut Dice(1), 120);
        let found = align(&tune, &tune);
        assert!(found.pairs.iter().enumerate().all(|(i, p)| (p.a, p.b, p.interval) == (i, i, Some(0))));
        assert_eq!((found.pairs.len(), found.key_offset, found.false_start), (120, 0, None));
        assert!(found.only_in_a.is_empty() && found.only_in_b.is_empty());
        assert_abs_diff_eq!(found.tempo_ratio.expect("119 intervals"), 1.0, epsilon = 1e-12);
    }

    #[test]
    fn the_mirror_of_an_alignment_is_the_alignment_of_the_mirror() {
        for seed in 0..20 {
            let mut dice = Dice(100 + seed);
            let a = tune(&mut dice, 60);
            let b = changed(&mut dice, &a, 0.3, 1.2, 2).steps;
            let (there, back) = (align(&a, &b).mirrored(), align(&b, &a));
            // One over a ratio rounds.
            assert_abs_diff_eq!(there.tempo_ratio.expect("pairs"), back.tempo_ratio.expect("pairs"), epsilon = 1e-12);
            assert_eq!(Alignment { tempo_ratio: None, ..there }, Alignment { tempo_ratio: None, ..back });
        }
    }

    #[test]
    fn one_note_in_ten_changed_leaves_99_of_100_pairs_right() {
        // The line of the task: >= 0.99.
        let right = all_right(40, 1.0, 0, 0.10);
        println!("pairs right with 10 % planted changes: {right:.4}");
        assert!(right >= 0.99, "{right}");
    }

    #[test]
    fn tempo_from_0_6_to_1_6_is_found_with_the_changes() {
        for tempo in [0.6, 0.75, 0.9, 1.1, 1.3, 1.6] {
            let right = all_right(10, tempo, 0, 0.10);
            println!("tempo {tempo}: {right:.4}");
            assert!(right >= 0.99, "{tempo}: {right}");
            let tune = tune(&mut Dice(7), 80);
            let found = align(&tune, &changed(&mut Dice(8), &tune, 0.0, tempo, 0).steps);
            // The median of 79 intervals that stray by up to 30 ms of 250 to 1000.
            assert_abs_diff_eq!(found.tempo_ratio.expect("many intervals"), tempo, epsilon = 0.02 * tempo);
        }
    }

    #[test]
    fn half_and_double_tempo_are_found_by_the_pitches() {
        for tempo in [0.4, 0.5, 2.0, 3.0] {
            let right = all_right(6, tempo, 0, 0.05);
            println!("tempo {tempo}: {right:.4}");
            assert!(right >= 0.98, "{tempo}: {right}");
        }
    }

    #[test]
    fn a_known_key_is_kept_to() {
        let tune = tune(&mut Dice(3), 30);
        let b: Vec<Step> = tune.iter().map(|s| Step { midi_note: s.midi_note.map(|m| m + 2), ..*s }).collect();
        assert_eq!(align_in_key(&tune, &b, 2).pairs.iter().filter(|p| p.interval == Some(0)).count(), 30);
        let in_another = align_in_key(&tune, &b, 0);
        assert_eq!(in_another.key_offset, 0);
        assert!(in_another.pairs.iter().filter(|p| p.interval == Some(0)).count() < 30);
    }

    #[test]
    fn a_transposed_exercise_is_told_with_its_offset() {
        for key in [-12, -5, -1, 1, 2, 7, 12] {
            let right = all_right(6, 1.0, key, 0.10);
            assert!(right >= 0.99, "{key}: {right}");
            let tune = tune(&mut Dice(3), 60);
            let found = align(&tune, &changed(&mut Dice(4), &tune, 0.1, 1.0, key).steps);
            assert_eq!(found.key_offset, key);
        }
    }

    #[test]
    fn a_false_start_is_told_and_the_second_try_counts() {
        for num in [1, 3, 8] {
            let tune = tune(&mut Dice(11), 50);
            let restart_s = tune[num].at_s + 2.0;
            let first_try = tune[..num].iter().copied();
            let second = tune.iter().map(|s| Step { at_s: s.at_s + restart_s, ..*s });
            let b: Vec<Step> = first_try.chain(second).collect();
            let found = align(&tune, &b);
            assert_eq!(found.false_start, Some(FalseStart { side: Side::B, num_entrances: num }), "{num}");
            assert!(found.pairs.iter().all(|p| p.b == p.a + num));
            assert_eq!(align(&b, &tune).false_start.map(|f| f.side), Some(Side::A));
        }
    }

    #[test]
    fn a_wrong_note_is_paired_and_told_with_its_interval() {
        let tune = tune(&mut Dice(5), 30);
        let mut wrong = tune.clone();
        wrong[10].midi_note = wrong[10].midi_note.map(|m| m - 1);
        wrong[20].midi_note = None;
        let found = align(&tune, &wrong);
        assert_eq!(found.pairs.len(), 30);
        assert_eq!((found.pairs[10].interval, found.pairs[20].interval), (Some(-1), None));
    }

    #[test]
    fn one_pitch_alone_is_aligned_by_its_rhythm() {
        // Long tones and repeated notes: all on Bb2, in the rhythm long, short, short.
        let times: Vec<f64> = (0..30).map(|i| f64::from(i / 3) * 2.0 + [0.0, 1.0, 1.5][i as usize % 3]).collect();
        let a: Vec<Step> = times.iter().map(|&at_s| Step { at_s, midi_note: Some(46) }).collect();
        let mut b = a.clone();
        b.remove(13);
        let found = align(&a, &b);
        assert_eq!(found.only_in_a, [13]);
        assert!(found.only_in_b.is_empty());
    }

    #[test]
    fn of_equal_notes_in_an_even_rhythm_the_gap_tells_which_is_missing() {
        let a: Vec<Step> = (0..16).map(|i| Step { at_s: 2.0 + f64::from(i), midi_note: Some(46) }).collect();
        for missing in 1..15 {
            let mut b = a.clone();
            b.remove(missing);
            assert_eq!(align(&a, &b).only_in_a, [missing]);
        }
    }

    #[test]
    fn on_one_line_the_time_tells_which_of_equal_bars_is_which() {
        // A note a second on one pitch; the second pass begins eight notes later and strays by 40 ms.
        let long_tones = |from: u32, stray_s: f64| -> Vec<Step> {
            let at = |i: u32| f64::from(from + i) + if i.is_multiple_of(2) { stray_s } else { -stray_s };
            (0..16).map(|i| Step { at_s: at(i), midi_note: Some(46) }).collect()
        };
        let (a, b) = (long_tones(0, 0.0), long_tones(8, 0.04));
        let found = align_on_line(&a, &b);
        let pairs: Vec<_> = found.pairs.iter().map(|p| (p.a, p.b)).collect();
        assert_eq!(pairs, (8..16).map(|i| (i, i - 8)).collect::<Vec<_>>());
        assert_eq!((found.only_in_a.len(), found.only_in_b.len()), (8, 8));
        assert_ne!(align(&a, &b).pairs.len(), 8, "without the line nothing tells");
    }

    #[test]
    fn on_one_line_a_wrong_note_pairs_wherever_the_other_list_begins_and_ends() {
        let a: Vec<Step> = (0..60).map(|i| Step { at_s: f64::from(i), midi_note: Some(46) }).collect();
        let found = align_on_line(&a, &[Step { at_s: 5.02, midi_note: Some(47) }]);
        assert_eq!(found.pairs, [Pair { a: 5, b: 0, interval: Some(1) }]);
    }

    #[test]
    fn on_one_line_changed_notes_cost_their_own_place_only() {
        let shares = (0..40).map(|seed| {
            let mut dice = Dice(seed);
            // Fifteen notes: the breath before the sixteenth would move the line.
            let tune = tune(&mut dice, 15);
            let changed = changed(&mut dice, &tune, 0.1, 1.0, 0);
            let found = align_on_line(&tune, &changed.steps);
            assert_eq!(found.key_offset, 0);
            assert_eq!(found.pairs, align_on_line(&changed.steps, &tune).mirrored().pairs);
            share_right(&found, &changed.truth)
        });
        let right = shares.sum::<f64>() / 40.0;
        println!("pairs right on one line with 10 % planted changes: {right:.4}");
        // The line of the task: >= 0.99.
        assert!(right >= 0.99, "{right}");
    }

    #[test]
    fn on_one_line_the_band_loses_nothing() {
        // The whole table beside the band, on lists that overlap, stand apart, or lie in each other.
        let mut dice = Dice(31);
        let tune = tune(&mut dice, 80);
        let shifted = |range: std::ops::Range<usize>, by_s: f64| -> Vec<Step> {
            tune[range].iter().map(|s| Step { at_s: s.at_s + by_s, ..*s }).collect()
        };
        let others = [shifted(0..80, 0.02), shifted(30..80, -0.3), shifted(10..20, 0.6), shifted(0..80, 500.0), vec![]];
        for b in others {
            let model = Model { a: &tune, b: &b, key_offset: 0, time: Time::OneLine };
            let whole = Band::whole(tune.len(), b.len());
            let (in_band, in_all) = (model.cost(), model.fill(&whole, |_, _, _| {}).best().cost);
            assert_abs_diff_eq!(in_band, in_all, epsilon = 1e-9);
        }
    }

    #[test]
    fn empty_and_odd_lists_on_one_line_are_no_trouble() {
        let odd = [f64::NAN, f64::INFINITY, 0.0, 0.0].map(|at_s| Step { at_s, midi_note: Some(46) });
        assert_eq!(align_on_line(&[], &[]), Alignment::default());
        assert_eq!(align_on_line(&odd, &[]).only_in_a.len(), 4);
        assert_eq!(align_on_line(&[], &odd).only_in_b.len(), 4);
        let found = align_on_line(&odd, &odd);
        assert_eq!(found.pairs.len() + found.only_in_a.len(), 4);
        let backwards = [5.0, 3.0, 1.0].map(|at_s| Step { at_s, midi_note: Some(46) });
        let found = align_on_line(&backwards, &odd);
        assert_eq!(found.pairs.len() + found.only_in_a.len(), 3);
    }

    #[test]
    fn empty_and_odd_lists_are_no_trouble() {
        let one = [Step { at_s: 1.0, midi_note: None }];
        assert_eq!(align(&[], &[]), Alignment::default());
        assert_eq!(align(&one, &[]).only_in_a, [0]);
        assert_eq!(align(&one, &one).pairs.len(), 1);
        assert_eq!(align(&one, &one).tempo_ratio, None);
        let odd = [f64::NAN, f64::INFINITY, 0.0, 0.0].map(|at_s| Step { at_s, midi_note: Some(46) });
        let found = align(&odd, &odd);
        assert_eq!(found.pairs.len() + found.only_in_a.len(), 4);
    }

    #[test]
    fn long_takes_stay_in_their_band() {
        let mut dice = Dice(21);
        let tune = tune(&mut dice, 6_000);
        let changed = changed(&mut dice, &tune, 0.10, 1.05, 0);
        let right = share_right_sorted(&align(&tune, &changed.steps), &changed.truth);
        assert!(right >= 0.99, "{right}");
    }

    /// [`share_right`] for long lists, whose truth is sorted.
    fn share_right_sorted(found: &Alignment, truth: &[(usize, usize)]) -> f64 {
        let right = found.pairs.iter().filter(|p| truth.binary_search(&(p.a, p.b)).is_ok()).count();
        right as f64 / truth.len().max(found.pairs.len()) as f64
    }
}
