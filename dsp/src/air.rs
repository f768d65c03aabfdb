//! Air before the tone: how long, how loud, and whether it is air.
//!
//! Air is sound without a pitch that leads into the tone. A tail of the note before falls, a room is there all the time, a
//! tongue's click is short, an inhalation swells: what it is, fitted trees tell from [`NAMES`] ("air" of `fitted.txt`).
//!
//! Where a tail still rings, the air under it is heard by taking the tail out: the sound less itself one
//! period of the note before, earlier.

use crate::decode::Trees;
use crate::framer::History;
use crate::harmonic;
use crate::look::Point;
use crate::parameters::air::{DROPOUT_S, HOLD_SHARE, LEAST_OVER, OVER_TONE, PITCHLESS};
use crate::units::power_to_db;
use crate::vector::mean;

/// Air is looked for this far before the onset, s: a tail's room to fall in \[T\].
pub const REACH_S: f64 = 0.400;
/// Window of the level, s, and its step, s \[T\].
const WINDOW_S: f64 = 0.006;
const STEP_S: f64 = 0.001;
/// Nearer to the onset than this, and this share of a period, the tone itself is in the window, s \[T\].
const GUARD_S: f64 = 0.004;
const GUARD_PERIODS: f64 = 0.4;
/// Values next to the onset that say how loud what leads into it is, and how many of them its end is \[T\].
const NEAR_VALUES: usize = 12;
const END_VALUES: usize = 4;
/// The quietest moment is taken over so many values, and under a tail, whose rest is rougher, over so many \[T\].
const FLOOR_VALUES: usize = 10;
const FLOOR_VALUES_UNDER_TAIL: usize = 24;
/// It builds up from -20 dB to -3 dB of its loudest \[D\].
const BEGINS: f64 = 0.01;
const FULL: f64 = 0.5;
/// Width of the mean, s, that leaves what lies under about 300 Hz \[T\].
const LOW_WIDTH_S: f64 = 0.0015;
/// Window of the level under a tail, s, at least, and in periods of the tail \[T\].
const TAIL_WINDOW_S: f64 = 0.010;
const TAIL_WINDOW_PERIODS: f64 = 1.5;

/// What is seen of a sound before a tone; + speaks for air only, - only against.
pub const NAMES: [&str; NUM] = [
    "+length, ms",
    "+length, periods of the tone",
    "+over the quietest before it, dB",
    "+re the tone, dB",
    "-built up in, ms",
    "share under 300 Hz",
    "-share of looks that hold the tone",
    "-share of looks that hold a rough tone",
    "-fall from its first half to its second, dB",
    "-periodicity of the tone",
    "-periodicity of the note before",
    "-growth at its end, dB",
];
/// Their number \[F\].
pub const NUM: usize = 12;
/// Where the tone's own periodicity stands among them \[F\].
const PERIODICITY: usize = 9;

/// A sound before a tone, as it was seen.
pub type Seen = [f32; NUM];

/// Air before a tone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Air {
    /// Internal sample at which it begins.
    pub start: f64,
    /// Its mean power, the room taken off.
    pub power: f64,
    /// Power of the room before it.
    pub floor: f64,
    /// How likely it is air at all, 0..1.
    pub probability: f64,
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
    /// Period of the note before.
    pub period_before: Option<f64>,
}

/// Looks for air, and says whether it is.
pub struct AirFinder {
    rate_hz: f64,
    trees: Trees,
    /// Levels before the onset, newest first.
    levels: Vec<f64>,
    rest: Vec<f32>,
    /// What was seen as it is, and under a tail.
    seen: [Option<Seen>; 2],
}

/// A stretch of levels that may be air.
struct Stretch {
    start: f64,
    power: f64,
    floor: f64,
    num: usize,
    /// Internal sample next to the tone up to which it was looked at.
    end: f64,
}

