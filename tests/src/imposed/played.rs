//! One recorded note as it will sound: samples, and tracks that say what is true of it.

use super::natural::Natural;
use crate::accuracy::percentile;
use crate::audio::Sound;

/// Weight of the level in the approach (measures page).
const LOUDNESS_POWER: f64 = 0.6;
/// The band a pitch settles in, cents, and how many of the note's own wanders it is at least (measures page).
const BAND_CENTS: f64 = 10.0;
/// See [`BAND_CENTS`].
const BAND_WANDERS: f64 = 2.5;
/// Length of the steadiest stretch, s, and the first part of the note it is looked for in, s.
const STEADY_S: f64 = 0.100;
/// See [`STEADY_S`].
const SETTLED_WITHIN_S: f64 = 0.600;

/// A note with its own time: the onset is at 0.
#[derive(Debug, Clone, PartialEq)]
pub struct Played {
    /// Samples.
    pub samples: Vec<f64>,
    /// Sample rate, Hz.
    pub rate_hz: f64,
    /// Index of the onset in the samples.
    pub onset: usize,
    /// Time of the first point of the tracks relative to the onset, s.
    pub start_s: f64,
    /// Distance of the points, s.
    pub step_s: f64,
    /// Cents from the settled pitch; NaN where it cannot be told.
    pub cents: Vec<f64>,
    /// Level, linear.
    pub level: Vec<f64>,
    /// Settled pitch, Hz.
    pub settled_hz: f64,
    /// When it speaks, s after the onset.
    pub speak_s: f64,
}

impl Played {
    /// An isolated note as it is.
    #[must_use]
    pub fn new(sound: &Sound, natural: &Natural) -> Self {
        Self {
            samples: sound.samples.iter().map(|s| f64::from(*s)).collect(),
            rate_hz: sound.rate_hz,
            onset: (natural.onset_s * sound.rate_hz).round() as usize,
            start_s: natural.start_s - natural.onset_s,
            step_s: natural.step_s,
            cents: natural.cents.iter().map(|c| c.unwrap_or(f64::NAN)).collect(),
            level: natural.level.clone(),
            settled_hz: natural.settled_hz,
            speak_s: natural.speaks_s - natural.onset_s,
        }
    }

    /// Time of a point of the tracks, s after the onset.
    #[must_use]
    pub fn time_s(&self, i: usize) -> f64 {
        self.start_s + i as f64 * self.step_s
    }

    /// A track at a time, linear between points, held at the ends.
    #[must_use]
    pub fn at(&self, track: &[f64], at_s: f64) -> f64 {
        let place = ((at_s - self.start_s) / self.step_s).clamp(0.0, (track.len() - 1) as f64);
        let (i, part) = (place.floor() as usize, place.fract());
        if part < 1e-9 { track[i] } else { track[i] + (track[i + 1] - track[i]) * part }
    }

    /// Points between two times.
    fn points(&self, from_s: f64, to_s: f64) -> impl Iterator<Item = usize> {
        let within = move |(i, start, step): (usize, f64, f64)| {
            let t = start + i as f64 * step;
            t >= from_s && t <= to_s
        };
        let (start, step) = (self.start_s, self.step_s);
        (0..self.cents.len()).filter(move |i| within((*i, start, step)))
    }

    /// Mean of `value` at the points of the approach, weighted by loudness; points without pitch are passed over, and
    /// none is told when more than a third of the weight is without.
    #[must_use]
    pub fn weighed(&self, value: impl Fn(usize) -> f64) -> Option<f64> {
        let (mut sum, mut weights, mut all) = (0.0, 0.0, 0.0);
        for i in self.points(0.0, self.speak_s + 0.100) {
            let weight = self.level[i].powf(LOUDNESS_POWER);
            all += weight;
            if !self.cents[i].is_nan() {
                sum += weight * value(i);
                weights += weight;
            }
        }
        (weights > all * 2.0 / 3.0).then(|| sum / weights)
    }

    /// Mean distance from the settled pitch on the way in, cents.
    #[must_use]
    pub fn approach_cents(&self) -> Option<f64> {
        self.weighed(|i| self.cents[i])
    }

    /// First pitch after the onset that can be told, cents; none when there is none within 15 ms.
    #[must_use]
    pub fn onset_cents(&self) -> Option<f64> {
        self.points(0.0, 0.015).map(|i| self.cents[i]).find(|c| !c.is_nan())
    }

