//! When a pass that nobody stops is over: after a silence that the player sets.

use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};

/// A pass ends after this much silence until the player sets another, seconds \[H\].
pub const USUAL_GAP_S: f64 = 8.0;
/// What the player may set, seconds: under 2 s a rest within a phrase would end it.
pub const GAP_RANGE_S: (f64, f64) = (2.0, 30.0);
/// Below this peak the input counts as silent whatever was played: -60 dB re full scale \[H\].
const SILENT_PEAK: f32 = 1e-3;
/// So does what lies this far under the loudest of the pass, as a factor: 40 dB, a room under a horn \[H\].
const UNDER_LOUDEST: f32 = 0.01;

/// What the player sets of it, shared with the worker.
#[derive(Debug)]
pub struct PassEnd {
    gap_ms: AtomicU32,
    on_time_line: AtomicBool,
}

impl Default for PassEnd {
    fn default() -> Self {
        Self { gap_ms: AtomicU32::new((USUAL_GAP_S * 1e3) as u32), on_time_line: AtomicBool::new(false) }
    }
}

impl PassEnd {
    /// Sets the silence, seconds; kept within [`GAP_RANGE_S`].
    pub fn set_gap_s(&self, gap_s: f64) {
        let gap_s = if gap_s.is_finite() { gap_s } else { USUAL_GAP_S };
        self.gap_ms.store((gap_s.clamp(GAP_RANGE_S.0, GAP_RANGE_S.1) * 1e3).round() as u32, Ordering::Relaxed);
    }

    /// The silence, seconds.
    #[must_use]
    pub fn gap_s(&self) -> f64 {
        f64::from(self.gap_ms.load(Ordering::Relaxed)) / 1e3
    }

    /// Passes with beats end by silence too: there is no host that would stop them.
    pub fn end_on_time_line(&self) {
        self.on_time_line.store(true, Ordering::Relaxed);
    }

    /// Whether they do.
    #[must_use]
    pub fn ends_on_time_line(&self) -> bool {
        self.on_time_line.load(Ordering::Relaxed)
    }
}

/// Follows one pass, or waits for the first sound of the next.
#[derive(Debug, Clone, Default)]
pub struct Quiet {
    loudest: f32,
    num_silent: u64,
}

impl Quiet {
    fn floor(&self) -> f32 {
        SILENT_PEAK.max(self.loudest * UNDER_LOUDEST)
    }

    /// Takes samples of a running pass: how many of them belong to it when the silence has lasted `gap` samples,
    /// or `None` while it has not.
    pub fn end_in(&mut self, samples: &[f32], gap: u64) -> Option<usize> {
        for (i, sample) in samples.iter().enumerate() {
            let level = sample.abs();
            self.num_silent = if level < self.floor() { self.num_silent + 1 } else { 0 };
            self.loudest = self.loudest.max(level);
            if self.num_silent >= gap {
                self.num_silent = 0;
                return Some(i + 1);
            }
        }
        None
    }

    /// The first sample that is a sound, measured by the pass before.
    #[must_use]
    pub fn sound_in(&self, samples: &[f32]) -> Option<usize> {
        samples.iter().position(|s| s.abs() >= self.floor())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pass_ends_at_exactly_the_silence_set_whatever_the_blocks() {
        let mut input = vec![0.0f32; 500];
        input.extend([0.5; 100]);
        input.extend([0.0; 3000]);
        for block in [1, 7, 256, 5000] {
            let (mut quiet, mut taken, mut ends) = (Quiet::default(), 0, Vec::new());
            for block in input.chunks(block) {
                if let Some(len) = quiet.end_in(block, 1000) {
                    ends.push(taken + len);
                    break;
                }
                taken += block.len();
            }
            assert_eq!(ends, [1600], "{block}");
        }
    }

    #[test]
    fn a_rest_one_sample_short_of_it_does_not_end_the_pass() {
        let mut quiet = Quiet::default();
        assert_eq!(quiet.end_in(&[0.5; 10], 100), None);
        assert_eq!(quiet.end_in(&[0.0; 99], 100), None);
        assert_eq!(quiet.end_in(&[0.5], 100), None);
        assert_eq!(quiet.end_in(&[0.0; 200], 100), Some(100));
    }

    #[test]
    fn the_noise_of_a_room_is_silence_after_a_loud_note_and_the_next_note_is_not() {
        // -46 dB re full scale: over the fixed line, and 40 dB under a note at -6.
        let noise = [0.004f32; 400];
        let mut quiet = Quiet::default();
        assert_eq!(quiet.end_in(&noise, 100), None, "before anything is played");
        assert_eq!(quiet.end_in(&[0.5; 10], 100), None);
        assert_eq!(quiet.end_in(&noise, 100), Some(100));
        assert_eq!(quiet.sound_in(&noise), None);
        assert_eq!(quiet.sound_in(&[0.001, 0.02, 0.0]), Some(1));
    }

    #[test]
    fn what_is_set_stays_within_its_range() {
        let end = PassEnd::default();
        assert!((end.gap_s() - USUAL_GAP_S).abs() < 1e-9 && !end.ends_on_time_line());
        for (set, got) in [(0.0, 2.0), (5.5, 5.5), (1e9, 30.0), (f64::NAN, USUAL_GAP_S)] {
            end.set_gap_s(set);
            assert!((end.gap_s() - got).abs() < 1e-9, "{set}");
        }
    }
}
