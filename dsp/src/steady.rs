//! The settled pitch of a note: the median over the steadiest stretch of its first 600 ms.

use crate::framer::History;
use crate::look::{Candidate, Looker, Point, TONE, median_of, point};
use crate::units::{cents, shift_cents};

/// Settled pitch is looked for within this time after the onset, s.
const SETTLE_RANGE_S: f64 = 0.600;
/// Steady stretch: length where the note allows, s, and half width while it grows, cents.
const STEADY_S: f64 = 0.200;
const STEADY_HALF_WIDTH_CENTS: f64 = 10.0;
/// Steady looks lie within this of the coarse pitch, cents.
const STEADY_REACH_CENTS: f64 = 80.0;
/// A sound much softer than the notes around it may be the player talking: to be a note its pitch stands still for this
/// long, s...
const STILL_S: f64 = 0.060;
/// ... within this range, cents, for notes of up to so many steady looks: played notes stay within 4, speech
/// of a syllable's length mostly within 9 to 60; a long note may swing in vibrato. \[H\]
const STILL_RANGES_CENTS: [(usize, f64); 3] = [(11, 6.3), (24, 5.85), (usize::MAX, 9.0)];
/// Distance of the looks, s, and shortest length of their windows, s.
const STEADY_HOP_S: f64 = 0.010;
const STEADY_WINDOW_S: f64 = 0.020;
/// A note's own wander is taken over its steadiest so long, s (measures page).
const WANDER_S: f64 = 0.100;
/// Half width of the settled pitch, cents: of the looks, and in mean deviations of the whole steady stretch: another
/// stretch would have been as steady \[H\].
const LEAST_WIDTH_CENTS: f64 = 0.3;
const WIDTH_SPREADS: f64 = 0.8;
/// Most looks: 600 ms at 10 ms and some.
const MAX_LOOKS: usize = 128;

/// Settled pitch of a note.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settled {
    /// Frequency, Hz.
    pub hz: f64,
    /// Half width, cents.
    pub uncertainty_cents: f64,
    /// Mean deviation of the pitch's own wander in its steadiest 100 ms, cents.
    pub wander_cents: f64,
    /// First internal sample of the steady stretch.
    pub from: f64,
    /// Last internal sample of the steady stretch.
    pub to: f64,
    /// Median tone share over the stretch.
    pub periodicity: f64,
}

/// Finds settled pitches; its lists are allocated once.
pub struct SteadyFinder {
    looker: Looker,
    steady: Vec<Point>,
    values: Vec<f64>,
}

impl SteadyFinder {
    /// A finder at an internal rate.
    #[must_use]
    pub fn new(looker: Looker) -> Self {
        Self { looker, steady: Vec::with_capacity(MAX_LOOKS), values: Vec::with_capacity(MAX_LOOKS) }
    }

    /// The settled pitch: median over the steadiest stretch; `None` for what does not stand still as a note does.
    pub fn settle(&mut self, history: &History, candidate: &Candidate, is_soft: bool) -> Option<Settled> {
        self.fill_steady(history, candidate);
        let num = ((STEADY_S / STEADY_HOP_S) as usize).min(self.steady.len());
        if num == 0 || (is_soft && !self.stands_still()) {
            return None;
        }
        let (first, last) = self.steadiest(num);
        let wander = self.wander();
        let (first, last) = self.grow(first, last);
        let stretch = &self.steady[first..=last];
        let median = median_of(&mut self.values, stretch.iter().map(|p| p.cents));
        let spread = stretch.iter().map(|p| (p.cents - median).abs()).sum::<f64>() / stretch.len() as f64;
        Some(Settled {
            hz: shift_cents(candidate.hz, median),
            uncertainty_cents: LEAST_WIDTH_CENTS + WIDTH_SPREADS * spread,
            wander_cents: wander,
            from: stretch[0].centre,
            to: stretch[stretch.len() - 1].centre,
            periodicity: median_of(&mut self.values, stretch.iter().map(|p| p.periodicity)),
        })
    }

    /// Mean deviation of the pitch over the steadiest stretch, cents.
    fn wander(&mut self) -> f64 {
        let num = ((WANDER_S / STEADY_HOP_S) as usize).min(self.steady.len());
        let (first, last) = self.steadiest(num);
        let stretch = &self.steady[first..=last];
        let median = median_of(&mut self.values, stretch.iter().map(|p| p.cents));
        stretch.iter().map(|p| (p.cents - median).abs()).sum::<f64>() / stretch.len() as f64
    }

    /// Looks along the first 600 ms; cents are relative to the coarse pitch.
    fn fill_steady(&mut self, history: &History, candidate: &Candidate) {
        self.steady.clear();
        let hop = self.looker.samples(STEADY_HOP_S);
        let until = (candidate.end as f64).min(candidate.start as f64 + self.looker.samples(SETTLE_RANGE_S));
        let mut time = candidate.start as f64;
        let mut hz = candidate.hz;
        while time < until && self.steady.len() < MAX_LOOKS {
            if let Some((look, periodicity)) = self.looker.look_at(history, time, hz, STEADY_WINDOW_S) {
                let found = look.freq * self.looker.rate_hz;
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
}
