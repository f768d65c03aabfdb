//! The position map, and lasting and evenness, in words and tables.

use super::{HANG, chance, counted, right, sentence, table};
use crate::breathing;
use crate::columns::prose;
use crate::log::alternates::{Alternates, Ranked, Way};
use crate::log::position_map::{NOTICED_CENTS, PositionMap, Tuned};
use crate::log::stamina::{Evenness, Stamina, Tiring};
use crate::patterns::{Facet, Share};
use crate::statistics::LEVEL;
use comfy_table::Cell;
use notefront_dsp::units::note_name;
use std::fmt::Write;

/// A whole number with its sign; 0 has none.
#[must_use]
pub fn signed(value: f64) -> String {
    let whole = value.round() + 0.0;
    if whole == 0.0 { "0".into() } else { format!("{whole:+.0}") }
}

/// "in 12 mm (±4)", or that it may stay.
#[must_use]
pub fn slide_move(tuned: &Tuned) -> String {
    if !tuned.is_off() {
        return "stays".into();
    }
    let (mm, uncertainty) = tuned.move_mm;
    let way = if mm > 0.0 { "out" } else { "in" };
    // First position cannot go further in.
    let note = if way == "in" && tuned.place.position == 1 { ", or the tuning slide" } else { "" };
    format!("{way} {:.0} mm (\u{b1}{:.0}){note}", mm.abs(), uncertainty.max(1.0))
}

/// The map of a player's horn.
#[must_use]
pub fn position_map(map: &PositionMap, width: u16) -> String {
    if map.places.is_empty() {
        return "Too few held notes to tell: five in one partial and position are the least.\n".into();
    }
    let row = |tuned: &Tuned| {
        vec![
            Cell::new(Facet::Place.label(tuned.place.kind())),
            right(tuned.num.to_string()),
            right(tuned.num_sessions.to_string()),
            right(format!("{} (\u{b1}{:.0})", signed(tuned.cents), tuned.uncertainty.max(1.0))),
            Cell::new(slide_move(tuned)),
        ]
    };
    let head = ["partial, position", "notes", "sessions", "cents", "move the slide"];
    let told = table(&head, map.places.iter().map(row).collect(), &[4], width);
    let mut text = String::new();
    let _ = writeln!(
        text,
        "\nCents from equal temperament, against the mean of all that was played; positions are the most usual ones. Under \
         {NOTICED_CENTS:.0} cents nobody hears it, and music bends more: chords want other thirds than scales."
    );
    let _ = writeln!(
        text,
        "Taken out: the horn as a whole ({} cents: for the tuning slide){}.",
        signed(map.overall_cents),
        map.warming_cents.map_or_else(String::new, |c| format!(", its way from cold to warm ({} cents)", signed(c)))
    );
    let _ = writeln!(
        text,
        "Millimetres by the law of the slide times {:.2}; measure your own slide and say --slide 4=260 for a better factor.",
        map.factor
    );
    told + &prose(&text, width, 0)
}

/// The positions of the notes that are known, ranked; and how to make them known.
#[must_use]
pub fn alternates(alternates: &Alternates, width: u16) -> String {
    let how = "Which position was taken cannot be heard. It is known of notes read along with written ones that have positions above \
        them (scan --notes with a sheet of notefront sheet), or say it with a tag on the take, --tag D4=4 or --tag F3=T1, \
        which holds for every other such note in it: positions of a note are then ranked here by how clearly it speaks in \
        them.\n";
    let impossible = match alternates.impossible.as_slice() {
        [] => String::new(),
        tags => format!("No such position on that horn: {}.\n", tags.join(", ")),
    };
    let rows = alternates.notes.iter().flat_map(|ranked| ranked.ways.iter().map(move |way| (ranked, way)));
    let rows: Vec<Vec<Cell>> = rows.map(|(ranked, way)| alternate(ranked, way)).collect();
    if rows.is_empty() {
        return "\n".to_owned() + &prose(&(how.to_owned() + &impossible), width, 0);
    }
    let head = ["note", "notes", "sessions", "position", "clarity", "unclear"];
    let told = table(&head, rows, &[5], width);
    let apart: String = alternates.notes.iter().map(told_apart).collect();
    format!("\n{told}\n") + &prose(&(apart + how + &impossible), width, 0)
}

