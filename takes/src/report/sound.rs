//! Sound for the page: the fronts as FLAC at one loudness, within a size.
//!
//! FLAC (RFC 9639) is free, lossless, and played by every browser of the last years.

use crate::audio_file::resample::Decimator;
use crate::audio_file::{AudioFile, ReadError};
use crate::compare::HeardTake;
use crate::loudness;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use flacenc::bitsink::ByteSink;
use flacenc::component::BitRepr;
use flacenc::error::Verify;

/// Sound before an entrance, s: the player hears where it comes from.
pub const BEFORE_S: f64 = 0.3;
/// Sound after it, s: the front, and enough of the note to know it.
pub const AFTER_S: f64 = 1.0;
/// Clips that would be longer are cut in two between entrances, so that none takes long to decode, s.
const LONGEST_CLIP_S: f64 = 30.0;
/// Lowest rates the sound is brought down to, Hz, the best first: the air of a front reaches about 10 kHz \[P\].
const RATES_HZ: [f64; 3] = [22_000.0, 14_500.0, 10_900.0];
/// Samples of a FLAC block.
const FLAC_BLOCK: usize = 4096;

/// A stretch of sound for several entrances that lie near one another.
#[derive(Debug, Clone, PartialEq)]
pub struct Clip {
    /// Where it begins in the take, s.
    pub start_s: f64,
    /// Where it ends, s.
    pub end_s: f64,
    /// The FLAC stream in base64.
    pub flac_base64: String,
}

/// The stretches in seconds that entrances at these times need: rising, joined where they touch.
#[must_use]
pub fn stretches(times_s: &[f64], duration_s: f64) -> Vec<(f64, f64)> {
    let mut times: Vec<f64> = times_s.iter().copied().filter(|t| t.is_finite()).collect();
    times.sort_by(f64::total_cmp);
    let mut found: Vec<(f64, f64)> = Vec::new();
    for at_s in times {
        let (start, end) = ((at_s - BEFORE_S).max(0.0), (at_s + AFTER_S).min(duration_s));
        match found.last_mut() {
            Some(last) if start <= last.1 && end - last.0 <= LONGEST_CLIP_S => last.1 = last.1.max(end),
            _ if end > start => found.push((start, end)),
            _ => {}
        }
    }
    found
}

/// The stretches in seconds of a whole take. They overlap, so that every front lies in one whole.
#[must_use]
pub fn whole(duration_s: f64) -> Vec<(f64, f64)> {
    let num = (duration_s / LONGEST_CLIP_S).ceil().max(0.0) as usize;
    let from = |k: usize| k as f64 * LONGEST_CLIP_S;
    (0..num).map(|k| (from(k), (from(k + 1) + BEFORE_S + AFTER_S).min(duration_s))).collect()
}

/// Base64 of a sound at a place on the ladder of rates, bytes, about: FLAC of played music takes some 10 of 16 bits, and a
/// rate that is divided by whole numbers stays a little over the one asked for \[P\].
#[must_use]
pub fn about_bytes(duration_s: f64, rung: usize) -> f64 {
    const BYTES_PER_SAMPLE: f64 = 10.0 / 8.0 * 1.1 * 4.0 / 3.0;
    duration_s * RATES_HZ[rung.min(RATES_HZ.len() - 1)] * BYTES_PER_SAMPLE
}

