//! The pictures of fronts in a project: whole cents and decibels, for flagged entrances, within [`MAX_BYTES`].

use crate::passes::Pass;
use notefront_dsp::entrance::FRONT_POINTS;
use notefront_dsp::{Entrance, FrontPicture};
use serde_json::{Value, json};
use std::collections::HashSet;

/// Most that the pictures of all passes take, bytes of JSON: some 900 fronts. The newest passes come first.
pub const MAX_BYTES: usize = 1_000_000;
/// Fields of a picture.
const FIELDS: [&str; 3] = ["pitch_cents", "tone_db", "noise_db"];

/// The pictures of the flagged entrances of each pass, as they were measured, as many as fit into `room` bytes; `None` beside an entrance
/// without.
#[must_use]
pub fn fitting(passes: &[&Pass], room: usize) -> Vec<Vec<Option<Value>>> {
    let mut room = room.min(MAX_BYTES);
    let mut all: Vec<Vec<Option<Value>>> = passes.iter().rev().map(|pass| of_pass(pass, &mut room)).collect();
    all.reverse();
    all
}

/// The pictures of one pass, as many as fit into `room` bytes, which is less by what they take.
#[must_use]
pub fn of_pass(pass: &Pass, room: &mut usize) -> Vec<Option<Value>> {
    let spoken_of: HashSet<usize> = pass.indices_spoken_of().collect();
    let front = |e: &Entrance| {
        let value = Some(&e.front.picture).filter(|_| is_looked_at(e, &spoken_of)).and_then(write)?;
        let num_bytes = value.to_string().len();
        *room = room.checked_sub(num_bytes)?;
        Some(value)
    };
    pass.measured().iter().map(front).collect()
}

/// Pictures that would be kept of a pass if there were room for all.
#[must_use]
pub fn num_wanted(pass: &Pass) -> usize {
    let spoken_of: HashSet<usize> = pass.indices_spoken_of().collect();
    pass.measured().iter().filter(|e| is_looked_at(e, &spoken_of)).count()
}

/// What was flagged is looked at in close-up, and what the player spoke of.
fn is_looked_at(entrance: &Entrance, spoken_of: &HashSet<usize>) -> bool {
    entrance.is_flagged() || spoken_of.contains(&entrance.front.index)
}

/// A picture as rows of whole numbers; `None` when there is nothing to see.
fn write(picture: &FrontPicture) -> Option<Value> {
    let rows = [&picture.pitch_cents, &picture.tone_db, &picture.noise_db].map(row);
    let is_empty = rows.iter().all(|r| r.is_empty());
    (!is_empty).then(|| Value::Object(FIELDS.iter().map(|f| (*f).to_owned()).zip(rows.map(|r| json!(r))).collect()))
}

/// Whole numbers, `None` for what is not told, without the end where nothing is.
fn row(points: &[f32; FRONT_POINTS]) -> Vec<Option<i32>> {
    let whole = |v: &f32| v.is_finite().then_some(v.round() as i32);
    let len = points.iter().rposition(|v| v.is_finite()).map_or(0, |last| last + 1);
    points[..len].iter().map(whole).collect()
}

/// Reads a picture, as far as it can be read.
#[must_use]
pub fn read(value: Option<&Value>) -> FrontPicture {
    let mut picture = FrontPicture::empty();
    let Some(value) = value else { return picture };
    let rows = [&mut picture.pitch_cents, &mut picture.tone_db, &mut picture.noise_db];
    for (field, points) in FIELDS.iter().zip(rows) {
        let read = value.get(field).and_then(Value::as_array).map_or(&[][..], Vec::as_slice);
        for (point, number) in points.iter_mut().zip(read) {
            if let Some(number) = number.as_f64().filter(|n| n.abs() < 1e6) {
                *point = number as f32;
            }
        }
    }
    picture
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;

    #[test]
    fn a_front_comes_back_within_half_a_cent_and_half_a_decibel() {
        let pass = fixture::showcase(0);
        let fronts = &fitting(&[&pass], MAX_BYTES)[0];
        for (entrance, front) in pass.entrances.iter().zip(fronts) {
            assert_eq!(front.is_some(), entrance.is_flagged());
            let Some(front) = front else { continue };
            let back = read(Some(front));
            let pairs = [
                (&entrance.front.picture.pitch_cents, &back.pitch_cents),
                (&entrance.front.picture.tone_db, &back.tone_db),
                (&entrance.front.picture.noise_db, &back.noise_db),
            ];
            for (sent, got) in pairs.into_iter().flat_map(|(a, b)| a.iter().zip(b)) {
                // Rounded to whole numbers.
                assert!(if sent.is_finite() { (sent - got).abs() <= 0.5 } else { !got.is_finite() }, "{sent} {got}");
            }
        }
    }

    #[test]
    fn the_newest_passes_come_first_and_the_room_is_kept() {
        let passes: Vec<Pass> = (0..4).map(|i| fixture::mixed_pass(1200, i + 1)).collect();
        let all: Vec<&Pass> = passes.iter().collect();
        let fronts = fitting(&all, usize::MAX);
        let num = |i: usize| fronts[i].iter().flatten().count();
        assert!(num(3) > 0 && num(0) == 0, "{} {}", num(3), num(0));
        let bytes: usize = fronts.iter().flatten().flatten().map(|f| f.to_string().len()).sum();
        assert!(bytes <= MAX_BYTES && bytes > MAX_BYTES / 2, "{bytes}");
        assert!(fitting(&all, 0).iter().flatten().all(Option::is_none));
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
