//! The measures of an entrance as columns: which, in which fraction of their unit, and back.

use super::LoggedEntrance;
use crate::sheet::Position;
use notefront_dsp::entrance::InstantUncertainty;
use notefront_dsp::{
    Articulation, CannotTell, Entrance, Evidence, Fault, Faults, Front, FrontPicture, Measure, Positions, Settings,
    Told, Tone, Verdict, trombone,
};
use rusqlite::{Row, ToSql};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A measure that has an uncertainty of its own.
struct Column {
    name: &'static str,
    /// Fraction of its unit that is kept: 10 to this power.
    places: i32,
    of: fn(&mut Entrance) -> &mut Told,
}

/// All of them, in the order of the table. Decimal places are those of the JSON document.
const COLUMNS: [Column; 13] = [
    Column { name: "settled_hz", places: 4, of: |e| &mut e.front.settled_hz },
    Column { name: "tuning_cents", places: 2, of: |e| &mut e.front.tuning_cents },
    Column { name: "noise_before_tone_ms", places: 2, of: |e| &mut e.front.noise_before_tone_ms },
    Column { name: "noise_before_tone_db", places: 2, of: |e| &mut e.front.noise_before_tone_db },
    Column { name: "approach_cents", places: 2, of: |e| &mut e.front.approach_cents },
    Column { name: "onset_cents", places: 2, of: |e| &mut e.front.onset_cents },
    Column { name: "speak_ms", places: 2, of: |e| &mut e.front.speak_ms },
    Column { name: "settle_ms", places: 2, of: |e| &mut e.front.settle_ms },
    Column { name: "attack_ms", places: 2, of: |e| &mut e.front.attack_ms },
    Column { name: "log_attack_time", places: 4, of: |e| &mut e.front.log_attack_time },
    Column { name: "growth_db_per_s", places: 2, of: |e| &mut e.front.growth_db_per_s },
    Column { name: "overshoot_db", places: 2, of: |e| &mut e.front.overshoot_db },
    Column { name: "timing_ms", places: 2, of: |e| &mut e.verdict.timing_ms },
];

/// Columns before those of the measures, with their decimal places where they have any.
const FIRST: [(&str, i32); 10] = [
    ("place", 0),
    ("sound_start_s", 6),
    ("onset_s", 6),
    ("speaks_s", 6),
    ("end_s", 6),
    ("sound_start_pm_ms", 2),
    ("onset_pm_ms", 2),
    ("speaks_pm_ms", 2),
    ("articulation", 0),
    ("level_db", 2),
];
/// Columns after them.
const LAST: [(&str, i32); 5] = [("untold", 0), ("evidence", 0), ("clarity", 2), ("faults", 0), ("corrected", 0)];

/// Columns of the tone of the body: parts of the evidence that most notes have.
const TONE: [(&str, i32); 4] = [("hnr_db", 2), ("pitch_wander_cents", 2), ("level_wander_db", 2), ("brightness_hz", 1)];

fn tone_figures(tone: &Tone) -> [f64; TONE.len()] {
    [tone.hnr_db, tone.pitch_wander_cents, tone.level_wander_db, tone.brightness_hz]
}

/// Where the slide was, by the written notes.
const POSITION: [(&str, i32); 1] = [("position", 0)];

/// Columns that the file makes of the evidence itself: read by the view only.
const OF_EVIDENCE: [&str; 6] = ["passage_ms", "dip_db", "between_ms", "breath", "breath_to_sound_ms", "inhaled_ms"];

const ARTICULATIONS: [Articulation; 3] = [Articulation::Tongued, Articulation::Legato, Articulation::Slurred];

fn stored_name((name, places): &(&str, i32)) -> String {
    if *places == 0 { (*name).to_owned() } else { format!("{name}_e{places}") }
}

fn pairs() -> impl Iterator<Item = [(String, i32); 2]> {
    COLUMNS.iter().map(|c| [(c.name.to_owned(), c.places), (format!("{}_pm", c.name), c.places)])
}

/// All columns but the take, as SQL lists them.
pub(super) fn names() -> String {
    let pairs: Vec<String> = pairs().flatten().map(|(name, places)| stored_name(&(&name, places))).collect();
    let all =
        FIRST.iter().map(stored_name).chain(pairs).chain(LAST.iter().chain(&TONE).chain(&POSITION).map(stored_name));
    all.collect::<Vec<_>>().join(", ")
}

/// How many columns that are.
pub(super) const NUM: usize = FIRST.len() + 2 * COLUMNS.len() + LAST.len() + TONE.len() + POSITION.len();

