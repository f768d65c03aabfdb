//! Looks at a place of the history: windows fit for a pitch, and what a look there tells.

use crate::framer::History;
use crate::harmonic::{self, Look, periodicity};

/// Windows of the looks, periods \[T\].
const LOOK_PERIODS: f64 = 3.0;
/// Shortest window in a front, s \[T\].
pub const FRONT_WINDOW_S: f64 = 0.009;

/// One look at the front.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Time the energy sits at, internal samples.
    pub time: f64,
    /// Centre of the window, internal samples.
    pub centre: f64,
    /// Pitch relative to the settled pitch, cents.
    pub cents: f64,
    /// Standard deviation of that, cents.
    pub sd_cents: f64,
    /// Power in the window.
    pub power: f64,
    /// Share of it that is tone, 0..1.
    pub periodicity: f64,
    /// Share of it that is tone of whatever pitch, 0..1.
    pub at_any_pitch: f64,
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

/// Takes looks at a given internal rate.
#[derive(Debug, Clone, Copy)]
pub struct Looker {
    /// Internal rate, Hz.
    pub rate_hz: f64,
}

impl Looker {
    /// Seconds in internal samples.
    #[must_use]
    pub fn samples(&self, seconds: f64) -> f64 {
        seconds * self.rate_hz
    }

    /// The window of a look and its start.
    #[must_use]
    pub fn window<'h>(&self, history: &'h History, time: f64, hz: f64, least_s: f64) -> Option<&'h [f32]> {
        let periods = LOOK_PERIODS.max(least_s * hz);
        let len = harmonic::window_len(hz / self.rate_hz, periods);
        history.window(time.round() as i64 - len as i64 / 2, len)
    }

    /// A look at a place, and how well the period it found fits there.
    #[must_use]
    pub fn look_at(&self, history: &History, time: f64, hz: f64, least_s: f64) -> Option<(Look, f64)> {
        Some(self.look_into(self.window(history, time, hz, least_s)?, hz))
    }

    /// A look into a window, and how well the period it found fits there.
    #[must_use]
    pub fn look_into(&self, x: &[f32], hz: f64) -> (Look, f64) {
        let freq = hz / self.rate_hz;
        let look = harmonic::look_twice(x, freq, harmonic::num_harmonics(freq, self.rate_hz));
        (look, periodicity(x, 1.0 / look.freq))
    }

    /// Power in the window of a look.
    #[must_use]
    pub fn power_at(&self, history: &History, time: f64, hz: f64) -> f64 {
        let half = (0.5 * self.samples(FRONT_WINDOW_S)).max(0.5 * LOOK_PERIODS * self.rate_hz / hz);
        history.band_power((time - half) as i64, (time + half) as i64)
    }
}

/// A look too soft to be worth taking.
#[must_use]
pub fn silent_point(centre: f64, power: f64) -> Point {
    Point {
        time: centre,
        centre,
        cents: 0.0,
        sd_cents: 1e3,
        power,
        periodicity: 0.0,
        at_any_pitch: 0.0,
        is_tone: false,
        is_rough: false,
        is_other_partial: false,
    }
}

/// A look as a point of the front.
#[must_use]
pub fn point(look: &Look, periodicity: f64, centre: f64, cents: f64) -> Point {
    Point {
        time: centre + look.time_offset,
        centre,
        cents,
        sd_cents: sd_cents(look, periodicity),
        power: look.total_power,
        periodicity: periodicity.clamp(0.0, 1.0),
        at_any_pitch: periodicity.clamp(0.0, 1.0),
        is_tone: true,
        is_rough: false,
        is_other_partial: false,
    }
}

/// Window of a look at the front, internal samples.
#[must_use]
pub fn look_window(period: f64, rate_hz: f64) -> f64 {
    (LOOK_PERIODS * period).max(FRONT_WINDOW_S * rate_hz)
}

/// Standard deviation of a look's pitch, cents: the noise in its window by the Cramer-Rao bound, which a Hann window
/// misses by [`HANN_LOSS`], what its harmonics disagree by, and what no look can tell.
fn sd_cents(look: &Look, periodicity: f64) -> f64 {
    let noise = (look.total_power * (1.0 - periodicity.clamp(0.0, 1.0))).sqrt();
    let bound = HANN_LOSS * look.noise_gain * noise;
    let cents_per_share = 1200.0 / std::f64::consts::LN_2;
    let sd = cents_per_share * (bound * bound + look.freq_sd * look.freq_sd).sqrt() / look.freq;
    (sd * sd + LEAST_SD_CENTS * LEAST_SD_CENTS).sqrt()
}

