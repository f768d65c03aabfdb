//! What is seen around a candidate, as numbers for the scores. Levels are told against their surroundings, times are
//! fixed: the same sound softer or later gives the same numbers.

use super::candidates::median_midi;
use super::curves::Curves;
use crate::observe::{Frame, Frames};

/// Names of the features, in order. One with + tells of a rise or a dip: it is fitted so that it only speaks for an onset.
pub const NAMES: [&str; 53] = [
    "moved",
    "moved far",
    "no pitch before",
    "no pitch after",
    "least periodicity",
    "periodicity before",
    "periodicity after",
    "periodicity far after",
    "wander after",
    "wander before",
    "pitch",
    "+rise into dip 20",
    "+rise out of dip 20",
    "+rise into dip 40",
    "+rise out of dip 40",
    "+rise into dip 80",
    "+rise out of dip 80",
    "+spectral rise",
    "+high rise",
    "+low rise",
    "fall before",
    "+change",
    "+growth",
    "range before",
    "+climb",
    "after under loudest",
    "before under loudest",
    "later over here",
    "+novelty",
    "+novelty share",
    "median rise",
    "mean rise",
    "mean after over before",
    "before over floor",
    "after over floor",
    "novelty before",
    "novelty after",
    "change before",
    "change after",
    "level slope",
    "level after 125",
    "level after 155",
    "fall after",
    "moved signed",
    "octave-free move",
    "+rise at the time",
    "swing",
    "periodicity at 135",
    "stillest near",
    "stillest",
    "+fine rise",
    "+fine fall",
    "+fine rise 2",
];
/// Their number.
pub const NUM: usize = NAMES.len();

/// The features of a candidate at frame `i`.
#[must_use]
pub fn features(frames: &Frames, curves: &Curves, i: i64) -> [f32; NUM] {
    let mid = |a: i64, b: i64| median_midi(frames, i + a, i + b);
    let (before, after) = (mid(-26, -6), mid(6, 26));
    let (far_before, far_after) = (mid(-50, -20), mid(20, 50));
    let top = |a: i64, b: i64, of: fn(&Frame) -> f32| {
        (i + a..=i + b).map(|k| of(&frames.get(k.max(0)))).fold(f32::MIN, f32::max)
    };
    let mean = |a: i64, b: i64, of: fn(&Frame) -> f32| {
        (i + a..i + b).map(|k| of(&frames.get(k.max(0)))).sum::<f32>() / (b - a) as f32
    };
    let periodicity: fn(&Frame) -> f32 = |f| f.periodicity;
    let rise: fn(&Frame) -> f32 = |f| f.rise[0];
    let level = |a: i64| curves.level(i + a);
    let around = |k: i64| {
        let low = curves.min_level(i - k / 2, i + k / 2);
        (curves.max_level(i - k, i) - low, curves.max_level(i, i + k - 1) - low)
    };
    let ((in8, out8), (in16, out16), (in32, out32)) = (around(8), around(16), around(32));
    let (pre_max, pre_min) = (curves.max_level(i - 32, i), curves.min_level(i - 32, i));
    let post_max = curves.max_level(i, i + 31);
    let post_mean = curves.mean_level(i, i + 31);
    let loud = curves.loud(i + 31);
    let novelty = curves.novelty(i);
    let novelty_top = |a: i64, b: i64| (i + a..=i + b).map(|k| curves.novelty(k)).fold(0.0f32, f32::max);
    let least = (i - 10..i + 10).map(|k| frames.get(k.max(0)).periodicity).fold(1.0f32, f32::min);
    let moved = gap(before, after);
    let fine_max = |a: i64, b: i64| (a..=b).map(|k| frames.get(k.max(0)).level_db).fold(f32::MIN, f32::max);
    let fine_min = (i - 7..=i + 5).map(|k| frames.get(k.max(0)).level_db).fold(f32::MAX, f32::min);
    [
        moved,
        gap(far_before, far_after),
        f32::from(u8::from(before.is_nan())),
        f32::from(u8::from(after.is_nan())),
        least,
        mean(-26, -6, periodicity),
        mean(6, 26, periodicity),
        mean(20, 50, periodicity),
        wander(frames, i + 8, i + 30),
        wander(frames, i - 30, i - 8),
        if after.is_nan() { 36.0 } else { after },
        in8,
        out8,
        in16,
        out16,
        in32,
        out32,
        top(-4, 4, rise),
        top(-4, 4, |f| f.rise[1]),
        top(-4, 4, |f| f.rise[2]),
        top(-28, 0, |f| f.fall),
        top(-6, 6, |f| f.change),
        (i - 6..=i + 6).map(|k| curves.grow(k)).fold(0.0, f32::max),
        pre_max - pre_min,
        post_max - pre_min,
        post_max - loud,
        pre_min - loud,
        level(40) - level(0),
        novelty,
        novelty / novelty_top(-40, 40).max(1e-6),
        median_rise(frames, i),
        mean(-12, 13, rise),
        post_mean - curves.mean_level(i - 32, i),
        pre_min - curves.floor(i),
        post_max - curves.floor(i),
        novelty_top(-40, -8),
        novelty_top(8, 40),
        top(-30, -10, |f| f.change),
        top(10, 30, |f| f.change),
        level(4) - level(-4),
        level(50) - post_max,
        level(62) - post_max,
        top(10, 60, |f| f.fall),
        if moved < 0.0 { 0.0 } else { after - before },
        if moved < 0.0 { -1.0 } else { (moved - 12.0 * (moved / 12.0).round()).abs() },
        frames.get(i).rise[0],
        swing(frames, i),
        mean(48, 62, periodicity),
        least_wander(frames, i + 4, i + 45, 16),
        least_wander(frames, i + 4, i + 62, 16),
        fine_max(i, i + 12) - fine_min,
        fine_max(i - 14, i) - fine_min,
        fine_max(i, i + 6) - frames.get((i - 3).max(0)).level_db,
    ]
}