/// The view that tells every figure in its unit.
pub(super) fn view() -> String {
    let told = |(name, places): (String, i32)| match places {
        0 => name,
        _ => format!("{name}_e{places} / 1e{places} AS {name}"),
    };
    let of_evidence = OF_EVIDENCE.iter().map(|name| ((*name).to_owned(), 0));
    let owned = |&(name, places): &(&str, i32)| (name.to_owned(), places);
    let all: Vec<String> = FIRST
        .iter()
        .map(owned)
        .chain(pairs().flatten())
        .chain(LAST.iter().chain(&TONE).chain(&POSITION).map(owned))
        .chain(of_evidence)
        .map(told)
        .collect();
    format!("CREATE VIEW entrance_in_units AS SELECT take, {} FROM entrance;", all.join(", "))
}

/// A figure as a whole number; none where it is no number.
fn whole(value: f64, places: i32) -> Option<i64> {
    let scaled = (value * 10f64.powi(places)).round();
    // Beyond 2^53 a float is no exact count any more; no measure comes near it.
    (scaled.abs() < 9e15).then_some(scaled as i64)
}

fn part(whole: i64, places: i32) -> f64 {
    whole as f64 / 10f64.powi(places)
}

/// A verdict as the player gave it: faults and clarity; timing is a measure.
#[derive(Serialize, Deserialize)]
struct Correction {
    clarity: f64,
    faults: BTreeMap<String, (f64, f64)>,
}

fn faults_in_json(faults: &Faults) -> BTreeMap<String, (f64, f64)> {
    faults.iter().map(|f| (f.name.as_str().to_owned(), (rounded(f.severity), rounded(f.sureness)))).collect()
}

/// Severity and sureness to four decimals.
fn rounded(value: f64) -> f64 {
    (value * 1e4).round() / 1e4
}

fn faults_from_json(told: &BTreeMap<String, (f64, f64)>) -> Faults {
    let mut faults = Faults::default();
    for (key, &(severity, sureness)) in told {
        // A fault that a later version knows and this one does not is left out.
        if let Some(name) = notefront_dsp::verdict::table::named(key) {
            faults.insert(Fault { name, severity, sureness });
        }
    }
    faults
}

fn json(value: &impl Serialize) -> Option<String> {
    serde_json::to_string(value).ok()
}

/// Why measures of an entrance are not told, as JSON; `None` where all are.
pub(super) fn reasons(entrance: &Entrance) -> Option<String> {
    let mut entrance = *entrance;
    let untold: BTreeMap<&str, CannotTell> =
        COLUMNS.iter().filter_map(|c| Some((c.name, (c.of)(&mut entrance).err()?))).collect();
    if untold.is_empty() { None } else { json(&untold) }
}

/// The values of all columns but the take; `untold` is the row of its reasons.
pub(super) fn values(logged: &LoggedEntrance, untold: Option<i64>) -> Vec<Box<dyn ToSql>> {
    let mut entrance = logged.entrance;
    let front = entrance.front;
    let pm = front.instant_uncertainty;
    let articulation = ARTICULATIONS.iter().position(|a| *a == front.articulation);
    let mut all: Vec<Box<dyn ToSql>> = vec![
        Box::new(front.index as i64),
        Box::new(whole(front.sound_start_s, 6).unwrap_or(0)),
        Box::new(whole(front.onset_s, 6).unwrap_or(0)),
        Box::new(whole(front.speaks_s, 6).unwrap_or(0)),
        Box::new(front.end_s.and_then(|end_s| whole(end_s, 6))),
        Box::new(whole(pm.sound_start_ms, 2)),
        Box::new(whole(pm.onset_ms, 2)),
        Box::new(whole(pm.speaks_ms, 2)),
        Box::new(articulation.unwrap_or(0) as i64),
        Box::new(whole(front.level_db, 2)),
    ];
    for column in &COLUMNS {
        let told = *(column.of)(&mut entrance);
        all.push(Box::new(told.ok().and_then(|m| whole(m.value, column.places))));
        all.push(Box::new(told.ok().and_then(|m| whole(m.uncertainty, column.places))));
    }
    let verdict = &entrance.verdict;
    let seen = Evidence { tone: None, ..front.evidence };
    let evidence = (seen != Evidence::default()).then(|| json(&seen)).flatten();
    let faults = (!verdict.faults.is_empty()).then(|| json(&faults_in_json(&verdict.faults))).flatten();
    let corrected = logged.corrected.map(|v| Correction { clarity: v.clarity, faults: faults_in_json(&v.faults) });
    all.push(Box::new(untold));
    all.push(Box::new(evidence));
    all.push(Box::new(whole(verdict.clarity, 2).unwrap_or(0)));
    all.push(Box::new(faults));
    all.push(Box::new(corrected.and_then(|c| json(&c))));
    let tone = front.evidence.tone.map(|tone| tone_figures(&tone));
    for (i, (_, places)) in TONE.iter().enumerate() {
        all.push(Box::new(tone.and_then(|tone| whole(tone[i], *places))));
    }
    all.push(Box::new(logged.position.map(Position::packed)));
    all
}

