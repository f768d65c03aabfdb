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
    use crate::slide::tests::{RATE_HZ, looks, way_of};
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
}
