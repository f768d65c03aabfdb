//! The tone of the body a note settles into: how much of it is tone, how steady pitch and level stand, how bright it is.

use crate::body::HOLDS_DB_PER_S;
use crate::body::RELEASE_S;
use crate::entrance::{CannotTell, Tone};
use crate::framer::History;
use crate::harmonic;
use crate::look::Point;
use crate::units::power_to_db;
use crate::vector::{dot, mean};
use crate::window::hann_at;
use std::f64::consts::{PI, TAU};

/// The body is looked at from this long after the note speaks to so long, s; the release begins this long before its
/// end, s \[D\].
const BODY_S: (f64, f64) = (0.120, 0.600);
/// Shorter than this a body tells nothing of its steadiness, s \[T\].
const LEAST_S: f64 = 0.120;
/// Windows of the looks at it, periods: as Boersma 1993 has them (Proceedings of the Institute of Phonetic Sciences 17:97-110,
/// Amsterdam \[M\]), and at least, s; and how many, for tone against noise, and for brightness.
const PERIODS: f64 = 6.0;
const LEAST_WINDOW_S: f64 = 0.040;
/// See above \[C\].
const NUM_NOISE: usize = 6;
const NUM_BRIGHT: usize = 2;
/// Harmonics up to here tell the brightness, Hz: what any recording over 11 kHz holds \[T\].
const TOP_HZ: f64 = 4_500.0;
/// The period may lie this far from the settled one, share, in so many steps each way \[T\].
const PERIOD_ROOM: f64 = 0.008;
const PERIOD_STEPS: i32 = 6;
/// Lags each side from which the correlation between two lags is read \[T\].
const DEPTH: usize = 12;
/// More tone than this cannot be told: 50 dB of it over the noise \[T\].
const MOST_TONE: f64 = 0.999_99;
/// Vibrato: players' rates \[P\], Hz, and their step; it is told from drift over so many of its periods.
const VIBRATO_HZ: (f64, f64) = (4.0, 8.0);
const VIBRATO_STEP_HZ: f64 = 0.5;
const VIBRATO_PERIODS: f64 = 1.2;
/// Longest window: six periods of 32 Hz at 22 kHz \[T\].
const MAX_WINDOW: usize = 4_200;
/// Most looks of the settled pitch in a body \[T\].
const MAX_POINTS: usize = 64;
/// Fewest looks that tell of steadiness: a line and a wave take four \[T\].
const LEAST_LOOKS: usize = 8;

/// Reads the tone of bodies; its lists are allocated once.
pub struct ToneReader {
    rate_hz: f64,
    window: Vec<f32>,
    amplitudes: Vec<f32>,
    pitch: Vec<(f64, f64)>,
    level: Vec<(f64, f64)>,
    values: Vec<f64>,
}

impl ToneReader {
    /// A reader at an internal rate in Hz.
    #[must_use]
    pub fn new(rate_hz: f64) -> Self {
        Self {
            rate_hz,
            window: Vec::with_capacity(MAX_WINDOW),
            amplitudes: Vec::with_capacity(harmonic::MAX_AMPLITUDES),
            pitch: Vec::with_capacity(MAX_POINTS),
            level: Vec::with_capacity(MAX_POINTS),
            values: Vec::with_capacity(NUM_NOISE.max(NUM_BRIGHT)),
        }
    }

    /// The tone of a note that speaks at and ends at these internal samples and settled at this pitch, Hz; `looks` are those
    /// of the settled pitch.
    ///
    /// # Errors
    /// Why it cannot be told.
    pub fn read(
        &mut self,
        history: &History,
        looks: &[Point],
        (speaks, end): (f64, f64),
        hz: f64,
    ) -> Result<Tone, CannotTell> {
        let samples = |s: f64| s * self.rate_hz;
        let (from, to) = (speaks + samples(BODY_S.0), (speaks + samples(BODY_S.1)).min(end - samples(RELEASE_S)));
        let len = (PERIODS * self.rate_hz / hz).max(samples(LEAST_WINDOW_S)).round() as usize | 1;
        if to - from < samples(LEAST_S).max(len as f64) {
            return Err(CannotTell::TooShort);
        }
        self.gather(looks, from, to);
        if self.pitch.len() < LEAST_LOOKS {
            return Err(CannotTell::TooShort);
        }
        // A note that rings away like a bell has no body.
        if fit(&self.level, 0.0).parts[1] < -HOLDS_DB_PER_S {
            return Err(CannotTell::NoBody);
        }
        Ok(Tone {
            hnr_db: self.over_windows(NUM_NOISE, history, (from, to), len, |reader, x| reader.hnr_db(x, hz))?,
            pitch_wander_cents: wander(&self.pitch, Keeps::Drift),
            level_wander_db: wander(&self.level, Keeps::Nothing),
            brightness_hz: self
                .over_windows(NUM_BRIGHT, history, (from, to), len, |reader, x| reader.centroid_hz(x, hz))?,
        })
    }

