//! What clear playing is: percentiles of professional fronts by kind, measured by an outside tracker.
//!
//! The table is `professionals.md` beside this file; its header says on what it stands and which command makes it.
//! It is read once, in place: nothing here allocates.

use crate::entrance::Articulation;
use std::sync::LazyLock;

const TABLE: &str = include_str!("professionals.md");
/// Most kinds of fronts the table has room for \[T\].
const MAX_KINDS: usize = 64;
/// Times after speaking at which pitch is told, ms \[D\].
pub const PITCH_MS: [f64; 13] = [0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0, 90.0, 100.0, 110.0, 120.0];
/// Times from speaking at which level is told, ms \[D\].
pub const LEVEL_MS: [f64; 11] = [-40.0, -30.0, -20.0, -10.0, 0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0];
/// Columns of the table: name, number, five measures, and the two ways in \[T\].
const NUM_COLUMNS: usize = 7 + PITCH_MS.len() + LEVEL_MS.len();
/// Highest MIDI note of each register of the table but the last: G#2, D#3, A#3, F4 \[D\].
const REGISTER_TOPS: [u8; 4] = [44, 51, 58, 65];
/// How the table names the registers.
const REGISTERS: [&str; 5] = ["to G#2", "A2 to D#3", "E3 to A#3", "B3 to F4", "F#4 up"];

/// Percentiles of one measure over the fronts of a kind, in the measure's unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Percentiles {
    /// 2.5 of 100 lie under it.
    pub low: f64,
    /// 10 of 100 lie under it.
    pub tenth: f64,
    /// Half lie under it.
    pub median: f64,
    /// 10 of 100 lie over it.
    pub ninetieth: f64,
    /// 2.5 of 100 lie over it.
    pub high: f64,
}

/// Clear fronts of one kind. `None` where fewer than 15 notes tell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Kind {
    /// Name in the table: "detached, E3 to A#3".
    pub name: &'static str,
    /// Fronts measured.
    pub num: usize,
    /// Mean distance from the settled pitch on the way in, cents (measures: `approach_cents`).
    pub approach_cents: Option<Percentiles>,
    /// From -20 to -12 dB of the attack peak, ms (measures: `speak_ms`).
    pub speak_ms: Option<Percentiles>,
    /// Attack peak over the body, dB; 25 is a note that is over.
    pub peak_over_body_db: Option<Percentiles>,
    /// Spread of the pitch in its steadiest 80 ms, cents.
    pub wander_cents: Option<Percentiles>,
    /// From -32 to -20 dB of the attack peak, ms.
    pub rise_ms: Option<Percentiles>,
    /// Distance from the settled pitch at [`PITCH_MS`] after speaking, cents.
    pub pitch_cents: [Option<Percentiles>; PITCH_MS.len()],
    /// Level at [`LEVEL_MS`] from speaking, dB from the attack peak.
    pub level_db: [Option<Percentiles>; LEVEL_MS.len()],
}

/// How long the way from note to note takes in legato phrases of professional brass, ms: row "brass" of `passages.md`.
pub const PASSAGE_MS: Percentiles = Percentiles { low: 17.0, tenth: 18.0, median: 44.0, ninetieth: 69.0, high: 93.0 };
/// How far the level falls on it, dB: row "all", since trombones and horns tongue their legato and a slur dips less.
pub const DIP_DB: Percentiles = Percentiles { low: 0.1, tenth: 1.2, median: 5.3, ninetieth: 11.0, high: 13.5 };

static KINDS: LazyLock<[Option<Kind>; MAX_KINDS]> = LazyLock::new(|| {
    let mut kinds = [None; MAX_KINDS];
    for (kind, place) in rows().zip(&mut kinds) {
        *place = Some(kind);
    }
    kinds
});

/// Every kind, in the order of the table: trombones first.
pub fn kinds() -> impl Iterator<Item = &'static Kind> {
    KINDS.iter().flatten()
}

/// The kind of that name.
#[must_use]
pub fn named(name: &str) -> Option<&'static Kind> {
    kinds().find(|kind| kind.name == name)
}

/// The kind a front belongs to, by how it began and its note: of its register where the table has one of 15 notes or
/// more, otherwise of all registers.
#[must_use]
pub fn of(articulation: Articulation, midi_note: Option<u8>) -> Option<&'static Kind> {
    let how = if articulation == Articulation::Tongued { "detached" } else { "connected" };
    let register = midi_note.map(|note| REGISTERS[REGISTER_TOPS.iter().filter(|top| note > **top).count()]);
    let is_of = |kind: &&Kind, register: &str| {
        kind.name.strip_prefix(how).and_then(|rest| rest.strip_prefix(", ")).is_some_and(|rest| rest == register)
    };
    register
        .and_then(|register| kinds().find(|kind| is_of(kind, register)))
        .or_else(|| kinds().find(|k| is_of(k, "all")))
}

