//! The beats of a pass: where a quarter note, a bar, and the nearest point of the player's grid lie.

use crate::transport::TransportView;
use serde::{Deserialize, Serialize};

/// Most tempo changes a pass keeps; a ramp beyond that goes on at its last tempo.
pub const MAX_BENDS: usize = 4096;

/// From this time of the pass on, beats run like this.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Bend {
    /// Seconds from the pass's first sample.
    pub at_s: f64,
    /// Position there, quarter notes on the host's time line.
    pub beats: f64,
    /// Quarter notes per minute.
    pub tempo_bpm: f64,
    /// Length of a bar, quarter notes.
    pub bar_beats: f64,
    /// Start of one bar, quarter notes.
    pub bar_start_beats: f64,
    /// Length of the counted beat, quarter notes (an eighth in 6/8 is 0.5).
    pub beat_beats: f64,
}

/// The beats of a pass: bends in the order of time. Empty when the host gave no tempo.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct BeatMap {
    bends: Vec<Bend>,
}

/// What an entrance may fall on, within one quarter note.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Subdivision {
    /// Equal parts of a quarter note: 1, 2, 3 or 4.
    Even(u32),
    /// The quarter and its late half; the first part takes this share of it, 0.5 (even) to 0.8.
    Swing(f64),
}

/// Distance of an instant from the grid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FromBeat {
    /// ms; positive = late.
    pub timing_ms: f64,
    /// The grid point, seconds from the pass's first sample.
    pub beat_s: f64,
    /// Tempo there, quarter notes per minute.
    pub tempo_bpm: f64,
    /// From the grid point before it to the one after it, seconds.
    pub step_s: f64,
}

impl Subdivision {
    /// Length of the step that holds `beats`, quarter notes.
    fn step(self, beats: f64) -> f64 {
        match self {
            Self::Even(n) => 1.0 / f64::from(n.max(1)),
            Self::Swing(share) => {
                let share = share.clamp(0.5, 0.8);
                if beats.rem_euclid(1.0) < share { share } else { 1.0 - share }
            }
        }
    }

    /// The grid point next to `beats`, quarter notes.
    fn nearest(self, beats: f64) -> f64 {
        match self {
            Self::Even(n) => {
                let n = f64::from(n.max(1));
                (beats * n).round() / n
            }
            Self::Swing(share) => {
                let share = share.clamp(0.5, 0.8);
                let whole = beats.floor();
                let points = [whole, whole + share, whole + 1.0];
                points.into_iter().min_by(|a, b| (beats - a).abs().total_cmp(&(beats - b).abs())).unwrap_or(whole)
            }
        }
    }
}

impl Bend {
    /// Tempos that are taken, quarter notes per minute.
    pub const TEMPOS_BPM: std::ops::RangeInclusive<f64> = 1.0..=1000.0;

    /// The beats at one moment of the host's time line; `None` without a usable tempo or position.
    #[must_use]
    pub fn from_transport(at_s: f64, transport: &TransportView) -> Option<Self> {
        let tempo_bpm = transport.tempo_bpm.filter(|t| Self::TEMPOS_BPM.contains(t))?;
        let beats = transport.pos_beats.filter(|b| b.is_finite())?;
        let (numerator, denominator) = transport.time_signature.filter(|&(n, d)| n > 0 && d > 0).unwrap_or((4, 4));
        let beat_beats = 4.0 / f64::from(denominator);
        let bar_beats = f64::from(numerator) * beat_beats;
        // One host gives the start of the bar one bar late: only its phase within a bar is used.
        let bar_start_beats = transport.bar_start_beats.filter(|b| b.is_finite()).unwrap_or(0.0);
        Some(Self { at_s, beats, tempo_bpm, bar_beats, bar_start_beats, beat_beats })
    }

    fn beats_at(&self, s: f64) -> f64 {
        self.beats + (s - self.at_s) * self.tempo_bpm / 60.0
    }

    fn seconds_at(&self, beats: f64) -> f64 {
        self.at_s + (beats - self.beats) * 60.0 / self.tempo_bpm
    }
}

impl BeatMap {
    /// Adds what the host says from here on.
    pub fn push(&mut self, bend: Bend) {
        if self.bends.len() < MAX_BENDS {
            self.bends.push(bend);
        }
    }

