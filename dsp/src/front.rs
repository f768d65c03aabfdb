//! Look back at a note's front, knowing where it settled: pitch and tone over time, sample-exact
//! instants of the level, the shape of the attack.
//!
//! First the steady pitch; then the tone is followed backwards from there, each look starting from
//! the one after it; then the level, taken over exactly one period so that it has no ripple, gives
//! the instants. What the harmonics do not explain is the rest: air, tongue, room.

use crate::framer::History;
use crate::harmonic::{self, Look};
use crate::units::{cents, power_to_db};

/// Settled pitch is looked for within this time after the onset, s.
pub const SETTLE_RANGE_S: f64 = 0.600;
/// Longest look back before the coarse start, s.
pub const LOOK_BACK_S: f64 = 0.250;
/// The attack peak lies within this time after the onset, s.
const PEAK_RANGE_S: f64 = 0.250;
/// Onset and perceptual onset: shares of the attack peak in power (-20 and -12 dB).
const ONSET_SHARE: f64 = 0.01;
const SPEAKS_SHARE: f64 = 0.063_095_734;
/// Steady stretch: shortest length, s, and half width while it grows, cents.
const STEADY_S: f64 = 0.100;
const STEADY_HALF_WIDTH_CENTS: f64 = 6.0;
/// Windows of the looks: periods, and shortest length for front and steady tone, s.
const LOOK_PERIODS: f64 = 3.0;
const FRONT_WINDOW_S: f64 = 0.009;
const STEADY_WINDOW_S: f64 = 0.020;
/// Distance of the looks in the steady tone and in the front, s.
const STEADY_HOP_S: f64 = 0.010;
const FRONT_HOP_S: f64 = 0.002;
/// A look holds the tone when the harmonics explain this share of the power.
const TONE_PURITY: f64 = 0.70;
/// The pitch cannot leave the last look by more than this in one hop, cents.
const MAX_LEAP_CENTS: f64 = 60.0;

/// The middle of a slur is looked for this far around its coarse place, s.
const SLUR_REACH_S: f64 = 0.080;
/// Window of the looks at a slur, periods of the lower note.
const SLUR_PERIODS: f64 = 2.5;

/// One look at the front.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Time, internal samples (reassigned).
    pub time: f64,
    /// Pitch relative to the settled pitch, cents.
    pub cents: f64,
    /// Power of the tone.
    pub tone: f64,
    /// Power of the rest.
    pub rest: f64,
    /// The pitch can be trusted.
    pub is_tone: bool,
}

/// Level over time, one value a millisecond, mean square over one period.
#[derive(Debug, Default)]
pub struct LevelTrack {
    start: i64,
    step: f64,
    power: Vec<f64>,
}

impl LevelTrack {
    fn fill(&mut self, history: &History, from: i64, to: i64, step: f64, period: f64) {
        self.start = from;
        self.step = step;
        self.power.clear();
        let half = (period / 2.0).round() as i64;
        let num = (((to - from) as f64 / step).max(0.0) as usize).min(self.power.capacity());
        for i in 0..num {
            let t = from + (i as f64 * step).round() as i64;
            self.power.push(history.band_power(t - half, t + half));
        }
    }

    /// Internal sample of value `i` (fractions allowed).
    fn time(&self, i: f64) -> f64 {
        self.start as f64 + i * self.step
    }

    fn index(&self, time: f64) -> usize {
        (((time - self.start as f64) / self.step).round().max(0.0) as usize).min(self.power.len().saturating_sub(1))
    }

    /// Level at a time, mean square.
    #[must_use]
    pub fn at(&self, time: f64) -> f64 {
        self.power.get(self.index(time)).copied().unwrap_or(0.0)
    }

    /// Highest level between two times.
    #[must_use]
    pub fn max(&self, from: f64, to: f64) -> f64 {
        self.slice(from, to).iter().copied().fold(0.0, f64::max)
    }