impl AirFinder {
    /// A finder for an internal rate in Hz.
    #[must_use]
    pub fn new(rate_hz: f64) -> Self {
        Self {
            rate_hz,
            trees: Trees::fitted("air"),
            levels: Vec::with_capacity((REACH_S / STEP_S) as usize + 1),
            rest: Vec::with_capacity((2.0 * REACH_S * rate_hz) as usize),
            seen: [None; 2],
        }
    }

    /// Forgets what was seen: the next tone has its own before it, or none.
    pub fn forget(&mut self) {
        self.seen = [None; 2];
    }

    /// What was seen since [`Self::forget`], as it is and under a tail, where anything stood out.
    #[must_use]
    pub fn last_seen(&self) -> [Option<Seen>; 2] {
        self.seen
    }

    /// The air that leads into a tone, if any.
    pub fn find(&mut self, history: &History, points: &[Point], tone: &Tone) -> Option<Air> {
        let width = WINDOW_S * self.rate_hz;
        self.fill(tone, tone.earliest, width, |from, to| history.full_power(from, to));
        self.told(history, points, tone, None)
    }

    /// The air under the tail of the note before, back to `earliest`, if any.
    pub fn find_under_tail(
        &mut self,
        history: &History,
        points: &[Point],
        tone: &Tone,
        earliest: f64,
        tail_period: f64,
    ) -> Option<Air> {
        let width = (TAIL_WINDOW_S * self.rate_hz).max(TAIL_WINDOW_PERIODS * tail_period);
        self.fill(tone, earliest, width, |from, to| rest_power(history, from, to, tail_period));
        self.told(history, points, tone, Some(tail_period))
    }

    /// The air, where the trees call what stands out so.
    fn told(&mut self, history: &History, points: &[Point], tone: &Tone, tail: Option<f64>) -> Option<Air> {
        let stretch = self.stretch(tone, tail.is_some())?;
        let seen = self.look_at(history, points, tone, &stretch, tail);
        self.seen[usize::from(tail.is_some())] = Some(seen);
        let has_pitch = f64::from(seen[PERIODICITY]) > PITCHLESS;
        let probability = f64::from(self.trees.probability(&seen));
        let Stretch { start, power, floor, .. } = stretch;
        (!has_pitch && probability > 0.5).then_some(Air { start, power, floor, probability })
    }

    /// What stands out before the tone: from where it holds its level, how loud, over what.
    fn stretch(&self, tone: &Tone, is_under_tail: bool) -> Option<Stretch> {
        let near = mean(self.levels.get(..NEAR_VALUES)?);
        let num_smooth = if is_under_tail { FLOOR_VALUES_UNDER_TAIL } else { FLOOR_VALUES };
        let floor = self.smoothed_min(num_smooth).max(1e-20);
        if near < LEAST_OVER * floor || near < OVER_TONE * tone.power {
            return None;
        }
        let num = self.run((near * floor).sqrt().max(HOLD_SHARE * near)).max(1);
        let end = tone.onset - self.guard(tone);
        let power = (mean(&self.levels[..num.saturating_sub(3).max(1)]) - floor).max(1e-20);
        let start = end - num as f64 * STEP_S * self.rate_hz;
        Some(Stretch { start, power, floor, num, end })
    }

    fn look_at(
        &mut self,
        history: &History,
        points: &[Point],
        tone: &Tone,
        stretch: &Stretch,
        tail: Option<f64>,
    ) -> Seen {
        let &Stretch { start, power, floor, .. } = stretch;
        let (run, near) = (&self.levels[..stretch.num], mean(&self.levels[..NEAR_VALUES]));
        let (newer, older) = run.split_at((stretch.num / 2).max(1));
        let fall = if older.is_empty() { 0.0 } else { power_to_db(mean(older)) - power_to_db(mean(newer)) };
        let (last, before) = self.levels[..NEAR_VALUES].split_at(END_VALUES);
        let growth = power_to_db(mean(last)) - power_to_db(mean(before));
        let length = tone.onset - start;
        let values = [
            1e3 * length / self.rate_hz,
            length / tone.period,
            power_to_db(near) - power_to_db(floor),
            power_to_db(power) - power_to_db(tone.power.max(1e-20)),
            1e3 * STEP_S * self.build_up(stretch, tail.is_some()) as f64,
            self.low_share(history, start, stretch.end),
            share(points, start, tone.onset, |p| p.is_tone),
            share(points, start, tone.onset, |p| p.is_rough),
            fall,
            self.periodicity(history, (start, stretch.end), tone.period, tail),
            tone.period_before.map_or(0.0, |before| self.periodicity(history, (start, stretch.end), before, None)),
            growth,
        ];
        values.map(|value| value as f32)
    }

