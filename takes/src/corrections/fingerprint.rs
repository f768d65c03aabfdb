//! Which sound a file of corrections belongs to, told from the sound itself: the instants at which its level rises.
//! They stay where they are when a take is renamed, made louder, resampled or encoded, and move together when its
//! beginning is cut off. Two takes of the same music share hardly any to within milliseconds.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::HashMap;

/// Time between two levels, s.
const STEP_S: f64 = 0.005;
/// Levels on each side of an instant whose means are compared: 40 ms.
const SIDE: usize = 8;
/// A rise is the highest within this many levels on each side: 100 ms.
const ALONE: usize = 20;
/// Smallest rise kept, dB.
const LEAST_RISE_DB: f32 = 5.0;
/// Levels further under the loudest count as silence, dB: what lies there is the recorder's, not the player's.
const SILENCE_DB: f32 = 45.0;
/// Band listened to, Hz: in every recording from 8 kHz up, and above rumble.
const BAND_HZ: (f64, f64) = (100.0, 1_500.0);
/// Most rises kept; of more the highest.
const MAX_RISES: usize = 1_500;
/// Two rises are the same where they differ by no more, s and dB. \[H\]
const SAME_S: f64 = 0.008;
/// See [`SAME_S`].
const SAME_DB: f64 = 4.0;
/// Width of a vote for an offset, s.
const VOTE_S: f64 = 0.004;
/// Share of the rises in the time both cover that must be the same, for many and for few. \[H\]
const SHARE: (f64, f64) = (0.6, 0.8);
/// From so many on, they are many.
const MANY: usize = 10;
/// Fewer rises than these tell no sound from another.
const LEAST_SAME: usize = 4;
/// Sounds too plain to be told apart are the same if their lengths are, s.
const SAME_LENGTH_S: f64 = 0.05;

/// The fingerprint of a sound.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Fingerprint {
    /// Length, seconds.
    pub duration_s: f64,
    /// Rises of the level between 100 and 1500 Hz, 40 ms against the 40 ms before: seconds from the first sample, and dB.
    pub rises: Vec<(f64, f64)>,
}

impl Fingerprint {
    /// By how many seconds this sound's times are later than those of another; `None` where it is another sound.
    #[must_use]
    pub fn later_than(&self, other: &Self) -> Option<f64> {
        if self.rises.len().min(other.rises.len()) < LEAST_SAME {
            let is_as_long = (self.duration_s - other.duration_s).abs() <= SAME_LENGTH_S;
            let is_alike = self.rises.len() == other.rises.len() && self.num_same(other, 0.0) == self.rises.len();
            return (is_as_long && is_alike).then_some(0.0);
        }
        let later_s = self.voted(other)?;
        let num_same = self.num_same(other, later_s);
        let num_here = self.rises.iter().filter(|r| other.covers(r.0 - later_s)).count();
        let num_there = other.rises.iter().filter(|r| self.covers(r.0 + later_s)).count();
        let num = num_here.min(num_there);
        let share = if num >= MANY { SHARE.0 } else { SHARE.1 };
        (num_same >= LEAST_SAME && num_same as f64 >= share * num as f64).then_some(later_s)
    }

    fn covers(&self, at_s: f64) -> bool {
        (0.0..=self.duration_s).contains(&at_s)
    }

    /// The offset that most pairs of rises agree on: the middle of their own.
    fn voted(&self, other: &Self) -> Option<f64> {
        let pairs = || {
            let alike = |a: &(f64, f64), b: &(f64, f64)| (a.1 - b.1).abs() <= SAME_DB;
            self.rises.iter().flat_map(move |a| other.rises.iter().filter(move |b| alike(a, b)).map(move |b| a.0 - b.0))
        };
        let mut votes: HashMap<i64, u32> = HashMap::new();
        for later_s in pairs() {
            *votes.entry((later_s / VOTE_S).round() as i64).or_default() += 1;
        }
        let around = |bin: i64| (bin - 1..=bin + 1).filter_map(|k| votes.get(&k)).sum::<u32>();
        let best = votes.keys().copied().max_by_key(|&bin| (around(bin), votes[&bin], -bin.abs()))?;
        let mut near: Vec<f64> = pairs().filter(|later_s| (later_s / VOTE_S - best as f64).abs() <= 1.5).collect();
        near.sort_by(f64::total_cmp);
        near.get(near.len() / 2).copied()
    }

