//! What is seen around a candidate, as numbers for the scores. Levels are told against their surroundings, times are
//! fixed: the same sound softer or later gives the same numbers.

use super::candidates::median_midi;
use super::curves::Curves;
use crate::observe::{Frame, Frames};

/// Names of the features, in order. One with + tells of a rise or a dip: it is fitted so that it only speaks for an onset.
pub const NAMES: [&str; 60] = [
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
    "+high rise into dip 40",
    "+high rise out of dip 40",
    "+high rise into dip 80",
    "+high rise out of dip 80",
    "brightness moved",
    "+long rise",
    "+long rise share",
];
/// Their number \[T\].
pub const NUM: usize = NAMES.len();

/// The features of a candidate at frame `i`.
#[must_use]
pub fn features(frames: &Frames, curves: &Curves, i: i64) -> [f32; NUM] {
    let around = Around { frames, curves, i };
    let mut row = [0.0; NUM];
    row[..NUM_PITCH].copy_from_slice(&around.pitch());
    row[NUM_PITCH..NUM_PITCH + NUM_DIPS].copy_from_slice(&around.dips());
    let wider = NUM_PITCH + NUM_DIPS + NUM_RISES;
    row[NUM_PITCH + NUM_DIPS..wider].copy_from_slice(&around.rises());
    row[wider..wider + NUM_WIDER].copy_from_slice(&around.wider());
    row[wider + NUM_WIDER..].copy_from_slice(&around.high());
    row
}

/// How many features each part tells \[F\].
const NUM_PITCH: usize = 11;
const NUM_DIPS: usize = 6;
const NUM_RISES: usize = NUM - NUM_PITCH - NUM_DIPS - NUM_WIDER - NUM_HIGH;
const NUM_WIDER: usize = 18;
const NUM_HIGH: usize = 7;

/// What lies around a frame.
struct Around<'a> {
    frames: &'a Frames,
    curves: &'a Curves,
    i: i64,
}