    fn guard(&self, tone: &Tone) -> f64 {
        GUARD_S * self.rate_hz + GUARD_PERIODS * tone.period
    }

    /// Values over which it builds up. An inhalation that runs into the tone swells slowly; air blown through the horn sets in
    /// with the breath's push.
    fn build_up(&self, stretch: &Stretch, is_under_tail: bool) -> usize {
        let run = &self.levels[..stretch.num];
        let loudest = run.iter().copied().fold(1e-20, f64::max);
        let begins = if is_under_tail { BEGINS.max(LEAST_OVER * stretch.floor / loudest) } else { BEGINS };
        // The run is newest first: the build-up lies at its far end and beyond it.
        let full = run.iter().rposition(|&l| l > FULL * loudest).unwrap_or(0);
        self.levels[full..].iter().take_while(|&&l| l > begins * loudest).count()
    }

    /// How periodic a span is, with the tail of a period taken out.
    fn periodicity(&mut self, history: &History, span: (f64, f64), period: f64, tail: Option<f64>) -> f64 {
        self.rest.clear();
        let (from, to) = ((span.0 - period).floor() as i64 - 1, span.1 as i64);
        let len = (to - from).max(0) as usize;
        let Some(now) = history.window(from, len) else { return 0.0 };
        match tail.map(|period| history.window(from - period.round() as i64, len)) {
            None => self.rest.extend(now),
            Some(Some(then)) => self.rest.extend(now.iter().zip(then).map(|(now, then)| now - then)),
            Some(None) => return 0.0,
        }
        harmonic::periodicity(&self.rest, period)
    }

    /// Share of the band's power under about 300 Hz: what is left after a mean over 1.5 ms. A mouth open to the room has no low
    /// sound, while the horn gives its own to the air.
    fn low_share(&self, history: &History, start: f64, end: f64) -> f64 {
        let width = (LOW_WIDTH_S * self.rate_hz) as usize;
        let Some(x) = history.window(start as i64, (end - start).max(0.0) as usize) else { return 1.0 };
        let low: f64 = x.windows(width).map(|w| f64::from(w.iter().sum::<f32>() / width as f32).powi(2)).sum();
        let all: f64 = x.iter().map(|v| f64::from(v * v)).sum();
        low / all.max(1e-20)
    }

    /// Levels in windows of `width` from next to the tone back, as far as `earliest`.
    fn fill(&mut self, tone: &Tone, earliest: f64, width: f64, power: impl Fn(i64, i64) -> f64) {
        self.levels.clear();
        let half = (0.5 * width) as i64;
        // The newest window must not reach past the guard by more than the plain one does.
        let newest = tone.onset - self.guard(tone) - 0.5 * (width - WINDOW_S * self.rate_hz);
        while self.levels.len() < self.levels.capacity() {
            let time = newest - self.levels.len() as f64 * STEP_S * self.rate_hz;
            if time - (half as f64) < earliest {
                return;
            }
            let t = time.round() as i64;
            self.levels.push(power(t - half, t + half));
        }
    }