/// A Hann window's loss against the bound of all its samples, ratio of deviations \[C\].
const HANN_LOSS: f64 = 2.0;
/// A window of three periods leaks a little between harmonics, cents \[C\].
pub const LEAST_SD_CENTS: f64 = 0.5;

/// Median of some values, 0 of none; `buffer` is only room to sort in.
pub fn median_of(buffer: &mut Vec<f64>, values: impl Iterator<Item = f64>) -> f64 {
    buffer.clear();
    buffer.extend(values);
    if buffer.is_empty() {
        return 0.0;
    }
    let middle = buffer.len() / 2;
    *buffer.select_nth_unstable_by(middle, f64::total_cmp).1
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_sounds::{RATE_HZ, rms, with_noise};
    use crate::test_sounds::{dice, gliding};
    use crate::test_sounds::{history, noise, sound, tone};
    use crate::units::cents;

    /// Pitch errors in cents and the deviations told of them, of looks at a tone of `hz` with white noise of `db` under
    /// it.
    fn looks(hz: f64, db: f64, seed: u64) -> (Vec<f64>, Vec<f64>) {
        let power: f64 = (1..=10).map(|k| 0.5 * (0.1 / f64::from(k)).powi(2)).sum();
        let mut hiss = noise(seed);
        let deviation = (power * 10f64.powf(-db / 10.0)).sqrt();
        let samples: Vec<f32> =
            sound(4.0, |s| tone(hz, 1..=10, 0.1, s)).iter().map(|x| x + (deviation * hiss()) as f32).collect();
        let (history, rate_hz) = history(&samples);
        let looker = Looker { rate_hz };
        // Windows of three periods that share no sample.
        let step = 3.2 * rate_hz / hz;
        let times = (0..).map(|i| 0.2 * rate_hz + f64::from(i) * step).take_while(|t| *t < 3.8 * rate_hz);
        times
            .filter_map(|time| looker.look_at(&history, time, hz, 0.0))
            .map(|(look, fit)| (cents(look.freq * rate_hz, hz), sd_cents(&look, fit)))
            .unzip()
    }

    /// The Cramer-Rao bound holds for any estimate without bias (Kay 1993, Fundamentals of Statistical Signal
    /// Processing I, ch. 3 \[M\]); a Hann window misses it by about 2.
    #[test]
    fn the_deviation_told_is_no_less_than_there_is() {
        for (hz, seed) in [(116.54, 1), (233.08, 2), (466.16, 3)] {
            for db in [10.0, 20.0] {
                let (errors, told) = looks(hz, db, seed);
                let num = errors.len() as f64;
                let real = (errors.iter().map(|e| e * e).sum::<f64>() / num).sqrt();
                let mean_told = told.iter().sum::<f64>() / num;
                assert!(num > 100.0, "{num}");
                // Cautious: never under what there is where noise rules, and at most three times it.
                assert!((0.9..3.0).contains(&(mean_told / real)), "{hz} Hz at {db} dB: {mean_told} told, {real} real");
            }
        }
    }

    #[test]
    fn a_window_holds_three_periods_or_more_where_more_is_asked() {
        let (history, rate_hz) = history(&sound(1.0, |s| tone(200.0, 1..=4, 0.1, s)));
        let looker = Looker { rate_hz };
        let len = |least_s: f64| looker.window(&history, 0.5 * rate_hz, 200.0, least_s).map_or(0, <[f32]>::len) as f64;
        assert!((len(0.0) / rate_hz - 0.015).abs() < 2e-4, "three periods of 5 ms");
        assert!((len(0.040) / rate_hz - 0.040).abs() < 2e-4);
        assert_eq!(len(0.0) as usize % 2, 1, "it has a centre");
        assert!(looker.window(&history, -rate_hz, 200.0, 0.0).is_none(), "nothing is kept from there");
    }

    #[test]
    fn the_power_around_a_place_is_that_of_the_tone() {
        let (history, rate_hz) = history(&sound(1.0, |s| tone(200.0, 1..=1, 0.1, s)));
        let power = Looker { rate_hz }.power_at(&history, 0.5 * rate_hz, 200.0);
        assert!((power / 0.005 - 1.0).abs() < 0.02, "a sine of amplitude 0.1 has a mean square of 0.005: {power}");
    }

    #[test]
    fn a_median_is_the_middle_one() {
        let mut room = Vec::new();
        assert_eq!(median_of(&mut room, [3.0, -1.0, 2.0].into_iter()), 2.0);
        assert_eq!(median_of(&mut room, [3.0, -1.0, 2.0, 9.0].into_iter()), 3.0, "the upper one of two");
        assert_eq!(median_of(&mut room, std::iter::empty()), 0.0);
    }

    /// Pitch and time of a look belong together: on a glide that grows louder it tells the pitch there was where its
    /// energy sits.
    #[test]
    fn a_look_tells_the_pitch_of_the_moment_it_names() {
        let mut dice = dice(4);
        for _ in 0..40 {
            let (hz, per_s, db_per_s) =
                (100.0 * (2.2 * dice()).exp2(), 1_600.0 * (dice() - 0.5), 500.0 * (dice() - 0.3));
            let pitch = |s: f64| hz * (per_s * (s - 0.2) / 1200.0).exp2();
            let level = |s: f64| 10f64.powf(db_per_s * (s - 0.2) / 20.0).min(20.0);
            let (history, rate_hz) = history(&gliding(0.4, pitch, level));
            let looker = Looker { rate_hz };
            let (found, fit) = looker.look_at(&history, 0.2 * rate_hz, pitch(0.2), FRONT_WINDOW_S).expect("inside");
            let point = point(&found, fit, 0.2 * rate_hz, cents(found.freq * rate_hz, hz));
            let wanted = cents(pitch(point.time / rate_hz), hz);
            // A chirp that grows is weighted to one side: 800 cents and 280 dB a second leave two cents.
            assert!(
                (point.cents - wanted).abs() < 3.0,
                "{hz} Hz, {per_s} cents/s, {db_per_s} dB/s: {point:?}, {wanted}"
            );
            assert!(point.is_tone && point.periodicity > 0.9);
        }
    }

    #[test]
    fn the_deviation_of_a_look_grows_with_the_noise_and_never_vanishes() {
        let at = |noise_share: f64| {
            let (history, rate_hz) = history(&sound(0.4, |s| tone(200.0, 1..=8, 0.1, s)));
            let (look, _) = Looker { rate_hz }.look_at(&history, 0.2 * rate_hz, 200.0, 0.0).expect("inside");
            sd_cents(&look, 1.0 - noise_share)
        };
        assert!((0.5..1.0).contains(&at(0.0)), "what no look can tell: {}", at(0.0));
        // Its square is a constant and the noise's power.
        let (one, four) = (at(0.01).powi(2) - at(0.0).powi(2), at(0.04).powi(2) - at(0.0).powi(2));
        assert!((four / one - 4.0).abs() < 1e-6, "{one} {four}");
    }

    #[test]
    fn what_is_too_soft_to_look_at_tells_nothing() {
        let silent = silent_point(1_234.0, 1e-9);
        assert!(!silent.is_tone && !silent.is_rough && !silent.is_other_partial && silent.sd_cents >= 1e3);
        assert_eq!((silent.time, silent.centre, silent.power), (1_234.0, 1_234.0, 1e-9));
        let (history, rate_hz) = history(&[0.0; 9_600]);
        let (look, fit) = Looker { rate_hz }.look_at(&history, 1_200.0, 200.0, 0.0).expect("inside");
        let point = point(&look, fit, 1_200.0, 0.0);
        assert!(point.periodicity == 0.0 && !point.sd_cents.is_nan(), "{point:?}");
    }

    /// A pure tone has no other harmonic to disagree with: what is told of it follows from the noise in its window
    /// alone.
    #[test]
    fn the_deviation_of_a_pure_tone_follows_from_its_noise() {
        for (hz, db) in [(233.08, 10.0), (233.08, 20.0), (466.16, 15.0)] {
            let noise_power = 0.005 * 10f64.powf(-0.1 * db);
            let samples = with_noise(sound(6.0, |s| tone(hz, 1..=1, 0.1, s)), noise_power, 3);
            let (history, rate_hz) = history(&samples);
            let looker = Looker { rate_hz };
            // Of the noise the band holds its share.
            let in_band = 2.0 * 0.44 * rate_hz / RATE_HZ * noise_power;
            let (mut errors, mut told) = (Vec::new(), Vec::new());
            for i in 0..250 {
                let time = (0.1 + 0.023 * f64::from(i)) * rate_hz;
                let x = looker.window(&history, time, hz, 0.02).expect("inside");
                let look = harmonic::look(x, hz / rate_hz, 1);
                errors.push(cents(look.freq * rate_hz, hz));
                told.push(sd_cents(&look, 1.0 - in_band / look.total_power));
            }
            let ratio = told.iter().sum::<f64>() / told.len() as f64 / rms(&errors);
            // A Hann window loses 1.28 against the bound \[C\]; twice it is told.
            assert!((1.0..2.0).contains(&ratio), "{hz} Hz at {db} dB: {ratio} of what there is");
        }
    }
}
