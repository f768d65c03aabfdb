//! Entrances as version 1 of the insert kept them, completed with the measures it did not have.

use notefront_dsp::FrontPicture;
use notefront_dsp::entrance::FRONT_POINTS;
use serde_json::{Map, Value, json};

/// Half width of what is read off a picture, which is drawn every 4 ms in whole cents and decibels.
const PICTURE_WIDTH_CENTS: f64 = 4.0;
/// Half width of an overshoot, dB, as version 1 took it.
const OVERSHOOT_WIDTH_DB: f64 = 1.5;
/// The lean is heard until this long after the note speaks, ms.
const LEAN_AFTER_MS: f64 = 100.0;
/// Loudness grows with amplitude to this power, the decibels of a picture being of amplitude.
const LOUDNESS_POWER: f64 = 0.6;

/// The entrance with what it lacks taken from what it has; what cannot be known is not measured.
#[must_use]
pub fn completed(entrance: &Value, picture: &FrontPicture) -> Value {
    let mut entrance = entrance.clone();
    let Some(fields) = entrance.as_object_mut() else { return entrance };
    let speak_ms = speak_ms(fields);
    let added = [
        ("overshoot_db", overshoot_db(fields).map(|db| (db, OVERSHOOT_WIDTH_DB))),
        ("speak_ms", speak_ms.map(|ms| (ms, width_ms(fields)))),
        ("approach_cents", lean(picture, speak_ms.unwrap_or(0.0)).map(|cents| (cents, PICTURE_WIDTH_CENTS))),
    ];
    let is_slurred = fields.get("articulation").and_then(Value::as_str) == Some("slurred");
    let untold = json!({ "Err": if is_slurred { "slurred" } else { "not-measured" } });
    for (name, told) in added {
        let told = told.filter(|_| !is_slurred);
        let told =
            told.map_or(untold.clone(), |(value, width)| json!({ "Ok": { "value": value, "uncertainty": width } }));
        fields.entry(name).or_insert(told);
    }
    entrance
}

fn overshoot_db(fields: &Map<String, Value>) -> Option<f64> {
    fields.get("evidence")?.get("overshoot_db")?.as_f64()
}

fn speak_ms(fields: &Map<String, Value>) -> Option<f64> {
    let at = |name: &str| fields.get(name).and_then(Value::as_f64);
    Some((at("speaks_s")? - at("onset_s")?) * 1e3)
}

fn width_ms(fields: &Map<String, Value>) -> f64 {
    let width = fields.get("instant_uncertainty").and_then(|widths| widths.get("onset_ms"));
    width.and_then(Value::as_f64).unwrap_or(0.0)
}

/// Mean distance from the settled pitch as the picture shows it, weighted by loudness.
fn lean(picture: &FrontPicture, speak_ms: f64) -> Option<f64> {
    let (mut sum, mut weights) = (0.0, 0.0);
    for i in (0..FRONT_POINTS).filter(|&i| (0.0..=speak_ms + LEAN_AFTER_MS).contains(&FrontPicture::time_ms(i))) {
        let (cents, level_db) = (f64::from(picture.pitch_cents[i]), f64::from(picture.tone_db[i]));
        if cents.is_finite() && level_db.is_finite() {
            let weight = 10f64.powf(LOUDNESS_POWER * level_db / 20.0);
            sum += weight * cents;
            weights += weight;
        }
    }
    (weights > 0.0).then(|| sum / weights)
}