    /// Lowest level between two times and its time.
    #[must_use]
    pub fn min(&self, from: f64, to: f64) -> (f64, f64) {
        let first = self.index(from);
        let lowest = self.slice(from, to).iter().enumerate().min_by(|a, b| a.1.total_cmp(b.1));
        lowest.map_or((0.0, from), |(i, p)| (*p, self.time((first + i) as f64)))
    }

    fn slice(&self, from: f64, to: f64) -> &[f64] {
        if self.power.is_empty() {
            return &[];
        }
        let (a, b) = (self.index(from), self.index(to));
        &self.power[a..=b.max(a)]
    }

    /// First time from `from` on at which the level, less `offset`, reaches `target`; linear in amplitude.
    fn crossing(&self, from: f64, to: f64, offset: f64, target: f64) -> Option<f64> {
        let (a, b) = (self.index(from), self.index(to));
        let amp = |i: usize| (self.power[i] - offset).max(0.0).sqrt();
        let goal = target.sqrt();
        let i = (a..=b).find(|&i| i < self.power.len() && amp(i) >= goal)?;
        if i == a {
            return Some(self.time(i as f64));
        }
        let (low, high) = (amp(i - 1), amp(i));
        Some(self.time(i as f64 - (high - goal) / (high - low).max(1e-12)))
    }
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
    /// Rises out of silence or a dip (false: by a change of pitch alone).
    pub has_attack: bool,
}

/// Settled pitch of a note.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settled {
    /// Frequency, Hz.
    pub hz: f64,
    /// Half width, cents.
    pub uncertainty_cents: f64,
    /// First and last internal sample of the steady stretch.
    pub from: f64,
    /// See `from`.
    pub to: f64,
    /// Mean tone power over the stretch.
    pub power: f64,
}

/// Level instants of a note. Times are internal samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Instants {
    /// -20 dB of the attack peak.
    pub onset: f64,
    /// -12 dB of the attack peak.
    pub speaks: f64,
    /// 20 % and 90 % of the attack peak's amplitude.
    pub rise: (f64, f64),
    /// Energy from 2 % to its maximum.
    pub energy_rise: (f64, f64),
    /// Attack peak, mean square.
    pub peak: f64,
    /// Level just before the tone, mean square.
    pub before: f64,
}

/// Reads fronts out of the history; its lists are allocated once.
pub struct FrontReader {
    rate_hz: f64,
    steady: Vec<Point>,
    points: Vec<Point>,
    level: LevelTrack,
    sorted: Vec<f64>,
}

/// Most looks at one front: 500 ms at 2 ms.
const MAX_POINTS: usize = 400;
/// Most level values: 1.2 s at 1 ms.
const MAX_LEVELS: usize = 1_400;

impl FrontReader {
    /// A reader for an internal rate in Hz.
    #[must_use]
    pub fn new(rate_hz: f64) -> Self {
        Self {
            rate_hz,
            steady: Vec::with_capacity(MAX_POINTS),
            points: Vec::with_capacity(MAX_POINTS),
            level: LevelTrack { start: 0, step: 1.0, power: Vec::with_capacity(MAX_LEVELS) },
            sorted: Vec::with_capacity(MAX_POINTS),
        }
    }

    /// Looks at the front, oldest first.
    #[must_use]
    pub fn points(&self) -> &[Point] {
        &self.points
    }

    /// Level of the front.
    #[must_use]
    pub fn level(&self) -> &LevelTrack {
        &self.level
    }

    fn samples(&self, seconds: f64) -> f64 {
        seconds * self.rate_hz
    }

    fn look_at(&self, history: &History, time: f64, hz: f64, least_s: f64) -> Option<Look> {
        let freq = hz / self.rate_hz;
        let periods = LOOK_PERIODS.max(least_s * hz);
        let len = harmonic::window_len(freq, periods);
        let x = history.window(time.round() as i64 - len as i64 / 2, len)?;
        Some(harmonic::look_twice(x, freq, harmonic::num_harmonics(freq, self.rate_hz)))
    }

