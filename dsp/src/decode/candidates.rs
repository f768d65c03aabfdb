//! Instants at which a note may begin. None may be missed; what they are is for the scores to say.
//!
//! Three kinds: peaks of novelty (rise of the spectrum, change, growth), the point a third up each rise out of a valley
//! of the slow level, and the middles of changes of pitch.

use super::curves::Curves;
use crate::observe::Frames;

/// A peak of novelty is the highest of so many frames each side \[F\].
const PEAK_HALF: i64 = 5;
/// A valley is the lowest of so many frames each side; its rise is looked for so far \[F\].
const VALLEY_HALF: i64 = 12;
const RISE_FRAMES: i64 = 44;
/// It rises at least this much, dB, and its candidate lies this share up the rise \[F\].
const RISE_DB: f32 = 2.0;
const RISE_SHARE: f32 = 0.35;
/// Pitch has moved: medians over frames from .. to on each side differ by this, semitones \[F\].
const NEAR: i64 = 3;
const FAR: i64 = 14;
const MOVED: f32 = 0.6;
/// Moved frames nearer than this are one change; a change longer than this is cut \[F\].
const MOVE_GAP: i64 = 4;
const MOVE_FRAMES: i64 = 14;
/// Two candidates nearer than this are one \[F\].
const SAME: i64 = 5;
/// Frames behind the curves' end at which candidates are looked for \[T\].
const BEHIND: i64 = RISE_FRAMES + 4;
/// A candidate is passed on this many frames after it was looked for: a change of pitch is told after its end \[T\].
const PASSED_ON: i64 = MOVE_FRAMES + MOVE_GAP;

/// Finds candidates in the order of time.
pub struct CandidateFinder {
    next: i64,
    waiting: Vec<(i64, bool)>,
    moved_from: Option<i64>,
    moved_last: i64,
}

impl CandidateFinder {
    pub fn new() -> Self {
        Self { next: 0, waiting: Vec::with_capacity(256), moved_from: None, moved_last: 0 }
    }

    pub fn clear(&mut self) {
        (self.next, self.moved_from, self.moved_last) = (0, None, 0);
        self.waiting.clear();
    }

    /// Frame up to which every candidate has been passed on.
    pub fn passed(&self) -> i64 {
        self.next - PASSED_ON - 1
    }

    /// The next candidate, if one is ripe.
    pub fn next(&mut self, frames: &Frames, curves: &Curves) -> Option<i64> {
        while self.next + BEHIND < curves.len() {
            if let Some(&(first, _)) = self.waiting.first()
                && first + PASSED_ON < self.next
            {
                self.waiting.remove(0);
                return Some(first);
            }
            self.look(frames, curves);
            self.next += 1;
        }
        None
    }

    fn look(&mut self, frames: &Frames, curves: &Curves) {
        let i = self.next;
        if is_peak(curves, i) {
            self.waiting.retain(|w| w.1 || (w.0 - i).abs() > SAME);
            self.insert(i, true);
        }
        if let Some(rise) = rise_out_of_valley(curves, i) {
            self.insert_if_new(rise);
        }
        if has_moved(frames, i) {
            self.moved_from.get_or_insert(i);
            self.moved_last = i;
        }
        if let Some(from) = self.moved_from
            && (i - self.moved_last >= MOVE_GAP || i - from >= MOVE_FRAMES)
        {
            self.moved_from = None;
            self.insert_if_new((from + self.moved_last) / 2);
        }
    }

    fn insert_if_new(&mut self, at: i64) {
        if self.waiting.iter().all(|w| (w.0 - at).abs() > SAME) {
            self.insert(at, false);
        }
    }

    fn insert(&mut self, at: i64, is_peak: bool) {
        let place = self.waiting.partition_point(|w| w.0 <= at);
        if self.waiting.len() < self.waiting.capacity() {
            self.waiting.insert(place, (at, is_peak));
        }
    }
}

fn is_peak(curves: &Curves, i: i64) -> bool {
    let here = curves.novelty(i);
    let before = (i - PEAK_HALF..i).filter(|k| *k >= 0).all(|k| curves.novelty(k) < here);
    before && (i + 1..=i + PEAK_HALF).all(|k| curves.novelty(k) <= here)
}

