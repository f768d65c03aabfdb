//! What the window and the two audio callbacks share: plain atomics, so that neither waits for the other.

use super::click::{BEATS_RANGE, Beats, TEMPO_RANGE};
use std::sync::atomic::{AtomicBool, AtomicI64, AtomicU32, AtomicUsize, Ordering};

/// Channels of an input whose level is told one by one.
pub const MAX_CHANNELS: usize = 32;
/// Stands for a time that is not known yet.
const UNKNOWN: i64 = i64::MIN;

/// An instant that one side tells the other, nanoseconds or samples; unknown at first.
#[derive(Debug)]
pub struct Told(AtomicI64);

impl Default for Told {
    fn default() -> Self {
        Self(AtomicI64::new(UNKNOWN))
    }
}

impl Told {
    /// Tells it.
    pub fn tell(&self, value: i64) {
        self.0.store(value, Ordering::Release);
    }

    /// Takes it back.
    pub fn forget(&self) {
        self.tell(UNKNOWN);
    }

    /// What was told.
    #[must_use]
    pub fn get(&self) -> Option<i64> {
        Some(self.0.load(Ordering::Acquire)).filter(|v| *v != UNKNOWN)
    }
}

/// Wishes of the player, and what the audio side tells.
#[derive(Debug)]
pub struct Controls {
    /// The channel of the input that is heard, from 0.
    pub channel: AtomicUsize,
    /// Passes are taken.
    pub recording: AtomicBool,
    /// To a count-in and a click.
    pub with_beats: AtomicBool,
    /// What the loop adds to what the system's time stamps say, samples of the input.
    pub round_trip: AtomicI64,
    /// Sweeps are played and taken.
    pub measuring: AtomicBool,
    /// The highest sample of each channel since the window looked last, as bits.
    peaks: [AtomicU32; MAX_CHANNELS],
    tempo_milli: AtomicU32,
    per_bar: AtomicU32,
    count_in_bars: AtomicU32,
    goes_on: AtomicBool,
    /// When the first sample of each stream was at the converter, nanoseconds of the system's clock.
    pub in_zero_ns: Told,
    /// See [`Controls::in_zero_ns`].
    pub out_zero_ns: Told,
    /// The output's sample at which the count-in begins.
    pub first_beat: Told,
    /// The output's sample of the first sweep, and the input's sample that was kept first.
    pub first_sweep: Told,
    /// See [`Controls::first_sweep`].
    pub first_kept: Told,
    /// A stream has broken off.
    pub broken: AtomicBool,
    /// The system lost sound on its way: times a stream stumbled.
    pub stumbles: AtomicU32,
}

impl Default for Controls {
    fn default() -> Self {
        Self {
            channel: AtomicUsize::new(0),
            recording: AtomicBool::new(false),
            with_beats: AtomicBool::new(false),
            round_trip: AtomicI64::new(0),
            measuring: AtomicBool::new(false),
            peaks: Default::default(),
            tempo_milli: AtomicU32::new(72_000),
            per_bar: AtomicU32::new(4),
            count_in_bars: AtomicU32::new(1),
            goes_on: AtomicBool::new(true),
            in_zero_ns: Told::default(),
            out_zero_ns: Told::default(),
            first_beat: Told::default(),
            first_sweep: Told::default(),
            first_kept: Told::default(),
            broken: AtomicBool::new(false),
            stumbles: AtomicU32::new(0),
        }
    }
}

impl Controls {
    /// The beats as set.
    #[must_use]
    pub fn beats(&self) -> Beats {
        Beats {
            tempo_bpm: f64::from(self.tempo_milli.load(Ordering::Relaxed)) / 1e3,
            per_bar: self.per_bar.load(Ordering::Relaxed),
            count_in_bars: self.count_in_bars.load(Ordering::Relaxed),
            goes_on: self.goes_on.load(Ordering::Relaxed),
        }
    }

    /// Sets the beats, each within its range.
    pub fn set_beats(&self, beats: &Beats) {
        let tempo = if beats.tempo_bpm.is_finite() { beats.tempo_bpm } else { TEMPO_RANGE.0 };
        let tempo = tempo.clamp(TEMPO_RANGE.0, TEMPO_RANGE.1);
        self.tempo_milli.store((tempo * 1e3).round() as u32, Ordering::Relaxed);
        self.per_bar.store(beats.per_bar.clamp(BEATS_RANGE.0, BEATS_RANGE.1), Ordering::Relaxed);
        self.count_in_bars.store(beats.count_in_bars.min(4), Ordering::Relaxed);
        self.goes_on.store(beats.goes_on, Ordering::Relaxed);
    }

    /// Begins to take passes.
    pub fn start(&self) {
        self.first_beat.forget();
        self.recording.store(true, Ordering::Release);
    }

    /// Stops.
    pub fn stop(&self) {
        self.recording.store(false, Ordering::Release);
    }

    /// AUDIO: notes the highest sample of a channel.
    pub fn note_peak(&self, channel: usize, peak: f32) {
        // Bits of floats that are not negative are in the order of the floats.
        if let Some(kept) = self.peaks.get(channel) {
            kept.fetch_max(peak.abs().to_bits(), Ordering::Relaxed);
        }
    }

    /// The highest sample of a channel since the last call.
    pub fn take_peak(&self, channel: usize) -> f32 {
        self.peaks.get(channel).map_or(0.0, |kept| f32::from_bits(kept.swap(0, Ordering::Relaxed)))
    }

    /// The input's sample that is at the converter together with this sample of the output, by the system's time
    /// stamps; rates in Hz.
    #[must_use]
    pub fn input_sample(&self, output_sample: i64, in_rate_hz: f64, out_rate_hz: f64) -> Option<i64> {
        let apart_s = (self.out_zero_ns.get()? - self.in_zero_ns.get()?) as f64 / 1e9;
        Some(((apart_s + output_sample as f64 / out_rate_hz) * in_rate_hz).round() as i64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sample_of_the_output_is_found_in_the_input() {
        let controls = Controls::default();
        assert_eq!(controls.input_sample(0, 48_000.0, 48_000.0), None);
        controls.in_zero_ns.tell(1_000_000_000);
        controls.out_zero_ns.tell(1_250_000_000);
        assert_eq!(controls.input_sample(0, 48_000.0, 44_100.0), Some(12_000));
        assert_eq!(controls.input_sample(44_100, 48_000.0, 44_100.0), Some(60_000));
    }

    #[test]
    fn what_is_set_stays_within_its_range_and_peaks_are_taken_once() {
        let controls = Controls::default();
        controls.set_beats(&Beats { tempo_bpm: f64::NAN, per_bar: 0, count_in_bars: 99, goes_on: false });
        let beats = controls.beats();
        assert_eq!((beats.tempo_bpm, beats.per_bar, beats.count_in_bars, beats.goes_on), (30.0, 1, 4, false));
        controls.note_peak(1, -0.5);
        controls.note_peak(1, 0.25);
        controls.note_peak(MAX_CHANNELS, 1.0);
        assert_eq!((controls.take_peak(1), controls.take_peak(1)), (0.5, 0.0));
    }
}
