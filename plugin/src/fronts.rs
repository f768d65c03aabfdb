//! The pictures of fronts in a project: whole cents and decibels, for flagged entrances. All are kept within [`MAX_BYTES`].

use notefront_dsp::entrance::FRONT_POINTS;
use notefront_dsp::{Entrance, FrontPicture};
use serde::Deserialize;
use serde_json::{Value, json};
use std::collections::HashSet;

/// Most that the pictures of all passes take, bytes as packed: some 900 fronts. The newest come first.
pub const MAX_BYTES: usize = 400_000;
/// What no point of a picture reaches, cents or dB.
const MOST: f64 = 1e6;
/// Fields of a picture.
const FIELDS: [&str; 3] = ["pitch_cents", "tone_db", "noise_db"];

/// What was flagged is looked at in close-up, and what the player spoke of, where there is something to see.
#[must_use]
pub fn is_looked_at(entrance: &Entrance, spoken_of: &HashSet<usize>) -> bool {
    let is_seen = entrance.is_flagged() || spoken_of.contains(&entrance.front.index);
    is_seen && rows(&entrance.front.picture).iter().any(|points| points.iter().any(|v| v.is_finite()))
}

fn rows(picture: &FrontPicture) -> [&[f32; FRONT_POINTS]; 3] {
    [&picture.pitch_cents, &picture.tone_db, &picture.noise_db]
}

/// A picture as rows of whole numbers; `None` when there is nothing to see.
#[must_use]
pub fn write(picture: &FrontPicture) -> Option<Value> {
    let rows = rows(picture).map(row);
    let is_empty = rows.iter().all(|r| r.is_empty());
    (!is_empty).then(|| Value::Object(FIELDS.iter().map(|f| (*f).to_owned()).zip(rows.map(|r| json!(r))).collect()))
}

/// Whole numbers, `None` for what is not told, without the end where nothing is.
fn row(points: &[f32; FRONT_POINTS]) -> Vec<Option<i32>> {
    let whole = |v: &f32| v.is_finite().then_some(v.round() as i32);
    let len = points.iter().rposition(|v| v.is_finite()).map_or(0, |last| last + 1);
    points[..len].iter().map(whole).collect()
}

/// A picture as it is written.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct Written {
    pitch_cents: Vec<Option<f64>>,
    tone_db: Vec<Option<f64>>,
    noise_db: Vec<Option<f64>>,
}

impl Written {
    /// As far as it can be read.
    #[must_use]
    pub fn of_damaged(value: &Value) -> Self {
        let row = |field: &str| {
            let read = value.get(field).and_then(Value::as_array).map_or(&[][..], Vec::as_slice);
            read.iter().take(FRONT_POINTS).map(Value::as_f64).collect()
        };
        let [pitch_cents, tone_db, noise_db] = FIELDS.map(row);
        Self { pitch_cents, tone_db, noise_db }
    }

    /// The picture.
    #[must_use]
    pub fn picture(&self) -> FrontPicture {
        let mut picture = FrontPicture::empty();
        let rows = [&mut picture.pitch_cents, &mut picture.tone_db, &mut picture.noise_db];
        for (points, read) in rows.into_iter().zip([&self.pitch_cents, &self.tone_db, &self.noise_db]) {
            for (point, number) in points.iter_mut().zip(read) {
                if let Some(number) = number.filter(|n| n.abs() < MOST) {
                    *point = number as f32;
                }
            }
        }
        picture
    }
}

/// Reads a picture, as far as it can be read.
#[must_use]
pub fn read(value: Option<&Value>) -> FrontPicture {
    value.map_or_else(FrontPicture::empty, |value| Written::of_damaged(value).picture())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;

    #[test]
    fn a_front_comes_back_within_half_a_cent_and_half_a_decibel() {
        let pass = fixture::showcase(0);
        for entrance in &pass.entrances {
            assert_eq!(is_looked_at(entrance, &HashSet::new()), entrance.is_flagged());
            let back = read(write(&entrance.front.picture).as_ref());
            let pairs = rows(&entrance.front.picture).into_iter().zip(rows(&back));
            for (sent, got) in pairs.flat_map(|(a, b)| a.iter().zip(b)) {
                // Rounded to whole numbers.
                assert!(if sent.is_finite() { (sent - got).abs() <= 0.5 } else { !got.is_finite() }, "{sent} {got}");
            }
        }
    }

    #[test]
    fn an_empty_picture_is_not_looked_at() {
        let mut entrance = fixture::clear(3, 1.0, 46);
        assert!(!is_looked_at(&entrance, &HashSet::new()) && is_looked_at(&entrance, &HashSet::from([3])));
        entrance.front.picture = FrontPicture::empty();
        assert!(!is_looked_at(&entrance, &HashSet::from([3])));
    }

    #[test]
    fn a_damaged_front_is_read_as_far_as_it_goes() {
        let back = read(Some(&json!({ "pitch_cents": [1, "x", null, 1e300, 4], "tone_db": 7 })));
        assert_eq!((back.pitch_cents[0], back.pitch_cents[4]), (1.0, 4.0));
        assert!(back.pitch_cents[1..4].iter().all(|v| v.is_nan()) && back.tone_db[0] == f32::NEG_INFINITY);
        let long = read(Some(&json!({ "noise_db": vec![-30; 9999] })));
        assert!(long.noise_db.iter().all(|v| *v == -30.0));
    }
}