fn alternate(ranked: &Ranked, way: &Way) -> Vec<Cell> {
    let (mean, low, high) = way.clarity;
    let Share { value, low: least, high: most } = way.unclear;
    vec![
        Cell::new(note_name(ranked.midi_note)),
        right(way.num.to_string()),
        right(way.num_sessions.to_string()),
        right(way.position.to_string()),
        right(format!("{mean:.0} ({low:.0}\u{2013}{high:.0})")),
        Cell::new(format!("{:.0} % ({:.0}\u{2013}{:.0})", 100.0 * value, 100.0 * least, 100.0 * most)),
    ]
}

/// "D4 speaks clearer in 1 than in 4.", or that this cannot be told.
fn told_apart(ranked: &Ranked) -> String {
    let [best, next, ..] = ranked.ways.as_slice() else { return String::new() };
    let note = note_name(ranked.midi_note);
    if ranked.is_apart() {
        format!("{note} speaks clearer in {} than in {}.\n", best.position, next.position)
    } else {
        format!("{note} in {} or {}: no difference beyond their intervals.\n", best.position, next.position)
    }
}

fn tiring(what: &str, unit: &str, tiring: Option<Tiring>) -> String {
    match tiring {
        None => format!("{what}: too few sessions of five minutes without a rest to tell.\n"),
        Some(t) if t.chance >= LEVEL => {
            format!(
                "{what} does not change with the minutes since the last rest, beyond chance ({}).\n",
                counted(t.num_sessions, "session")
            )
        }
        Some(t) => format!(
            "{what}: {:+.1} {unit} in ten minutes without a rest, over {}. {}.\n",
            t.per_ten_minutes,
            counted(t.num_sessions, "session"),
            sentence(&chance(t.chance))
        ),
    }
}

fn evenness(even: &Evenness) -> String {
    format!(
        "Repeated notes ({} of {}): from attack to attack they vary by {:.0} % (nPVI {:.0}, 0 is even), in length by {:.0} %, in \
         level by {:.1} dB.\n",
        counted(even.num_runs, "run"),
        counted(even.num_notes, "note"),
        even.interval_percent,
        even.interval_npvi,
        even.length_percent,
        even.level_db
    )
}

/// Lasting and even.
#[must_use]
pub fn stamina(stamina: &Stamina, width: u16) -> String {
    if stamina.parts.is_empty() {
        return "No notes are in the log.\n".into();
    }
    let told = |value: Option<f64>| right(value.map_or_else(String::new, |v| format!("{v:.1}")));
    let rows = stamina.parts.iter().map(|part| {
        let (minutes, num) = (Cell::new(Facet::Minutes.label(part.kind)), right(part.num.to_string()));
        vec![minutes, num, told(part.clarity), told(part.lean_cents)]
    });
    let head = [Facet::Minutes.title(), "notes", "clarity", "leans by, cents"];
    table(&head, rows.collect(), &[0], width) + "\n" + &prose(&lasting(stamina), width, HANG)
}

/// The sentences of it.
#[must_use]
pub fn lasting(stamina: &Stamina) -> String {
    let mut text = String::new();
    text += &tiring("Clarity", "points", stamina.clarity);
    text += &tiring("The lean", "cents", stamina.lean);
    text += &stamina.evenness.as_ref().map(evenness).unwrap_or_default();
    if let Some((num, day)) = stamina.longest_run {
        let _ = writeln!(text, "Longest clean run: {} in a row, on {day}.", counted(num, "note"));
    }
    let breathed = breathing::words(&stamina.breathing);
    if !breathed.is_empty() {
        let _ = writeln!(text, "Breaths: {breathed}");
    }
    text
}