impl Around<'_> {
    fn frame(&self, offset: i64) -> Frame {
        self.frames.get((self.i + offset).max(0))
    }

    fn midi(&self, from: i64, to: i64) -> f32 {
        median_midi(self.frames, self.i + from, self.i + to)
    }

    fn top(&self, from: i64, to: i64, of: fn(&Frame) -> f32) -> f32 {
        (from..=to).map(|k| of(&self.frame(k))).fold(f32::MIN, f32::max)
    }

    fn mean(&self, from: i64, to: i64, of: fn(&Frame) -> f32) -> f32 {
        (from..to).map(|k| of(&self.frame(k))).sum::<f32>() / (to - from) as f32
    }

    fn level(&self, offset: i64) -> f32 {
        self.curves.level(self.i + offset)
    }

    fn max_level(&self, from: i64, to: i64) -> f32 {
        self.curves.max_level(self.i + from, self.i + to)
    }

    fn min_level(&self, from: i64, to: i64) -> f32 {
        self.curves.min_level(self.i + from, self.i + to)
    }

    fn top_novelty(&self, from: i64, to: i64) -> f32 {
        (from..=to).map(|k| self.curves.novelty(self.i + k)).fold(0.0, f32::max)
    }

    /// Pitch and periodicity before and after.
    fn pitch(&self) -> [f32; NUM_PITCH] {
        let (before, after) = (self.midi(-26, -6), self.midi(6, 26));
        [
            gap(before, after),
            gap(self.midi(-50, -20), self.midi(20, 50)),
            f32::from(u8::from(before.is_nan())),
            f32::from(u8::from(after.is_nan())),
            (-10..10).map(|k| self.frame(k).periodicity).fold(1.0, f32::min),
            self.mean(-26, -6, |f| f.periodicity),
            self.mean(6, 26, |f| f.periodicity),
            self.mean(20, 50, |f| f.periodicity),
            wander(self.frames, self.i + 8, self.i + 30),
            wander(self.frames, self.i - 30, self.i - 8),
            if after.is_nan() { 36.0 } else { after },
        ]
    }

    /// The level's way into a dip and out of it, at three scales.
    fn dips(&self) -> [f32; NUM_DIPS] {
        let dip = |k: i64| dip(k, |from, to| self.min_level(from, to), |from, to| self.max_level(from, to));
        let ([in8, out8], [in16, out16], [in32, out32]) = (dip(8), dip(16), dip(32));
        [in8, out8, in16, out16, in32, out32]
    }

    /// Rises of spectrum and level.
    fn rises(&self) -> [f32; NUM_RISES] {
        let (pre_max, pre_min, post_max) = (self.max_level(-32, 0), self.min_level(-32, 0), self.max_level(0, 31));
        let (loud, floor) = (self.curves.loud(self.i + 31), self.curves.floor(self.i));
        let mean_level = |from: i64, to: i64| self.curves.mean_level(self.i + from, self.i + to);
        let novelty = self.curves.novelty(self.i);
        [
            self.top(-4, 4, |f| f.rise[0]),
            self.top(-4, 4, |f| f.rise[1]),
            self.top(-4, 4, |f| f.rise[2]),
            self.top(-28, 0, |f| f.fall),
            self.top(-6, 6, |f| f.change),
            (-6..=6).map(|k| self.curves.grow(self.i + k)).fold(0.0, f32::max),
            pre_max - pre_min,
            post_max - pre_min,
            post_max - loud,
            pre_min - loud,
            self.level(40) - self.level(0),
            novelty,
            novelty / self.top_novelty(-40, 40).max(1e-6),
            median_rise(self.frames, self.i),
            self.mean(-12, 13, |f| f.rise[0]),
            mean_level(0, 31) - mean_level(-32, 0),
            pre_min - floor,
            post_max - floor,
        ]
    }

    /// What lies farther around, and what the finest level shows.
    fn wider(&self) -> [f32; NUM_WIDER] {
        let (before, after) = (self.midi(-26, -6), self.midi(6, 26));
        let (moved, post_max) = (gap(before, after), self.max_level(0, 31));
        let fine_max = |from: i64, to: i64| self.top(from, to, |f| f.level_db);
        let fine_min = (-7..=5).map(|k| self.frame(k).level_db).fold(f32::MAX, f32::min);
        [
            self.top_novelty(-40, -8),
            self.top_novelty(8, 40),
            self.top(-30, -10, |f| f.change),
            self.top(10, 30, |f| f.change),
            self.level(4) - self.level(-4),
            self.level(50) - post_max,
            self.level(62) - post_max,
            self.top(10, 60, |f| f.fall),
            if moved < 0.0 { 0.0 } else { after - before },
            if moved < 0.0 { -1.0 } else { (moved - 12.0 * (moved / 12.0).round()).abs() },
            self.frame(0).rise[0],
            swing(self.frames, self.i),
            self.mean(48, 62, |f| f.periodicity),
            least_wander(self.frames, self.i + 4, self.i + 45, 16),
            least_wander(self.frames, self.i + 4, self.i + 62, 16),
            fine_max(0, 12) - fine_min,
            fine_max(-14, 0) - fine_min,
            fine_max(0, 6) - self.frame(-3).level_db,
        ]
    }

    /// What lies over 960 Hz, which a stroke of the tongue takes away first and a room lets go first; and slower rises.
    fn high(&self) -> [f32; NUM_HIGH] {
        let of = |from: i64, to: i64| (from..=to).map(|k| self.curves.high(self.i + k));
        let least = |from: i64, to: i64| of(from, to).fold(f32::MAX, f32::min);
        let most = |from: i64, to: i64| of(from, to).fold(f32::MIN, f32::max);
        let ([in16, out16], [in32, out32]) = (dip(16, least, most), dip(32, least, most));
        let mean = |from: i64, to: i64| of(from, to).sum::<f32>() / (to - from + 1) as f32;
        let mean_level = |from: i64, to: i64| self.curves.mean_level(self.i + from, self.i + to);
        let long = self.top(0, 16, |f| f.long_rise);
        [
            in16,
            out16,
            in32,
            out32,
            mean(4, 30) - mean(-30, -4) - (mean_level(4, 30) - mean_level(-30, -4)),
            long,
            long / self.top(-40, 56, |f| f.long_rise).max(1e-6),
        ]
    }
}

