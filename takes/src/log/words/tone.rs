//! The tone of the bodies in words and tables.

use super::{HANG, chance, counted, right, sentence, table};
use crate::columns::prose;
use crate::log::stamina::Tiring;
use crate::log::tone::{TITLES, Tones, Typical};
use crate::statistics::LEVEL;
use comfy_table::Cell;

/// The titles in few words, for a table of 80 columns.
const SHORT: [&str; TITLES.len()] = ["clean, dB", "pitch, cents", "level, dB", "brightness, Hz"];
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
        let mut cells = vec![Cell::new(row.register.as_str()), right(row.num.to_string())];
        cells.extend(row.typical.iter().enumerate().map(|(m, told)| right(typical(m, told))));
        cells
    });
    let mut head = vec!["register", "notes"];
    head.extend(SHORT);
    let told = table(&head, rows.collect(), &[0], width);
    let what = "The tone of held notes, once they have settled: how clean (harmonics over noise), how far pitch and level wander \
        (vibrato, swelling and fading taken out), how bright.\n";
    told + "\n" + &prose(&format!("{what}{}\n", strain(tones.strain)), width, HANG)
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::log::tone::Row;
    use crate::summary::Register;

    #[test]
    fn the_table_fits_80_columns_and_strain_is_a_hint() {
        let typical = [(23.0, 22.0, 26.0), (8.7, 2.7, 18.3), (0.9, 0.8, 1.3), (1606.0, 1510.0, 1696.0)];
        let typical = typical.map(|(median, low, high)| Typical { median, low, high });
        let row = |register| Row { register, num: 123_456, typical };
        let strain = Some(Tiring { per_ten_minutes: 6.2, chance: 0.001, num_sessions: 12 });
        let text = tones(&Tones { rows: Register::ALL.map(row).to_vec(), strain }, 80);
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        let said = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(
            said.contains("A hint, not a verdict: with the minutes since the last rest the sound grows brighter"),
            "{said}"
        );
        assert!(said.contains("by 6 % in ten minutes, over 12 sessions."), "{said}");
        assert_eq!(tones(&Tones::default(), 80), "");
    }
}