    fn num_same(&self, other: &Self, later_s: f64) -> usize {
        let mut theirs = other.rises.iter().map(|r| (r.0 + later_s, r.1)).peekable();
        let mut num = 0;
        for ours in &self.rises {
            while theirs.next_if(|t| t.0 < ours.0 - SAME_S).is_some() {}
            let is_same = |t: &(f64, f64)| (t.0 - ours.0).abs() <= SAME_S && (t.1 - ours.1).abs() <= SAME_DB;
            num += usize::from(theirs.next_if(is_same).is_some());
        }
        num
    }
}

/// Hears a sound block by block for its fingerprint.
#[derive(Debug, Clone)]
pub struct Listener {
    rate_hz: f64,
    low: Biquad,
    high: Biquad,
    /// Sum of squares and samples of the step under way.
    power: (f64, u32),
    at: u64,
    levels_db: Vec<f32>,
}

impl Listener {
    /// For sound at a rate, Hz.
    #[must_use]
    pub fn new(rate_hz: f64) -> Self {
        let (low, high) = (Biquad::new(BAND_HZ.1 / rate_hz, false), Biquad::new(BAND_HZ.0 / rate_hz, true));
        Self { rate_hz, low, high, power: (0.0, 0), at: 0, levels_db: Vec::new() }
    }

    /// The next samples; those that are no numbers count as silence.
    pub fn push(&mut self, samples: &[f32]) {
        for &sample in samples {
            let sample = if sample.is_finite() { f64::from(sample) } else { 0.0 };
            let heard = self.high.next(self.low.next(sample));
            self.power.0 += heard * heard;
            self.power.1 += 1;
            self.at += 1;
            if self.at as f64 >= (self.levels_db.len() + 1) as f64 * STEP_S * self.rate_hz {
                let mean = self.power.0 / f64::from(self.power.1);
                self.levels_db.push((10.0 * mean.max(1e-20).log10()) as f32);
                self.power = (0.0, 0);
            }
        }
    }

    /// The fingerprint of all that was heard.
    #[must_use]
    pub fn finish(mut self) -> Fingerprint {
        let loudest = self.levels_db.iter().copied().fold(f32::NEG_INFINITY, f32::max);
        for level in &mut self.levels_db {
            *level = level.max(loudest - SILENCE_DB);
        }
        let steps = rises_of(&self.levels_db);
        let mut rises: Vec<(usize, f32)> =
            (0..steps.len()).filter(|&i| is_peak(&steps, i)).map(|i| (i, steps[i])).collect();
        rises.sort_by(|a, b| b.1.total_cmp(&a.1));
        rises.truncate(MAX_RISES);
        rises.sort_by_key(|rise| rise.0);
        let told = rises.iter().map(|&(i, db)| (thousandth(time_s(&steps, i)), (f64::from(db) * 10.0).round() / 10.0));
        Fingerprint { duration_s: thousandth(self.at as f64 / self.rate_hz), rises: told.collect() }
    }
}

fn thousandth(value: f64) -> f64 {
    (value * 1e3).round() / 1e3
}

/// Mean level after each border between two steps against that before it, dB; 0 where there is too little of either.
fn rises_of(levels: &[f32]) -> Vec<f32> {
    let mean = |part: &[f32]| part.iter().sum::<f32>() / SIDE as f32;
    let rise = |i: usize| match (i.checked_sub(SIDE), levels.get(i..i + SIDE)) {
        (Some(from), Some(after)) => mean(after) - mean(&levels[from..i]),
        _ => 0.0,
    };
    (0..levels.len()).map(rise).collect()
}

/// The highest rise far and wide; of equal ones the first.
fn is_peak(steps: &[f32], i: usize) -> bool {
    let (before, after) = (&steps[i.saturating_sub(ALONE)..i], &steps[i + 1..steps.len().min(i + 1 + ALONE)]);
    steps[i] >= LEAST_RISE_DB && before.iter().all(|&s| s < steps[i]) && after.iter().all(|&s| s <= steps[i])
}

/// The peak of the parabola through a rise and its neighbours, s.
fn time_s(steps: &[f32], i: usize) -> f64 {
    let at = |k: usize| f64::from(steps.get(k).copied().unwrap_or(0.0));
    let (before, here, after) = (at(i.wrapping_sub(1)), at(i), at(i + 1));
    let bend = before - 2.0 * here + after;
    let part = if bend < -1e-9 { (0.5 * (before - after) / bend).clamp(-0.5, 0.5) } else { 0.0 };
    (i as f64 + part) * STEP_S
}

