//! The pitch's way into the note: where it came in, when it settled, whether it slid, bent or leapt.

use crate::entrance::{Smear, Split};
use crate::front::is_partial_interval;
use crate::look::Point;

/// The band the pitch settles into, cents each side (Hill & Summers 2007: just noticeable mistuning \[S\]).
pub const SETTLED_BAND_CENTS: f64 = 10.0;
/// Onset pitch: looks within this many periods, and at least this time, after the onset are used, s.
const FIRST_PERIODS: f64 = 2.5;
const FIRST_S: f64 = 0.016;
/// In a slow attack the pitch can be told this long before the note speaks, s; before that it is too soft.
const BEFORE_SPEAKING_S: f64 = 0.008;
/// No lip bends a note farther than this without leaving its partial, cents.
const MAX_BEND_CENTS: f64 = 260.0;
/// Looks on another partial belong together within this, cents.
const SPLIT_SPREAD_CENTS: f64 = 60.0;
/// Drawing the pitch on to the onset is limited to this, cents.
const MAX_DRAW_CENTS: f64 = 40.0;
/// A slide's end is looked for up to this time after the onset, s.
const SHAPE_RANGE_S: f64 = 0.300;
/// Fewest looks a shape can be told from.
const MIN_SHAPE_POINTS: usize = 5;
/// Under this straightness the way in is clearly a bend, and at most this much deeper than its line.
const CLEAR_BEND: f64 = 0.7;
const MAX_BEND_GAIN: f64 = 1.3;
/// Mean error of a slide's line, share of its depth.
const MAX_SLIDE_ERROR: f64 = 0.2;
/// Looks weaker than this share of the strongest count less: a tail of the note before pulls at them.
const FULL_WEIGHT_SHARE: f64 = 0.3;
/// The lean is heard until this long after the note speaks, or before its end, s.
const LEAN_AFTER_S: f64 = 0.100;
const LEAN_BEFORE_END_S: f64 = 0.030;
/// Loudness grows with sound pressure to this power (Stevens 1957 \[M\]).
const LOUDNESS_POWER: f64 = 0.6;
/// Steps of the search over a shape's length.
const SHAPE_STEPS: usize = 60;

/// The way in. Times are internal samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Approach {
    /// Pitch at the onset, cents from the settled pitch, and half width.
    pub onset_cents: Option<(f64, f64)>,
    /// Time from the onset until the pitch stays in the band, and half width.
    pub settle: Option<(f64, f64)>,
    /// Began on another partial.
    pub split: Option<Split>,
    /// Shape of a continuous way in.
    pub slide: Option<Slide>,
}

/// A continuous way in, described both ways.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slide {
    /// As a straight slide.
    pub smear: Smear,
    /// How much better the straight line fits than the exponential: ratio of mean errors, above 1 for a slide.
    pub straightness: f64,
    /// Depth at the onset of the exponential that fits best, cents.
    pub bend_cents: f64,
}

/// Reads the way in off the looks.
#[must_use]
pub fn read(points: &[Point], onset: f64, speaks: f64, period: f64, rate_hz: f64) -> Approach {
    let split = find_split(points, onset, rate_hz);
    let settle = settle_time(points, onset, period, rate_hz);
    let first = onset.max(speaks - BEFORE_SPEAKING_S * rate_hz);
    let onset_cents = onset_pitch(points, first, period, rate_hz, split.is_some());
    let slide = if split.is_none() { find_slide(points, onset, rate_hz) } else { None };
    let onset_cents = onset_cents.map(|(drawn, width)| (bend_to(drawn, slide.as_ref()), width));
    Approach { onset_cents, settle, split: split.map(|s| s.0), slide }
}

/// Mean distance from the settled pitch from the onset until 100 ms after the note speaks (or 30 ms before its end),
/// weighted by loudness, in cents, and its half width. `None` where no pitch can be told there.
#[must_use]
pub fn lean(points: &[Point], onset: f64, speaks: f64, end: f64, rate_hz: f64) -> Option<(f64, f64)> {
    let last = (speaks + LEAN_AFTER_S * rate_hz).min(end - LEAN_BEFORE_END_S * rate_hz);
    let (mut sum, mut squares, mut weights, mut num) = (0.0, 0.0, 0.0, 0.0);
    for p in tones_after(points, onset, 0.0).filter(|p| p.time <= last && !p.is_other_partial) {
        let weight = amplitude(p).powf(LOUDNESS_POWER);
        sum += weight * p.cents;
        squares += weight * p.cents * p.cents;
        weights += weight;
        num += 1.0;
    }
    let mean = sum / weights;
    let spread = (squares / weights - mean * mean).max(0.0).sqrt();
    (weights > 0.0).then(|| (mean, 1.0 + spread / f64::sqrt(num)))
}

