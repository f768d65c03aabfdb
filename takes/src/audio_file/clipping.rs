//! Finds flat tops: where the converter or the level ran out of numbers.
//!
//! This is done per channel and before mixing and resampling, since both hide it.

/// A flat top lies at least this high (1 = full scale): takes are clipped near full scale \[P\]. It holds
/// the rails of every integer width but 8 bits' upper one (0.992), and mild level changes after clipping.
const RAIL: f32 = 0.98;
/// A flat top lasts at least this long, in seconds. The peak of a full-scale sine at Bb1 (58 Hz) in 16 bits
/// stays on one value for 30 us \[C\].
const MIN_FLAT_S: f64 = 62.5e-6;
/// And at least this many samples.
const MIN_FLAT_SAMPLES: u32 = 3;
/// Flat tops closer than this, in seconds, are told as one place.
const MERGE_S: f64 = 0.5;
/// Places kept; further ones are counted.
pub const MAX_PLACES: usize = 8;

/// Where a take is clipped.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Clipping {
    /// The first places, in seconds, at most [`MAX_PLACES`].
    pub places_s: Vec<f64>,
    /// All places.
    pub num_places: usize,
    /// The last one, in seconds.
    pub last_s: f64,
}

#[derive(Clone, Copy, Default)]
struct Run {
    value: f32,
    len: u32,
}

/// Watches interleaved samples for flat tops.
pub struct ClipWatch {
    runs: Vec<Run>,
    min_run: u32,
    sample_rate_hz: f64,
    num_frames: u64,
    found: Clipping,
}

impl ClipWatch {
    /// A watch over channels at `sample_rate_hz`.
    pub fn new(num_channels: usize, sample_rate_hz: u32) -> Self {
        let sample_rate_hz = f64::from(sample_rate_hz);
        let min_run = ((sample_rate_hz * MIN_FLAT_S) as u32).max(MIN_FLAT_SAMPLES);
        let runs = vec![Run::default(); num_channels];
        Self { runs, min_run, sample_rate_hz, num_frames: 0, found: Clipping::default() }
    }

    /// Watches the next interleaved frames, of the channels in `used` only.
    pub fn push(&mut self, interleaved: &[f32], used: &[usize]) {
        for frame in interleaved.chunks_exact(self.runs.len()) {
            let mut is_flat = false;
            for &channel in used {
                is_flat |= self.runs[channel].extend(frame[channel], self.min_run);
            }
            if is_flat {
                let start = (self.num_frames + 1).saturating_sub(u64::from(self.min_run));
                self.note(start as f64 / self.sample_rate_hz);
            }
            self.num_frames += 1;
        }
    }

    fn note(&mut self, at_s: f64) {
        let is_new = self.found.num_places == 0 || at_s - self.found.last_s > MERGE_S;
        self.found.last_s = at_s;
        if is_new {
            self.found.num_places += 1;
            if self.found.places_s.len() < MAX_PLACES {
                self.found.places_s.push(at_s);
            }
        }
    }

    /// What was found so far.
    pub fn found(&self) -> &Clipping {
        &self.found
    }
}

impl Run {
    /// True when the run of equal samples is long enough to be a flat top.
    fn extend(&mut self, sample: f32, min_run: u32) -> bool {
        if sample.abs() < RAIL {
            self.len = 0;
        } else if self.len > 0 && sample == self.value {
            self.len = self.len.saturating_add(1);
        } else {
            *self = Self { value: sample, len: 1 };
        }
        self.len >= min_run
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: u32 = 48_000;

    fn watch(samples: impl Iterator<Item = f32>) -> Clipping {
        let mut watch = ClipWatch::new(1, RATE);
        watch.push(&samples.collect::<Vec<_>>(), &[0]);
        watch.found().clone()
    }

    fn sine(gain: f64) -> impl Iterator<Item = f32> {
        (0..RATE).map(move |i| {
            let x = gain * (2.0 * std::f64::consts::PI * 116.54 * f64::from(i) / f64::from(RATE)).sin();
            // Through a 16-bit converter.
            ((x.clamp(-1.0, 1.0) * 32767.0).round() / 32768.0) as f32
        })
    }

    #[test]
    fn a_full_scale_sine_is_not_clipped() {
        assert_eq!(watch(sine(1.0)).num_places, 0);
    }

    #[test]
    fn an_overdriven_sine_is_one_place() {
        let found = watch(sine(1.5));
        assert_eq!(found.num_places, 1);
        // sin x = 1/1.5 first at x = 0.7297 rad: 0.997 ms \[C\]; within a sample.
        assert!((found.places_s[0] - 0.000_997).abs() < 2.0 / f64::from(RATE), "{found:?}");
    }

    #[test]
    fn places_apart_are_told_apart_and_counted() {
        let burst_every_second = (0..20 * RATE).map(|i| if i % RATE < 10 { 1.0 } else { 0.1 * (i % 7) as f32 });
        let found = watch(burst_every_second);
        assert_eq!((found.num_places, found.places_s.len()), (20, MAX_PLACES));
        assert!((found.last_s - 19.0).abs() < 0.001);
    }

    #[test]
    fn only_the_channels_used_are_watched() {
        let mut watch = ClipWatch::new(2, RATE);
        watch.push(&[0.0, 1.0].repeat(100), &[0]);
        assert_eq!(watch.found().num_places, 0);
    }
}
