//! Look back at a note's front, knowing where it settled.
//!
//! First the steady pitch; then the tone is followed backwards from there, each look starting from
//! the one after it. Where it is lost while the sound goes on, the other partials of the same slide
//! are tried: that is how a split shows.

use crate::framer::History;
use crate::harmonic::{self, Look, periodicity};
use crate::units::{cents, shift_cents};

/// Settled pitch is looked for within this time after the onset, s.
const SETTLE_RANGE_S: f64 = 0.600;
/// Longest look back before the coarse start, s.
const LOOK_BACK_S: f64 = 0.250;
/// Farthest into the note that the front is followed, s after the coarse start.
const FRONT_S: f64 = 0.400;
/// The way back begins at least this far into the note where the steady stretch allows, s.
const INSIDE_S: f64 = 0.220;
/// Steady stretch: length where the note allows, s, and half width while it grows, cents.
const STEADY_S: f64 = 0.200;
const STEADY_HALF_WIDTH_CENTS: f64 = 10.0;
/// Steady looks lie within this of the coarse pitch, cents.
const STEADY_REACH_CENTS: f64 = 80.0;
/// A note's pitch stands still for this long, s...
const STILL_S: f64 = 0.060;
/// ... within this range, cents, for notes of up to so many steady looks: played notes stay within 4, speech
/// of a syllable's length mostly within 9 to 60; a long note may swing in vibrato. \[H\]
const STILL_RANGES_CENTS: [(usize, f64); 3] = [(11, 14.0), (24, 13.0), (usize::MAX, 20.0)];
/// Windows of the looks: periods, and shortest length for front and steady tone, s.
const LOOK_PERIODS: f64 = 3.0;
const FRONT_WINDOW_S: f64 = 0.009;
const STEADY_WINDOW_S: f64 = 0.020;
/// Distance of the looks in the steady tone and in the front, s.
const STEADY_HOP_S: f64 = 0.010;
const FRONT_HOP_S: f64 = 0.002;
/// A look holds the tone from this periodicity on.
const TONE: f64 = 0.70;
/// The pitch cannot leave the last look by more than this in one hop, cents.
const MAX_LEAP_CENTS: f64 = 60.0;
/// A rough start holds tone from this periodicity on.
const ROUGH_TONE: f64 = 0.60;
/// ... at any period between these, in settled periods.
const ROUGH_PERIODS: (f64, f64) = (0.5, 1.6);
/// A look counts as another partial when its period fits this well.
const OTHER_PARTIAL: f64 = 0.85;
/// Faster than any slide: this far, cents, in this time, s (7500 cents/s; a fast slide makes 3500).
const LEAP_CENTS: f64 = 90.0;
const LEAP_S: f64 = 0.012;
/// Sound this far under what is worth following is silence (-10 dB).
const SILENT_SHARE: f64 = 0.1;
/// A shorter period than the settled one is another partial only where the settled tone does not fit it, share.
const SUB_PERIOD_RESERVE: f64 = 0.25;
/// How near to whole octaves a slip is, octaves, and how well the shorter period fits then.
const OCTAVE_TOLERANCE: f64 = 0.04;
const OCTAVE_FIT: f64 = 0.75;
/// The middle of a slur is looked for this far around its coarse place, s.
const SLUR_REACH_S: f64 = 0.080;
/// Window of the looks at a slur, periods of the lower note.
const SLUR_PERIODS: f64 = 2.5;

/// Frequency ratios of a wrong partial to the right one: neighbours up to the twelfth, next-neighbours low down.
const PARTIAL_RATIOS: [(f64, f64); 24] = [
    (3.0, 1.0),
    (2.0, 1.0),
    (5.0, 3.0),
    (3.0, 2.0),
    (7.0, 5.0),
    (4.0, 3.0),
    (5.0, 4.0),
    (6.0, 5.0),
    (7.0, 6.0),
    (8.0, 7.0),
    (9.0, 8.0),
    (10.0, 9.0),
    (9.0, 10.0),
    (8.0, 9.0),
    (7.0, 8.0),
    (6.0, 7.0),
    (5.0, 6.0),
    (4.0, 5.0),
    (3.0, 4.0),
    (5.0, 7.0),
    (2.0, 3.0),
    (3.0, 5.0),
    (1.0, 2.0),
    (1.0, 3.0),
];

