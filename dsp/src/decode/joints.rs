//! The level and the pitch where one note ends and the next begins.

use super::curves::Curves;
use crate::observe::Frames;
use crate::parameters::notes::RISE_DB;

/// A dip, or a change of pitch, lies this far around a beginning, s, and a dip's sides are as loud as the loudest this
/// far around it, s \[F\].
const DIP_S: f64 = 0.040;
const SIDES_S: f64 = 0.080;
/// The top of a rise lies this long after a beginning, s \[F\].
const TOP_S: f64 = 0.150;
/// A rise that leads to a beginning has begun so long before, s, this far under what sounds within so long after, dB
/// and s \[F\].
const RISE_S: f64 = 0.200;
const LEVEL_S: f64 = 0.030;

/// Depth of the dip around a frame, against its softer side, dB: a level that only rises has none.
pub fn dip_db(curves: &Curves, frames: &Frames, c: i64) -> f32 {
    let (wide, near) = (frames.count(SIDES_S), frames.count(DIP_S));
    let bottom = lowest(curves, c - near..=c + near / 2).unwrap_or(c);
    let sides = curves.max_level(bottom - wide, bottom).min(curves.max_level(bottom, bottom + wide));
    sides - curves.level(bottom)
}

/// Rise out of the softest moment before a frame, whatever was before that, dB.
pub fn rise_db(curves: &Curves, frames: &Frames, c: i64) -> f32 {
    curves.max_level(c, c + frames.count(TOP_S)) - curves.min_level(c - frames.count(SIDES_S), c)
}

/// The softest frame shortly before a beginning, from `earliest` on.
pub fn softest(curves: &Curves, frames: &Frames, c: i64, earliest: i64) -> i64 {
    let from = (c - frames.count(DIP_S)).max(earliest);
    lowest(curves, from..=c).unwrap_or(c)
}

/// Frame at which the rise that leads to `c` comes within 20 dB of the level there, from `earliest` on.
pub fn rise_start(curves: &Curves, frames: &Frames, c: i64, earliest: i64) -> i64 {
    let top = curves.max_level(c, c + frames.count(LEVEL_S));
    let from = (c - frames.count(RISE_S)).max(earliest).max(0);
    let bottom = lowest(curves, (from..=c).rev()).unwrap_or(c);
    (bottom..=c).find(|&i| curves.level(i) > top - RISE_DB).unwrap_or(c)
}

/// First of the frames around `c` that is nearer to the new pitch than to the old.
pub fn boundary(frames: &Frames, c: i64, old: f32, new: f32) -> i64 {
    let reach = frames.count(DIP_S);
    let is_new = |i: i64| {
        let midi = frames.get(i).midi;
        midi.is_nan() || (midi - new).abs() < (midi - old).abs()
    };
    (c - reach..=c + reach).rev().take_while(|&i| is_new(i)).last().unwrap_or(c)
}

/// The softest of some frames, the first of equals.
fn lowest(curves: &Curves, frames: impl Iterator<Item = i64>) -> Option<i64> {
    frames.min_by(|a, b| curves.level(*a).total_cmp(&curves.level(*b)))
}

#[cfg(test)]
mod tests {
    use super::super::observe;
    use super::*;
    use crate::observe::Frame;
    use crate::observe::HOP_S;
    use crate::test_sounds::dice;
    use crate::test_sounds::{RATE_HZ, sound, tone};

    /// What is made of the level of a tone that falls by `depth_db` at 0.6 s and comes back, each over 60 ms.
    fn around_a_dip<T>(depth_db: f64, made: impl Fn(&Curves, &Frames, i64) -> T) -> T {
        let dip = |s: f64| depth_db * (1.0 - (s - 0.6).abs() / 0.060).clamp(0.0, 1.0);
        let samples = sound(1.0, |s| 10f64.powf(-dip(s) / 20.0) * tone(233.08, 1..=6, 0.1, s));
        let (mut curves, mut found) = (Curves::new(), None);
        observe(&samples, RATE_HZ, |frames| {
            curves.advance(frames);
            if found.is_none() && curves.len() > frames.count(0.85) {
                found = Some(made(&curves, frames, frames.count(0.62)));
            }
        });
        found.expect("a second of sound")
    }

