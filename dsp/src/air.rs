//! Air before the tone: how long and how loud.
//!
//! Air is sound without a pitch that leads into the tone. A tail of the note before falls, a room
//! is there all the time, a tongue's click is short: none of these is air.
//!
//! Where a tail still rings, the air under it is heard by taking the tail out: the sound less itself one
//! period of the note before, earlier.

use crate::framer::History;
use crate::harmonic;
use crate::look::Point;
use crate::vector::mean;

/// Air is looked for this far before the onset, s.
const REACH_S: f64 = 0.500;
/// Window of the level, s, and its step, s.
const WINDOW_S: f64 = 0.006;
const STEP_S: f64 = 0.001;
/// Nearer to the onset than this, and this share of a period, the tone itself is in the window, s.
const GUARD_S: f64 = 0.004;
const GUARD_PERIODS: f64 = 0.4;
/// Air stays within this of its level next to the tone (-9 dB); what falls off faster is the tone growing.
const HOLD_SHARE: f64 = 0.12;
/// Air stands a factor over the quietest moment before it, taken over some values: 8 dB over 10 ms, and under a
/// tail, whose rest is rougher, 5 dB over 24 ms.
const PLAIN: FloorRule = FloorRule { over: 6.3, num_smooth: 10 };
const UNDER_TAIL: FloorRule = FloorRule { over: 3.2, num_smooth: 24 };
/// ... and over this share of the settled tone (-42 dB): softer is not heard before a tone.
const OVER_TONE: f64 = 6.3e-5;
/// Shorter sounds are tongue clicks, or masked by the tone (10 to 20 ms \[S\]), s...
const CLICK_S: f64 = 0.018;
/// ... and within this many periods before the onset the tone itself is on its way.
const CLICK_PERIODS: f64 = 1.75;
/// Next to a low note, what is this short and soft may be its own growth: periods, share of the tone (-29 dB).
const GROWTH_PERIODS: f64 = 2.2;
const GROWTH_SHARE: f64 = 0.001_3;
/// Dips shorter than this belong to the air, s.
const DROPOUT_S: f64 = 0.008;
/// A breath takes this long, s, from -20 dB to -3 dB of its loudest...
const BREATH_BUILD_S: f64 = 0.026;
const BREATH_BEGINS: f64 = 0.01;
const BREATH_FULL: f64 = 0.5;
/// ... and has no more than this share of its power under 300 Hz (air in the horn: 0.025 to 0.06). \[H\]
const BREATH_LOW_SHARE: f64 = 0.019;
const LOW_WIDTH_S: f64 = 0.0015;
/// Share of tone looks in the stretch from which on it is tone fading in, not air.
const TONAL_SHARE: f64 = 0.5;

/// Window of the level under a tail, s, at least, and in periods of the tail.
const TAIL_WINDOW_S: f64 = 0.010;
const TAIL_WINDOW_PERIODS: f64 = 1.5;
/// Under a tail, a breath begins this factor over what is left of the tail.
const BREATH_OVER_REST: f64 = 2.0;
/// Under a tail, what was this factor louder at first (4 dB) is the tail, and what has this periodicity is tone.
const FALLING: f64 = 2.5;
const GROWING: f64 = 0.5;

/// How the quietest moment before the air is taken.
struct FloorRule {
    over: f64,
    num_smooth: usize,
}

/// Air before a tone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Air {
    /// Internal sample at which it begins.
    pub start: f64,
    /// Its mean power, the room taken off.
    pub power: f64,
    /// Power of the room before it.
    pub floor: f64,
}

/// The tone that the air is to lead into, in internal samples.
#[derive(Debug, Clone, Copy)]
pub struct Tone {
    /// Where it begins.
    pub onset: f64,
    /// Nothing before this counts.
    pub earliest: f64,
    /// Its period.
    pub period: f64,
    /// Power of its settled stretch.
    pub power: f64,
}

/// Levels before the onset, newest first.
pub struct AirFinder {
    rate_hz: f64,
    levels: Vec<f64>,
    rest: Vec<f32>,
}

impl AirFinder {
    /// A finder for an internal rate in Hz.
    #[must_use]
    pub fn new(rate_hz: f64) -> Self {
        Self {
            rate_hz,
            levels: Vec::with_capacity((REACH_S / STEP_S) as usize + 1),
            rest: Vec::with_capacity((2.0 * REACH_S * rate_hz) as usize),
        }
    }

    /// The air that leads into a tone, if any.
    pub fn find(&mut self, history: &History, points: &[Point], tone: &Tone) -> Option<Air> {
        let newest = tone.onset - self.guard(tone);
        self.fill(newest, tone.earliest, WINDOW_S * self.rate_hz, |from, to| history.full_power(from, to));
        let (air, num) = self.measure(tone, &PLAIN)?;
        if is_tonal(points, air.start, tone.onset, |p| p.is_tone || p.is_rough) {
            return None;
        }
        let breathes =
            self.builds_slowly(num, BREATH_BEGINS) && self.low_share(history, air.start, newest) < BREATH_LOW_SHARE;
        (!breathes).then_some(air)
    }