    /// Lowest mean of so many values in a row, or of all there are.
    fn smoothed_min(&self, num: usize) -> f64 {
        self.levels.windows(num.min(self.levels.len())).map(mean).fold(f64::MAX, f64::min)
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

/// Share of the looks in a span for which something holds; 0 without any.
fn share(points: &[Point], from: f64, to: f64, holds: impl Fn(&Point) -> bool) -> f64 {
    let inside = points.iter().filter(|p| p.centre >= from && p.centre < to);
    let (num, num_held) = inside.fold((0u32, 0u32), |(n, h), p| (n + 1, h + u32::from(holds(p))));
    f64::from(num_held) / f64::from(num.max(1))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_sounds::{RATE_HZ, history, noise, sound, tone};
    use crate::test_sounds::{dice, share_of, with_noise};
    use approx::assert_abs_diff_eq;

    const HZ: f64 = 233.08;
    const ONSET_S: f64 = 0.8;

    fn tone_power() -> f64 {
        (1..=8).map(|k| 0.5 * (0.1 / f64::from(k)).powi(2)).sum()
    }

    /// A tone from 0.8 s on, what rings before it, and hiss of a share of the tone's power at each time before it, over
    /// a room 60 dB under it.
    fn before(ringing: impl Fn(f64) -> f64, hiss_share: impl Fn(f64) -> f64) -> (History, Tone) {
        let mut samples = sound(1.2, |s| if s < ONSET_S { ringing(s) } else { tone(HZ, 1..=8, 0.1, s - ONSET_S) });
        let mut hiss = noise(11);
        for (i, x) in samples.iter_mut().enumerate() {
            let s = i as f64 / RATE_HZ;
            let share = 1e-6 + if s < ONSET_S { hiss_share(s) } else { 0.0 };
            *x += (hiss() * (share * tone_power()).sqrt()) as f32;
        }
        let (history, rate_hz) = history(&samples);
        let onset = ONSET_S * rate_hz;
        (history, Tone { onset, earliest: 0.0, period: rate_hz / HZ, power: tone_power(), period_before: None })
    }

    /// Hiss of a level re the tone, dB, for so long before it, that builds up within `build_s`.
    fn hiss(air_s: f64, air_db: f64, build_s: f64) -> impl Fn(f64) -> f64 {
        move |s| ((s - (ONSET_S - air_s)) / build_s).clamp(0.0, 1.0).powi(2) * 10f64.powf(0.1 * air_db)
    }

    /// Length, ms, and level, dB, of what is called air.
    fn heard(hiss_share: impl Fn(f64) -> f64) -> Option<(f64, f64)> {
        let (history, tone) = before(|_| 0.0, hiss_share);
        let rate_hz = tone.period * HZ;
        let air = AirFinder::new(rate_hz).find(&history, &[], &tone)?;
        Some((1e3 * (ONSET_S - air.start / rate_hz), power_to_db(air.power / tone.power)))
    }

    #[test]
    fn air_is_told_with_its_length_and_level() {
        for (ms, db) in [(60.0, -20.0), (120.0, -20.0), (120.0, -28.0), (250.0, -12.0)] {
            let (found_ms, found_db) = heard(hiss(ms * 1e-3, db, 0.002)).expect("air");
            // Windows of 6 ms, and noise whose level over them strays by a decibel.
            assert_abs_diff_eq!(found_ms, ms, epsilon = 10.0);
            assert_abs_diff_eq!(found_db, db, epsilon = 2.0);
        }
    }

    #[test]
    fn a_click_what_is_too_soft_and_a_clean_start_are_no_air() {
        assert_eq!(heard(hiss(0.008, -15.0, 0.001)), None, "a tongue's click");
        assert_eq!(heard(hiss(0.120, -50.0, 0.002)), None, "nobody hears that before a tone");
        assert_eq!(heard(|_| 0.0), None);
    }

    /// It swells and ebbs away just ahead of the tone, and a mouth open to the room has no low sound: differences of
    /// noise, whose power at low frequencies goes with their square.
    #[test]
    fn an_inhalation_is_no_air() {
        let mut noise = noise(5);
        let mut last = 0.0;
        let mut high = || {
            let new = noise();
            (new - std::mem::replace(&mut last, new)) / std::f64::consts::SQRT_2
        };
        let high: Vec<f64> = (0..(ONSET_S * RATE_HZ) as usize).map(|_| high()).collect();
        let level = |s: f64| ((s - 0.4) / 0.15).clamp(0.0, 1.0) * ((0.77 - s) / 0.06).clamp(0.0, 1.0);
        let inhaled = |s: f64| (1e-2 * tone_power()).sqrt() * level(s) * high[(s * RATE_HZ) as usize];
        let (history, tone) = before(inhaled, |_| 0.0);
        assert_eq!(AirFinder::new(tone.period * HZ).find(&history, &[], &tone), None);
    }

    #[test]
    fn what_is_seen_is_what_was_made() {
        let (history, tone) = before(|_| 0.0, hiss(0.120, -20.0, 0.002));
        let rate_hz = tone.period * HZ;
        let mut finder = AirFinder::new(rate_hz);
        finder.find(&history, &[], &tone);
        let seen = finder.last_seen()[0].expect("it stands out");
        assert_abs_diff_eq!(seen[0], 120.0, epsilon = 5.0);
        assert_abs_diff_eq!(seen[1], 0.120 * HZ as f32, epsilon = 1.5);
        // The room lies 60 dB under the tone; the quietest of many windows some decibels under its mean.
        assert_abs_diff_eq!(seen[2], 41.5, epsilon = 2.5);
        assert_abs_diff_eq!(seen[3], -20.0, epsilon = 1.5);
        assert!(seen[4] <= 12.0, "built up within two windows: {} ms", seen[4]);
        // The mean of n independent values has an n-th of their power; the band is narrower than white noise's.
        assert!(seen[5] < 2.5 / (LOW_WIDTH_S * rate_hz) as f32, "{}", seen[5]);
        assert_eq!((seen[6], seen[7]), (0.0, 0.0), "no looks");
        assert!(seen[8].abs() < 2.0 && seen[9] < 0.3 && seen[11].abs() < 4.0, "{seen:?}");
    }

    #[test]
    fn a_swell_is_seen_to_build_up_and_a_tail_to_fall_and_to_be_periodic() {
        let rate_hz = |tone: &Tone| tone.period * HZ;
        let (history, tone_) = before(|_| 0.0, hiss(0.300, -20.0, 0.200));
        let mut finder = AirFinder::new(rate_hz(&tone_));
        finder.find(&history, &[], &tone_);
        // By its square law it takes 0.141 - 0.1 of 200 ms up to half, and 0.1 of it to a hundredth.
        let built_ms = finder.last_seen()[0].expect("it stands out")[4];
        assert!((100.0..180.0).contains(&built_ms), "{built_ms} ms");
        // A tone of E3 that rings away by 120 dB a second.
        let ring = |s: f64| 0.3 * tone(164.81, 1..=6, 0.1, s) * 10f64.powf(-6.0 * (s - 0.6).max(0.0));
        let (history, mut tone_) = before(ring, |_| 0.0);
        tone_.period_before = Some(rate_hz(&tone_) / 164.81);
        tone_.earliest = 0.6 * rate_hz(&tone_);
        assert_eq!(finder.find(&history, &[], &tone_), None, "a tail is no air");
    }

    #[test]
    fn under_a_tail_air_is_heard_and_the_tail_is_not() {
        let ring = |s: f64| 0.3 * tone(164.81, 1..=6, 0.1, s) * 10f64.powf(-3.0 * (s - 0.4).max(0.0));
        for (air_db, is_air) in [(-14.0, true), (-90.0, false)] {
            let (history, tone) = before(ring, hiss(0.120, air_db, 0.002));
            let rate_hz = tone.period * HZ;
            let mut finder = AirFinder::new(rate_hz);
            let found = finder.find_under_tail(&history, &[], &tone, 0.4 * rate_hz, rate_hz / 164.81);
            assert_eq!(found.is_some(), is_air, "{air_db} dB");
            let length_ms = found.map(|air| 1e3 * (ONSET_S - air.start / rate_hz));
            assert!(length_ms.is_none_or(|ms| (ms - 120.0).abs() < 15.0), "{length_ms:?} ms");
        }
    }

    /// Invariant 10 of the design: lengths and levels lie within what is told of them (5 ms and the onset's own width,
    /// at least 2 ms; 1.5 dB) nine times of ten, whatever was blown before whatever note.
    #[test]
    fn air_of_any_length_and_level_lies_within_its_widths() {
        let mut dice = dice(7);
        let found: Vec<(f64, f64)> = (0..60)
            .map(|_| {
                let (air_ms, air_db) = (40.0 + 260.0 * dice(), -28.0 + 18.0 * dice());
                let (ms, db) = heard(hiss(air_ms * 1e-3, air_db, 0.002)).unwrap_or((0.0, -99.0));
                (ms - air_ms, db - air_db)
            })
            .collect();
        let (length, level) = (share_of(&found, |off| off.0.abs() <= 7.0), share_of(&found, |off| off.1.abs() <= 1.5));
        assert!(length >= 0.85 && level >= 0.85, "{length} and {level}: {found:?}");
    }

    #[test]
    fn air_is_the_same_however_loud_both_are_and_rises_out_of_something() {
        let finds = |gain: f64, earliest_s: f64| {
            let (history, tone) = before(|_| 0.0, hiss(0.200, -20.0, 0.002));
            let rate_hz = tone.period * HZ;
            let mut scaled = History::new(history.len() as usize);
            for (i, x) in history.window(0, history.len() as usize).expect("all").iter().enumerate() {
                let power = gain * gain * history.full_power(i as i64, i as i64 + 1);
                scaled.push(crate::framer::Decimated { sample: gain as f32 * x, power: power as f32 });
            }
            let tone = Tone { power: gain * gain * tone.power, earliest: earliest_s * rate_hz, ..tone };
            let air = AirFinder::new(rate_hz).find(&scaled, &[], &tone)?;
            Some((1e3 * (ONSET_S - air.start / rate_hz), power_to_db(air.power / tone.power), air.probability))
        };
        let (ms, db, probability) = finds(1.0, 0.0).expect("air");
        let soft = finds(0.01, 0.0).expect("air");
        assert!((soft.0 - ms).abs() < 0.01 && (soft.1 - db).abs() < 0.01 && (soft.2 - probability).abs() < 1e-6);
        assert!((0.5..=1.0).contains(&probability));
        // The note before ended 300 ms ahead of this one, 90 ms ahead: what air rises out of must be seen.
        assert!((finds(1.0, ONSET_S - 0.300).expect("air").0 - ms).abs() < 0.01);
        assert_eq!(finds(1.0, ONSET_S - 0.090), None);
    }

    /// The sound less itself a period earlier: nothing is left of a tone of that period, all of noise.
    #[test]
    fn a_tail_is_taken_out_of_a_sound_and_noise_is_not() {
        for (hz, db_per_s) in [(164.81, 0.0), (164.81, 120.0), (98.0, 60.0), (311.13, 200.0)] {
            let ring = |s: f64| 0.3 * tone(hz, 1..=5, 0.1, s) * 10f64.powf(-db_per_s * s / 20.0);
            let (clean, rate_hz) = history(&sound(0.5, ring));
            let (from, to) = ((0.2 * rate_hz) as i64, (0.22 * rate_hz) as i64);
            let left = |history: &History| rest_power(history, from, to, rate_hz / hz);
            let ringing = clean.full_power(from, to);
            // The line between two samples loses a little of the fifth partial.
            assert!(left(&clean) < 0.02 * ringing, "{hz} Hz: {} dB", power_to_db(left(&clean) / ringing));
            let hiss_power = 0.3 * ringing;
            let levels: Vec<f64> = (0..30)
                .map(|seed| left(&history(&with_noise(sound(0.5, ring), hiss_power, seed)).0) / hiss_power)
                .collect();
            let db = power_to_db(mean(&levels));
            assert!(db.abs() < 1.5, "{hz} Hz falling by {db_per_s} dB/s: noise is left by {db} dB");
        }
    }

    /// What a mean over 18 samples leaves of a tone in closed form: the square of sin(pi f W) / (W sin(pi f)).
    #[test]
    fn the_low_share_is_what_a_mean_over_its_width_leaves() {
        let (finder, rate_hz) = (AirFinder::new(12_000.0), 12_000.0);
        let width = (LOW_WIDTH_S * rate_hz).floor();
        for hz in [60.0, 150.0, 300.0, 500.0, 1_000.0] {
            let (history, _) = history(&sound(0.6, |s| tone(hz, 1..=1, 0.1, s)));
            let freq = std::f64::consts::PI * hz / rate_hz;
            let wanted = ((width * freq).sin() / (width * freq.sin())).powi(2);
            let told = finder.low_share(&history, 1_200.0, 6_000.0);
            assert!((told - wanted).abs() < 0.02, "{hz} Hz: {told}, and not {wanted}");
        }
        assert_eq!(
            finder.low_share(&history(&[0.0; 4_800]).0, 900.0, 9_000.0),
            1.0,
            "what is not kept speaks against air"
        );
    }

    /// A finder with drawn levels before the onset, newest first, 1 ms each.
    fn drawn(levels: &[f64]) -> AirFinder {
        let mut finder = AirFinder::new(12_000.0);
        finder.levels.extend(levels);
        finder
    }

    #[test]
    fn a_run_goes_on_over_short_gaps_and_ends_at_long_ones() {
        for (gap, wanted) in [(0, 140), (5, 145), (8, 148), (9, 100), (20, 100)] {
            let levels: Vec<f64> = [vec![1.0; 100], vec![0.0; gap], vec![1.0; 40], vec![0.0; 50]].concat();
            assert_eq!(drawn(&levels).run(0.5), wanted, "{gap} ms");
        }
        assert_eq!((drawn(&[1.0; 30]).run(0.5), drawn(&[0.0; 30]).run(0.5), drawn(&[]).run(0.5)), (30, 0, 0));
    }

    #[test]
    fn the_quietest_moment_is_the_least_mean_of_so_many_in_a_row() {
        let mut dice = dice(5);
        let levels: Vec<f64> = (0..200).map(|_| dice()).collect();
        let least = |num: usize| {
            (0..=200 - num).map(|i| levels[i..i + num].iter().sum::<f64>() / num as f64).fold(f64::MAX, f64::min)
        };
        for num in [1, 10, 24, 200] {
            assert_abs_diff_eq!(drawn(&levels).smoothed_min(num), least(num), epsilon = 1e-12);
        }
        assert_abs_diff_eq!(drawn(&levels).smoothed_min(500), least(200), epsilon = 1e-12);
    }

    /// From a hundredth to half of its loudest: on a rise of so many decibels a millisecond 17 of them are passed.
    #[test]
    fn air_builds_up_over_as_long_as_its_level_takes() {
        for db_per_ms in [0.2, 0.5, 2.0] {
            let level = |age: usize| 10f64.powf(-0.1 * db_per_ms * (age as f64 - 50.0).max(0.0));
            let levels: Vec<f64> = (0..250).map(level).collect();
            let finder = drawn(&levels);
            let stretch =
                Stretch { start: 0.0, power: 1.0, floor: 1e-9, num: 50 + (9.0 / db_per_ms) as usize, end: 0.0 };
            let wanted = 17.0 / db_per_ms;
            let told = finder.build_up(&stretch, false) as f64;
            assert!((told - wanted).abs() <= 1.5, "{db_per_ms} dB a ms: {told}, and not {wanted}");
        }
    }

    #[test]
    fn a_share_of_looks_is_of_those_within_the_span() {
        let look = |centre: f64, is_tone: bool| Point { is_tone, ..crate::look::silent_point(centre, 1.0) };
        let points: Vec<Point> = (0..10).map(|i| look(f64::from(i), i % 2 == 0)).collect();
        assert_eq!(share(&points, 0.0, 10.0, |p| p.is_tone), 0.5);
        assert_eq!(share(&points, 2.0, 3.0, |p| p.is_tone), 1.0, "from the first on and up to the last");
        assert_eq!(share(&points, 20.0, 30.0, |p| p.is_tone), 0.0, "without looks none");
    }
}
