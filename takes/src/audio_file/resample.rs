//! Brings rates above what the analysis takes down by a whole factor, and a sound to the rate it is heard at.

use notefront_dsp::analyzer::SAMPLE_RATE_RANGE_HZ;
use rubato::audioadapter_buffers::direct::InterleavedSlice;
use rubato::{Fft, FixedSync, Indexing, Resampler};

/// The rate aimed for, in Hz: nothing of a trombone's attack lies above its half.
const TARGET_RATE_HZ: f64 = 96_000.0;
/// Frames put out at once.
const CHUNK_LEN: usize = 1024;

/// A change of rate, its delay taken out: the first sample out lies at the first sample in.
pub struct Decimator {
    resampler: Fft<f32>,
    /// So many samples in make so many out.
    ratio: (u64, u64),
    waiting: Vec<f32>,
    out: Vec<f32>,
    delay_left: usize,
    num_in: u64,
    num_out: u64,
}

/// Factor by which a rate must be divided; 1 when the analysis takes it as it is.
pub fn factor(sample_rate_hz: u32) -> usize {
    let rate = f64::from(sample_rate_hz);
    if rate <= SAMPLE_RATE_RANGE_HZ.1 { 1 } else { (rate / TARGET_RATE_HZ).ceil() as usize }
}

impl Decimator {
    /// `None` when the factor is 1 and there is nothing to do.
    pub fn new(factor: usize) -> Option<Self> {
        if factor <= 1 { None } else { Self::between(factor, 1, CHUNK_LEN * factor) }
    }

    /// From one rate to another; `None` where one of them is 0.
    fn between(from: usize, to: usize, chunk_len: usize) -> Option<Self> {
        let resampler = Fft::new(from, to, chunk_len, 1, FixedSync::Both).ok()?;
        Some(Self {
            delay_left: resampler.output_delay(),
            waiting: Vec::with_capacity(2 * resampler.input_frames_max()),
            out: vec![0.0; resampler.output_frames_max()],
            resampler,
            ratio: (from as u64, to as u64),
            num_in: 0,
            num_out: 0,
        })
    }

    /// Takes mono samples and appends what is ready to `out`.
    pub fn push(&mut self, mono: &[f32], out: &mut Vec<f32>) {
        self.num_in += mono.len() as u64;
        self.waiting.extend_from_slice(mono);
        let chunk_len = self.resampler.input_frames_next();
        let num_whole = self.waiting.len() / chunk_len * chunk_len;
        for start in (0..num_whole).step_by(chunk_len) {
            self.process(start, chunk_len, out);
        }
        self.waiting.drain(..num_whole);
    }

    /// No more samples come: appends the rest, so that as much time came out as went in, the last sample begun.
    pub fn finish(&mut self, out: &mut Vec<f32>) {
        let rest = self.waiting.len();
        self.waiting.resize(self.resampler.input_frames_next(), 0.0);
        let mut len = rest;
        while self.num_out < self.wanted() {
            self.process(0, len, out);
            self.waiting.fill(0.0);
            len = 0;
        }
        self.waiting.clear();
    }

    /// Samples that are to come out of those that went in.
    fn wanted(&self) -> u64 {
        (self.num_in * self.ratio.1).div_ceil(self.ratio.0)
    }

    fn process(&mut self, start: usize, len: usize, out: &mut Vec<f32>) {
        let chunk_len = self.resampler.input_frames_next();
        let input = &self.waiting[start..start + chunk_len];
        let room = self.out.len();
        let produced = InterleavedSlice::new(input, 1, chunk_len).ok().and_then(|input| {
            let mut output = InterleavedSlice::new_mut(&mut self.out, 1, room).ok()?;
            let indexing = Indexing::new().partial_len(len);
            let (_, produced) = self.resampler.process_into_buffer(&input, &mut output, Some(&indexing)).ok()?;
            Some(produced)
        });
        // Sizes are those the resampler asked for, so it cannot refuse; if it ever did, silence keeps the time.
        let produced = produced.unwrap_or_else(|| {
            self.out.fill(0.0);
            room
        });
        self.keep(produced, out);
    }

    /// Drops the resampler's start-up delay, and never puts out more than there was sound for.
    fn keep(&mut self, produced: usize, out: &mut Vec<f32>) {
        let dropped = self.delay_left.min(produced);
        self.delay_left -= dropped;
        let wanted = self.wanted() - self.num_out;
        let kept = (produced - dropped).min(usize::try_from(wanted).unwrap_or(usize::MAX));
        out.extend_from_slice(&self.out[dropped..dropped + kept]);
        self.num_out += kept as u64;
    }
}

/// The same sound at another rate, Hz. Allocates.
#[must_use]
pub fn resampled(samples: &[f32], from_hz: f64, to_hz: f64) -> Vec<f32> {
    let (from, to) = (from_hz.round().max(0.0) as usize, to_hz.round().max(0.0) as usize);
    let changed = if from == to { None } else { Decimator::between(from, to, CHUNK_LEN) };
    let Some(mut changed) = changed else { return samples.to_vec() };
    let mut out = Vec::new();
    changed.push(samples, &mut out);
    changed.finish(&mut out);
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rates_the_analysis_takes_are_left_alone() {
        for hz in [8_000, 44_100, 48_000, 192_000] {
            assert_eq!(factor(hz), 1);
        }
        assert_eq!(factor(192_001), 3);
        assert_eq!(factor(384_000), 4);
        assert_eq!(factor(768_000), 8);
    }

    #[test]
    fn a_tone_keeps_its_level_and_its_time() {
        // 1 kHz at 384 kHz: out must be the same sine sampled at 96 kHz, in blocks of odd size. The edges
        // (10 ms) are left out, where the filter meets silence. 1e-3 = -60 dB, far under any room.
        let sine = |rate: f64, i: usize| (2.0 * std::f64::consts::PI * 1000.0 * i as f64 / rate).sin() as f32;
        let input: Vec<f32> = (0..384_000).map(|i| sine(384_000.0, i)).collect();
        let mut decimator = Decimator::new(4).expect("a factor above 1");
        let mut out = Vec::new();
        for block in input.chunks(1237) {
            decimator.push(block, &mut out);
        }
        decimator.finish(&mut out);
        assert_eq!(out.len(), 96_000);
        for (i, &got) in out.iter().enumerate().skip(960).take(96_000 - 2 * 960) {
            assert!((got - sine(96_000.0, i)).abs() < 1e-3, "sample {i}: {got}");
        }
    }

    #[test]
    fn the_shortest_take_gives_one_sample() {
        let mut decimator = Decimator::new(4).expect("a factor above 1");
        let mut out = Vec::new();
        decimator.push(&[0.5], &mut out);
        decimator.finish(&mut out);
        assert_eq!(out.len(), 1);
    }
}