    /// The air under the tail of a note of period `tail_period`, if any.
    pub fn find_under_tail(
        &mut self,
        history: &History,
        points: &[Point],
        tone: &Tone,
        tail_period: f64,
    ) -> Option<Air> {
        let newest = tone.onset - self.guard(tone);
        let width = (TAIL_WINDOW_S * self.rate_hz).max(TAIL_WINDOW_PERIODS * tail_period);
        self.fill(newest, tone.earliest, width, |from, to| rest_power(history, from, to, tail_period));
        let (air, num) = self.measure(tone, &UNDER_TAIL)?;
        let loudest = self.levels[..num].iter().copied().fold(1e-20, f64::max);
        let begins = BREATH_BEGINS.max(BREATH_OVER_REST * air.floor / loudest);
        let is_air = !self.falls(num)
            && !is_tonal(points, air.start, tone.onset, |p| p.is_tone)
            && !self.builds_slowly(num, begins)
            && !self.is_growing_tone(history, (air.start, newest), tail_period, tone.period);
        is_air.then_some(air)
    }

    /// What is left of a tail falls into the tone; air holds on.
    fn falls(&self, num: usize) -> bool {
        let (newer, older) = self.levels[..num].split_at(num / 2);
        mean(older) > FALLING * mean(newer)
    }

    /// A slow attack rises out of a tail softly: what is left of the tail then has the new note's period.
    fn is_growing_tone(&mut self, history: &History, span: (f64, f64), tail_period: f64, period: f64) -> bool {
        self.rest.clear();
        let (from, to) = ((span.0 - period).floor() as i64 - 1, span.1 as i64);
        let (len, lag) = ((to - from).max(0) as usize, tail_period.round() as i64);
        let (Some(now), Some(then)) = (history.window(from, len), history.window(from - lag, len)) else {
            return false;
        };
        self.rest.extend(now.iter().zip(then).map(|(now, then)| now - then));
        harmonic::periodicity(&self.rest, period) > GROWING
    }

    fn guard(&self, tone: &Tone) -> f64 {
        GUARD_S * self.rate_hz + GUARD_PERIODS * tone.period
    }

    /// What the levels say of length and strength, and how many of them are air.
    fn measure(&self, tone: &Tone, floor_rule: &FloorRule) -> Option<(Air, usize)> {
        let near = mean(self.levels.get(..NEAR_VALUES)?);
        let floor = self.smoothed_min(floor_rule.num_smooth);
        if near < floor_rule.over * floor || near < OVER_TONE * tone.power {
            return None;
        }
        let line = (near * floor).sqrt().max(HOLD_SHARE * near);
        let num = self.run(line);
        let start = tone.onset - self.guard(tone) - num as f64 * STEP_S * self.rate_hz;
        if tone.onset - start < (CLICK_S * self.rate_hz).max(CLICK_PERIODS * tone.period) {
            return None;
        }
        let inner = &self.levels[..num.saturating_sub(3).max(1)];
        let power = (mean(inner) - floor).max(1e-20);
        let is_growth = tone.onset - start < GROWTH_PERIODS * tone.period && power < GROWTH_SHARE * tone.power;
        (!is_growth).then_some((Air { start, power, floor }, num))
    }

    /// An inhalation that runs into the tone swells slowly; air blown through the horn sets in with the breath's
    /// push. (And a mouth open to the room has no low sound, while the horn gives its own to the air.)
    fn builds_slowly(&self, num: usize, begins: f64) -> bool {
        let run = &self.levels[..num];
        let loudest = run.iter().copied().fold(0.0, f64::max);
        // The run is newest first: the build-up lies at its far end and beyond it.
        let full = run.iter().rposition(|&l| l > BREATH_FULL * loudest).unwrap_or(0);
        let build = self.levels[full..].iter().take_while(|&&l| l > begins * loudest).count();
        build as f64 * STEP_S >= BREATH_BUILD_S
    }

    /// Share of the band's power under about 300 Hz: what is left after a mean over 1.5 ms.
    fn low_share(&self, history: &History, start: f64, end: f64) -> f64 {
        let width = (LOW_WIDTH_S * self.rate_hz) as usize;
        let Some(x) = history.window(start as i64, (end - start).max(0.0) as usize) else { return 1.0 };
        let low: f64 = x.windows(width).map(|w| f64::from(w.iter().sum::<f32>() / width as f32).powi(2)).sum();
        let all: f64 = x.iter().map(|v| f64::from(v * v)).sum();
        low / all.max(1e-20)
    }

    /// Levels in windows of `width` from `newest` back, as far as `earliest`.
    fn fill(&mut self, newest: f64, earliest: f64, width: f64, power: impl Fn(i64, i64) -> f64) {
        self.levels.clear();
        let half = (0.5 * width) as i64;
        // The newest window must not reach past the guard by more than the plain one does.
        let newest = newest - 0.5 * (width - WINDOW_S * self.rate_hz);
        while self.levels.len() < self.levels.capacity() {
            let time = newest - self.levels.len() as f64 * STEP_S * self.rate_hz;
            if time - (half as f64) < earliest {
                return;
            }
            let t = time.round() as i64;
            self.levels.push(power(t - half, t + half));
        }
    }

