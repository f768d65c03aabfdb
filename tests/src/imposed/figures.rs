//! The figures of recorded notes on a click, row by row.

use super::spoil::Spoil;
use crate::accuracy::{FAULTS, Figures, JudgedTake, Reach};
use crate::table::{FlagRow, Row};

/// Section of the table.
pub const PLACED: &str = "recorded notes on a click, faults imposed";

/// Measure, percentile of its absolute error, unit, most.
const ERRORS: [(&str, f64, &str, Option<f64>); 12] = [
    ("approach", 50.0, "cents", Some(3.0)),
    ("approach", 90.0, "cents", Some(8.0)),
    ("speak", 50.0, "ms", None),
    ("speak", 90.0, "ms", None),
    ("onset", 90.0, "ms", None),
    ("speaks", 90.0, "ms", None),
    ("settle", 50.0, "ms", None),
    ("settle", 90.0, "ms", Some(15.0)),
    ("onset-pitch", 90.0, "cents", None),
    ("settled-pitch", 90.0, "cents", None),
    ("noise", 90.0, "ms", None),
    ("noise-level", 50.0, "dB", None),
];

/// Every row; none without takes.
#[must_use]
pub fn placed_rows(takes: &[JudgedTake]) -> Vec<Row> {
    if takes.is_empty() {
        return Vec::new();
    }
    let figures = Figures::of(takes);
    let num = figures.onsets[0].num_reference;
    let on = format!("{num} notes of {} takes; natural front by Praat, a few ms", takes.len());
    let mut rows = onset_rows(&figures, &on);
    rows.extend(note_rows(takes));
    rows.extend(ERRORS.map(|(name, p, unit, most)| {
        let value = figures.abs_error_percentile(name, p);
        let on = format!("{} of {} notes told", figures.errors(name).len(), figures.notes(name).len());
        let row = Row::value(PLACED, &format!("{name} error, {p:.0} %"), value, unit, on);
        most.map_or(row.clone(), |most| row.reaching(Reach::Within(most)))
    }));
    rows.extend(fault_rows(&figures));
    let (flagged, clean) = figures.flagged_clean;
    let on = format!("{clean} untouched notes, natural lean under 20 cents; timing apart");
    rows.push(Row::share(PLACED, "flagged of clean notes", (flagged, clean), on).reaching(Reach::Within(0.04)));
    rows
}

fn onset_rows(figures: &Figures, on: &str) -> Vec<Row> {
    let row = |i: usize, name: &str, least: f64| {
        let value = figures.onsets[i].f_measure();
        Row::value(PLACED, name, value, "", on.to_owned()).reaching(Reach::AtLeast(least))
    };
    let bias = Row::value(PLACED, "onset error, median", figures.median_error("onset"), "ms", on.to_owned());
    vec![
        row(0, "onset F at 50 ms", 0.995),
        row(1, "onset F at 25 ms", 0.99),
        row(2, "onset F at 10 ms", 0.95),
        bias.reaching(Reach::Within(2.0)),
    ]
}

fn note_rows(takes: &[JudgedTake]) -> Vec<Row> {
    let pairs = takes.iter().flat_map(|take| {
        take.pairs.iter().map(|(t, h)| (take.truth.entrances[*t].midi as u8, take.heard[*h].front.midi_note))
    });
    let (mut num, mut right, mut octave) = (0, 0, 0);
    for (midi, heard) in pairs {
        num += 1;
        right += usize::from(heard == Some(midi));
        octave += usize::from(crate::playing::is_octave_off(midi, heard));
    }
    let on = format!("{num} entrances paired within 50 ms");
    vec![
        Row::share(PLACED, "right note", (right, num), on.clone()).reaching(Reach::AtLeast(0.995)),
        Row::share(PLACED, "octave errors", (octave, num), on).reaching(Reach::Within(0.003)),
    ]
}

/// Recall and precision of what was imposed.
fn fault_rows(figures: &Figures) -> Vec<Row> {
    let imposed = figures.faults.iter().zip(FAULTS).filter(|(_, name)| is_imposed(name.as_str()));
    imposed
        .flat_map(|(counts, name)| {
            let row = |what: &str, part: usize, whole: usize, on: String| {
                Row::share(PLACED, &format!("{} {what}", name.as_str()), (part, whole), on)
                    .reaching(Reach::AtLeast(0.9))
            };
            let (there, told) = (counts.num_right + counts.num_missed, counts.num_right + counts.num_false);
            [
                row("recall", counts.num_right, there, format!("{there} imposed")),
                row("precision", counts.num_right, told, format!("{told} told where the truth is known")),
            ]
        })
        .collect()
}

fn is_imposed(name: &str) -> bool {
    Spoil::ALL.iter().any(|spoil| spoil.name() == name)
}

/// What notes are flagged with, by what was imposed.
#[must_use]
pub fn placed_flags(takes: &[JudgedTake]) -> Vec<FlagRow> {
    let names = std::iter::once("none").chain(Spoil::ALL.map(Spoil::name));
    names
        .map(|name| {
            let mut row = FlagRow::new(PLACED, if name == "none" { "untouched" } else { name });
            for take in takes {
                for (t, h) in &take.pairs {
                    if take.truth.entrances[*t].made.as_deref() == Some(name) {
                        row.count(&crate::playing::Heard::from(&take.heard[*h]).flags);
                    }
                }
            }
            row
        })
        .filter(|row| row.num_entrances > 0)
        .collect()
}
