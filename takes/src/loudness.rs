//! How loud a take is, by ITU-R BS.1770, so that two takes can be compared and heard at one loudness.

use crate::audio_file::{AudioFile, ChannelChoice, ReadError};
use ebur128::{EbuR128, Mode};
use std::path::Path;

/// Loudness of a mono signal. A player's take is one channel, whatever the file had.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Loudness {
    /// Integrated and gated, LUFS; `None` for silence and for less than the 400 ms of one gating block.
    pub integrated_lufs: Option<f64>,
    /// Highest sample, 1 = full scale.
    pub peak: f64,
}

/// Loudness everything is brought to, LUFS: as loud as most takes can be made without clipping \[P\].
const LOUDNESS_LUFS: f64 = -18.0;
/// Highest sample after the gain, 1 = full scale (-1 dB).
pub const HIGHEST_PEAK: f64 = 0.89;
/// Highest gain, dB: a silent take must not become noise.
const MOST_GAIN_DB: f64 = 30.0;

/// The loudness that takes are brought to when they are heard beside one another, LUFS: [`LOUDNESS_LUFS`], or what the
/// peakiest of them can reach without clipping. One for all, so that no take seems the better one for being louder.
#[must_use]
pub fn target_lufs(takes: &[Loudness]) -> f64 {
    let reached = takes.iter().filter_map(|take| Some(take.integrated_lufs? + take.headroom_db()));
    reached.fold(LOUDNESS_LUFS, f64::min)
}

impl Loudness {
    /// How much louder a take can be made, dB.
    fn headroom_db(&self) -> f64 {
        if self.peak > 0.0 { (20.0 * (HIGHEST_PEAK / self.peak).log10()).min(MOST_GAIN_DB) } else { MOST_GAIN_DB }
    }

    /// Factor that brings a take to a loudness in LUFS.
    #[must_use]
    pub fn gain_to(&self, target_lufs: f64) -> f64 {
        let wanted_db = self.integrated_lufs.map_or(0.0, |lufs| target_lufs - lufs);
        10f64.powf(wanted_db.min(self.headroom_db()) / 20.0)
    }
}

/// Measures a stream of mono samples.
pub struct LoudnessMeter {
    /// `None` when the rate is one the standard's filters do not reach.
    meter: Option<EbuR128>,
    peak: f64,
}

impl LoudnessMeter {
    /// A meter for a signal at a rate in Hz.
    #[must_use]
    pub fn new(sample_rate_hz: f64) -> Self {
        Self { meter: EbuR128::new(1, sample_rate_hz.round() as u32, Mode::I).ok(), peak: 0.0 }
    }

    /// Takes the next samples; those that are no numbers count as silence.
    pub fn push(&mut self, block: &[f32]) {
        let clean: Vec<f32> = block.iter().map(|&x| if x.is_finite() { x } else { 0.0 }).collect();
        self.peak = clean.iter().fold(self.peak, |peak, &x| peak.max(f64::from(x.abs())));
        if self.meter.as_mut().is_some_and(|meter| meter.add_frames_f32(&clean).is_err()) {
            self.meter = None;
        }
    }

    /// What it heard so far.
    #[must_use]
    pub fn loudness(&self) -> Loudness {
        let lufs = self.meter.as_ref().and_then(|meter| meter.loudness_global().ok());
        Loudness { integrated_lufs: lufs.filter(|lufs| lufs.is_finite()), peak: self.peak }
    }
}

/// Loudness of a whole file, read in blocks.
///
/// # Errors
/// A file that cannot be read.
pub fn of_file(path: &Path, channel: ChannelChoice) -> Result<Loudness, ReadError> {
    let mut file = AudioFile::open(path, channel)?;
    let mut meter = LoudnessMeter::new(file.sample_rate_hz());
    while let Some(block) = file.next_block()? {
        meter.push(block);
    }
    Ok(meter.loudness())
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    fn sine(rate_hz: f64, hz: f64, peak: f64, seconds: f64) -> Vec<f32> {
        (0..(rate_hz * seconds) as u32)
            .map(|i| (peak * (2.0 * std::f64::consts::PI * hz * f64::from(i) / rate_hz).sin()) as f32)
            .collect()
    }

    fn measured(rate_hz: f64, samples: &[f32]) -> Loudness {
        let mut meter = LoudnessMeter::new(rate_hz);
        samples.chunks(1000).for_each(|block| meter.push(block));
        meter.loudness()
    }

    #[test]
    fn a_full_scale_sine_of_997_hz_reads_minus_3_01() {
        // ITU-R BS.1770: 997 Hz at 0 dBFS in one channel reads -3.01 LKFS \[M\]; meters may stray by 0.1 LU
        // (EBU Tech 3341 \[M\]).
        for rate_hz in [44_100.0, 48_000.0, 96_000.0] {
            let lufs = measured(rate_hz, &sine(rate_hz, 997.0, 1.0, 5.0)).integrated_lufs.expect("a tone");
            assert_abs_diff_eq!(lufs, -3.01, epsilon = 0.1);
        }
    }

    #[test]
    fn twenty_db_less_read_20_lu_less_and_silence_does_not_count() {
        let mut samples = sine(48_000.0, 997.0, 0.1, 5.0);
        let peak = measured(48_000.0, &samples).peak;
        assert_abs_diff_eq!(peak, 0.1, epsilon = 1e-4);
        // Gating: EBU Tech 3341's cases 3 to 5 rest on silence being left out \[M\]. Blocks at the border of
        // tone and silence are gated by the relative threshold of -10 LU only in part: 0.2 LU.
        samples.extend(vec![0.0; 48_000 * 10]);
        let lufs = measured(48_000.0, &samples).integrated_lufs.expect("a tone");
        assert_abs_diff_eq!(lufs, -23.01, epsilon = 0.2);
    }

    #[test]
    fn the_meter_agrees_with_the_library_whatever_the_blocks() {
        let samples = sine(44_100.0, 233.08, 0.4, 3.0);
        let mut reference = EbuR128::new(1, 44_100, Mode::I).expect("a usual rate");
        reference.add_frames_f32(&samples).expect("mono");
        let whole = reference.loudness_global().expect("integrated");
        let lufs = measured(44_100.0, &samples).integrated_lufs.expect("a tone");
        assert_abs_diff_eq!(lufs, whole, epsilon = 1e-9);
    }

    #[test]
    fn silence_short_and_broken_sound_have_no_loudness() {
        assert_eq!(measured(48_000.0, &[0.0; 48_000]).integrated_lufs, None);
        assert_eq!(measured(48_000.0, &[0.5; 100]).integrated_lufs, None);
        assert_eq!(measured(48_000.0, &[f32::NAN; 48_000]), Loudness::default());
        assert_eq!(measured(48_000.0, &[]), Loudness::default());
    }
}
