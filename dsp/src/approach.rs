//! The pitch's way into the note, read off its path: where it came in, how it leant, when it settled, whether it slid,
//! bent or leapt.

use crate::entrance::{Smear, Split};
use crate::front::is_partial_interval;
use crate::instants::Instants;
use crate::level::LevelTrack;
use crate::look::{Point, look_window};
use crate::parameters::shape::{
    FIRST_SHARE, FIRST_WIDTH_SHARE, MAX_ONSET_WIDTH_CENTS, ROUGH_CENTS, SPLIT_SPREAD_CENTS,
};
use crate::path::Path;
use crate::slide::{SlideFinder, Way};
use crate::steady::Settled;

/// The band the pitch settles into, cents each side (Hill & Summers 2007: just noticeable mistuning \[S\]), and in
/// terms of the note's own wander where that is wider (measures page).
pub const SETTLED_BAND_CENTS: f64 = 10.0;
const SETTLED_BAND_WANDERS: f64 = 2.5;
/// Half widths hold this share of the note's wander: nine of ten, on recorded notes \[S\].
const WANDER_SHARE: f64 = 1.5;
/// Two trackers of one recorded front differ by this in the mean, cents \[S\].
const TRACKERS_CENTS: f64 = 1.5;
/// A shorter start on another partial is the lips finding theirs: half of what counts as a split (measures page) \[D\].
const LEAST_SPLIT_MS: f64 = 10.0;
/// The lean is heard until this long after the note speaks, or before its end, s \[D\].
const LEAN_AFTER_S: f64 = 0.100;
const LEAN_BEFORE_END_S: f64 = 0.030;
/// Loudness grows with sound pressure to this power (Stevens 1957 \[M\]).
const LOUDNESS_POWER: f64 = 0.6;

/// The way in. Times are internal samples; the second of a pair is its half width.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Approach {
    /// Mean distance from the settled pitch as the ear gets it, cents.
    pub lean: Option<(f64, f64)>,
    /// Pitch at the onset, cents from the settled pitch.
    pub onset_cents: Option<(f64, f64)>,
    /// Time from the onset until the pitch stays in the band.
    pub settle: Option<(f64, f64)>,
    /// Began on another partial.
    pub split: Option<Split>,
    /// A slide at a constant rate, where the evidence for one is clear.
    pub slide: Option<Smear>,
}

/// Lays the path through the looks and reads the way in off it.
#[must_use]
pub fn read(path: &mut Path, slides: &mut SlideFinder, way: &Way) -> Approach {
    let onset = way.instants.onset;
    let period = way.period();
    let split = find_split(way.points, onset, period, way.rate_hz);
    path.fit(way.points, onset, period, split.is_some());
    if path.is_empty() {
        return Approach { lean: None, onset_cents: None, settle: None, split, slide: None };
    }
    let lean = lean(path, way.level, way.instants, way.end, way.rate_hz)
        .map(|(value, sd)| (value, half_width(sd, way.settled)));
    Approach {
        lean,
        onset_cents: onset_pitch(path, way, period),
        settle: settle_time(path, way.settled),
        split,
        slide: if split.is_none() { slides.find(way, deepest(path)) } else { None },
    }
}

/// What the ear gets of the way in: mean distance from the settled pitch from the onset until 100 ms after the note
/// speaks (or 30 ms before its end), weighted by loudness, in cents, and its standard deviation. `None` where no pitch
/// can be told there.
fn lean(path: &mut Path, level: &LevelTrack, instants: &Instants, end: f64, rate_hz: f64) -> Option<(f64, f64)> {
    let last = (instants.speaks + LEAN_AFTER_S * rate_hz).min(end - LEAN_BEFORE_END_S * rate_hz);
    if last <= path.first() {
        return None;
    }
    let (start, step) = (path.time(0), path.time(1) - path.time(0));
    let loudness = |i: usize| {
        let time = start + i as f64 * step;
        if time > last || time < start {
            0.0
        } else {
            (level.at(time) - instants.before).max(0.0).powf(0.5 * LOUDNESS_POWER)
        }
    };
    let sum: f64 = (0..path.len()).map(loudness).sum();
    if sum <= 0.0 {
        return None;
    }
    Some(path.weighted(|i| loudness(i) / sum))
}