    #[test]
    fn a_dip_is_as_deep_as_it_was_made_and_its_bottom_lies_there() {
        // A window of 10 ms and more rounds the tip off, by up to a tenth.
        for depth_db in [0.0, 6.0, 12.0] {
            let told = f64::from(around_a_dip(depth_db, dip_db));
            assert!((0.85 * depth_db - 0.3..=depth_db + 0.3).contains(&told), "{depth_db} dB: {told}");
        }
        let at = around_a_dip(12.0, |curves, frames, c| softest(curves, frames, c, 0));
        assert!((at as f64 * HOP_S - 0.6).abs() < 0.010, "{at}");
    }

    #[test]
    fn a_rise_is_told_from_its_softest_moment_and_never_before_the_earliest() {
        let rise = f64::from(around_a_dip(12.0, rise_db));
        assert!((10.0..=12.5).contains(&rise), "{rise}");
        let from = around_a_dip(40.0, |curves, frames, c| (rise_start(curves, frames, c, 0), frames.count(0.6)));
        assert!(from.0 >= from.1, "20 dB under the level the rise has long begun: {from:?}");
        let late = around_a_dip(40.0, |curves, frames, c| rise_start(curves, frames, c, c - 1) >= c - 1);
        assert!(late, "not inside the note before");
    }

    /// Drawn: a level in dB and a MIDI note for each frame.
    fn drawn(db: impl Fn(i64) -> f32, midi: impl Fn(i64) -> f32) -> (Curves, Frames) {
        let frames = Frames::drawn((0..500).map(|i| Frame::held(midi(i), db(i))));
        (Curves::drawn((0..500).map(|i| (db(i), 0.0))), frames)
    }

    #[test]
    fn a_dip_counts_against_its_softer_side_and_a_rise_has_none() {
        // 30 ms down by 10 dB, 20 ms up by 6.
        let dip = |i: i64| -20.0 - (10.0 - 10.0 * (200 - i).max(0) as f32 / 12.0).max(0.0);
        let level = |i: i64| if i <= 200 { dip(i) } else { (-30.0 + 0.75 * (i - 200) as f32).min(-24.0) };
        let (curves, frames) = drawn(level, |_| 58.0);
        assert!((dip_db(&curves, &frames, 204) - 6.0).abs() < 1e-4, "{}", dip_db(&curves, &frames, 204));
        assert!((rise_db(&curves, &frames, 204) - 6.0).abs() < 1e-4);
        assert_eq!(softest(&curves, &frames, 210, 0), 200);
        assert_eq!(softest(&curves, &frames, 210, 205), 205, "not before it may");
        let (curves, frames) = drawn(|i| -60.0 + 0.5 * (i - 180).clamp(0, 80) as f32, |_| 58.0);
        assert_eq!(dip_db(&curves, &frames, 190), 0.0);
    }

    #[test]
    fn a_rise_begins_where_it_comes_within_20_decibels_of_the_level_it_leads_to() {
        for per_frame in [1.0f32, 2.5, 5.0] {
            // Up from the room at frame 200 to -20 dB.
            let level = |i: i64| (-80.0 + per_frame * (i - 200).max(0) as f32).min(-20.0);
            let (curves, frames) = drawn(level, |_| 58.0);
            let top = 200 + (60.0 / per_frame) as i64;
            let wanted = 200 + (40.0 / per_frame) as i64;
            let begins = rise_start(&curves, &frames, top - 2, 0);
            assert!((begins - wanted).abs() <= 1, "{per_frame} dB a frame: {begins}, and not {wanted}");
        }
    }

    #[test]
    fn one_pitch_ends_where_frames_are_nearer_to_the_next() {
        let mut dice = dice(4);
        for _ in 0..200 {
            let (old, new, at) =
                (45.0 + 15.0 * dice() as f32, 45.0 + 15.0 * dice() as f32, 190 + (20.0 * dice()) as i64);
            if (old - new).abs() < 1.0 {
                continue;
            }
            // A glide over 10 frames around the boundary.
            let way = |i: i64| ((i - at) as f32 / 10.0 + 0.5).clamp(0.0, 1.0);
            let (_, frames) = drawn(|_| -20.0, |i| old + (new - old) * way(i));
            let told = boundary(&frames, 200, old, new);
            assert!((told - at).abs() <= 1, "{old} to {new} at {at}: {told}");
        }
        let (_, frames) = drawn(|_| -20.0, |i| if i < 200 { 50.0 } else { f32::NAN });
        assert_eq!(boundary(&frames, 200, 50.0, 55.0), 200, "what has no pitch is not the old one");
    }
}