/// Cuts stretches out of a take as clips at the given place of the ladder of rates (0 = best).
///
/// # Errors
/// A file that can no longer be read.
pub fn clips(
    heard: &HeardTake,
    stretches: &[(f64, f64)],
    rung: usize,
    target_lufs: f64,
) -> Result<Vec<Clip>, ReadError> {
    let source = &heard.take.source;
    let mut file = AudioFile::open(&source.path, heard.take.options.channel)?;
    let factor = (file.sample_rate_hz() / RATES_HZ[rung.min(RATES_HZ.len() - 1)]).floor().max(1.0) as usize;
    let mut cutter = Cutter::new(stretches, file.sample_rate_hz() / factor as f64, heard.loudness.gain_to(target_lufs));
    let mut decimator = Decimator::new(factor);
    let mut slow = Vec::new();
    while let Some(block) = file.next_block()? {
        slow.clear();
        match &mut decimator {
            Some(decimator) => decimator.push(block, &mut slow),
            None => slow.extend_from_slice(block),
        }
        cutter.push(&slow);
    }
    slow.clear();
    if let Some(decimator) = &mut decimator {
        decimator.finish(&mut slow);
    }
    cutter.push(&slow);
    Ok(cutter.finish())
}

/// Places on the ladder of rates.
pub const NUM_RUNGS: usize = RATES_HZ.len();

/// The loudness all takes of a page are brought to, LUFS: one for all.
#[must_use]
pub fn target_lufs(takes: &[HeardTake]) -> f64 {
    loudness::target_lufs(&takes.iter().map(|heard| heard.loudness).collect::<Vec<_>>())
}

/// Takes the stretches out of a stream of samples. Stretches may overlap.
struct Cutter<'a> {
    stretches: &'a [(f64, f64)],
    rate_hz: f64,
    gain: f64,
    open: Vec<(usize, Vec<i32>)>,
    next: usize,
    at: u64,
    clips: Vec<(usize, Clip)>,
}

impl<'a> Cutter<'a> {
    fn new(stretches: &'a [(f64, f64)], rate_hz: f64, gain: f64) -> Self {
        Self { stretches, rate_hz, gain, open: Vec::new(), next: 0, at: 0, clips: Vec::new() }
    }

    fn push(&mut self, samples: &[f32]) {
        for &sample in samples {
            while self.next < self.stretches.len() && self.at >= self.frame(self.stretches[self.next].0) {
                self.open.push((self.next, Vec::new()));
                self.next += 1;
            }
            if !self.open.is_empty() {
                self.keep(sample);
            }
            self.at += 1;
        }
    }

    fn keep(&mut self, sample: f32) {
        let value = (f64::from(sample) * self.gain * 32767.0).round().clamp(-32768.0, 32767.0) as i32;
        let mut i = 0;
        while i < self.open.len() {
            if self.at >= self.frame(self.stretches[self.open[i].0].1) {
                let (k, done) = self.open.remove(i);
                self.close(k, &done);
            } else {
                self.open[i].1.push(value);
                i += 1;
            }
        }
    }

    fn frame(&self, seconds: f64) -> u64 {
        (seconds * self.rate_hz).round() as u64
    }

    fn close(&mut self, k: usize, samples: &[i32]) {
        let (start_s, end_s) = self.stretches[k];
        if let Some(flac) = flac(samples, self.rate_hz.round() as usize) {
            self.clips.push((k, Clip { start_s, end_s, flac_base64: STANDARD.encode(flac) }));
        }
    }

    fn finish(mut self) -> Vec<Clip> {
        for (k, samples) in std::mem::take(&mut self.open) {
            self.close(k, &samples);
        }
        self.clips.sort_by_key(|(k, _)| *k);
        self.clips.into_iter().map(|(_, clip)| clip).collect()
    }
}

