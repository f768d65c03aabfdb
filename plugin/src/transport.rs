//! Where a block stands on the host's time line, as plain data.

/// What the host says of one block. Beats are quarter notes.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct TransportView {
    /// The transport runs.
    pub playing: bool,
    /// Position of the block's first sample, samples from the project's start; may be negative. `None`
    /// when the host has no time line.
    pub pos_samples: Option<i64>,
    /// The same in quarter notes.
    pub pos_beats: Option<f64>,
    /// Quarter notes per minute.
    pub tempo_bpm: Option<f64>,
    /// Time signature, numerator and denominator.
    pub time_signature: Option<(u16, u16)>,
    /// Start of the bar, quarter notes.
    pub bar_start_beats: Option<f64>,
}

/// How well the last stamp predicts a block.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Drift {
    /// It does.
    None,
    /// The tempo or the beat moved a little: the same stretch goes on.
    Bend,
    /// A start, stop, loop or jump: a new stretch.
    Jump,
}

/// A position off by more than this is a jump, ms. Hosts round positions, some to a block \[H\].
const JUMP_MS: f64 = 10.0;
/// A beat off by more than this is worth a stamp, ms: a fortieth of the finest timing line. On top of it comes what
/// the host itself rounds to.
const BEND_MS: f64 = 0.25;
/// The coarsest step of beats that a host was seen to give, quarter notes: its ticks. Without it every other block of
/// that host would bend a steady pass.
const HOST_TICK_QUARTERS: f64 = 1.0 / 1920.0;

/// From here on, samples stand here on the time line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stamp {
    /// Sample in the ring (delivered samples) it applies from.
    pub at: u64,
    /// The same sample counted with lost ones, from activation.
    pub clock: u64,
    /// Samples lost since the stamp before.
    pub lost_before: u64,
    /// A new stretch begins here.
    pub jump: bool,
    /// The host has reset the insert: what came before does not come out any more.
    pub reset: bool,
    /// By how much the sound leaves late, samples: the host's positions then refer to the output.
    pub delay: u64,
    /// What the host said.
    pub transport: TransportView,
}

impl TransportView {
    /// True when the host gives a position.
    #[must_use]
    pub fn has_time_line(&self) -> bool {
        self.pos_samples.is_some()
    }

    /// The same instant, `samples` later at the same tempo.
    #[must_use]
    pub fn advanced(&self, samples: f64, sample_rate_hz: f64) -> Self {
        let beats = self.tempo_bpm.map_or(0.0, |bpm| samples / sample_rate_hz * bpm / 60.0);
        Self {
            pos_samples: self.pos_samples.map(|p| p.saturating_add(samples.round() as i64)),
            pos_beats: self.pos_beats.map(|b| b + beats),
            ..*self
        }
    }
}

impl Stamp {
    /// Compares a block that begins at `clock` with what this stamp predicts.
    #[must_use]
    pub fn drift(&self, now: &TransportView, clock: u64, sample_rate_hz: f64) -> Drift {
        let then = &self.transport;
        if then.playing != now.playing || then.has_time_line() != now.has_time_line() {
            return Drift::Jump;
        }
        if !now.playing {
            // A stopped transport has no stretch to keep; where it waits does not matter.
            return Drift::None;
        }
        let elapsed = clock.saturating_sub(self.clock) as f64;
        let predicted = then.advanced(elapsed, sample_rate_hz);
        if position_error_ms(&predicted, now, sample_rate_hz) > JUMP_MS {
            return Drift::Jump;
        }
        if then.tempo_bpm != now.tempo_bpm || then.time_signature != now.time_signature || is_bent(&predicted, now) {
            return Drift::Bend;
        }
        Drift::None
    }
}

fn position_error_ms(predicted: &TransportView, now: &TransportView, sample_rate_hz: f64) -> f64 {
    match (predicted.pos_samples, now.pos_samples) {
        (Some(p), Some(n)) => p.abs_diff(n) as f64 / sample_rate_hz * 1e3,
        _ => 0.0,
    }
}

