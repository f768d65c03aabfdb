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
    use crate::observe::Frame;
    use crate::test_sounds::{RATE_HZ, dice, gliding, sound, tone};

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

    /// Candidates of drawn frames and curves.
    fn found(frames: &Frames, curves: &Curves) -> Vec<i64> {
        let mut finder = CandidateFinder::new();
        std::iter::from_fn(|| finder.next(frames, curves)).collect()
    }

    /// So many frames of a tone that stands still, but for these pitches.
    fn on_pitch(num: i64, midi: impl Fn(i64) -> f32) -> Frames {
        Frames::drawn((0..num).map(|i| Frame::held(midi(i), -20.0)))
    }

    #[test]
    fn of_any_novelty_every_peak_is_the_highest_around_it_and_none_is_missed() {
        for seed in 0..20 {
            let mut dice = dice(seed + 1);
            let novelty: Vec<f32> = (0..600).map(|_| dice() as f32).collect();
            let curves = Curves::drawn(novelty.iter().map(|n| (-20.0, *n)));
            let peaks: Vec<usize> = (5..590).filter(|&i| is_peak(&curves, i as i64)).collect();
            let highest = |i: usize| novelty[i - 5..=i + 5].iter().all(|n| *n <= novelty[i]);
            assert_eq!(peaks, (5..590).filter(|&i| highest(i)).collect::<Vec<_>>(), "seed {seed}");
            assert!(peaks.windows(2).all(|two| two[1] - two[0] > 5));
        }
        let flat = Curves::drawn((0..100).map(|_| (-20.0, 0.5)));
        assert!((0..80).all(|i| i == 0 || !is_peak(&flat, i)), "what stays as it is has none but at its beginning");
    }

    #[test]
    fn a_rise_is_entered_a_third_of_the_way_up_however_deep_and_slow_it_is() {
        for rise_db in [1.5f32, 3.0, 12.0, 40.0] {
            for frames_up in [5, 12, 30] {
                let level = |i: i64| -20.0 - rise_db * (1.0 - (i - 100).abs() as f32 / frames_up as f32).max(0.0);
                let curves = Curves::drawn((0..300).map(|i| (level(i), 0.0)));
                let at: Vec<i64> = (20..240).filter_map(|v| rise_out_of_valley(&curves, v)).collect();
                if rise_db < RISE_DB {
                    assert!(at.is_empty(), "{rise_db} dB are none");
                    continue;
                }
                let wanted = 100.0 + 0.35 * frames_up as f32;
                assert!(
                    at.len() == 1 && (at[0] as f32 - wanted).abs() <= 1.0,
                    "{rise_db} dB: {at:?}, and not {wanted}"
                );
            }
        }
    }

    #[test]
    fn a_pitch_that_moves_by_a_semitone_is_a_change_and_vibrato_is_none() {
        let flat = Curves::drawn((0..400).map(|_| (-20.0, 0.0)));
        for (step, is_change) in [(0.4, false), (1.0, true), (-1.0, true), (12.0, true)] {
            let frames = on_pitch(400, |i| if i < 200 { 58.0 } else { 58.0 + step });
            let at: Vec<i64> = found(&frames, &flat).into_iter().filter(|at| *at > 20).collect();
            assert_eq!(!at.is_empty(), is_change, "{step} semitones: {at:?}");
            // Medians on both sides differ for 17 frames, of which 14 are one change: another candidate may follow.
            assert!(
                at.first().is_none_or(|at| (at - 200).abs() <= 2) && at.iter().all(|at| (at - 200).abs() < 9),
                "{at:?}"
            );
        }
        // 6 Hz, 40 cents each way.
        let wavers = on_pitch(400, |i| 58.0 + 0.4 * (std::f32::consts::TAU * 6.0 * i as f32 * 0.0025).sin());
        assert!(found(&wavers, &flat).into_iter().all(|at| at <= 20));
    }

    #[test]
    fn candidates_of_any_curves_come_in_order_apart_and_the_same_after_a_clear() {
        for seed in 0..10 {
            let (mut dice, mut level) = (dice(seed + 5), -30.0f32);
            let values: Vec<(f32, f32)> = (0..900)
                .map(|_| {
                    level = (level + 4.0 * (dice() as f32 - 0.5)).clamp(-70.0, -10.0);
                    (level, dice() as f32)
                })
                .collect();
            let frames = on_pitch(900, |i| 50.0 + ((i / 37) % 9) as f32);
            let curves = Curves::drawn(values);
            let mut finder = CandidateFinder::new();
            let mut all = || std::iter::from_fn(|| finder.next(&frames, &curves)).collect::<Vec<_>>();
            let first = all();
            assert!(first.len() > 40 && first.windows(2).all(|two| two[0] < two[1]), "seed {seed}: {first:?}");
            assert!(all().is_empty(), "each is passed on once");
            finder.clear();
            let again: Vec<i64> = std::iter::from_fn(|| finder.next(&frames, &curves)).collect();
            assert_eq!(first, again);
            assert!(finder.passed() <= 900 - BEHIND, "and none before all around it is known");
        }
    }

    /// Against sorting: the middle one, or of an even number the upper of two.
    #[test]
    fn a_median_is_the_middle_of_the_pitches_there_are() {
        let mut dice = dice(8);
        for num in 1..60usize {
            let midis: Vec<f32> =
                (0..num).map(|_| if dice() < 0.3 { f32::NAN } else { 40.0 + 30.0 * dice() as f32 }).collect();
            let frames = Frames::drawn(midis.iter().map(|midi| Frame::held(*midi, -20.0)));
            let mut sorted: Vec<f32> = midis.into_iter().filter(|midi| !midi.is_nan()).collect();
            sorted.sort_by(f32::total_cmp);
            let median = median_midi(&frames, -5, num as i64);
            if sorted.len() < 4 {
                assert!(median.is_nan());
            } else {
                assert_eq!(median, sorted[sorted.len() / 2], "{sorted:?}");
            }
        }
    }
}