/// The way into a dip and out of it at a scale of `k` frames, from the least and the greatest between two offsets.
fn dip(k: i64, least: impl Fn(i64, i64) -> f32, most: impl Fn(i64, i64) -> f32) -> [f32; 2] {
    let low = least(-k / 2, k / 2);
    [most(-k, 0) - low, most(0, k - 1) - low]
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

#[cfg(test)]
mod tests {
    use super::super::candidates;
    use super::*;
    use crate::observe::HOP_S;
    use crate::test_sounds::dice;
    use crate::test_sounds::{RATE_HZ, gliding, sound, tone};

    fn named(row: &[f32; NUM], name: &str) -> f32 {
        row[NAMES.iter().position(|n| *n == name).expect("a feature")]
    }

    /// The features of the candidate nearest to a time.
    fn at(samples: &[f32], s: f64) -> [f32; NUM] {
        let near = |a: &(f64, [f32; NUM])| (a.0 - s).abs();
        candidates(samples, RATE_HZ).into_iter().min_by(|a, b| near(a).total_cmp(&near(b))).expect("a candidate").1
    }

    #[test]
    fn a_dip_of_straight_sides_is_read_off_them() {
        // One decibel a frame down to 0 and up again.
        let level = |k: i64| k.abs() as f32;
        let least = |from: i64, to: i64| (from..=to).map(level).fold(f32::MAX, f32::min);
        let most = |from: i64, to: i64| (from..=to).map(level).fold(f32::MIN, f32::max);
        assert_eq!(dip(8, least, most), [8.0, 7.0]);
        assert_eq!(dip(32, least, most), [32.0, 31.0]);
    }

    #[test]
    fn pitches_that_are_not_there_have_no_distance() {
        assert_eq!(gap(58.0, 60.5), 2.5);
        assert_eq!((gap(f32::NAN, 60.0), gap(60.0, f32::NAN)), (-1.0, -1.0));
    }

    #[test]
    fn a_slur_by_a_fourth_has_moved_by_five_semitones_and_hardly_dipped() {
        let samples = gliding(1.2, |s| if s < 0.6 { 174.61 } else { 233.08 }, |_| 1.0);
        let row = at(&samples, 0.6);
        assert!((named(&row, "moved") - 5.0).abs() < 0.1, "F3 to Bb3: {}", named(&row, "moved"));
        assert!((named(&row, "moved signed") - 5.0).abs() < 0.1 && (named(&row, "pitch") - 58.0).abs() < 0.1);
        assert!(named(&row, "+rise out of dip 40") < 2.0, "{}", named(&row, "+rise out of dip 40"));
        assert!(named(&row, "no pitch before") == 0.0 && named(&row, "no pitch after") == 0.0);
    }

    #[test]
    fn a_stroke_out_of_silence_rises_and_comes_from_no_pitch() {
        let samples = sound(1.2, |s| if s < 0.6 { 0.0 } else { tone(233.08, 1..=8, 0.1, s) });
        let row = at(&samples, 0.6);
        assert!(named(&row, "no pitch before") == 1.0 && named(&row, "no pitch after") == 0.0);
        assert_eq!(named(&row, "moved"), -1.0);
        assert!(named(&row, "+rise out of dip 40") > 40.0 && named(&row, "+spectral rise") > 0.3);
    }

    #[test]
    fn vibrato_swings_by_twice_its_depth() {
        // 6 Hz, 30 cents each way; 160 ms hold nearly a whole turn of it.
        let turn = std::f64::consts::TAU * 6.0;
        let samples = gliding(1.2, |s| 233.08 * (0.3 / 12.0 * (turn * s).sin()).exp2(), |_| 1.0);
        let swings: Vec<f32> = candidates(&samples, RATE_HZ)
            .iter()
            .filter(|c| (0.3..1.0).contains(&c.0))
            .map(|c| named(&c.1, "swing"))
            .collect();
        assert!(!swings.is_empty() && swings.iter().all(|s| (0.35..0.65).contains(s)), "{swings:?}");
    }

    /// A take drawn by a seed: a wandering level and pitch, with strokes, rises and changes as they come.
    fn drawn(seed: u64, change: impl Fn(Frame) -> Frame) -> (Frames, Curves) {
        let (mut dice, mut db, mut midi) = (dice(seed + 1), -30.0f32, 55.0f32);
        let frames = Frames::drawn((0..700).map(|_| {
            let mut draw = || dice() as f32;
            db = (db + 3.0 * (draw() - 0.5)).clamp(-70.0, -5.0);
            midi = if draw() < 0.02 { 45.0 + 20.0 * draw() } else { midi + 0.1 * (draw() - 0.5) };
            let held = Frame::held(if draw() < 0.05 { f32::NAN } else { midi }, db);
            let rise = [0.3 * draw(), 0.3 * draw(), 0.3 * draw()];
            change(Frame {
                periodicity: 0.7 + 0.3 * draw(),
                rise,
                long_rise: draw(),
                fall: 0.2 * draw(),
                change: 0.5 * draw(),
                ..held
            })
        }));
        let mut curves = Curves::new();
        curves.advance(&frames);
        (frames, curves)
    }

    fn rows(seed: u64, change: impl Fn(Frame) -> Frame) -> Vec<[f32; NUM]> {
        let (frames, curves) = drawn(seed, change);
        (100..500).step_by(7).map(|i| features(&frames, &curves, i)).collect()
    }

    /// Names of the features that differ anywhere by more than rounding.
    fn moved(a: &[[f32; NUM]], b: &[[f32; NUM]]) -> Vec<&'static str> {
        (0..NUM).filter(|k| a.iter().zip(b).any(|(a, b)| (a[*k] - b[*k]).abs() > 2e-3)).map(|k| NAMES[k]).collect()
    }

    /// What the first lines of the module say of its numbers.
    #[test]
    fn the_same_take_softer_has_the_same_features() {
        for seed in 0..5 {
            let softer = |by: f32| {
                move |f: Frame| Frame {
                    level_db: f.level_db - by,
                    smooth_db: f.smooth_db - by,
                    high_db: f.high_db - by,
                    ..f
                }
            };
            assert_eq!(moved(&rows(seed, |f| f), &rows(seed, softer(18.0))), [""; 0], "seed {seed}");
        }
    }

    #[test]
    fn the_same_take_in_another_key_moves_its_pitch_alone() {
        let higher = |f: Frame| Frame { midi: f.midi + 5.0, ..f };
        for seed in 0..5 {
            assert_eq!(moved(&rows(seed, |f| f), &rows(seed, higher)), ["pitch"], "seed {seed}");
        }
    }

    #[test]
    fn every_feature_is_a_figure_whatever_is_seen() {
        for seed in 0..3 {
            let unseen = |f: Frame| Frame { midi: f32::NAN, periodicity: 0.0, ..f };
            for row in rows(seed, unseen).iter().chain(&rows(seed, |f| f)) {
                let odd: Vec<&str> = (0..NUM).filter(|k| !row[*k].is_finite()).map(|k| NAMES[k]).collect();
                assert!(odd.is_empty(), "seed {seed}: {odd:?}");
            }
        }
        // At the beginning of a take nothing lies before.
        let (frames, curves) = drawn(1, |f| f);
        assert!(features(&frames, &curves, 0).iter().all(|x| x.is_finite()));
    }

    /// The features of frame 300 of frames drawn one by one.
    fn row(frame: impl Fn(i64) -> Frame) -> [f32; NUM] {
        let frames = Frames::drawn((0..600).map(frame));
        let mut curves = Curves::new();
        curves.advance(&frames);
        features(&frames, &curves, 300)
    }

    #[test]
    fn a_straight_rise_has_the_slopes_it_was_drawn_with() {
        // 0.2 dB a frame all the way, the high part by 0.3.
        let seen = row(|i| {
            let db = -100.0 + 0.2 * i as f32;
            Frame { high_db: -130.0 + 0.3 * i as f32, ..Frame::held(58.0, db) }
        });
        for (name, wanted) in [
            ("level slope", 8.0 * 0.2),
            ("later over here", 40.0 * 0.2),
            ("+rise into dip 20", 4.0 * 0.2),
            ("+rise out of dip 20", 11.0 * 0.2),
            ("+rise out of dip 80", 47.0 * 0.2),
            ("range before", 32.0 * 0.2),
            ("+climb", 63.0 * 0.2),
            ("mean after over before", 31.5 * 0.2),
            ("level after 125", (50.0 - 31.0) * 0.2),
            ("+fine rise", 19.0 * 0.2),
            ("brightness moved", 34.0 * 0.1),
            ("+high rise out of dip 40", 23.0 * 0.3),
        ] {
            assert!((named(&seen, name) - wanted).abs() < 0.02, "{name}: {} and not {wanted}", named(&seen, name));
        }
    }

    #[test]
    fn pitches_before_and_after_are_told_with_how_they_wander() {
        // A fifth down at the frame; before it still, after it a vibrato of 6 Hz and 30 cents each way.
        let seen = row(|i| {
            let vibrato = 0.3 * (std::f64::consts::TAU * 6.0 * HOP_S * i as f64).sin() as f32;
            Frame::held(if i < 300 { 60.0 } else { 53.0 + vibrato }, -20.0)
        });
        let at = |name: &str| named(&seen, name);
        assert!((at("moved") - 7.0).abs() < 0.3 && (at("moved signed") + 7.0).abs() < 0.3);
        assert!((at("octave-free move") - 5.0).abs() < 0.3, "a fifth down is a fourth up, an octave apart");
        assert!(at("wander before") < 0.01, "{}", at("wander before"));
        // Of a sine the deviation is its height over sqrt 2; 22 frames are a third of a turn.
        assert!((0.05..0.3).contains(&at("wander after")), "{}", at("wander after"));
        assert!(at("stillest near") < at("wander after") && at("swing") == 3.0, "it swings by more than is told");
        let octave = row(|i| Frame::held(if i < 300 { 58.0 } else { 46.0 }, -20.0));
        assert!(named(&octave, "octave-free move") < 1e-4 && (named(&octave, "moved") - 12.0).abs() < 1e-4);
        let nothing = row(|_| Frame::held(f32::NAN, -20.0));
        let none = ["moved", "moved far", "octave-free move", "wander after", "wander before"];
        assert!(none.iter().all(|name| named(&nothing, name) == -1.0) && named(&nothing, "pitch") == 36.0);
    }
}