fn is_bent(predicted: &TransportView, now: &TransportView) -> bool {
    match (predicted.pos_beats, now.pos_beats, now.tempo_bpm) {
        (Some(p), Some(n), Some(bpm)) if bpm > 0.0 => (p - n).abs() > BEND_MS / 60e3 * bpm + HOST_TICK_QUARTERS,
        (None, None, _) | (_, _, None) => false,
        _ => true,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_host_that_rounds_its_beats_to_ticks_bends_nothing() {
        // As Ardour 7.3 was seen to: 1920 ticks a quarter, rounded down, at 61 quarters a minute, blocks of 1024.
        let view = |clock: i64| TransportView {
            pos_samples: Some(clock),
            pos_beats: Some((clock as f64 / RATE * 61.0 / 60.0 * 1920.0).floor() / 1920.0),
            tempo_bpm: Some(61.0),
            ..at(0, 0.0)
        };
        let stamp =
            Stamp { at: 0, clock: 0, lost_before: 0, jump: true, reset: false, delay: 0, transport: view(1000) };
        for block in 1..2000 {
            assert_eq!(stamp.drift(&view(1000 + 1024 * block), 1024 * block as u64, RATE), Drift::None, "{block}");
        }
    }

    const RATE: f64 = 48_000.0;

    fn at(pos: i64, beats: f64) -> TransportView {
        TransportView {
            playing: true,
            pos_samples: Some(pos),
            pos_beats: Some(beats),
            tempo_bpm: Some(120.0),
            time_signature: Some((4, 4)),
            bar_start_beats: Some(0.0),
        }
    }

    fn stamp(transport: TransportView) -> Stamp {
        Stamp { at: 0, clock: 0, lost_before: 0, jump: true, reset: false, delay: 0, transport }
    }

    #[test]
    fn steady_playback_needs_one_stamp() {
        // 120 quarter notes a minute: 48000 samples are 2 of them.
        assert_eq!(stamp(at(0, 0.0)).drift(&at(48_000, 2.0), 48_000, RATE), Drift::None);
        // A position rounded by a sample is no news either.
        assert_eq!(stamp(at(0, 0.0)).drift(&at(48_001, 2.0), 48_000, RATE), Drift::None);
    }

    #[test]
    fn loops_jumps_and_stops_are_jumps() {
        assert_eq!(stamp(at(96_000, 4.0)).drift(&at(0, 0.0), 48_000, RATE), Drift::Jump);
        assert_eq!(stamp(at(0, 0.0)).drift(&at(96_000, 4.0), 48_000, RATE), Drift::Jump);
        let stopped = TransportView { playing: false, ..at(48_000, 2.0) };
        assert_eq!(stamp(at(0, 0.0)).drift(&stopped, 48_000, RATE), Drift::Jump);
        assert_eq!(stamp(stopped).drift(&TransportView { playing: false, ..at(7, 0.0) }, 10, RATE), Drift::None);
    }

    #[test]
    fn a_new_tempo_bends() {
        let faster = TransportView { tempo_bpm: Some(90.0), ..at(48_000, 2.0) };
        assert_eq!(stamp(at(0, 0.0)).drift(&faster, 48_000, RATE), Drift::Bend);
        assert_eq!(stamp(at(0, 0.0)).drift(&at(48_000, 2.01), 48_000, RATE), Drift::Bend);
    }

    #[test]
    fn a_host_without_a_time_line_never_drifts() {
        let none = TransportView::default();
        assert_eq!(stamp(none).drift(&none, 1 << 40, RATE), Drift::None);
    }

    #[test]
    fn positions_before_the_start_and_at_the_ends_of_the_scale_do_not_panic() {
        assert_eq!(stamp(at(-4_800, -0.2)).drift(&at(0, 0.0), 4_800, RATE), Drift::None);
        assert_eq!(stamp(at(i64::MAX, 0.0)).drift(&at(i64::MIN, f64::NAN), u64::MAX, RATE), Drift::Jump);
    }
}