/// A start on another partial.
fn find_split(points: &[Point], onset: f64, period: f64, rate_hz: f64) -> Option<Split> {
    let margin = 0.004 * rate_hz;
    let wrong = |p: &&Point| p.is_tone && p.is_other_partial && p.time >= onset - margin;
    let last_wrong = points.iter().rposition(|p| wrong(&p))?;
    let first_right = points[last_wrong..].iter().find(|p| p.is_tone && !p.is_other_partial)?;
    let leap = 0.5 * (points[last_wrong].centre + first_right.centre);
    let num = points.iter().filter(wrong).count();
    // Looks next to the leap hold both tones: the best fitting one says what the interval was.
    let best = points.iter().filter(wrong).max_by(|a, b| a.periodicity.total_cmp(&b.periodicity))?;
    let split = Split { interval_cents: best.cents, duration_ms: (leap - onset) / rate_hz * 1e3 };
    let num_alike = points.iter().filter(wrong).filter(|p| (p.cents - best.cents).abs() < SPLIT_SPREAD_CENTS).count();
    (split.duration_ms >= LEAST_SPLIT_MS
        && num >= 3
        && 2 * num_alike > num
        && is_partial_interval(rate_hz / period, best.cents))
    .then_some(split)
}

/// Pitch at the onset; `None` where it cannot be told. How far it moves within the first quarter of a look's window,
/// which no look can tell apart, is part of the half width.
fn onset_pitch(path: &mut Path, way: &Way, period: f64) -> Option<(f64, f64)> {
    let told = path.first().max(path.time(0) + FIRST_SHARE * look_window(period, way.rate_hz));
    let i = (((told - path.time(0)) / path.step()).round() as usize).min(path.len() - 1);
    let value = path.cents(0);
    let moved = (value - path.cents(i)).abs();
    let first = way.points.iter().find(|p| p.is_tone && p.centre >= way.instants.onset);
    let rough = ROUGH_CENTS * (1.0 - first.map_or(0.0, |p| p.periodicity));
    let width = half_width(path.sd(0), way.settled) + moved + FIRST_WIDTH_SHARE * value.abs() + rough;
    (width < MAX_ONSET_WIDTH_CENTS).then_some((value, width))
}

/// Half width of a distance from the settled pitch, cents: of the path, of the settled pitch, and of the note's own wander,
/// whose middle another listener puts elsewhere.
fn half_width(sd: f64, settled: &Settled) -> f64 {
    TRACKERS_CENTS + sd + settled.uncertainty_cents + WANDER_SHARE * settled.wander_cents
}

/// Time after the onset at which the pitch is last outside the band. It is as uncertain as the pitch where it crosses
/// the band's edge, and as the pitch wanders there: by how much it would move if the edge lay so much farther in or out.
fn settle_time(path: &mut Path, settled: &Settled) -> Option<(f64, f64)> {
    let band = SETTLED_BAND_CENTS.max(SETTLED_BAND_WANDERS * settled.wander_cents);
    let time = last_outside(path, band)?;
    let at = ((time / path.step()) as usize).min(path.len() - 1);
    let half = half_width(path.sd(at), settled) + settled.wander_cents;
    let late = last_outside(path, (band - half).max(0.5 * band)).unwrap_or(time);
    let early = last_outside(path, band + half).unwrap_or(0.0);
    Some((time, (late - time).max(time - early) + 0.5 * path.step()))
}

/// The farthest that the path lies from the settled pitch, cents.
fn deepest(path: &Path) -> f64 {
    (0..path.len()).map(|i| path.cents(i).abs()).fold(0.0, f64::max)
}