    /// Pitch and level of the looks within the body, over their times in s.
    fn gather(&mut self, looks: &[Point], from: f64, to: f64) {
        self.pitch.clear();
        self.level.clear();
        for look in looks.iter().filter(|look| (from..=to).contains(&look.centre)).take(MAX_POINTS) {
            let at_s = (look.centre - from) / self.rate_hz;
            self.pitch.push((at_s, look.cents));
            self.level.push((at_s, power_to_db(look.power)));
        }
    }

    /// Mean of what so many windows evenly over the body tell.
    fn over_windows(
        &mut self,
        num: usize,
        history: &History,
        (from, to): (f64, f64),
        len: usize,
        tells: impl Fn(&mut Self, &[f32]) -> Option<f64>,
    ) -> Result<f64, CannotTell> {
        self.values.clear();
        for i in 0..num {
            let start = from + (to - from - len as f64) * i as f64 / (num - 1) as f64;
            let Some(x) = history.window(start as i64, len) else { continue };
            if let Some(value) = tells(self, x) {
                self.values.push(value);
            }
        }
        if self.values.is_empty() { Err(CannotTell::NoPitch) } else { Ok(mean(&self.values)) }
    }

    /// Harmonics against noise in a window, dB: the share of the power that comes again a period later, by the correlation of the
    /// sound with itself (Boersma 1993, equations 3 and 4; by forward correlation, which no window's shape touches).
    fn hnr_db(&self, x: &[f32], hz: f64) -> Option<f64> {
        let period = self.rate_hz / hz;
        let first = period.floor() as usize + 1 - DEPTH.min(period as usize - 1);
        // Whole periods, whose power is the same from wherever they are taken.
        let room = (x.len() - first - 2 * DEPTH) as f64;
        let num = ((room / period).floor().max(1.0) * period).round().min(room) as usize;
        let power = |from: usize| f64::from(dot(&x[from..from + num], &x[from..from + num]));
        let products: [f64; 2 * DEPTH] =
            std::array::from_fn(|i| f64::from(dot(&x[..num], &x[first + i..first + i + num])));
        let step = PERIOD_ROOM * period / f64::from(PERIOD_STEPS);
        let at = |k: i32| between(&products, period + f64::from(k) * step - first as f64);
        let best = (-PERIOD_STEPS..=PERIOD_STEPS).max_by(|a, b| at(*a).total_cmp(&at(*b)))?;
        let product = peak([at(best - 1), at(best), at(best + 1)]);
        let (later, share) = (period.floor() as usize, period.fract());
        let both = (power(0) * ((1.0 - share) * power(later) + share * power(later + 1))).sqrt();
        let tone = (product / both.max(1e-30)).min(MOST_TONE);
        (tone > 0.0).then(|| 10.0 * (tone / (1.0 - tone)).log10())
    }

    /// Centroid of the harmonics by their amplitudes, Hz (MPEG-7 harmonic spectral centroid, ISO/IEC 15938-4 \[M\]).
    fn centroid_hz(&mut self, x: &[f32], hz: f64) -> Option<f64> {
        self.window.clear();
        self.window.extend(x.iter().enumerate().map(|(i, v)| v * hann_at(i, x.len())));
        let top_hz = TOP_HZ.min(0.42 * self.rate_hz);
        let num = ((top_hz / hz) as usize).clamp(1, harmonic::MAX_AMPLITUDES);
        harmonic::amplitudes(&self.window, hz / self.rate_hz, num, &mut self.amplitudes);
        let (mut sum, mut weighted) = (0.0, 0.0);
        for (i, amplitude) in self.amplitudes.iter().enumerate() {
            sum += f64::from(*amplitude);
            weighted += (i + 1) as f64 * f64::from(*amplitude);
        }
        (sum > 0.0).then(|| hz * weighted / sum)
    }
}