/// A mono 16-bit FLAC stream; `None` for no samples.
fn flac(samples: &[i32], rate_hz: usize) -> Option<Vec<u8>> {
    // The format's shortest block is 16 samples (RFC 9639); shorter sound ends in silence.
    let mut padded = samples.to_vec();
    padded.resize(samples.len().max(64), 0);
    if samples.is_empty() {
        return None;
    }
    let config = flacenc::config::Encoder::default().into_verified().ok()?;
    let source = flacenc::source::MemSource::from_samples(&padded, 1, 16, rate_hz);
    let stream = flacenc::encode_with_fixed_block_size(&config, source, FLAC_BLOCK.min(padded.len())).ok()?;
    let mut sink = ByteSink::new();
    stream.write(&mut sink).ok()?;
    Some(sink.into_inner())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn heard(lufs: f64, peak: f64) -> HeardTake {
        let loudness = crate::loudness::Loudness { integrated_lufs: Some(lufs), peak };
        HeardTake { take: crate::fixtures::take(), loudness }
    }

    #[test]
    fn all_takes_are_brought_to_the_loudness_the_peakiest_can_reach() {
        // The first can be made 1 dB softer only: its peaks stand at full scale. -20 LUFS and -1 dB: -21.
        let takes = [heard(-20.0, 1.0), heard(-14.0, 0.5)];
        let target = target_lufs(&takes);
        // 0.89 is -1.01 dB.
        assert!((target + 21.01).abs() < 0.01, "{target}");
        for take in &takes {
            let lufs = take.loudness.integrated_lufs.expect("told") + 20.0 * take.loudness.gain_to(target).log10();
            assert!((lufs - target).abs() < 1e-9);
            assert!(take.loudness.gain_to(target) * take.loudness.peak <= loudness::HIGHEST_PEAK + 1e-9);
        }
        assert!((target_lufs(&[heard(-30.0, 0.1)]) + 18.0).abs() < 1e-9, "as loud as is usual");
        assert!((target_lufs(&[heard(-60.0, 0.001)]) + 30.0).abs() < 1e-9, "and no further than the gain goes");
    }

    #[test]
    fn near_entrances_share_a_stretch_and_far_ones_do_not() {
        assert_eq!(stretches(&[0.1, 1.0, 5.0], 5.5), [(0.0, 2.0), (4.7, 5.5)]);
        assert!(stretches(&[], 5.0).is_empty());
        assert!(stretches(&[f64::NAN, 9.0], 5.0).is_empty());
    }

    #[test]
    fn every_front_of_a_whole_take_lies_in_one_stretch() {
        for duration_s in [0.5, 29.9, 30.0, 31.0, 95.3] {
            let found = whole(duration_s);
            for k in 0..(10.0 * duration_s) as usize {
                let (from, to) = ((0.1 * k as f64 - BEFORE_S).max(0.0), (0.1 * k as f64 + AFTER_S).min(duration_s));
                assert!(found.iter().any(|(a, b)| *a <= from && to <= *b + 1e-9), "{duration_s}: {from} to {to}");
            }
        }
        assert!(whole(0.0).is_empty());
    }

    #[test]
    fn a_long_row_of_entrances_is_cut_between_them() {
        let times: Vec<f64> = (1..=100).map(f64::from).collect();
        let found = stretches(&times, 200.0);
        assert!(found.iter().all(|(a, b)| b - a <= LONGEST_CLIP_S), "{found:?}");
        for at in times {
            let whole = found.iter().any(|(a, b)| *a <= (at - BEFORE_S).max(0.0) + 1e-9 && *b + 1e-9 >= at + AFTER_S);
            assert!(whole, "the front at {at} s lies in one clip");
        }
    }

    #[test]
    fn stretches_are_cut_at_their_samples_even_where_they_overlap() {
        let stretches = [(0.0, 1.0), (0.5, 1.5)];
        let mut cutter = Cutter::new(&stretches, 1000.0, 1.0);
        for block in vec![0.25f32; 1200].chunks(7) {
            cutter.push(block);
        }
        let clips = cutter.finish();
        assert_eq!(clips.iter().map(|c| c.start_s).collect::<Vec<_>>(), [0.0, 0.5]);
        assert!(clips.iter().all(|c| !c.flac_base64.is_empty()));
    }

    #[test]
    fn the_shortest_sound_is_a_whole_stream() {
        assert_eq!(flac(&[], 22_050), None);
        let stream = flac(&[1, 2, 3], 22_050).expect("padded to a block");
        assert_eq!(&stream[..4], b"fLaC");
    }
}