fn rows() -> impl Iterator<Item = Kind> {
    let lines = TABLE.lines().filter(|line| line.starts_with('|'));
    lines.skip(2).filter_map(row) // heads, and the line under them
}

/// `None` for a row that is not one: a test sees that there is none.
fn row(line: &'static str) -> Option<Kind> {
    let mut cells = [""; NUM_COLUMNS];
    let mut num_cells = 0;
    for cell in line.trim().trim_matches('|').split('|') {
        *cells.get_mut(num_cells)? = cell.trim();
        num_cells += 1;
    }
    if num_cells != NUM_COLUMNS {
        return None;
    }
    let told = |column: usize| percentiles(cells[column]);
    Some(Kind {
        name: cells[0],
        num: cells[1].parse().ok()?,
        approach_cents: told(2),
        speak_ms: told(3),
        peak_over_body_db: told(4),
        wander_cents: told(5),
        rise_ms: told(6),
        pitch_cents: std::array::from_fn(|i| told(7 + i)),
        level_db: std::array::from_fn(|i| told(7 + PITCH_MS.len() + i)),
    })
}

fn percentiles(cell: &str) -> Option<Percentiles> {
    let mut numbers = cell.split_ascii_whitespace().map(|number| number.parse().ok());
    let mut next = || numbers.next().flatten();
    Some(Percentiles { low: next()?, tenth: next()?, median: next()?, ninetieth: next()?, high: next()? })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all_told(kind: &Kind) -> Vec<Percentiles> {
        let alone = [kind.approach_cents, kind.speak_ms, kind.peak_over_body_db, kind.wander_cents, kind.rise_ms];
        alone.into_iter().chain(kind.pitch_cents).chain(kind.level_db).flatten().collect()
    }

    #[test]
    fn every_row_of_the_table_is_read_and_every_cell_told_or_a_dash() {
        let lines: Vec<&str> = TABLE.lines().filter(|line| line.starts_with('|')).skip(2).collect();
        assert!(lines.len() >= 30 && lines.len() <= MAX_KINDS, "{} rows", lines.len());
        assert_eq!(kinds().count(), lines.len());
        for (line, kind) in lines.iter().zip(kinds()) {
            let num_dashes = line.matches("| - ").count();
            assert_eq!(all_told(kind).len() + num_dashes, NUM_COLUMNS - 2, "{}", kind.name);
        }
    }

    #[test]
    fn heads_and_columns_agree() {
        let heads = TABLE.lines().find(|line| line.starts_with("| fronts |")).expect("heads");
        let heads: Vec<&str> = heads.trim_matches('|').split('|').map(str::trim).collect();
        assert_eq!(heads.len(), NUM_COLUMNS);
        let measures = ["approach, cents", "speak, ms", "peak over body, dB", "wander, cents", "rise to the onset, ms"];
        assert_eq!(&heads[2..7], &measures);
        for (ms, head) in PITCH_MS.iter().zip(&heads[7..]) {
            assert_eq!(*head, format!("pitch {ms} ms"));
        }
        for (ms, head) in LEVEL_MS.iter().zip(&heads[7 + PITCH_MS.len()..]) {
            assert_eq!(*head, format!("level {ms} ms"));
        }
    }

    #[test]
    fn percentiles_rise_and_stand_on_fifteen_notes() {
        for kind in kinds() {
            assert!(kind.num >= 15, "{}", kind.name);
            for p in all_told(kind) {
                let in_order = [p.low, p.tenth, p.median, p.ninetieth, p.high];
                assert!(in_order.is_sorted(), "{}: {in_order:?}", kind.name);
            }
        }
    }

    #[test]
    fn ways_between_notes_are_those_of_their_table() {
        let cell = |name: &str, column: usize| {
            let row = include_str!("passages.md").lines().find(|line| line.starts_with(&format!("| {name} |")));
            row.and_then(|row| row.split('|').nth(column)).and_then(percentiles)
        };
        assert_eq!(cell("brass", 5), Some(PASSAGE_MS));
        assert_eq!(cell("all", 7), Some(DIP_DB));
    }

    #[test]
    fn a_front_finds_the_kind_of_its_register_or_all() {
        let name = |how, note| of(how, note).map(|kind| kind.name);
        assert_eq!(name(Articulation::Tongued, Some(44)), Some("detached, to G#2"));
        assert_eq!(name(Articulation::Tongued, Some(45)), Some("detached, A2 to D#3"));
        assert_eq!(name(Articulation::Tongued, Some(58)), Some("detached, E3 to A#3"));
        assert_eq!(name(Articulation::Tongued, Some(66)), Some("detached, F#4 up"));
        assert_eq!(name(Articulation::Tongued, None), Some("detached, all"));
        assert_eq!(name(Articulation::Slurred, Some(90)), Some("connected, all"));
    }
}
