//! The count-in and the click: which beat begins at which sample, and what it sounds like.

use serde::{Deserialize, Serialize};

/// What the player may set, beats per minute.
pub const TEMPO_RANGE: (f64, f64) = (30.0, 240.0);
/// Beats of a bar.
pub const BEATS_RANGE: (u32, u32) = (1, 12);
/// Length of a click, seconds: over before a horn speaks to it.
const CLICK_S: f64 = 0.025;
/// Its decay, seconds to 1/e.
const DECAY_S: f64 = 0.004;
/// Pitch on the first beat of a bar and on the others, Hz: over the horn's strong harmonics, where loudspeakers of
/// any size still sound \[H\].
const PITCH_HZ: (f64, f64) = (2400.0, 1800.0);
/// Peak, re full scale: 6 dB of room over a click that is mixed with nothing.
const PEAK: f64 = 0.5;

/// A click track: steady beats.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Beats {
    /// Beats per minute.
    pub tempo_bpm: f64,
    /// Beats of a bar.
    pub per_bar: u32,
    /// Bars counted before bar 1.
    pub count_in_bars: u32,
    /// It goes on after the count-in.
    pub goes_on: bool,
}

impl Beats {
    /// Beats before bar 1.
    #[must_use]
    pub fn num_count_in(&self) -> u64 {
        u64::from(self.count_in_bars) * u64::from(self.per_bar)
    }

    /// First sample of beat `index`, counted from the first of the count-in. Rounded from the exact time, so that
    /// no error adds up.
    #[must_use]
    pub fn sample_of(&self, index: u64, rate_hz: f64) -> u64 {
        (index as f64 * 60.0 / self.tempo_bpm * rate_hz).round() as u64
    }

    /// The beat under way at a sample.
    #[must_use]
    pub fn beat_at(&self, sample: u64, rate_hz: f64) -> u64 {
        let near = (sample as f64 * self.tempo_bpm / 60.0 / rate_hz).round() as u64;
        if self.sample_of(near, rate_hz) > sample { near - 1 } else { near }
    }

    fn sounds(&self, index: u64) -> bool {
        self.goes_on || index < self.num_count_in()
    }
}

/// The sounds, made once.
#[derive(Debug, Clone)]
pub struct Clicks {
    rate_hz: f64,
    first: Vec<f32>,
    other: Vec<f32>,
}

impl Clicks {
    /// The sounds at a rate. Allocates.
    #[must_use]
    pub fn new(rate_hz: f64) -> Self {
        Self { rate_hz, first: sound(PITCH_HZ.0, rate_hz), other: sound(PITCH_HZ.1, rate_hz) }
    }

    /// Adds the clicks of a stretch that begins at `from`, samples from the first beat. No allocation.
    pub fn add(&self, beats: &Beats, from: u64, into: &mut [f32]) {
        let end = from + into.len() as u64;
        let mut index = beats.beat_at(from, self.rate_hz);
        loop {
            let start = beats.sample_of(index, self.rate_hz);
            if start >= end {
                return;
            }
            if beats.sounds(index) {
                let is_first = index.is_multiple_of(u64::from(beats.per_bar.max(1)));
                mix(if is_first { &self.first } else { &self.other }, start, from, into);
            }
            index += 1;
        }
    }
}

/// Adds what of a sound that starts at `start` falls into a stretch from `from` on.
pub(super) fn mix(sound: &[f32], start: u64, from: u64, into: &mut [f32]) {
    let skipped = usize::try_from(from.saturating_sub(start)).unwrap_or(usize::MAX).min(sound.len());
    let at = usize::try_from(start.saturating_sub(from)).unwrap_or(usize::MAX).min(into.len());
    for (out, sample) in into[at..].iter_mut().zip(&sound[skipped..]) {
        *out += sample;
    }
}

fn sound(pitch_hz: f64, rate_hz: f64) -> Vec<f32> {
    let len = (CLICK_S * rate_hz) as usize;
    let at = |i: usize| {
        let s = i as f64 / rate_hz;
        // A cosine: the first sample is the loudest, so the click begins where its beat does.
        (PEAK * (std::f64::consts::TAU * pitch_hz * s).cos() * (-s / DECAY_S).exp()) as f32
    };
    (0..len).map(at).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE_HZ: f64 = 44_100.0;

    fn beats(tempo_bpm: f64) -> Beats {
        Beats { tempo_bpm, per_bar: 4, count_in_bars: 1, goes_on: true }
    }

    /// Where the loudest sample of each click lies.
    fn heard(beats: &Beats, block: usize, len: usize) -> Vec<usize> {
        let clicks = Clicks::new(RATE_HZ);
        let mut sound = vec![0.0f32; len];
        let mut from = 0;
        for part in sound.chunks_mut(block) {
            clicks.add(beats, from, part);
            from += part.len() as u64;
        }
        (0..len).filter(|&i| sound[i] >= PEAK as f32).collect()
    }

    #[test]
    fn clicks_stand_to_the_sample_whatever_the_blocks() {
        // 61 a minute at 44.1 kHz: a beat is 43377.049 samples.
        let expected = [0, 43_377, 86_754, 130_131, 173_508];
        for block in [1, 37, 512, 200_000] {
            assert_eq!(heard(&beats(61.0), block, 200_000), expected, "{block}");
        }
        // No error adds up: beat 1000 of 120 a minute lies at 500 s.
        assert_eq!(beats(120.0).sample_of(1000, RATE_HZ), 22_050_000);
    }

    #[test]
    fn the_click_ends_with_the_count_in_when_it_is_not_to_go_on() {
        let count_in = Beats { goes_on: false, ..beats(240.0) };
        assert_eq!(heard(&count_in, 512, 100_000).len(), 4);
        assert_eq!(count_in.num_count_in(), 4);
    }

    #[test]
    fn every_sample_belongs_to_the_beat_it_lies_in() {
        let beats = beats(61.0);
        for (sample, beat) in [(0, 0), (43_376, 0), (43_377, 1), (86_753, 1), (86_754, 2)] {
            assert_eq!(beats.beat_at(sample, RATE_HZ), beat, "{sample}");
        }
    }

    #[test]
    fn the_first_of_a_bar_sounds_higher() {
        let clicks = Clicks::new(RATE_HZ);
        let crossings = |s: &[f32]| s[..400].windows(2).filter(|w| w[0] * w[1] < 0.0).count();
        assert!(crossings(&clicks.first) > crossings(&clicks.other));
    }
}