/// A second-order Butterworth filter by the bilinear transform.
#[derive(Debug, Clone)]
struct Biquad {
    b: [f64; 3],
    a: [f64; 2],
    state: [f64; 2],
}

impl Biquad {
    /// `corner` as a share of the rate; high-pass or low-pass.
    fn new(corner: f64, is_high: bool) -> Self {
        let k = (std::f64::consts::PI * corner.min(0.45)).tan();
        let norm = 1.0 / (1.0 + std::f64::consts::SQRT_2 * k + k * k);
        let b = if is_high { [norm, -2.0 * norm, norm] } else { [k * k * norm, 2.0 * k * k * norm, k * k * norm] };
        let a = [2.0 * (k * k - 1.0) * norm, (1.0 - std::f64::consts::SQRT_2 * k + k * k) * norm];
        Self { b, a, state: [0.0; 2] }
    }

    fn next(&mut self, x: f64) -> f64 {
        let y = self.b[0] * x + self.state[0];
        self.state[0] = self.b[1] * x - self.a[0] * y + self.state[1];
        self.state[1] = self.b[2] * x - self.a[1] * y;
        y
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Notes of a second's phrase that begin at uneven times, over a noise floor; the same dice for the same seed.
    fn phrase(rate_hz: f64, seed: u64, gain: f32) -> Vec<f32> {
        let mut dice = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
        let mut draw = move || {
            dice ^= dice << 13;
            dice ^= dice >> 7;
            dice ^= dice << 17;
            (dice >> 11) as f64 / (1u64 << 53) as f64
        };
        let notes: Vec<(f64, f64, f64)> = (0..24)
            .map(|k| (0.4 + 0.5 * f64::from(k) + 0.12 * draw(), 0.25 + 0.15 * draw(), 110.0 + 300.0 * draw()))
            .collect();
        let at = |t: f64| -> f64 {
            let sounding = notes.iter().filter(|&&(start, length, _)| t > start && t < start + length);
            let of = |&(start, length, hz): &(f64, f64, f64)| {
                let envelope = ((t - start) / 0.02).clamp(0.0, 1.0) * ((start + length - t) / 0.04).clamp(0.0, 1.0);
                0.3 * envelope * (2.0 * std::f64::consts::PI * hz * t).sin()
            };
            sounding.map(of).sum()
        };
        (0..(13.0 * rate_hz) as usize).map(|i| at(i as f64 / rate_hz) as f32 * gain).collect()
    }

    fn heard(rate_hz: f64, samples: &[f32]) -> Fingerprint {
        let mut listener = Listener::new(rate_hz);
        for block in samples.chunks(777) {
            listener.push(block);
        }
        listener.finish()
    }

    #[test]
    fn the_same_sound_is_found_at_other_rates_levels_and_cuts() {
        let whole = heard(48_000.0, &phrase(48_000.0, 5, 1.0));
        assert!(whole.rises.len() >= 20, "{whole:?}");
        for rate_hz in [8_000.0, 16_000.0, 22_050.0, 44_100.0, 96_000.0] {
            for gain in [1.0, 0.05] {
                let sound = phrase(rate_hz, 5, gain);
                for cut_s in [0.0, 0.7, 3.333] {
                    let trimmed = heard(rate_hz, &sound[(cut_s * rate_hz) as usize..sound.len() - rate_hz as usize]);
                    let later_s = trimmed.later_than(&whole).unwrap_or_else(|| panic!("{rate_hz} {gain} {cut_s}"));
                    // Two ms: less than a hand can move an entrance by.
                    assert!((later_s + cut_s).abs() < 0.002, "{rate_hz} {gain} {cut_s}: {later_s}");
                }
            }
        }
    }

    #[test]
    fn another_take_of_the_same_beat_is_another_sound() {
        let one = heard(16_000.0, &phrase(16_000.0, 5, 1.0));
        for seed in 6..30 {
            assert_eq!(heard(16_000.0, &phrase(16_000.0, seed, 1.0)).later_than(&one), None, "seed {seed}");
        }
    }

    #[test]
    fn plain_sounds_are_the_same_where_they_are_as_long() {
        let silence = |seconds: usize| heard(48_000.0, &vec![0.0; 48_000 * seconds]);
        assert_eq!(silence(2).later_than(&silence(2)), Some(0.0));
        assert_eq!(silence(2).later_than(&silence(3)), None);
        assert_eq!(heard(48_000.0, &[]).later_than(&heard(44_100.0, &[])), Some(0.0));
        assert!(heard(48_000.0, &[f32::NAN; 9_000]).rises.is_empty());
    }
}
