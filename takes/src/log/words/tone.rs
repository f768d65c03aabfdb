//! The tone of the bodies in words and tables.

use super::{HANG, chance, counted, right, sentence, table};
use crate::columns::prose;
use crate::log::stamina::Tiring;
use crate::log::tone::{TITLES, Tones, Typical};
use crate::statistics::LEVEL;
use comfy_table::Cell;

/// Decimal places of each figure.
const PLACES: [usize; TITLES.len()] = [0, 1, 1, 0];

/// "24 (22\u{2013}26)".
#[must_use]
pub fn typical(measure: usize, typical: &Typical) -> String {
    let told = |value: f64| format!("{value:.*}", PLACES[measure]);
    let (median, low, high) = (told(typical.median), told(typical.low), told(typical.high));
    if low == high { median } else { format!("{median} ({low}\u{2013}{high})") }
}

/// The tone of a player; empty where too few notes tell it.
#[must_use]
pub fn tones(tones: &Tones, width: u16) -> String {
    if tones.rows.is_empty() {
        return String::new();
    }
    let rows = tones.rows.iter().map(|row| {
        let mut cells = vec![Cell::new(row.register.label()), right(row.num.to_string())];
        cells.extend(row.typical.iter().enumerate().map(|(m, told)| right(typical(m, told))));
        cells
    });
    let mut head = vec!["tone, by register", "notes"];
    head.extend(TITLES);
    let told = table(&head, rows.collect(), &[0], width);
    told + "\n" + &prose(&(strain(tones.strain) + "\n"), width, HANG)
}

/// Whether the sound grows brighter than level and note explain: a hint, never a verdict.
#[must_use]
pub fn strain(strain: Option<Tiring>) -> String {
    match strain {
        None => "Brightness against level: too few sessions of five minutes without a rest to tell.".into(),
        Some(t) if t.chance >= LEVEL => format!(
            "Brightness beyond what level and note explain does not change with the minutes since the last rest, beyond chance ({}).",
            counted(t.num_sessions, "session")
        ),
        Some(t) => format!(
            "A hint, not a verdict: with the minutes since the last rest the sound grows {} than level and note explain, by {:.0} % \
             in ten minutes, over {}. {}.{}",
            if t.per_ten_minutes > 0.0 { "brighter" } else { "darker" },
            t.per_ten_minutes.abs(),
            counted(t.num_sessions, "session"),
            sentence(&chance(t.chance)),
            if t.per_ten_minutes > 0.0 {
                " Strain can sound so; so can a bell that comes nearer to the microphone."
            } else {
                ""
            }
        ),
    }
}