    /// True when there are no beats.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.bends.is_empty()
    }

    /// Tempo at the start, quarter notes per minute.
    #[must_use]
    pub fn tempo_bpm(&self) -> Option<f64> {
        self.bends.first().map(|b| b.tempo_bpm)
    }

    /// All bends, in the order of time.
    #[must_use]
    pub fn bends(&self) -> &[Bend] {
        &self.bends
    }

    fn bend_at(&self, s: f64) -> Option<&Bend> {
        let after = self.bends.partition_point(|b| b.at_s <= s);
        self.bends.get(after.saturating_sub(1))
    }

    /// Position of a time of the pass, quarter notes.
    #[must_use]
    pub fn beats_at(&self, s: f64) -> Option<f64> {
        self.bend_at(s).map(|b| b.beats_at(s))
    }

    /// Time of the pass at a position, seconds. Beats rise through a pass, so there is one answer.
    #[must_use]
    pub fn seconds_at(&self, beats: f64) -> Option<f64> {
        let after = self.bends.partition_point(|b| b.beats <= beats);
        self.bends.get(after.saturating_sub(1)).map(|b| b.seconds_at(beats))
    }

    /// Bar and beat of a time, both from 1 as players count them (bars before the start are 0, -1, ...).
    #[must_use]
    pub fn bar_and_beat(&self, s: f64) -> Option<(i64, f64)> {
        let bend = self.bend_at(s)?;
        let from_phase = bend.beats_at(s) - bend.bar_start_beats.rem_euclid(bend.bar_beats);
        // A hair of rounding must not put the first beat of a bar at the end of the one before.
        let bar = ((from_phase + 1e-6) / bend.bar_beats).floor();
        let within = (from_phase - bar * bend.bar_beats).max(0.0);
        Some((bar as i64 + 1, within / bend.beat_beats + 1.0))
    }

    /// Bar, and tenths of a beat within it (10 = the first beat), rounded: an entrance a hair before a bar
    /// belongs to that bar for a reader.
    #[must_use]
    pub fn bar_and_tenth(&self, s: f64) -> Option<(i64, i64)> {
        let bend = self.bend_at(s)?;
        let tenths = (bend.beats_at(s) - bend.bar_start_beats.rem_euclid(bend.bar_beats)) / bend.beat_beats * 10.0;
        let per_bar = (bend.bar_beats / bend.beat_beats * 10.0).round().max(1.0) as i64;
        let tenths = tenths.round() as i64;
        Some((tenths.div_euclid(per_bar) + 1, tenths.rem_euclid(per_bar) + 10))
    }

    /// Distance of an instant from the nearest grid point. `offset_ms` is taken off first: the part of
    /// the lateness that the recording itself adds.
    #[must_use]
    pub fn from_beat(&self, s: f64, subdivision: Subdivision, offset_ms: f64) -> Option<FromBeat> {
        let played_s = s - offset_ms / 1e3;
        let bend = self.bend_at(played_s)?;
        let beats = bend.beats_at(played_s);
        let beat_s = self.seconds_at(subdivision.nearest(beats))?;
        let step_s = subdivision.step(beats) * 60.0 / bend.tempo_bpm;
        let timing_ms = (played_s - beat_s) * 1e3;
        Some(FromBeat { timing_ms, beat_s: beat_s + offset_ms / 1e3, tempo_bpm: bend.tempo_bpm, step_s })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    fn bend(at_s: f64, beats: f64, tempo_bpm: f64) -> Bend {
        Bend { at_s, beats, tempo_bpm, bar_beats: 4.0, bar_start_beats: 0.0, beat_beats: 1.0 }
    }

    fn map(bends: &[Bend]) -> BeatMap {
        BeatMap { bends: bends.to_vec() }
    }

    #[test]
    fn late_is_positive_and_exact() {
        // 60 quarter notes a minute from beat 0 at 0 s: 2.02 s is 20 ms after beat 2.
        let beats = map(&[bend(0.0, 0.0, 60.0)]);
        let late = beats.from_beat(2.02, Subdivision::Even(1), 0.0).expect("there are beats");
        assert_abs_diff_eq!(late.timing_ms, 20.0, epsilon = 1e-6);
        assert_abs_diff_eq!(late.beat_s, 2.0, epsilon = 1e-9);
        let early = beats.from_beat(1.985, Subdivision::Even(1), 0.0).expect("there are beats");
        assert_abs_diff_eq!(early.timing_ms, -15.0, epsilon = 1e-6);
    }

    #[test]
    fn the_offset_is_the_recordings_not_the_players() {
        let beats = map(&[bend(0.0, 0.0, 60.0)]);
        let timing = beats.from_beat(2.02, Subdivision::Even(1), 20.0).expect("there are beats");
        assert_abs_diff_eq!(timing.timing_ms, 0.0, epsilon = 1e-6);
        assert_abs_diff_eq!(timing.beat_s, 2.02, epsilon = 1e-9);
    }

    #[test]
    fn thirds_and_swing_have_their_own_points() {
        let beats = map(&[bend(0.0, 0.0, 60.0)]);
        let third = beats.from_beat(1.0 + 2.0 / 3.0, Subdivision::Even(3), 0.0).expect("there are beats");
        assert_abs_diff_eq!(third.timing_ms, 0.0, epsilon = 1e-6);
        // A swing of two to one puts the late half on the last third.
        let swung = beats.from_beat(1.0 + 2.0 / 3.0, Subdivision::Swing(2.0 / 3.0), 0.0).expect("there are beats");
        assert_abs_diff_eq!(swung.timing_ms, 0.0, epsilon = 1e-6);
        let straight = beats.from_beat(1.5, Subdivision::Swing(2.0 / 3.0), 0.0).expect("there are beats");
        assert_abs_diff_eq!(straight.timing_ms, -1000.0 / 6.0, epsilon = 1e-6);
    }

    #[test]
    fn a_tempo_change_bends_the_grid() {
        // 60 for 2 s, then 120: beat 3 falls at 2.5 s.
        let beats = map(&[bend(0.0, 0.0, 60.0), bend(2.0, 2.0, 120.0)]);
        assert_abs_diff_eq!(beats.seconds_at(3.0).expect("there are beats"), 2.5, epsilon = 1e-9);
        assert_abs_diff_eq!(beats.beats_at(1.0).expect("there are beats"), 1.0, epsilon = 1e-9);
        let timing = beats.from_beat(2.51, Subdivision::Even(1), 0.0).expect("there are beats");
        assert_abs_diff_eq!(timing.timing_ms, 10.0, epsilon = 1e-6);
    }

    #[test]
    fn bars_count_from_one_and_go_below_before_the_start() {
        let beats = map(&[bend(0.0, -4.0, 60.0)]);
        assert_eq!(beats.bar_and_beat(4.0), Some((1, 1.0)));
        assert_eq!(beats.bar_and_beat(0.0), Some((0, 1.0)));
        assert_eq!(beats.bar_and_beat(5.0), Some((1, 2.0)));
        let (bar, beat) = beats.bar_and_beat(4.0 - 1e-9).expect("there are beats");
        assert_eq!((bar, beat.round()), (1, 1.0));
    }

    #[test]
    fn a_hair_before_the_bar_reads_as_the_bar() {
        let beats = map(&[bend(0.0, 0.0, 60.0)]);
        assert_eq!(beats.bar_and_tenth(3.98), Some((2, 10)));
        assert_eq!(beats.bar_and_tenth(1.5), Some((1, 25)));
        assert_eq!(beats.bar_and_tenth(-0.02), Some((1, 10)));
    }

    #[test]
    fn a_bar_start_one_bar_late_counts_the_same_bars() {
        let late = Bend { bar_start_beats: 8.0, ..bend(0.0, 4.0, 60.0) };
        assert_eq!(map(&[late]).bar_and_beat(0.0), Some((2, 1.0)));
    }

    #[test]
    fn without_a_tempo_nothing_is_told() {
        assert!(BeatMap::default().from_beat(1.0, Subdivision::Even(1), 0.0).is_none());
        let mut view = TransportView { pos_beats: Some(1.0), tempo_bpm: Some(0.0), ..TransportView::default() };
        assert!(Bend::from_transport(0.0, &view).is_none());
        view.tempo_bpm = Some(f64::NAN);
        assert!(Bend::from_transport(0.0, &view).is_none());
        assert!(Bend::from_transport(0.0, &TransportView { tempo_bpm: Some(60.0), ..view }).is_some());
    }
}