/// A band-limited curve between its samples: a sinc within a raised cosine.
fn between(samples: &[f64], place: f64) -> f64 {
    let kernel = |off: f64| {
        if off.abs() < 1e-9 {
            return 1.0;
        }
        let sinc = (PI * off).sin() / (PI * off);
        sinc * (0.5 + 0.5 * (PI * off / (DEPTH as f64 + 0.5)).cos().max(-1.0))
    };
    let near = samples.iter().enumerate().map(|(i, v)| (place - i as f64, v));
    near.filter(|(off, _)| off.abs() < DEPTH as f64 + 0.5).map(|(off, v)| v * kernel(off)).sum()
}

/// The top of the parabola through three values at even distances, of which the middle one is the highest.
fn peak([before, middle, after]: [f64; 3]) -> f64 {
    let bend = before - 2.0 * middle + after;
    if bend < 0.0 { middle - (after - before).powi(2) / (8.0 * bend) } else { middle }
}

/// What counts as unsteady beside what is left when vibrato is taken out.
#[derive(Clone, Copy, PartialEq)]
enum Keeps {
    /// A slow drift: a pitch that moves away.
    Drift,
    /// No drift: to swell and to fade is music.
    Nothing,
}

/// Standard deviation of values over time without the vibrato that fits them best.
fn wander(points: &[(f64, f64)], keeps: Keeps) -> f64 {
    let span_s = points.last().map_or(0.0, |last| last.0 - points[0].0);
    let num = ((VIBRATO_HZ.1 - VIBRATO_HZ.0) / VIBRATO_STEP_HZ) as i32;
    let rates = (0..=num).map(|i| VIBRATO_HZ.0 + f64::from(i) * VIBRATO_STEP_HZ);
    let told = rates.filter(|hz| span_s * hz >= VIBRATO_PERIODS);
    // A rate of none: a straight line alone.
    let fits = std::iter::once(0.0).chain(told).map(|hz| fit(points, hz));
    let Some(best) = fits.min_by(|a, b| a.left.total_cmp(&b.left)) else { return 0.0 };
    let (drift, num_drift) = if keeps == Keeps::Drift { (0.0, 0.0) } else { (best.parts[1], 1.0) };
    let rest = |&(s, value): &(f64, f64)| {
        let (sin, cos) = (TAU * best.hz * s).sin_cos();
        value - drift * s - best.parts[2] * cos - best.parts[3] * sin
    };
    let middle = points.iter().map(rest).sum::<f64>() / points.len() as f64;
    let squares = points.iter().map(|point| (rest(point) - middle).powi(2)).sum::<f64>();
    let freedom = points.len() as f64 - 1.0 - num_drift - if best.hz > 0.0 { 2.0 } else { 0.0 };
    (squares / freedom.max(1.0)).sqrt()
}

/// A line and a wave through points.
struct Fit {
    hz: f64,
    /// Mean, slope, cosine, sine.
    parts: [f64; 4],
    /// Sum of the squares of what is left.
    left: f64,
}

/// A line and a wave of a rate by least squares; a rate of 0 is the line alone.
fn fit(points: &[(f64, f64)], hz: f64) -> Fit {
    let num = if hz > 0.0 { 4 } else { 2 };
    // Values near 0 keep the sum of squares exact.
    let level = points.iter().map(|point| point.1).sum::<f64>() / points.len().max(1) as f64;
    let (mut rows, mut squares) = ([[0.0; 5]; 4], 0.0);
    for &(s, value) in points {
        let (sin, cos) = (TAU * hz * s).sin_cos();
        let basis = [1.0, s, cos, sin, value - level];
        squares += (value - level) * (value - level);
        for (i, row) in rows.iter_mut().enumerate().take(num) {
            row.iter_mut().zip(basis).for_each(|(sum, b)| *sum += basis[i] * b);
        }
    }
    let wanted: [f64; 4] = std::array::from_fn(|i| rows[i][4]);
    let mut parts = solve(&mut rows, num);
    let told = parts.iter().zip(wanted).map(|(part, wanted)| part * wanted).sum::<f64>();
    parts[0] += level;
    Fit { hz, parts, left: (squares - told).max(0.0) }
}

