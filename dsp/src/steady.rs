//! The settled pitch of a note: the median over the steadiest stretch of its first 600 ms.

use crate::framer::History;
use crate::look::{Candidate, LEAST_SD_CENTS, Looker, Point, median_of, point};
use crate::overtone::OvertoneFinder;
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
/// A note mostly speaks within this, s: what comes before hides its harmonics \[T\].
const SPEAKING_S: f64 = 0.020;
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
    overtones: OvertoneFinder,
    steady: Vec<Point>,
    values: Vec<f64>,
}

impl SteadyFinder {
    /// A finder at an internal rate.
    #[must_use]
    pub fn new(looker: Looker) -> Self {
        let overtones = OvertoneFinder::new(looker.rate_hz);
        Self { looker, overtones, steady: Vec::with_capacity(MAX_LOOKS), values: Vec::with_capacity(MAX_LOOKS) }
    }

    /// The looks along the first 600 ms of the note that settled last; cents are relative to its coarse pitch.
    #[must_use]
    pub fn looks(&self) -> &[Point] {
        &self.steady
    }

    /// The settled pitch: median over the steadiest stretch; `None` for what does not stand still as a note does. The note
    /// before may still ring at `before`, Hz.
    pub fn settle(
        &mut self,
        history: &History,
        candidate: &Candidate,
        before: Option<f64>,
        is_soft: bool,
    ) -> Option<Settled> {
        let candidate = &self.at_its_pitch(history, candidate, before);
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
            // Another stretch would have been as steady, and no look is surer.
            uncertainty_cents: spread.max(LEAST_SD_CENTS),
            wander_cents: wander,
            from: stretch[0].centre,
            to: stretch[stretch.len() - 1].centre,
            periodicity: median_of(&mut self.values, stretch.iter().map(|p| p.periodicity)),
        })
    }

    /// The note at the multiple of its coarse pitch that its harmonics tell.
    fn at_its_pitch(&mut self, history: &History, candidate: &Candidate, before: Option<f64>) -> Candidate {
        let inside = |s: f64| candidate.start + self.looker.samples(s) as i64;
        let span = (inside(SPEAKING_S).min(candidate.end), inside(SETTLE_RANGE_S).min(candidate.end));
        let hz = candidate.hz * self.overtones.multiple(history, span, candidate.hz, before);
        Candidate { hz, ..*candidate }
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
    use crate::look::silent_point;
    use crate::test_sounds::{dice, gliding, share_of, tone_power, vibrato, with_noise};
    use crate::test_sounds::{history, noise, sound, tone};
    use std::f64::consts::TAU;

    /// The settled pitch of a sound that was found at `hz`, from its first to its last tenth of a second.
    fn settled(samples: &[f32], hz: f64, is_soft: bool) -> Option<Settled> {
        let (history, rate_hz) = history(samples);
        let (start, end) = ((0.1 * rate_hz) as i64, history.len() - (0.1 * rate_hz) as i64);
        SteadyFinder::new(Looker { rate_hz }).settle(
            &history,
            &Candidate { start, end, earliest: 0, hz },
            None,
            is_soft,
        )
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

    /// Pitch and its half width in noise: nine of ten hold the truth.
    #[test]
    fn the_settled_pitch_lies_within_its_width_in_noise() {
        let mut dice = dice(3);
        let held: Vec<bool> = (0..60)
            .map(|seed| {
                let (hz, noise_db) = (58.27 * (3.0 * dice()).exp2(), 10.0 + 25.0 * dice());
                let power = 0.01 * tone_power(1..=10) * 10f64.powf(-0.1 * noise_db);
                let samples = with_noise(sound(0.9, |s| tone(hz, 1..=10, 0.1, s)), power, seed);
                let found = settled(&samples, shift_cents(hz, 60.0 * (dice() - 0.5)), false).expect("a tone");
                cents(found.hz, hz).abs() <= found.uncertainty_cents
            })
            .collect();
        assert!(share_of(&held, |held| *held) >= 0.85, "{}", share_of(&held, |held| *held));
    }

    #[test]
    fn what_slides_first_settles_where_it_comes_to_stand() {
        for (from_cents, until_s) in [(-70.0, 0.25), (60.0, 0.35), (-40.0, 0.20)] {
            let way = |s: f64| from_cents * (1.0 - (s - 0.1) / (until_s - 0.1)).clamp(0.0, 1.0);
            let found = settled(&gliding(0.9, |s| shift_cents(196.0, way(s)), |_| 1.0), 196.0, false).expect("a tone");
            assert!(cents(found.hz, 196.0).abs() < 0.7, "{from_cents}: {} cents", cents(found.hz, 196.0));
            // It grows back along the slide as far as ten cents of it reach, and half a window.
            let first_s = found.from / 12_000.0;
            let slow_s = 10.0 / from_cents.abs() * (until_s - 0.1);
            assert!(first_s > until_s - slow_s - 0.02 && first_s < until_s + 0.03, "{from_cents}: from {first_s} s");
        }
    }

    /// A finder with drawn looks, a hundredth of a second apart.
    fn drawn(cents: &[f64]) -> SteadyFinder {
        let mut finder = SteadyFinder::new(Looker { rate_hz: 12_000.0 });
        let look = |(i, cents): (usize, &f64)| Point { cents: *cents, ..silent_point(120.0 * i as f64, 1.0) };
        finder.steady.extend(cents.iter().enumerate().map(look));
        finder
    }

    #[test]
    fn the_steadiest_stretch_is_the_one_with_the_least_mean_deviation() {
        let mut dice = dice(11);
        for _ in 0..50 {
            let cents: Vec<f64> = (0..50).map(|_| 40.0 * (dice() - 0.5)).collect();
            let mean_deviation = |first: usize| {
                let mut sorted = cents[first..first + 9].to_vec();
                sorted.sort_by(f64::total_cmp);
                sorted.iter().map(|c| (c - sorted[4]).abs()).sum::<f64>() / 9.0
            };
            let best = (0..=41).min_by(|a, b| mean_deviation(*a).total_cmp(&mean_deviation(*b))).expect("some");
            assert_eq!(drawn(&cents).steadiest(9), (best, best + 8));
        }
    }

    #[test]
    fn a_stretch_grows_over_all_that_stays_within_ten_cents() {
        let cents: Vec<f64> =
            (0..60).map(|i| if (10..50).contains(&i) { 4.0 * (f64::from(i) * 0.7).sin() } else { 15.0 }).collect();
        assert_eq!(drawn(&cents).grow(25, 30), (10, 49));
        assert_eq!(drawn(&[3.0; 20]).grow(5, 9), (0, 19), "or over all there is");
    }

    /// A voice's syllable and a note's vibrato, as soft as each other: the note stands still at its turns.
    #[test]
    fn a_soft_note_with_vibrato_is_a_note_and_a_soft_glide_is_none() {
        let wavers = gliding(1.2, |s| vibrato(174.61, 5.5, 9.0, s), |_| 0.05);
        assert!(settled(&wavers, 174.61, true).is_some());
        for per_s in [200.0, 300.0, 500.0] {
            let glides = gliding(0.7, |s| 174.61 * (per_s * (s - 0.35) / 1200.0).exp2(), |_| 0.05);
            assert_eq!(settled(&glides, 174.61, true), None, "{per_s} cents a second");
            assert!(
                per_s > 200.0 || settled(&glides, 174.61, false).is_some(),
                "as loud as the notes around it, it is one"
            );
        }
    }

    #[test]
    fn what_has_no_pitch_near_or_no_time_does_not_settle() {
        let tone = sound(0.9, |s| tone(233.08, 1..=8, 0.1, s));
        // 80 cents is as far as a coarse pitch is off.
        assert_eq!(settled(&tone, shift_cents(233.08, 250.0), false), None);
        assert_eq!(settled(&tone[..9_500], 233.08, false), None, "it ends before it begins");
        assert_eq!(settled(&[0.0; 48_000], 233.08, false), None);
    }
}