/// A pitch that bends in is steepest at the onset: where the exponential fits clearly, its depth there is nearer
/// the truth than the straight line's.
fn bend_to(drawn: f64, slide: Option<&Slide>) -> f64 {
    match slide {
        Some(slide) if slide.straightness < CLEAR_BEND => {
            let most = MAX_BEND_GAIN * drawn.abs();
            if slide.bend_cents * drawn > 0.0 {
                drawn.signum() * slide.bend_cents.abs().clamp(drawn.abs(), most)
            } else {
                drawn
            }
        }
        _ => drawn,
    }
}

fn tones_after(points: &[Point], onset: f64, margin: f64) -> impl Iterator<Item = &Point> {
    points.iter().filter(move |p| p.is_tone && p.time >= onset - margin)
}

/// A start on another partial, and the time of the leap.
fn find_split(points: &[Point], onset: f64, rate_hz: f64) -> Option<(Split, f64)> {
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
    (num >= 3 && 2 * num_alike > num && is_partial_interval(best.cents)).then_some((split, leap))
}

/// Time after the onset at which the pitch is last outside the band.
fn settle_time(points: &[Point], onset: f64, period: f64, rate_hz: f64) -> Option<(f64, f64)> {
    let outside = |p: &Point| p.cents.abs() > SETTLED_BAND_CENTS;
    let inside_run = points.iter().rev().filter(|p| p.is_tone).take_while(|p| !outside(p)).count();
    if inside_run == 0 {
        return None;
    }
    let last = points.iter().rposition(|p| p.is_tone && outside(p) && p.time >= onset);
    let Some(last) = last else { return Some((0.0, fragility(points, onset, rate_hz))) };
    let next = points[last + 1..].iter().find(|p| p.is_tone)?;
    let point = &points[last];
    let time = if point.is_other_partial {
        0.5 * (point.centre + next.centre)
    } else {
        let (a, b) = (point.cents.abs(), next.cents.abs());
        let share = ((a - SETTLED_BAND_CENTS) / (a - b).max(1e-6)).clamp(0.0, 1.0);
        point.time + share * (next.time - point.time)
    };
    let width = 0.3 * period + 0.002 * rate_hz + fragility(points, time, rate_hz);
    Some(((time - onset).max(0.0), width))
}

/// How far the settling time would move if the band were a fifth wider or narrower, half of it, samples.
fn fragility(points: &[Point], around: f64, rate_hz: f64) -> f64 {
    let last_outside = |band: f64| {
        let last = points.iter().rposition(|p| p.is_tone && p.cents.abs() > band);
        last.map_or(around, |i| points[i].time)
    };
    let wide = last_outside(1.2 * SETTLED_BAND_CENTS);
    let narrow = last_outside(0.8 * SETTLED_BAND_CENTS);
    (0.5 * (narrow - wide)).clamp(0.0, 0.2 * rate_hz)
}

/// Pitch at the first instant at which it can be told: the looks after it drawn on to it as a straight line.
fn onset_pitch(points: &[Point], onset: f64, period: f64, rate_hz: f64, is_split: bool) -> Option<(f64, f64)> {
    let until = onset + (FIRST_PERIODS * period).max(FIRST_S * rate_hz);
    let counts = |p: &&Point| is_split || (!p.is_other_partial && p.cents.abs() < MAX_BEND_CENTS);
    let tones = || tones_after(points, onset, 0.25 * period).filter(counts);
    let first = tones().next()?;
    if first.is_other_partial {
        let wrong = tones().take_while(|p| p.is_other_partial);
        return wrong.max_by(|a, b| a.periodicity.total_cmp(&b.periodicity)).map(|p| (p.cents, 5.0));
    }
    let mut line = Line::default();
    for p in tones().take_while(|p| p.time <= until.max(first.time)) {
        line.add((p.time - onset) / rate_hz, p.cents, p.power * p.periodicity);
    }
    let (drawn, spread) = line.at_zero();
    let middle = line.mean();
    // A way in leads to the settled pitch: a line that leads away from it describes the noise of the first period.
    let drawn = if drawn.abs() > middle.abs() { drawn } else { middle };
    Some((middle + (drawn - middle).clamp(-MAX_DRAW_CENTS, MAX_DRAW_CENTS), 1.0 + 2.0 * spread))
}