    /// From the onset to the last instant outside the settled band before the steadiest stretch, ms. A real note's pitch
    /// drifts on after it has settled: that is no settling.
    #[must_use]
    pub fn settle_ms(&self) -> Option<f64> {
        let (steady_s, wander_cents) = self.steadiest()?;
        let band = BAND_CENTS.max(BAND_WANDERS * wander_cents);
        let last = self.points(0.0, steady_s).filter(|i| self.cents[*i].abs() > band).last();
        Some(last.map_or(0.0, |i| self.time_s(i) * 1e3))
    }

    /// Beginning of the steadiest stretch, s, and standard deviation of the pitch in it, cents.
    fn steadiest(&self) -> Option<(f64, f64)> {
        let len = (STEADY_S / self.step_s) as usize;
        let first = self.points(0.0, SETTLED_WITHIN_S).next()?;
        let last = self.points(0.0, SETTLED_WITHIN_S).last()?;
        let stretches = self.cents.get(first..=last)?.windows(len).enumerate().step_by(5);
        let pitched = stretches.filter(|(_, s)| s.iter().all(|c| !c.is_nan()));
        let spread = |s: &[f64]| {
            let mean = s.iter().sum::<f64>() / s.len() as f64;
            (s.iter().map(|c| (c - mean).powi(2)).sum::<f64>() / s.len() as f64).sqrt()
        };
        let (i, spread) = pitched.map(|(i, s)| (first + i, spread(s))).min_by(|a, b| a.1.total_cmp(&b.1))?;
        Some((self.time_s(i), spread))
    }

    /// Level of the settled tone, linear: the median from 120 to 300 ms after speaking.
    #[must_use]
    pub fn body(&self) -> f64 {
        let levels: Vec<f64> = self.points(self.speak_s + 0.12, self.speak_s + 0.3).map(|i| self.level[i]).collect();
        percentile(&levels, 50.0)
    }

    /// The sound at a place between samples, by sixteen neighbours under a raised cosine; silence outside.
    #[must_use]
    pub fn sample(&self, at: f64) -> f64 {
        const REACH: i64 = 8;
        let (base, part) = (at.floor() as i64, at - at.floor());
        (1 - REACH..=REACH)
            .map(|k| {
                let Some(sample) = usize::try_from(base + k).ok().and_then(|i| self.samples.get(i)) else { return 0.0 };
                let x = std::f64::consts::PI * (part - k as f64);
                let sinc = if x.abs() < 1e-9 { 1.0 } else { x.sin() / x };
                sample * sinc * (0.5 + 0.5 * (x / REACH as f64).cos())
            })
            .sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A tone of 200 Hz with a straight rise of 20 ms and an exponential approach from -100 cents with 50 ms.
    fn played() -> Played {
        let (rate_hz, step_s) = (44_100.0, 0.001);
        let level = |t: f64| (t / 0.02).clamp(0.0, 1.0);
        let cents: Vec<f64> = (0..800).map(|i| -100.0 * (-f64::from(i) * step_s / 0.05).exp()).collect();
        Played {
            samples: (0..40_000).map(|i| (std::f64::consts::TAU * 200.0 * f64::from(i) / rate_hz).sin()).collect(),
            rate_hz,
            onset: 0,
            start_s: 0.0,
            step_s,
            cents,
            level: (0..800).map(|i| level(f64::from(i) * step_s)).collect(),
            settled_hz: 200.0,
            speak_s: 0.005,
        }
    }

    #[test]
    fn what_is_true_of_an_exponential_approach_is_its_closed_form() {
        let played = played();
        // 50 ln 10 = 115.1 ms, to a point of the track.
        assert!((played.settle_ms().expect("told") - 115.0).abs() <= 1.0);
        assert!((played.onset_cents().expect("told") + 100.0).abs() < 1e-9);
        // Were the level constant: -100 * 50 / 105 * (1 - exp(-2.1)) = -41.8; the rise takes weight from the first 20 ms.
        let approach = played.approach_cents().expect("told");
        assert!((-41.8..-34.0).contains(&approach), "{approach}");
    }

    #[test]
    fn between_samples_there_is_the_tone() {
        let played = played();
        // 2 % of the tone: what sixteen neighbours are good to far under half the rate.
        for at in [1000.25, 2000.5, 3000.9] {
            let true_value = (std::f64::consts::TAU * 200.0 * at / played.rate_hz).sin();
            assert!((played.sample(at) - true_value).abs() < 0.02);
        }
    }
}