/// Gauss and Jordan's way through a few equations of a positive matrix; where two say the same, one of them says nothing.
fn solve(rows: &mut [[f64; 5]; 4], num: usize) -> [f64; 4] {
    let mut found = [0.0; 4];
    for i in 0..num {
        let pivot = rows[i];
        if pivot[i].abs() < 1e-12 {
            continue;
        }
        for (_, row) in rows.iter_mut().enumerate().take(num).filter(|(k, _)| *k != i) {
            let share = row[i] / pivot[i];
            row.iter_mut().zip(pivot).for_each(|(r, p)| *r -= share * p);
        }
    }
    for (i, row) in rows.iter().enumerate().take(num) {
        found[i] = if row[i].abs() < 1e-12 { 0.0 } else { row[4] / row[i] };
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_sounds::{RATE_HZ, noise, sound, tone};
    use crate::test_sounds::{dice, history, share_of, tone_power, with_noise};
    use crate::{Settings, analyze};

    /// The tone of a note of a second, from its value at each time.
    fn body(seconds: f64, value: impl Fn(f64) -> f64) -> Result<Tone, CannotTell> {
        let level = |s: f64| ((s - 0.3) / 0.015).min((0.3 + seconds - s) / 0.030).clamp(0.0, 1.0);
        let samples = sound(0.8 + seconds, |s| level(s) * value(s));
        let fronts = analyze(&samples, RATE_HZ, Settings::default()).expect("settings in range");
        assert_eq!(fronts.len(), 1, "{fronts:?}");
        fronts[0].tone()
    }

    #[test]
    fn harmonics_over_noise_are_those_that_were_made() {
        for (hz, partials) in [(116.54, 20), (233.08, 15), (466.16, 9)] {
            for wanted_db in [10.0, 20.0, 30.0] {
                // Sum of a^2 / (2 k^2) over the partials, and white noise of which the band takes its share of 24 kHz:
                // the decimation filter's width is 0.44 of 12 kHz.
                let power = (1..=partials).map(|k| 0.5 * (0.1 / f64::from(k)).powi(2)).sum::<f64>();
                let band = 0.44 * 12_000.0 / 24_000.0;
                let sd = (power / 10f64.powf(wanted_db / 10.0) / band).sqrt();
                let hiss = std::cell::RefCell::new(noise(3));
                let found = body(0.8, |s| tone(hz, 1..=partials, 0.1, s) + sd * (hiss.borrow_mut())()).expect("a body");
                // Six windows of 40 ms or more hold some 3000 samples: their noise is by chance up to half a dB off.
                assert!((found.hnr_db - wanted_db).abs() < 1.0, "{hz} Hz, {wanted_db} dB: {found:?}");
            }
        }
    }

    #[test]
    fn a_steady_tone_is_steady_and_vibrato_is_no_unsteadiness() {
        let steady = body(0.8, |s| tone(233.08, 1..=10, 0.1, s)).expect("a body");
        assert!(steady.hnr_db > 40.0, "{steady:?}");
        assert!(steady.pitch_wander_cents < 0.5 && steady.level_wander_db < 0.05, "{steady:?}");
        // 5.5 Hz, 15 cents each way: the phase is the integral of the frequency. Its own deviation would be 10.6 cents.
        let depth = 15.0 / 1200.0 * std::f64::consts::LN_2;
        let phase = |s: f64| 233.08 * (s - depth * (TAU * 5.5 * s).cos() / (TAU * 5.5));
        let vibrato = body(0.9, |s| tone(1.0, 1..=10, 0.1, phase(s))).expect("a body");
        assert!(vibrato.pitch_wander_cents < 1.5, "{vibrato:?}");
    }

    #[test]
    fn a_drift_of_the_pitch_counts_and_a_swell_does_not() {
        // 40 cents a second: over the 0.48 s of the body a deviation of 40 * 0.48 / sqrt(12) = 5.5 cents \[C\].
        let cent = std::f64::consts::LN_2 / 1200.0;
        let phase = |s: f64| 233.08 * (s + 0.5 * 40.0 * cent * s * s);
        let drift = body(0.9, |s| tone(1.0, 1..=10, 0.1, phase(s))).expect("a body");
        assert!((drift.pitch_wander_cents - 5.5).abs() < 0.6, "{drift:?}");
        let swells = body(0.9, |s| 10f64.powf(0.5 * s) * tone(233.08, 1..=10, 0.03, s)).expect("a body");
        assert!(swells.level_wander_db < 0.1, "10 dB a second: {swells:?}");
    }

    #[test]
    fn brightness_is_the_centroid_of_the_harmonics() {
        // Amplitudes 1 / k over n harmonics: n / (1 + 1/2 + ... + 1/n) times the fundamental \[C\].
        for (hz, num) in [(116.54, 12), (233.08, 10), (349.23, 5)] {
            let found = body(0.8, |s| tone(hz, 1..=num, 0.1, s)).expect("a body");
            let sum: f64 = (1..=num).map(|k| 1.0 / f64::from(k)).sum();
            let wanted = hz * f64::from(num) / sum;
            assert!((found.brightness_hz / wanted - 1.0).abs() < 0.01, "{hz} Hz: {found:?}, and not {wanted}");
        }
    }

    #[test]
    fn a_short_note_has_no_body_to_tell_of() {
        assert_eq!(body(0.2, |s| tone(233.08, 1..=10, 0.1, s)), Err(CannotTell::TooShort));
        // Nor has one that falls by 40 dB a second.
        assert!(body(0.9, |s| 10f64.powf(-2.0 * s) * tone(233.08, 1..=10, 0.3, s)).is_err());
    }

    #[test]
    fn a_wave_and_a_line_are_found_by_least_squares() {
        let points: Vec<(f64, f64)> = (0..40)
            .map(|i| f64::from(i) * 0.010)
            .map(|s| (s, 2.0 + 3.0 * s + 1.5 * (TAU * 5.0 * s).cos() - 0.5 * (TAU * 5.0 * s).sin()))
            .collect();
        for (found, wanted) in fit(&points, 5.0).parts.iter().zip([2.0, 3.0, 1.5, -0.5]) {
            assert!((found - wanted).abs() < 1e-9, "{found}, and not {wanted}");
        }
        assert!(wander(&points, Keeps::Nothing) < 1e-9);
    }

    /// Sines through a line of samples: between them they are read as they are, up to four fifths of half the rate.
    #[test]
    fn a_curve_is_read_between_its_samples() {
        let mut dice = dice(1);
        for _ in 0..300 {
            let (freq, phase, place) = (0.4 * dice(), TAU * dice(), 11.0 + dice());
            let value = |at: f64| (TAU * freq * at + phase).cos();
            let samples: Vec<f64> = (0..2 * DEPTH).map(|i| value(i as f64)).collect();
            assert!((between(&samples, place) - value(place)).abs() < 0.01, "{freq} at {place}");
        }
    }

    #[test]
    fn the_top_of_a_parabola_is_its_top() {
        let mut dice = dice(2);
        for _ in 0..200 {
            let (top, at, bend) = (dice(), dice() - 0.5, 0.1 + dice());
            let value = |x: f64| top - bend * (x - at) * (x - at);
            assert!((peak([value(-1.0), value(0.0), value(1.0)]) - top).abs() < 1e-12);
        }
        assert_eq!(peak([1.0, 1.0, 1.0]), 1.0);
    }

    /// Forty-eight looks 10 ms apart.
    fn looks(value: impl Fn(f64) -> f64) -> Vec<(f64, f64)> {
        (0..48).map(|i| f64::from(i) * 0.010).map(|s| (s, value(s))).collect()
    }

    #[test]
    fn any_line_and_wave_are_found_by_least_squares() {
        let mut dice = dice(3);
        for _ in 0..100 {
            let (mean, slope, cosine, sine, hz) = (200.0 * dice(), 40.0 * dice(), dice(), dice(), 4.0 + 4.0 * dice());
            let made = looks(|s| mean + slope * s + cosine * (TAU * hz * s).cos() + sine * (TAU * hz * s).sin());
            let found = fit(&made, hz);
            for (found, wanted) in found.parts.iter().zip([mean, slope, cosine, sine]) {
                assert!((found - wanted).abs() < 1e-6, "{found}, and not {wanted}");
            }
            assert!(found.left < 1e-6, "nothing is left: {}", found.left);
            // Another rate leaves more.
            assert!(fit(&made, hz + 1.5).left > found.left);
        }
        assert!(fit(&[], 5.0).left == 0.0 && fit(&[(0.0, 3.0)], 0.0).parts.iter().all(|part| part.is_finite()));
    }

    /// Vibrato of players' rates (4 to 8 Hz) is taken out whatever its depth and phase; wander beside it stays.
    #[test]
    fn wander_is_what_vibrato_leaves() {
        let mut dice = dice(4);
        for hz in [4.0, 4.6, 5.5, 6.3, 7.1, 8.0] {
            let (depth, phase) = (30.0 * dice(), TAU * dice());
            let pure = wander(&looks(|s| depth * (TAU * hz * s + phase).sin()), Keeps::Drift);
            // Rates are tried in steps of half a hertz: a quarter off, over half a second, leaves an eighth.
            assert!(pure < 0.13 * depth, "{hz} Hz, {depth} cents: {pure}");
        }
        // Of noise of deviation 3 the sum of squares has 44 degrees of freedom; the best of nine rates takes some more.
        let told: Vec<f64> = (0..60)
            .map(|seed| {
                let noise = std::cell::RefCell::new(noise(seed));
                wander(&looks(|s| 20.0 * (TAU * 5.5 * s).sin() + 3.0 * (noise.borrow_mut())()), Keeps::Drift)
            })
            .collect();
        let mean_told = mean(&told);
        assert!((mean_told / 3.0 - 1.0).abs() < 0.08, "{mean_told}");
        // A third of it either way is what is told as its width (Student 1908).
        assert!(share_of(&told, |told| (told - 3.0).abs() <= 0.33 * told) > 0.9);
    }

    #[test]
    fn a_drift_counts_for_the_pitch_and_not_for_the_level() {
        // A straight way of 10 over 0.47 s strays by 10 / sqrt 12 of its mean \[C\].
        let drifts = looks(|s| 10.0 * s / 0.47);
        assert!(
            (wander(&drifts, Keeps::Drift) - 10.0 / 12f64.sqrt()).abs() < 0.15,
            "{}",
            wander(&drifts, Keeps::Drift)
        );
        assert!(wander(&drifts, Keeps::Nothing) < 1e-6);
    }

    /// Boersma 1993, eq. 4: in a window the ratio is that of what comes again to what does not, at any pitch.
    #[test]
    fn harmonics_over_noise_in_single_windows_are_right_in_the_mean() {
        for (hz, wanted_db) in [(73.42, 15.0), (146.83, 25.0), (220.0, 10.0), (392.0, 20.0)] {
            let power = 0.01 * tone_power(1..=8);
            let band = 0.44 * 12_000.0 / 24_000.0;
            let samples =
                with_noise(sound(1.6, |s| tone(hz, 1..=8, 0.1, s)), power / 10f64.powf(0.1 * wanted_db) / band, 5);
            let (history, rate_hz) = history(&samples);
            let reader = ToneReader::new(rate_hz);
            let len = (PERIODS * rate_hz / hz).max(LEAST_WINDOW_S * rate_hz).round() as usize | 1;
            let told: Vec<f64> = (0..14)
                .filter_map(|i| history.window(1_200 + 1_100 * i, len))
                .filter_map(|x| reader.hnr_db(x, hz * 1.002))
                .collect();
            assert!(told.len() >= 12 && (mean(&told) - wanted_db).abs() < 1.0, "{hz} Hz: {} dB", mean(&told));
        }
        assert_eq!(ToneReader::new(12_000.0).hnr_db(&[0.0; 601], 120.0), None, "silence has none");
    }
}