fn rise_out_of_valley(curves: &Curves, v: i64) -> Option<i64> {
    let bottom = curves.slow(v);
    let is_lowest = (v - VALLEY_HALF..v).filter(|k| *k >= 0).all(|k| curves.slow(k) >= bottom)
        && (v + 1..=v + VALLEY_HALF).all(|k| curves.slow(k) > bottom);
    if !is_lowest {
        return None;
    }
    let ahead = || v..v + RISE_FRAMES;
    let top = ahead().map(|k| curves.slow(k)).fold(f32::MIN, f32::max);
    let rise = top - bottom;
    (rise > RISE_DB).then(|| ahead().find(|&k| curves.slow(k) > bottom + RISE_SHARE * rise).unwrap_or(v))
}

fn has_moved(frames: &Frames, i: i64) -> bool {
    let (before, after) = (median_midi(frames, i - FAR, i - NEAR), median_midi(frames, i + NEAR, i + FAR));
    (before - after).abs() > MOVED
}

/// Median pitch of the frames `from..to` that have one, NaN where fewer than four do.
pub fn median_midi(frames: &Frames, from: i64, to: i64) -> f32 {
    let mut values = [0.0f32; 64];
    let mut num = 0;
    for midi in (from.max(0)..to).map(|i| frames.get(i).midi).filter(|m| !m.is_nan()) {
        if num < values.len() {
            values[num] = midi;
            num += 1;
        }
    }
    if num < 4 {
        return f32::NAN;
    }
    *values[..num].select_nth_unstable_by(num / 2, f32::total_cmp).1
}

#[cfg(test)]
mod tests {
    use super::super::{candidates, observe};
    use super::*;
    use crate::test_sounds::{RATE_HZ, gliding, sound, tone};

    fn nearest_ms(found: &[f64], s: f64) -> f64 {
        found.iter().map(|at| 1e3 * (at - s).abs()).fold(f64::MAX, f64::min)
    }

    fn times(samples: &[f32]) -> Vec<f64> {
        candidates(samples, RATE_HZ).iter().map(|candidate| candidate.0).collect()
    }

    #[test]
    fn a_change_of_pitch_has_a_candidate_though_the_level_stands_still() {
        // A second up, in one breath, over 30 ms: its middle is at 0.6 s.
        let glide = |s: f64| ((s - 0.585) / 0.030).clamp(0.0, 1.0);
        let samples = gliding(1.2, |s| 233.08 * (2.0 * glide(s) / 12.0).exp2(), |_| 1.0);
        assert!(nearest_ms(&times(&samples), 0.6) < 15.0);
    }

    #[test]
    fn a_rise_out_of_a_valley_has_one_about_a_third_of_the_way_up() {
        // 12 dB down in 40 ms and up again in 40 ms, around 0.6 s.
        let dip_db = |s: f64| -12.0 * (1.0 - (s - 0.6).abs() / 0.040).max(0.0);
        let samples = sound(1.2, |s| tone(233.08, 1..=8, 0.1, s) * 10f64.powf(dip_db(s) / 20.0));
        assert!(nearest_ms(&times(&samples), 0.6 + 0.35 * 0.040) < 10.0, "{:?}", times(&samples));
    }

    #[test]
    fn no_two_candidates_lie_nearer_than_one_may_be_told_from_another() {
        let found = times(&super::super::tests::struck_tone(0));
        assert!(found.windows(2).all(|two| two[1] - two[0] > SAME as f64 * crate::observe::HOP_S - 1e-9));
    }

    #[test]
    fn a_median_pitch_needs_four_frames() {
        let samples = sound(1.0, |s| if s < 0.5 { tone(233.08, 1..=8, 0.1, s) } else { 0.0 });
        let mut seen = Vec::new();
        observe(&samples, RATE_HZ, |frames| {
            if frames.len() > 380 && seen.is_empty() {
                seen =
                    vec![median_midi(frames, 100, 160), median_midi(frames, 300, 360), median_midi(frames, 100, 103)];
            }
        });
        assert!((seen[0] - 58.0).abs() < 0.05, "Bb3 is MIDI 58");
        assert!(seen[1].is_nan() && seen[2].is_nan(), "silence, and three frames");
    }
}
