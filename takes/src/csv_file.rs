//! Entrances as a table for spreadsheets and scripts: CSV by RFC 4180, UTF-8, one entrance a row.
//!
//! The figures are those of the JSON document, in the same units and with the same rounding; what cannot be
//! told is an empty field.

use crate::json::{ArticulationDocument, EntranceDocument};
use crate::marks::{self, Chosen, Marking, Which};
use crate::words;
use csv::{Terminator, WriterBuilder};
use serde::Serialize;
use std::io::{self, Write};

/// One row. The names of the fields are the header.
#[derive(Serialize)]
struct Row {
    index: usize,
    bar: Option<String>,
    /// In the bar, from 1.
    beat: Option<f64>,
    speaks_s: f64,
    sound_start_s: f64,
    onset_s: f64,
    end_s: Option<f64>,
    note: Option<String>,
    midi_note: Option<u8>,
    articulation: ArticulationDocument,
    clarity: Option<u8>,
    /// Names of the faults, the worst first, with blanks between.
    faults: String,
    worst_severity: Option<f64>,
    worst_sureness: Option<f64>,
    noise_before_tone_ms: Option<f64>,
    noise_before_tone_db: Option<f64>,
    approach_cents: Option<f64>,
    onset_cents: Option<f64>,
    speak_ms: Option<f64>,
    settle_ms: Option<f64>,
    attack_ms: Option<f64>,
    growth_db_per_s: Option<f64>,
    timing_ms: Option<f64>,
    tuning_cents: Option<f64>,
    level_db: Option<f64>,
    /// The words of the marker.
    label: String,
    /// The reasons with their numbers.
    because: String,
    /// What the player says of it.
    by_ear: Option<String>,
}

impl Row {
    fn new(Chosen { entrance, place, label, by_ear }: Chosen<'_>, which: Which) -> Self {
        let told = EntranceDocument::from(entrance);
        let names: Vec<_> = words::worst_first(entrance).iter().map(|fault| fault.name.as_str()).collect();
        let worst = told.faults.first();
        Self {
            index: told.index,
            bar: place.and_then(|place| place.bar.clone()),
            beat: place.and_then(|place| place.beat),
            speaks_s: told.speaks_s,
            sound_start_s: told.sound_start_s,
            onset_s: told.onset_s,
            end_s: told.end_s,
            midi_note: told.midi_note,
            articulation: told.articulation,
            clarity: told.clarity,
            faults: names.join(" "),
            worst_severity: worst.map(|fault| fault.severity),
            worst_sureness: worst.map(|fault| fault.sureness),
            noise_before_tone_ms: told.noise_before_tone_ms,
            noise_before_tone_db: told.noise_before_tone_db,
            approach_cents: told.approach_cents,
            onset_cents: told.onset_cents,
            speak_ms: told.speak_ms,
            settle_ms: told.settle_ms,
            attack_ms: told.attack_ms,
            growth_db_per_s: told.growth_db_per_s,
            timing_ms: told.timing_ms,
            tuning_cents: told.tuning_cents,
            level_db: told.level_db,
            note: told.note,
            label,
            because: marks::sentence(entrance, which),
            by_ear,
        }
    }
}

/// Header of a table without rows, which a row would give otherwise.
const HEADER: [&str; 28] = [
    "index",
    "bar",
    "beat",
    "speaks_s",
    "sound_start_s",
    "onset_s",
    "end_s",
    "note",
    "midi_note",
    "articulation",
    "clarity",
    "faults",
    "worst_severity",
    "worst_sureness",
    "noise_before_tone_ms",
    "noise_before_tone_db",
    "approach_cents",
    "onset_cents",
    "speak_ms",
    "settle_ms",
    "attack_ms",
    "growth_db_per_s",
    "timing_ms",
    "tuning_cents",
    "level_db",
    "label",
    "because",
    "by_ear",
];

/// Writes the entrances of a choice.
///
/// # Errors
/// Those of `out`.
pub fn write(out: impl Write, marking: Marking<'_>) -> io::Result<()> {
    let mut csv = WriterBuilder::new().terminator(Terminator::CRLF).has_headers(false).from_writer(out);
    csv.write_record(HEADER)?;
    for chosen in marking.chosen() {
        csv.serialize(Row::new(chosen, marking.which))?;
    }
    csv.flush()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixtures;
    use crate::marks::Place;

    fn table(which: Which) -> String {
        let mut bytes = Vec::new();
        let (entrances, places) = (fixtures::take().entrances, [Place { bar: Some("7".into()), beat: Some(2.5) }]);
        let marking = Marking { entrances: &entrances, which, places: &places, ..Marking::default() };
        write(&mut bytes, marking).expect("memory is patient");
        String::from_utf8(bytes).expect("UTF-8")
    }

    #[test]
    fn rows_are_those_of_the_choice_under_one_header() {
        for (which, num_rows) in
            [(Which::All, 5), (Which::Flagged, 3), (Which::Fault(notefront_dsp::FaultName::Hard), 0)]
        {
            assert_eq!(table(which).matches("\r\n").count(), 1 + num_rows);
        }
    }

    #[test]
    fn the_header_names_the_fields_in_their_order() {
        let mut csv = WriterBuilder::new().from_writer(Vec::new());
        let (entrance, which) = (&fixtures::clear(0, 46, 1.0), Which::All);
        let chosen = Chosen { entrance, place: None, label: String::new(), by_ear: None };
        csv.serialize(Row::new(chosen, which)).expect("a row");
        let by_row = String::from_utf8(csv.into_inner().expect("memory")).expect("UTF-8");
        assert_eq!(by_row.lines().next().expect("a header"), HEADER.join(","));
    }

    #[test]
    fn a_row_reads_back_with_its_values() {
        let table = table(Which::Flagged);
        let mut reader = csv::Reader::from_reader(table.as_bytes());
        let rows: Vec<std::collections::HashMap<String, String>> =
            reader.deserialize().map(|row| row.expect("a row")).collect();
        assert_eq!(rows[0]["speaks_s"], "1.0115");
        assert_eq!([&rows[0]["bar"], &rows[0]["beat"], &rows[2]["bar"]], ["7", "2.5", ""]);
        assert_eq!((rows[0]["note"].as_str(), rows[0]["onset_cents"].as_str()), ("Bb2", "-70.9"));
        assert_eq!([&rows[0]["label"], &rows[2]["label"], &rows[0]["by_ear"]], ["Bb2 below", "F3 airy, below", ""]);
        assert_eq!(rows[0]["because"], "Bb2: leaned 41 cents below its pitch and took 113 ms to settle");
        assert_eq!(rows[2]["faults"], "airy below");
        assert_eq!(rows[2]["settle_ms"], "", "what cannot be told is empty");
    }

    #[test]
    fn commas_are_quoted_as_rfc_4180_asks() {
        assert!(table(Which::Flagged).contains("\"F3: started on the 2nd partial, a fifth below"));
    }
}