    /// The settled pitch: median over the steadiest stretch.
    pub fn settle(&mut self, history: &History, candidate: &Candidate) -> Option<Settled> {
        self.fill_steady(history, candidate);
        let num = ((STEADY_S / STEADY_HOP_S) as usize).min(self.steady.len());
        if num < 3 {
            return None;
        }
        let (first, last) = self.steadiest(num);
        let (first, last) = self.grow(first, last);
        let stretch = &self.steady[first..=last];
        let median = median_of(&mut self.sorted, stretch.iter().map(|p| p.cents));
        let spread = stretch.iter().map(|p| (p.cents - median).abs()).sum::<f64>() / stretch.len() as f64;
        Some(Settled {
            hz: crate::units::shift_cents(candidate.hz, median),
            uncertainty_cents: 0.2 + 2.0 * spread / (stretch.len() as f64).sqrt(),
            from: stretch[0].time,
            to: stretch[stretch.len() - 1].time,
            power: stretch.iter().map(|p| p.tone).sum::<f64>() / stretch.len() as f64,
        })
    }

    /// Looks along the first 600 ms; cents are relative to the coarse pitch.
    fn fill_steady(&mut self, history: &History, candidate: &Candidate) {
        self.steady.clear();
        let hop = self.samples(STEADY_HOP_S);
        let until = (candidate.end as f64).min(candidate.start as f64 + self.samples(SETTLE_RANGE_S));
        let mut time = candidate.start as f64;
        while time < until && self.steady.len() < MAX_POINTS {
            if let Some(look) = self.look_at(history, time, candidate.hz, STEADY_WINDOW_S) {
                let off = cents(look.freq * self.rate_hz, candidate.hz);
                if look.purity() > TONE_PURITY && off.abs() < 80.0 {
                    self.steady.push(point(&look, time, off));
                }
            }
            time += hop;
        }
    }

    /// The `num` looks in a row that differ least.
    fn steadiest(&mut self, num: usize) -> (usize, usize) {
        let mut best = (f64::MAX, 0);
        for first in 0..=self.steady.len() - num {
            let stretch = &self.steady[first..first + num];
            let median = median_of(&mut self.sorted, stretch.iter().map(|p| p.cents));
            let spread: f64 = stretch.iter().map(|p| (p.cents - median).abs()).sum();
            if spread < best.0 {
                best = (spread, first);
            }
        }
        (best.1, best.1 + num - 1)
    }

    fn grow(&mut self, mut first: usize, mut last: usize) -> (usize, usize) {
        let median = median_of(&mut self.sorted, self.steady[first..=last].iter().map(|p| p.cents));
        let near = |p: &Point| (p.cents - median).abs() <= STEADY_HALF_WIDTH_CENTS;
        while first > 0 && near(&self.steady[first - 1]) {
            first -= 1;
        }
        while last + 1 < self.steady.len() && near(&self.steady[last + 1]) {
            last += 1;
        }
        (first, last)
    }

    /// Follows the tone backwards from the steady stretch to `earliest`. Cents are from the settled pitch.
    pub fn follow_back(&mut self, history: &History, candidate: &Candidate, settled: &Settled) {
        let hop = self.samples(FRONT_HOP_S).max(self.rate_hz / settled.hz / 4.0);
        let earliest = self.earliest(candidate) as f64;
        self.points.clear();
        let mut time = settled.from.min(candidate.start as f64 + self.samples(0.35)) + hop;
        let mut hz = settled.hz;
        while time > earliest && self.points.len() < MAX_POINTS {
            if let Some(look) = self.look_at(history, time, hz, FRONT_WINDOW_S) {
                let found = look.freq * self.rate_hz;
                let is_tone = look.purity() > TONE_PURITY && cents(found, hz).abs() < MAX_LEAP_CENTS;
                if is_tone {
                    hz = found;
                }
                self.points.push(Point { is_tone, ..point(&look, time, cents(found, settled.hz)) });
            }
            time -= hop;
        }
        self.points.reverse();
    }