    /// Lowest mean of so many values in a row.
    fn smoothed_min(&self, num: usize) -> f64 {
        self.levels.windows(num).map(mean).fold(f64::MAX, f64::min)
    }

    /// Values, from the onset back, for which the level stays over the line.
    fn run(&self, line: f64) -> usize {
        let dropout = (DROPOUT_S / STEP_S) as usize;
        let mut below = 0;
        for (i, &level) in self.levels.iter().enumerate() {
            below = if level < line { below + 1 } else { 0 };
            if below > dropout {
                return i - dropout;
            }
        }
        self.levels.len() - below
    }
}

/// Values next to the onset that say how loud the air is.
const NEAR_VALUES: usize = 12;

/// Power of [`from`, `to`) that a tone of the given period, however it fades, does not explain: the rest of the
/// band that carries pitch, and all above it, where a tail has little.
fn rest_power(history: &History, from: i64, to: i64, period: f64) -> f64 {
    let len = (to - from).max(0) as usize;
    let whole = period.floor();
    let part = (period - whole) as f32;
    let Some(now) = history.window(from, len) else { return 0.0 };
    let Some(then) = history.window(from - whole as i64 - 1, len + 1) else { return 0.0 };
    let before = |i: usize| part * then[i] + (1.0 - part) * then[i + 1];
    let (mut all, mut shared, mut earlier) = (0.0f64, 0.0f64, 1e-20f64);
    for (i, &x) in now.iter().enumerate() {
        let (x, y) = (f64::from(x), f64::from(before(i)));
        all += x * x;
        shared += x * y;
        earlier += y * y;
    }
    let gain = (shared / earlier).clamp(0.0, 1.0);
    // Noise is in both stretches, and adds.
    let rest = all - 2.0 * gain * shared + gain * gain * earlier;
    let treble = (history.full_power(from, to) - history.band_power(from, to)).max(0.0);
    treble + rest.max(0.0) / ((1.0 + gain * gain) * len.max(1) as f64)
}

fn is_tonal(points: &[Point], from: f64, to: f64, counts: impl Fn(&Point) -> bool) -> bool {
    let inside = points.iter().filter(|p| p.centre >= from && p.centre < to);
    let (mut num, mut tonal) = (0, 0);
    for point in inside {
        num += 1;
        tonal += usize::from(counts(point));
    }
    num > 0 && tonal as f64 > TONAL_SHARE * f64::from(num)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_sounds::{history, noise, sound, tone};

    /// Hiss of a level under the tone, dB, for so long before the tone at 0.8 s, and a room 60 dB under it.
    fn heard(air_s: f64, air_db: f64, build_s: f64) -> Option<(f64, f64)> {
        let (hz, onset_s) = (233.08, 0.8);
        let mut samples = sound(1.2, |s| if s < onset_s { 0.0 } else { tone(hz, 1..=8, 0.1, s - onset_s) });
        let tone_power: f64 = (1..=8).map(|k| 0.5 * (0.1 / f64::from(k)).powi(2)).sum();
        let mut hiss = noise(11);
        for (i, x) in samples.iter_mut().enumerate() {
            let s = i as f64 / crate::test_sounds::RATE_HZ;
            let in_air = ((s - (onset_s - air_s)) / build_s).clamp(0.0, 1.0);
            let power =
                tone_power * (1e-6 + if s < onset_s { in_air * in_air * 10f64.powf(0.1 * air_db) } else { 0.0 });
            *x += (hiss() * power.sqrt()) as f32;
        }
        let (history, rate_hz) = history(&samples);
        let tone = Tone { onset: onset_s * rate_hz, earliest: 0.0, period: rate_hz / hz, power: tone_power };
        let air = AirFinder::new(rate_hz).find(&history, &[], &tone)?;
        Some((1e3 * (onset_s - air.start / rate_hz), 10.0 * (air.power / tone_power).log10()))
    }

    #[test]
    fn air_is_told_with_its_length_and_level() {
        for (ms, db) in [(60.0, -20.0), (120.0, -20.0), (120.0, -28.0), (250.0, -12.0)] {
            let (found_ms, found_db) = heard(ms * 1e-3, db, 0.002).expect("air");
            // Windows of 6 ms, and noise whose level over them strays by a decibel.
            assert!((found_ms - ms).abs() < 10.0, "{ms} ms at {db} dB: {found_ms} ms");
            assert!((found_db - db).abs() < 2.0, "{ms} ms at {db} dB: {found_db} dB");
        }
    }

    #[test]
    fn a_click_what_is_too_soft_and_a_clean_start_are_no_air() {
        assert_eq!(heard(0.008, -15.0, 0.001), None, "a tongue's click");
        assert_eq!(heard(0.120, -50.0, 0.002), None, "nobody hears that before a tone");
        assert_eq!(heard(0.0, -20.0, 0.001), None);
    }
}