/// One look at the front.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Time the energy sits at, internal samples.
    pub time: f64,
    /// Centre of the window, internal samples.
    pub centre: f64,
    /// Pitch relative to the settled pitch, cents.
    pub cents: f64,
    /// Power in the window.
    pub power: f64,
    /// Share of it that is tone, 0..1.
    pub periodicity: f64,
    /// The pitch can be trusted.
    pub is_tone: bool,
    /// Tone of some pitch that cannot be trusted: a rough start.
    pub is_rough: bool,
    /// On another partial than the settled note.
    pub is_other_partial: bool,
}

/// A note handed over for a closer look. Times are internal samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Candidate {
    /// Coarse start.
    pub start: i64,
    /// End of the note as far as known.
    pub end: i64,
    /// Nothing before this belongs to the entrance: the end of the note before.
    pub earliest: i64,
    /// Coarse settled frequency, Hz.
    pub hz: f64,
}

/// Settled pitch of a note.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settled {
    /// Frequency, Hz.
    pub hz: f64,
    /// Half width, cents.
    pub uncertainty_cents: f64,
    /// First internal sample of the steady stretch.
    pub from: f64,
    /// Last internal sample of the steady stretch.
    pub to: f64,
    /// Median tone share over the stretch.
    pub periodicity: f64,
}

/// Reads fronts out of the history; its lists are allocated once.
pub struct FrontReader {
    rate_hz: f64,
    steady: Vec<Point>,
    points: Vec<Point>,
    values: Vec<f64>,
}

/// Most looks at one front: 650 ms at 2 ms and some.
const MAX_POINTS: usize = 400;

impl FrontReader {
    /// A reader for an internal rate in Hz.
    #[must_use]
    pub fn new(rate_hz: f64) -> Self {
        Self {
            rate_hz,
            steady: Vec::with_capacity(MAX_POINTS),
            points: Vec::with_capacity(MAX_POINTS),
            values: Vec::with_capacity(MAX_POINTS),
        }
    }

    /// Looks at the front, oldest first.
    #[must_use]
    pub fn points(&self) -> &[Point] {
        &self.points
    }

    fn samples(&self, seconds: f64) -> f64 {
        seconds * self.rate_hz
    }