/// Distance of two pitches, semitones; -1 where one is not there.
fn gap(a: f32, b: f32) -> f32 {
    if (a - b).is_nan() { -1.0 } else { (a - b).abs() }
}

/// Standard deviation of the pitch, semitones; -1 of fewer than six values.
fn wander(frames: &Frames, from: i64, to: i64) -> f32 {
    let (mut num, mut sum, mut squares) = (0.0f32, 0.0f32, 0.0f32);
    let origin = 57.0;
    for midi in (from.max(0)..to).map(|i| frames.get(i).midi).filter(|m| !m.is_nan()) {
        num += 1.0;
        sum += midi - origin;
        squares += (midi - origin) * (midi - origin);
    }
    if num < 6.0 { -1.0 } else { (squares / num - (sum / num) * (sum / num)).max(0.0).sqrt() }
}

fn median_rise(frames: &Frames, i: i64) -> f32 {
    let mut values = [0.0f32; 121];
    for (k, value) in values.iter_mut().enumerate() {
        *value = frames.get((i + k as i64 - 60).max(0)).rise[0];
    }
    *values.select_nth_unstable_by(60, f32::total_cmp).1
}

/// Least wander of the pitch over `span` frames anywhere in `from..to`, semitones; 3 where it never has a pitch.
#[must_use]
pub fn least_wander(frames: &Frames, from: i64, to: i64, span: i64) -> f32 {
    let mut least = 3.0f32;
    let mut at = from;
    while at + span <= to {
        let num = (at..at + span).filter(|k| !frames.get((*k).max(0)).midi.is_nan()).count() as i64;
        if num * 8 >= span * 7 {
            least = least.min(wander(frames, at, at + span));
        }
        at += 4;
    }
    least
}

/// How far the pitch swings within 80 ms each side, semitones, at most 3: vibrato dips where it swings, a tongue does not.
fn swing(frames: &Frames, i: i64) -> f32 {
    let midis = || (i - 32..=i + 32).map(|k| frames.get(k.max(0))).filter(|f| f.periodicity > 0.6).map(|f| f.midi);
    let (low, high) = midis().fold((f32::MAX, f32::MIN), |(low, high), midi| (low.min(midi), high.max(midi)));
    (high - low).clamp(0.0, 3.0)
}