/// Time after the path's start at which it is last farther than `band` from the settled pitch, 0 where it never is;
/// `None` where it ends outside.
fn last_outside(path: &Path, band: f64) -> Option<f64> {
    let Some(last) = (0..path.len()).rev().find(|&i| path.cents(i).abs() > band) else { return Some(0.0) };
    if last + 1 == path.len() {
        return None;
    }
    let (a, b) = (path.cents(last).abs(), path.cents(last + 1).abs());
    let share = ((a - band) / (a - b).max(1e-6)).clamp(0.0, 1.0);
    Some((last as f64 + share) * path.step())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::look::silent_point;
    use crate::slide::tests::{RATE_HZ, looks, way_of};
    use crate::test_sounds::{dice, noise, rms, share_of};
    use approx::assert_abs_diff_eq;

    const DEPTH_CENTS: f64 = -80.0;
    const TAU_S: f64 = 0.040;

    fn read_off(points: &[Point], end_s: f64) -> Approach {
        way_of(points, 1.0, 0.0, end_s, |way| read(&mut Path::new(RATE_HZ), &mut SlideFinder::default(), way))
    }

    #[test]
    fn an_exponential_way_in_is_read_as_its_closed_form() {
        let approach = read_off(&looks(|t| DEPTH_CENTS * (-t / TAU_S).exp()), 1.0);
        // Mean of D e^(-t / tau) over 100 ms at an even level; 1 cent is what a step of 2 ms leaves.
        let lean = DEPTH_CENTS * TAU_S * (1.0 - (-0.1 / TAU_S).exp()) / 0.1;
        assert_abs_diff_eq!(approach.lean.expect("lean").0, lean, epsilon = 1.0);
        assert_abs_diff_eq!(approach.onset_cents.expect("onset").0, DEPTH_CENTS, epsilon = 2.0);
        let settle_ms = approach.settle.expect("settles").0 / RATE_HZ * 1e3;
        assert_abs_diff_eq!(settle_ms, 1e3 * TAU_S * 8f64.ln(), epsilon = 2.0);
        assert!(approach.slide.is_none() && approach.split.is_none());
    }

    #[test]
    fn a_slide_is_told_with_its_rate() {
        let slide = read_off(&looks(|t| (-80.0 + 1000.0 * t).min(0.0)), 1.0).slide.expect("a slide of 80 ms");
        // Lengths in steps of 7 %.
        assert_abs_diff_eq!(slide.rate_cents_per_s, 1000.0, epsilon = 60.0);
        assert_abs_diff_eq!(slide.depth_cents, -80.0, epsilon = 4.0);
    }

    #[test]
    fn a_steady_note_is_at_home_at_once() {
        let approach = read_off(&looks(|_| 0.3), 1.0);
        assert_abs_diff_eq!(approach.settle.expect("settled").0, 0.0, epsilon = 1e-9);
        assert_abs_diff_eq!(approach.lean.expect("lean").0, 0.3, epsilon = 0.01);
    }

    #[test]
    fn the_lean_of_a_short_note_ends_before_the_note() {
        // Home for 50 ms, then away: a note of 80 ms is heard to its 50th.
        let points = looks(|t| if t < 0.050 { 0.0 } else { 100.0 });
        let lean = read_off(&points, 0.080).lean.expect("lean").0;
        assert!(lean.abs() < 6.0, "{lean}: the path rounds the corner a little");
    }

    #[test]
    fn a_start_on_another_partial_is_a_split() {
        let mut points = looks(|t| if t < 0.040 { 702.0 } else { 0.0 });
        for point in &mut points {
            point.is_other_partial = point.cents > 600.0;
        }
        let split = read_off(&points, 1.0).split.expect("a fifth above");
        assert_abs_diff_eq!(split.interval_cents, 702.0, epsilon = 1.0);
        // The leap lies between two looks 2 ms apart.
        assert_abs_diff_eq!(split.duration_ms, 39.0, epsilon = 1.1);
    }

    /// The same of looks with noise, told with its deviation.
    fn noisy(cents: impl Fn(f64) -> f64, sd: f64, seed: u64) -> Vec<Point> {
        let mut noise = noise(seed);
        looks(cents).into_iter().map(|p| Point { cents: p.cents + sd * noise(), sd_cents: sd, ..p }).collect()
    }

    /// Ways in of a depth, cents, and a time, s, with the mean over their first 100 ms, and when they last lie outside
    /// 10 cents.
    #[test]
    fn lean_and_settling_of_every_way_are_their_closed_forms() {
        let mut dice = dice(4);
        for _ in 0..60 {
            let depth = if dice() < 0.5 { -1.0 } else { 1.0 } * (30.0 + 90.0 * dice());
            let s = 0.020 + 0.050 * dice();
            let inside = 10.0 / f64::abs(depth);
            type Way = (&'static str, Box<dyn Fn(f64) -> f64>, f64, f64);
            let ways: [Way; 3] = [
                (
                    "exponential",
                    Box::new(move |t| depth * (-t / s).exp()),
                    s * (1.0 - (-0.1 / s).exp()) / 0.1,
                    -s * inside.ln(),
                ),
                ("straight", Box::new(move |t| depth * (1.0 - t / s).max(0.0)), 0.5 * s / 0.1, s * (1.0 - inside)),
                (
                    "half cosine",
                    Box::new(move |t| 0.5 * depth * (1.0 + (std::f64::consts::PI * (t / s).min(1.0)).cos())),
                    0.5 * s / 0.1,
                    s * (2.0 * inside - 1.0).acos() / std::f64::consts::PI,
                ),
            ];
            for (name, way, mean_share, settles_s) in ways {
                let found = read_off(&looks(way), 1.0);
                let (lean, settle) = (found.lean.expect("a lean"), found.settle.expect("it settles"));
                assert!((lean.0 - depth * mean_share).abs() < 1.5, "{name}, {depth} in {s} s: {lean:?}");
                assert!(
                    (settle.0 / RATE_HZ - settles_s).abs() < 0.004,
                    "{name}, {depth} in {s} s: {settle:?}, {settles_s}"
                );
                assert!((settle.0 / RATE_HZ - settles_s).abs() <= settle.1 / RATE_HZ + 1e-3, "{name}: {settle:?}");
            }
        }
    }

    #[test]
    fn a_lean_in_noise_lies_within_its_width() {
        let mut dice = dice(8);
        let off: Vec<f64> = (0..150)
            .map(|seed| {
                let (depth, s, sd) = (100.0 * (dice() - 0.5), 0.010 + 0.040 * dice(), 1.0 + 5.0 * dice());
                let truth = depth * s * (1.0 - (-0.1 / s).exp()) / 0.1;
                let (value, width) =
                    read_off(&noisy(|t| depth * (-t / s).exp(), sd, seed + 1), 1.0).lean.expect("a lean");
                (value - truth).abs() / width
            })
            .collect();
        // A settled pitch and a wander that are no part of this noise are in its width.
        assert!(share_of(&off, |off| *off <= 1.0) >= 0.9, "{}", share_of(&off, |off| *off <= 1.0));
        assert!(rms(&off) > 0.1, "and it is not wide without reason: {}", rms(&off));
    }

    /// Stevens 1957 \[M\]: what is ten times as strong counts for 10^0.6 = 4 times as much.
    #[test]
    fn a_lean_is_weighed_by_loudness() {
        // 40 cents off for 50 ms, then at home: at an even level half of it; with the first half 20 dB softer a fifth.
        let points = looks(|t| if t < 0.050 { 40.0 } else { 0.0 });
        let lean_of = |soft: f64| {
            way_of(&points, 1.0, 0.0, 1.0, |way| {
                let powers: Vec<f64> = (0..600).map(|ms| if ms < 50 { soft } else { 1.0 }).collect();
                let level = LevelTrack::of(0, 0.001 * RATE_HZ, &powers);
                let mut path = Path::new(RATE_HZ);
                path.fit(points.as_slice(), 0.0, way.period(), false);
                lean(&mut path, &level, way.instants, way.end, RATE_HZ).expect("a lean").0
            })
        };
        assert_abs_diff_eq!(lean_of(1.0), 20.0, epsilon = 1.5);
        let share = 1.0 / (1.0 + 10f64.powf(0.6));
        assert_abs_diff_eq!(lean_of(0.01), 40.0 * share, epsilon = 2.0);
        assert!(lean_of(0.0).abs() < 2.0, "what is not heard does not lean");
    }

    #[test]
    fn a_way_that_never_comes_home_has_no_time_to_settle_in() {
        let away = read_off(&looks(|_| 40.0), 1.0);
        assert_eq!(away.settle, None);
        assert_abs_diff_eq!(away.lean.expect("a lean").0, 40.0, epsilon = 0.5);
        // At the edge of the band the figure is fragile, and says so.
        let edge = read_off(&looks(|t| 10.5 * (-t / 0.3).exp()), 1.0).settle.expect("it settles");
        let clear = read_off(&looks(|t| 80.0 * (-t / 0.01).exp()), 1.0).settle.expect("it settles");
        assert!(edge.1 > 3.0 * clear.1, "{edge:?} {clear:?}");
    }

    /// Looks that sit `interval` cents off for so long and then at home, on another partial where that is far.
    fn leapt(interval: f64, held_s: f64) -> Vec<Point> {
        let mark = |p: Point| Point { is_other_partial: p.cents.abs() > 130.0, ..p };
        looks(|t| if t < held_s { interval } else { 0.0 }).into_iter().map(mark).collect()
    }

    #[test]
    fn a_split_needs_a_partial_and_its_time() {
        // 240 Hz is a fourth partial of 60 Hz, whose neighbours lie 498 cents under and 386 over it, a fifth of 48, a
        // sixth of 40.
        for (interval, held_s, is_split) in [
            (-498.0, 0.040, true),
            (386.0, 0.040, true),
            (702.0, 0.020, true),
            (-498.0, 0.006, false),
            (640.0, 0.040, false),
            (-1000.0, 0.040, false),
        ] {
            let found = read_off(&leapt(interval, held_s), 1.0).split;
            assert_eq!(found.is_some(), is_split, "{interval} cents for {held_s} s: {found:?}");
            assert!(found.is_none_or(|split| (split.duration_ms - 1e3 * held_s).abs() < 2.0), "{found:?}");
        }
        // Looks that agree on no interval are none.
        let mut dice = dice(2);
        let mut wild = leapt(-498.0, 0.040);
        wild.iter_mut().filter(|p| p.is_other_partial).for_each(|p| p.cents = -1_500.0 * dice() - 140.0);
        assert_eq!(read_off(&wild, 1.0).split, None);
    }

    #[test]
    fn without_looks_nothing_is_told_of_the_way_in() {
        let nothing = Approach { lean: None, onset_cents: None, settle: None, split: None, slide: None };
        assert_eq!(read_off(&[], 1.0), nothing);
        let silent: Vec<Point> = (0..50).map(|i| silent_point(f64::from(i) * 24.0, 1e-9)).collect();
        assert_eq!(read_off(&silent, 1.0), nothing);
    }
}