/// Weighted straight line.
#[derive(Default)]
struct Line {
    w: f64,
    x: f64,
    y: f64,
    xx: f64,
    xy: f64,
    yy: f64,
    num: usize,
}

impl Line {
    fn add(&mut self, x: f64, y: f64, weight: f64) {
        self.w += weight;
        self.x += weight * x;
        self.y += weight * y;
        self.xx += weight * x * x;
        self.xy += weight * x * y;
        self.yy += weight * y * y;
        self.num += 1;
    }

    fn mean(&self) -> f64 {
        if self.w > 0.0 { self.y / self.w } else { 0.0 }
    }

    /// Value at x = 0 and the mean error of the line.
    fn at_zero(&self) -> (f64, f64) {
        let det = self.w * self.xx - self.x * self.x;
        if self.num < 3 || det <= 1e-9 * self.w * self.xx {
            return (self.mean(), 3.0);
        }
        let slope = (self.w * self.xy - self.x * self.y) / det;
        let zero = (self.y - slope * self.x) / self.w;
        let error = (self.yy - zero * self.y - slope * self.xy) / self.w;
        (zero, error.max(0.0).sqrt())
    }
}

/// Fits a straight slide and an exponential approach to the way in and compares them.
fn find_slide(points: &[Point], onset: f64, rate_hz: f64) -> Option<Slide> {
    let until = onset + SHAPE_RANGE_S * rate_hz;
    let inside = || tones_after(points, onset, 0.0).filter(move |p| p.time <= until);
    if inside().count() < MIN_SHAPE_POINTS {
        return None;
    }
    let clear = FULL_WEIGHT_SHARE * inside().map(amplitude).fold(0.0, f64::max);
    let since = |p: &Point| (p.time - onset) / rate_hz;
    let alike = || inside().map(|p| (since(p), p.cents, 1.0));
    let weighted = || inside().map(|p| (since(p), p.cents, (amplitude(p) / clear).min(1.0)));
    let straight = best_shape(weighted, |t, length| (1.0 - t / length).max(0.0));
    let bent = best_shape(weighted, |t, length| (-3.0 * t / length).exp());
    let bend_cents = best_shape(alike, |t, length| (-3.0 * t / length).exp()).depth;
    let smear = Smear {
        rate_cents_per_s: (straight.depth / straight.length).abs(),
        depth_cents: straight.depth,
        duration_ms: straight.length * 1e3,
    };
    // A line far off its points describes nothing.
    let is_line = straight.error.sqrt() < MAX_SLIDE_ERROR * straight.depth.abs();
    is_line.then(|| Slide { smear, straightness: (bent.error / straight.error.max(1e-9)).sqrt(), bend_cents })
}

/// Of the periodic part of a look.
fn amplitude(point: &Point) -> f64 {
    (point.power * point.periodicity).max(0.0).sqrt()
}

struct Shape {
    depth: f64,
    length: f64,
    error: f64,
}

/// The length and depth with which `shape` (1 at the onset, falling) fits best in least squares. A point is seconds
/// since the onset, cents, weight.
fn best_shape<I: Iterator<Item = (f64, f64, f64)>>(points: impl Fn() -> I, shape: impl Fn(f64, f64) -> f64) -> Shape {
    let mut best = Shape { depth: 0.0, length: 1.0, error: f64::MAX };
    for step in 1..=SHAPE_STEPS {
        let length = SHAPE_RANGE_S * step as f64 / SHAPE_STEPS as f64;
        let (mut ss, mut sy, mut yy, mut num) = (0.0, 0.0, 0.0, 0.0);
        for (t, y, w) in points() {
            let s = shape(t, length);
            ss += w * s * s;
            sy += w * s * y;
            yy += w * y * y;
            num += w;
        }
        let depth = if ss > 0.0 { sy / ss } else { 0.0 };
        // Half a cent of error is the looks' own: below it two shapes are alike.
        let error = (yy - depth * sy).max(0.0) / num + 0.25;
        if error < best.error {
            best = Shape { depth, length, error };
        }
    }
    best
}