    /// The window of a look and its start.
    fn window<'h>(&self, history: &'h History, time: f64, hz: f64, least_s: f64) -> Option<&'h [f32]> {
        let periods = LOOK_PERIODS.max(least_s * hz);
        let len = harmonic::window_len(hz / self.rate_hz, periods);
        history.window(time.round() as i64 - len as i64 / 2, len)
    }

    fn look_at(&self, history: &History, time: f64, hz: f64, least_s: f64) -> Option<(Look, f64)> {
        Some(self.look_into(self.window(history, time, hz, least_s)?, hz))
    }

    fn look_into(&self, x: &[f32], hz: f64) -> (Look, f64) {
        let freq = hz / self.rate_hz;
        let look = harmonic::look_twice(x, freq, harmonic::num_harmonics(freq, self.rate_hz));
        (look, periodicity(x, 1.0 / look.freq))
    }

    /// The settled pitch: median over the steadiest stretch.
    pub fn settle(&mut self, history: &History, candidate: &Candidate) -> Option<Settled> {
        self.fill_steady(history, candidate);
        let num = ((STEADY_S / STEADY_HOP_S) as usize).min(self.steady.len());
        if num < 3 {
            return None;
        }
        if !self.stands_still() {
            return None;
        }
        let (first, last) = self.steadiest(num);
        let (first, last) = self.grow(first, last);
        let stretch = &self.steady[first..=last];
        let median = median_of(&mut self.values, stretch.iter().map(|p| p.cents));
        let spread = stretch.iter().map(|p| (p.cents - median).abs()).sum::<f64>() / stretch.len() as f64;
        Some(Settled {
            hz: shift_cents(candidate.hz, median),
            uncertainty_cents: 0.2 + 2.0 * spread / (stretch.len() as f64).sqrt(),
            from: stretch[0].centre,
            to: stretch[stretch.len() - 1].centre,
            periodicity: median_of(&mut self.values, stretch.iter().map(|p| p.periodicity)),
        })
    }

    /// Looks along the first 600 ms; cents are relative to the coarse pitch.
    fn fill_steady(&mut self, history: &History, candidate: &Candidate) {
        self.steady.clear();
        let hop = self.samples(STEADY_HOP_S);
        let until = (candidate.end as f64).min(candidate.start as f64 + self.samples(SETTLE_RANGE_S));
        let mut time = candidate.start as f64;
        let mut hz = candidate.hz;
        while time < until && self.steady.len() < MAX_POINTS {
            if let Some((look, periodicity)) = self.look_at(history, time, hz, STEADY_WINDOW_S) {
                let found = look.freq * self.rate_hz;
                let off = cents(found, candidate.hz);
                hz = if off.abs() < STEADY_REACH_CENTS { found } else { candidate.hz };
                if periodicity > TONE && off.abs() < STEADY_REACH_CENTS {
                    self.steady.push(point(&look, periodicity, time, off));
                }
            }
            time += hop;
        }
    }

    /// True when the pitch stands still somewhere, as a played note's does even in vibrato, and speech does not.
    fn stands_still(&self) -> bool {
        let len = self.steady.len();
        let num = ((STILL_S / STEADY_HOP_S) as usize + 1).min((len / 2).max(3));
        let range = STILL_RANGES_CENTS.iter().find(|(longest, _)| len <= *longest).map_or(0.0, |r| r.1);
        self.steady.windows(num).any(|w| {
            let low = w.iter().map(|p| p.cents).fold(f64::MAX, f64::min);
            let high = w.iter().map(|p| p.cents).fold(f64::MIN, f64::max);
            high - low <= range
        })
    }

    /// The `num` looks in a row that differ least.
    fn steadiest(&mut self, num: usize) -> (usize, usize) {
        let mut best = (f64::MAX, 0);
        for first in 0..=self.steady.len() - num {
            let stretch = &self.steady[first..first + num];
            let median = median_of(&mut self.values, stretch.iter().map(|p| p.cents));
            let spread: f64 = stretch.iter().map(|p| (p.cents - median).abs()).sum();
            if spread < best.0 {
                best = (spread, first);
            }
        }
        (best.1, best.1 + num - 1)
    }

    fn grow(&mut self, mut first: usize, mut last: usize) -> (usize, usize) {
        let median = median_of(&mut self.values, self.steady[first..=last].iter().map(|p| p.cents));
        let near = |p: &Point| (p.cents - median).abs() <= STEADY_HALF_WIDTH_CENTS;
        while first > 0 && near(&self.steady[first - 1]) {
            first -= 1;
        }
        while last + 1 < self.steady.len() && near(&self.steady[last + 1]) {
            last += 1;
        }
        (first, last)
    }

    /// Earliest internal sample that can belong to the entrance.
    #[must_use]
    pub fn earliest(&self, candidate: &Candidate) -> f64 {
        candidate.earliest.max(candidate.start - self.samples(LOOK_BACK_S) as i64) as f64
    }

    /// Follows the tone backwards from the steady stretch to the earliest sample that can belong to it.
    /// Looks softer than `least_power` are not worth following to another partial.
    pub fn follow_back(&mut self, history: &History, candidate: &Candidate, settled: &Settled, least_power: f64) {
        let hop = self.samples(FRONT_HOP_S).max(self.rate_hz / settled.hz / 5.0);
        let earliest = self.earliest(candidate);
        let sub_periods = self.sub_periods(history, settled);
        self.points.clear();
        let after_start = |s: f64| candidate.start as f64 + self.samples(s);
        // A wrong partial an octave up looks settled too, so the way back begins well inside the note.
        let mut time = settled.from.max(after_start(INSIDE_S)).min(settled.to).min(after_start(FRONT_S));
        let mut hz = settled.hz;
        let mut has_leapt = false;
        while time > earliest && self.points.len() < MAX_POINTS {
            let power = self.power_at(history, time, hz);
            if power < SILENT_SHARE * least_power {
                self.points.push(silent_point(time, power));
            } else if let Some(mut point) = self.front_point(history, time, hz, settled, sub_periods) {
                if !point.is_tone && point.power > least_power {
                    point = self.on_other_partial(history, &point, settled).unwrap_or(point);
                    point.is_rough = !point.is_tone && self.is_rough(history, &point, settled);
                }
                if point.is_tone {
                    hz = shift_cents(settled.hz, point.cents);
                    has_leapt = point.cents.abs() > OTHER_PARTIAL_CENTS
                        && (has_leapt || point.is_other_partial || self.leaps_to(&point));
                    point.is_other_partial = has_leapt;
                }
                self.points.push(point);
            }
            time -= hop;
        }
        self.points.reverse();
    }

    /// Power in the window of a look.
    fn power_at(&self, history: &History, time: f64, hz: f64) -> f64 {
        let half = (0.5 * self.samples(FRONT_WINDOW_S)).max(0.5 * LOOK_PERIODS * self.rate_hz / hz);
        history.band_power((time - half) as i64, (time + half) as i64)
    }

    /// True when the tone moved from `point` to a pitch much farther in than any slide could in that time.
    fn leaps_to(&self, point: &Point) -> bool {
        let reach = self.samples(LEAP_S).max(2.5 * self.hop_of_last());
        let later = self.points.iter().rev().filter(|p| p.is_tone).take_while(|p| p.centre - point.centre <= reach);
        later.map(|p| (p.cents - point.cents).abs()).fold(0.0, f64::max) > LEAP_CENTS
    }

    fn hop_of_last(&self) -> f64 {
        let n = self.points.len();
        if n < 2 { 0.0 } else { self.points[n - 2].centre - self.points[n - 1].centre }
    }

    /// How well half and a third of the settled period fit the settled tone.
    fn sub_periods(&self, history: &History, settled: &Settled) -> [f64; 2] {
        let middle = 0.5 * (settled.from + settled.to);
        self.window(history, middle, settled.hz, STEADY_WINDOW_S).map_or([1.0; 2], |x| {
            let period = self.rate_hz / settled.hz;
            [periodicity(x, period / 2.0), periodicity(x, period / 3.0)]
        })
    }

    fn front_point(&self, history: &History, time: f64, hz: f64, settled: &Settled, sub: [f64; 2]) -> Option<Point> {
        let x = self.window(history, time, hz, FRONT_WINDOW_S)?;
        let (look, fit) = self.look_into(x, hz);
        let found = look.freq * self.rate_hz;
        let mut point = point(&look, fit, time, cents(found, settled.hz));
        point.is_tone = fit > TONE && cents(found, hz).abs() < MAX_LEAP_CENTS;
        if point.is_tone && point.cents.abs() < OTHER_PARTIAL_CENTS {
            // A wrong partial two or three times up fits the settled period too: it shows in the shorter one.
            for (ratio, settled_fit) in [(3.0, sub[1]), (2.0, sub[0])] {
                let fit_here = periodicity(x, self.rate_hz / found / ratio);
                if fit_here > OTHER_PARTIAL && fit_here > settled_fit + SUB_PERIOD_RESERVE {
                    return self.point_at(history, time, found * ratio, settled);
                }
            }
        }
        Some(point)
    }

    /// A look that takes the given frequency for the tone.
    fn point_at(&self, history: &History, time: f64, hz: f64, settled: &Settled) -> Option<Point> {
        let (look, fit) = self.look_at(history, time, hz, FRONT_WINDOW_S)?;
        let off = cents(look.freq * self.rate_hz, settled.hz);
        let is_other_partial = off.abs() > OTHER_PARTIAL_CENTS;
        Some(Point { is_tone: fit > TONE, is_other_partial, ..point(&look, fit, time, off) })
    }

    /// The look as a tone on the other partial of the slide that fits best, if one fits well.
    fn on_other_partial(&self, history: &History, point: &Point, settled: &Settled) -> Option<Point> {
        let fits = PARTIAL_RATIOS.map(|(k, n)| self.fit(history, point, settled.hz * k / n));
        let best = fits.iter().copied().fold(0.0, f64::max);
        // A period that fits fits doubled as well: the highest frequency is the tone.
        let i = fits.iter().position(|&f| f > 0.95 * best)?;
        let (k, n) = PARTIAL_RATIOS[i];
        let found = self.point_at(history, point.centre, settled.hz * k / n, settled)?;
        (found.periodicity > OTHER_PARTIAL && found.is_other_partial).then_some(found)
    }

    /// True when the look holds a tone of whatever pitch: a rough start, not air.
    fn is_rough(&self, history: &History, point: &Point, settled: &Settled) -> bool {
        let period = self.rate_hz / settled.hz;
        let (shortest, longest) = ((ROUGH_PERIODS.0 * period) as usize, (ROUGH_PERIODS.1 * period) as usize);
        let x = self.window(history, point.centre, settled.hz, FRONT_WINDOW_S);
        x.is_some_and(|x| harmonic::best_periodicity(x, shortest, longest) > ROUGH_TONE)
    }

    /// Periodicity of the look at another pitch.
    fn fit(&self, history: &History, point: &Point, hz: f64) -> f64 {
        let x = self.window(history, point.centre, hz, FRONT_WINDOW_S);
        x.map_or(0.0, |x| periodicity(x, self.rate_hz / hz))
    }

    /// True when a change of pitch by whole octaves is the coarse picture's slip: the shorter of the two
    /// periods fits the sound on both sides of the boundary alike.
    #[must_use]
    pub fn is_octave_slip(&self, history: &History, boundary: f64, old_hz: f64, new_hz: f64) -> bool {
        let octaves = (new_hz / old_hz).log2();
        if octaves.abs() < 0.9 || (octaves - octaves.round()).abs() > OCTAVE_TOLERANCE {
            return false;
        }
        let hz = old_hz.max(new_hz);
        let fit = |s: f64| {
            let x = self.window(history, boundary + self.samples(s), old_hz.min(new_hz), FRONT_WINDOW_S);
            x.map_or(0.0, |x| {
                harmonic::best_periodicity(
                    x,
                    (0.97 * self.rate_hz / hz) as usize,
                    (1.03 * self.rate_hz / hz) as usize + 1,
                )
            })
        };
        [-0.06, -0.04, 0.04, 0.06].iter().all(|s| fit(*s) > OCTAVE_FIT)
    }

    /// Middle of a change of pitch near `boundary`: where the new pitch explains as much as the old.
    pub fn slur_middle(&mut self, history: &History, boundary: f64, old_hz: f64, new_hz: f64) -> f64 {
        let hop = self.samples(FRONT_HOP_S);
        let reach = self.samples(SLUR_REACH_S);
        let num = ((2.0 * reach / hop) as usize).min(MAX_POINTS);
        self.values.clear();
        for i in 0..num {
            let time = boundary - reach + i as f64 * hop;
            self.values.push(self.preference(history, time, old_hz, new_hz).unwrap_or(0.0));
        }
        let low = self.values.iter().copied().fold(0.0, f64::min);
        let high = self.values.iter().copied().fold(0.0, f64::max);
        let level = 0.5 * (low + high);
        let from_middle = |i: &usize| (*i as f64 - num as f64 / 2.0).abs();
        let crossings = (1..num).filter(|&i| self.values[i - 1] < level && self.values[i] >= level);
        crossings.min_by(|a, b| from_middle(a).total_cmp(&from_middle(b))).map_or(boundary, |i| {
            let (a, b) = (self.values[i - 1], self.values[i]);
            boundary - reach + (i as f64 - (b - level) / (b - a).max(1e-9)) * hop
        })
    }

    /// Share of the power the new pitch explains, less the old one's share.
    fn preference(&self, history: &History, time: f64, old_hz: f64, new_hz: f64) -> Option<f64> {
        let low = old_hz.min(new_hz) / self.rate_hz;
        let len = harmonic::window_len(low, SLUR_PERIODS);
        let x = history.window(time.round() as i64 - len as i64 / 2, len)?;
        let share = |hz: f64| {
            let freq = hz / self.rate_hz;
            harmonic::look(x, freq, harmonic::num_harmonics(freq, self.rate_hz)).explained()
        };
        Some(share(new_hz) - share(old_hz))
    }
}

/// A leap this far from the settled pitch lands on another partial, cents: partials 10 and 9 lie 182 apart.
const OTHER_PARTIAL_CENTS: f64 = 130.0;

/// A look too soft to be worth taking.
fn silent_point(centre: f64, power: f64) -> Point {
    Point {
        time: centre,
        centre,
        cents: 0.0,
        power,
        periodicity: 0.0,
        is_tone: false,
        is_rough: false,
        is_other_partial: false,
    }
}

fn point(look: &Look, periodicity: f64, centre: f64, cents: f64) -> Point {
    Point {
        time: centre + look.time_offset,
        centre,
        cents,
        power: look.total_power,
        periodicity: periodicity.clamp(0.0, 1.0),
        is_tone: true,
        is_rough: false,
        is_other_partial: false,
    }
}

fn median_of(buffer: &mut Vec<f64>, values: impl Iterator<Item = f64>) -> f64 {
    buffer.clear();
    buffer.extend(values);
    if buffer.is_empty() {
        return 0.0;
    }
    let middle = buffer.len() / 2;
    *buffer.select_nth_unstable_by(middle, f64::total_cmp).1
}