/// The entrance of a row that begins with [`names`] and ends with its reasons. What the note is called follows from
/// its pitch and the settings.
pub(super) fn entrance(row: &Row<'_>, settings: &Settings) -> rusqlite::Result<LoggedEntrance> {
    let number = |i: usize, places: i32| -> rusqlite::Result<Option<f64>> {
        Ok(row.get::<_, Option<i64>>(i)?.map(|whole| part(whole, places)))
    };
    let text = |i: usize| -> rusqlite::Result<Option<String>> { row.get(i) };
    let last = FIRST.len() + 2 * COLUMNS.len();
    let reasons: BTreeMap<String, CannotTell> = from_json(text(NUM)?.as_deref()).unwrap_or_default();
    let mut front = empty_front();
    front.index = row.get::<_, i64>(0)? as usize;
    front.sound_start_s = number(1, 6)?.unwrap_or(0.0);
    front.onset_s = number(2, 6)?.unwrap_or(0.0);
    front.speaks_s = number(3, 6)?.unwrap_or(0.0);
    front.end_s = number(4, 6)?;
    front.instant_uncertainty = InstantUncertainty {
        sound_start_ms: number(5, 2)?.unwrap_or(f64::NAN),
        onset_ms: number(6, 2)?.unwrap_or(f64::NAN),
        speaks_ms: number(7, 2)?.unwrap_or(f64::NAN),
    };
    front.articulation = *ARTICULATIONS.get(row.get::<_, i64>(8)? as usize).unwrap_or(&Articulation::Tongued);
    front.level_db = number(9, 2)?.unwrap_or(f64::NAN);
    front.evidence = from_json(text(last + 1)?.as_deref()).unwrap_or_default();
    front.evidence.tone = tone(|i| number(last + LAST.len() + i, TONE[i].1))?;
    let faults = from_json(text(last + 3)?.as_deref()).map(|told| faults_from_json(&told)).unwrap_or_default();
    let clarity = number(last + 2, 2)?.unwrap_or(0.0);
    let verdict = Verdict { timing_ms: Err(CannotTell::NotMeasured), faults, clarity };
    let mut entrance = Entrance { front, verdict };
    for (i, column) in COLUMNS.iter().enumerate() {
        let at = FIRST.len() + 2 * i;
        let why = reasons.get(column.name).copied().unwrap_or(CannotTell::NotMeasured);
        let value = number(at, column.places)?.ok_or(why);
        let uncertainty = number(at + 1, column.places)?.unwrap_or(f64::NAN);
        *(column.of)(&mut entrance) = value.map(|value| Measure { value, uncertainty });
    }
    let tuning = entrance.front.tuning_cents;
    trombone::name_note(&mut entrance.front, settings);
    // As it was measured, not as it is rounded from the pitch.
    entrance.front.tuning_cents = tuning;
    let corrected = from_json(text(last + 4)?.as_deref()).map(|told: Correction| Verdict {
        timing_ms: entrance.verdict.timing_ms,
        faults: faults_from_json(&told.faults),
        clarity: told.clarity,
    });
    let position = row.get::<_, Option<u8>>(NUM - 1)?.and_then(Position::of_packed);
    Ok(LoggedEntrance { entrance, corrected, position })
}

/// The tone of these figures; `None` where one is missing.
fn tone(figure: impl Fn(usize) -> rusqlite::Result<Option<f64>>) -> rusqlite::Result<Option<Tone>> {
    let told = [figure(0)?, figure(1)?, figure(2)?, figure(3)?];
    let [Some(hnr_db), Some(pitch_wander_cents), Some(level_wander_db), Some(brightness_hz)] = told else {
        return Ok(None);
    };
    Ok(Some(Tone { hnr_db, pitch_wander_cents, level_wander_db, brightness_hz }))
}

fn from_json<T: for<'a> Deserialize<'a>>(text: Option<&str>) -> Option<T> {
    serde_json::from_str(text?).ok()
}

fn empty_front() -> Front {
    let untold = Err(CannotTell::NotMeasured);
    Front {
        index: 0,
        sound_start_s: 0.0,
        onset_s: 0.0,
        speaks_s: 0.0,
        instant_uncertainty: InstantUncertainty { sound_start_ms: 0.0, onset_ms: 0.0, speaks_ms: 0.0 },
        end_s: None,
        midi_note: None,
        settled_hz: untold,
        tuning_cents: untold,
        partial: None,
        positions: Positions::default(),
        articulation: Articulation::Tongued,
        noise_before_tone_ms: untold,
        noise_before_tone_db: untold,
        approach_cents: untold,
        onset_cents: untold,
        speak_ms: untold,
        settle_ms: untold,
        attack_ms: untold,
        log_attack_time: untold,
        growth_db_per_s: untold,
        overshoot_db: untold,
        level_db: 0.0,
        evidence: Evidence::default(),
        picture: FrontPicture::empty(),
    }
}