    /// Middle of a change of pitch near `boundary`: where the new pitch explains as much as the old.
    pub fn slur_middle(&mut self, history: &History, boundary: f64, old_hz: f64, new_hz: f64) -> f64 {
        let hop = self.samples(FRONT_HOP_S);
        let reach = self.samples(SLUR_REACH_S);
        self.sorted.clear();
        let num = (2.0 * reach / hop) as usize;
        for i in 0..num.min(self.sorted.capacity()) {
            let time = boundary - reach + i as f64 * hop;
            self.sorted.push(self.preference(history, time, old_hz, new_hz).unwrap_or(0.0));
        }
        let (low, high) =
            (self.sorted.iter().copied().fold(0.0, f64::min), self.sorted.iter().copied().fold(0.0, f64::max));
        let level = 0.5 * (low + high);
        let middle = num as f64 / 2.0;
        let crossings = (1..self.sorted.len()).filter(|&i| self.sorted[i - 1] < level && self.sorted[i] >= level);
        let nearest = crossings.min_by(|a, b| (*a as f64 - middle).abs().total_cmp(&(*b as f64 - middle).abs()));
        nearest.map_or(boundary, |i| {
            let (a, b) = (self.sorted[i - 1], self.sorted[i]);
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
            harmonic::look(x, freq, harmonic::num_harmonics(freq, self.rate_hz)).purity()
        };
        Some(share(new_hz) - share(old_hz))
    }

    fn earliest(&self, candidate: &Candidate) -> i64 {
        candidate.earliest.max(candidate.start - self.samples(LOOK_BACK_S) as i64)
    }

    /// Fills the level track around the front and finds the instants in it.
    pub fn find_instants(&mut self, history: &History, candidate: &Candidate, hz: f64) -> Option<Instants> {
        let (start, end) = (candidate.start, candidate.end);
        let from = self.earliest(candidate);
        let to = end.min(start + self.samples(PEAK_RANGE_S + 0.25) as i64);
        self.level.fill(history, from, to, self.samples(0.001), self.rate_hz / hz);
        let peak = self.level.max(start as f64, (start as f64 + self.samples(PEAK_RANGE_S)).min(to as f64));
        let rise = self.first_rise(from as f64, to as f64, peak)?;
        Some(self.instants(rise, to as f64, peak))
    }

    /// Time of the lowest level before the first rise to -20 dB of the peak.
    fn first_rise(&self, from: f64, to: f64, peak: f64) -> Option<f64> {
        let mut lowest = (f64::MAX, from);
        let (a, b) = (self.level.index(from), self.level.index(to));
        for i in a..=b {
            let p = *self.level.power.get(i)?;
            if p < lowest.0 {
                lowest = (p, self.level.time(i as f64));
            } else if p >= ONSET_SHARE * peak && p >= 4.0 * lowest.0 {
                return Some(lowest.1);
            }
        }
        Some(lowest.1)
    }

    fn instants(&self, valley: f64, to: f64, peak: f64) -> Instants {
        let level = &self.level;
        let before = level.at(valley);
        let at = |share: f64| level.crossing(valley, to, 0.0, share * peak).unwrap_or(valley);
        let (a20, a90) = (at(0.04), at(0.81));
        let (e2, e100) = (at(0.02), at(0.999));
        Instants {
            onset: at(ONSET_SHARE),
            speaks: at(SPEAKS_SHARE),
            rise: (a20, a90),
            energy_rise: (e2, e100),
            peak,
            before,
        }
    }
}

fn point(look: &Look, time: f64, cents: f64) -> Point {
    // A Hann window of three periods keeps half of any noise inside the harmonics' own bins.
    let rest = 2.0 * (look.total_power - look.tone_power).max(0.0);
    Point { time: time + look.time_offset, cents, tone: look.tone_power, rest, is_tone: true }
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

/// Level in dB of a share of power, for words and pictures.
#[must_use]
pub fn share_db(power: f64, reference: f64) -> f64 {
    power_to_db(power.max(1e-20) / reference.max(1e-20))
}
