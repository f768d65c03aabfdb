//! The inhalation before a note, and the silence held after it.

use crate::observe::{Frames, HOP_S};

/// A breath: at least this long, s, this far over the floor, dB, this recent, s.
const BREATH_S: f64 = 0.120;
const BREATH_OVER_FLOOR_DB: f32 = 8.0;
const BREATH_BACK_S: f64 = 1.5;
/// A breath's noise may drop out for less than this, frames, and its frames seldom pass this periodicity.
const BREATH_GAP_FRAMES: i64 = 12;
const BREATH_PERIODICITY: f32 = 0.75;

/// Silence between an audible breath and frame `start`, ms; `None` without a breath.
#[must_use]
pub fn held_breath_ms(frames: &Frames, start: i64, floor_db: f32) -> Option<f64> {
    let is_sound = |i: i64| frames.get(i).level_db > floor_db + BREATH_OVER_FLOOR_DB;
    let oldest = (start - frames.count(BREATH_BACK_S)).max(0);
    let quiet = (oldest..start).rev().find(|&i| !is_sound(i))?; // before the tongue and the tone's beginning
    let end = (oldest..quiet).rev().find(|&i| is_sound(i))?;
    let begin = (oldest..=end).rev().find(|&i| (i - BREATH_GAP_FRAMES..i).all(|j| !is_sound(j)))?;
    let num = end + 1 - begin;
    let num_tonal = (begin..=end).filter(|&i| frames.get(i).periodicity > BREATH_PERIODICITY).count() as i64;
    let is_breath = num >= frames.count(BREATH_S) && 5 * num_tonal < num;
    is_breath.then(|| (start - end) as f64 * HOP_S * 1e3)
}
