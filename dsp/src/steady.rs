//! The settled pitch of a note: the median over the steadiest stretch of its first 600 ms.

use crate::framer::History;
use crate::look::{Candidate, Looker, Point, median_of, point};
use crate::parameters::pitch::{STEADY_REACH_CENTS, TONE};
use crate::parameters::shape::{STILL_RANGES_CENTS, STILL_S};
use crate::units::{cents, shift_cents};

/// Settled pitch is looked for within this time after the onset, s \[D\].
const SETTLE_RANGE_S: f64 = 0.600;
/// Steady stretch: length where the note allows, s, and half width while it grows, cents \[D\].
const STEADY_S: f64 = 0.200;
const STEADY_HALF_WIDTH_CENTS: f64 = 10.0;
/// Distance of the looks, s, and shortest length of their windows, s \[T\].
const STEADY_HOP_S: f64 = 0.010;
const STEADY_WINDOW_S: f64 = 0.020;
/// A note's own wander is taken over its steadiest so long, s (measures page) \[D\].
const WANDER_S: f64 = 0.100;
/// Most looks: 600 ms at 10 ms and some \[T\].
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

    /// The looks along the first 600 ms of the note that settled last; cents are relative to its coarse pitch.
    #[must_use]
    pub fn looks(&self) -> &[Point] {
        &self.steady
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
            uncertainty_cents: spread, // another stretch would have been as steady
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_sounds::{history, noise, sound, tone};
    use std::f64::consts::TAU;

    /// The settled pitch of a sound that was found at `hz`, from its first to its last tenth of a second.
    fn settled(samples: &[f32], hz: f64, is_soft: bool) -> Option<Settled> {
        let (history, rate_hz) = history(samples);
        let (start, end) = ((0.1 * rate_hz) as i64, history.len() - (0.1 * rate_hz) as i64);
        SteadyFinder::new(Looker { rate_hz }).settle(&history, &Candidate { start, end, earliest: 0, hz }, is_soft)
    }

    #[test]
    fn a_held_tone_settles_at_its_pitch_whatever_the_coarse_one_was() {
        for hz in [58.27, 116.54, 233.08, 466.16] {
            let samples = sound(1.0, |s| tone(hz, 1..=12, 0.1, s));
            for off in [-40.0, 0.0, 40.0] {
                let found = settled(&samples, shift_cents(hz, off), true).expect("it stands still");
                let error = cents(found.hz, hz);
                assert!(error.abs() < 0.5 && found.wander_cents < 0.3, "{hz} Hz from {off} cents: {found:?}");
                assert!(found.periodicity > 0.98, "{found:?}");
            }
        }
    }

    #[test]
    fn vibrato_is_told_at_its_middle() {
        // 5.5 Hz, 15 cents each way, as brass players seldom pass \[P\].
        let depth = 15.0 / 1200.0 * std::f64::consts::LN_2;
        let phase = |s: f64| 233.08 * (s - depth * (TAU * 5.5 * s).cos() / (TAU * 5.5));
        let found = settled(&sound(1.2, |s| tone(1.0, 1..=8, 0.1, phase(s))), 233.08, false).expect("a tone");
        let error = cents(found.hz, 233.08);
        assert!(error.abs() < 15.0 * 2.0 / std::f64::consts::PI, "within its mean deviation: {error}");
        // The mean deviation of a sine is 2 / pi of its height; its steadiest 100 ms lie around a turn.
        assert!(found.wander_cents > 1.0 && found.wander_cents < 9.6, "{found:?}");
    }

    #[test]
    fn a_soft_sound_whose_pitch_never_stands_still_is_no_note() {
        // A glide of an octave in 0.8 s, 15 cents every 10 ms: as a voice speaks.
        let phase = |s: f64| 110.0 * ((s * 1.25).exp2() - 1.0) / (1.25 * std::f64::consts::LN_2);
        let glide = sound(1.0, |s| tone(1.0, 1..=8, 0.02, phase(s)));
        assert_eq!(settled(&glide, 150.0, true), None);
        let mut hiss = noise(5);
        let hiss: Vec<f32> = (0..48_000).map(|_| (0.05 * hiss()) as f32).collect();
        assert_eq!(settled(&hiss, 150.0, true), None);
    }
}
