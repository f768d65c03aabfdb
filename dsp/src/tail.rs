//! What the note before leaves in the front of the next one: its tail, and air under it.

use crate::air::{Air, AirFinder, REACH_S, Tone};
use crate::coarse::{Note, Start};
use crate::framer::History;
use crate::look::Point;
use crate::parameters::air::{FALLEN_SHARE, OVER_TAIL};

/// The tail's level is taken this long before the next note, s; a look this factor over it (6 dB) is no tail \[T\].
const LEVEL_S: (f64, f64) = (0.030, 0.010);

/// The note before.
pub struct Previous {
    rate_hz: f64,
    hz: Option<f64>,
    start: f64,
    power: f64,
    /// Internal sample at which it ended.
    pub end: i64,
}

impl Previous {
    /// None yet.
    #[must_use]
    pub fn new(rate_hz: f64) -> Self {
        Self { rate_hz, hz: None, start: 0.0, power: 0.0, end: 0 }
    }

    /// The note just judged: settled pitch in Hz, internal sample at which it speaks, settled power.
    pub fn set(&mut self, hz: f64, start: f64, power: f64) {
        (self.hz, self.start, self.power) = (Some(hz), start, power);
    }

    /// Its settled pitch in Hz and the internal sample at which it spoke; `None` where there was none.
    #[must_use]
    pub fn spoke(&self) -> Option<(f64, f64)> {
        self.hz.map(|hz| (hz, self.start))
    }

    /// Power up to which a look before a fresh note may be the tail, which holds the old pitch; 0 without a tail.
    #[must_use]
    pub fn tail_power(&self, history: &History, note: &Note, start: i64) -> f64 {
        if note.kind != Start::Fresh || note.from_midi.is_nan() {
            return 0.0;
        }
        OVER_TAIL * history.band_power(self.before(start, LEVEL_S.0), self.before(start, LEVEL_S.1))
    }

    /// Air before a tone; under the tail of this note where that still rings.
    pub fn air_before(&self, finder: &mut AirFinder, history: &History, points: &[Point], tone: Tone) -> Option<Air> {
        if let Some(air) = finder.find(history, points, &tone) {
            return Some(air);
        }
        let earliest = (tone.onset - REACH_S * self.rate_hz).max(self.start);
        let rings = earliest < self.end as f64 && self.has_fallen(history, tone.onset as i64);
        let hz = self.hz.filter(|_| rings)?;
        finder.find_under_tail(history, points, &tone, earliest, self.rate_hz / hz)
    }

    /// What still sounds ahead of an onset is far under this note.
    fn has_fallen(&self, history: &History, onset: i64) -> bool {
        history.full_power(self.before(onset, LEVEL_S.0), self.before(onset, LEVEL_S.1)) < FALLEN_SHARE * self.power
    }

    fn before(&self, sample: i64, seconds: f64) -> i64 {
        sample - (seconds * self.rate_hz) as i64
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::entrance::Articulation;
    use crate::test_sounds::{RATE_HZ, history, sound, tone};

    fn note(kind: Start, from_midi: f32) -> Note {
        Note {
            start: 0,
            placed_s: 0.0,
            end: None,
            kind,
            midi: 58.0,
            from_midi,
            articulation: Articulation::Tongued,
            is_told: false,
        }
    }

    /// A tone that rings away by 60 dB a second from 0.3 s on.
    fn ringing() -> (History, f64) {
        history(&sound(1.0, |s| tone(233.08, 1..=4, 0.1, s) * 10f64.powf(-3.0 * (s - 0.3).max(0.0))))
    }

    #[test]
    fn only_a_fresh_note_after_another_has_its_tail() {
        let (history, rate_hz) = ringing();
        let previous = Previous::new(rate_hz);
        let at = (0.6 * rate_hz) as i64;
        assert_eq!(previous.tail_power(&history, &note(Start::Fresh, f32::NAN), at), 0.0, "the first note");
        assert_eq!(previous.tail_power(&history, &note(Start::Pitch, 55.0), at), 0.0, "grown out of it");
        // 20 ms before 0.6 s the tone, of 0.0071 mean square, has rung for 280 ms: 16.8 dB; and 6 dB over that.
        let power = previous.tail_power(&history, &note(Start::Fresh, 55.0), at);
        let wanted = 4.0 * (1..=4).map(|k| 0.5 * (0.1 / f64::from(k)).powi(2)).sum::<f64>() * 10f64.powf(-1.68);
        assert!((power / wanted - 1.0).abs() < 0.1, "{power} {wanted}");
    }

    #[test]
    fn a_tail_is_no_air() {
        let (history, rate_hz) = ringing();
        let mut previous = Previous::new(rate_hz);
        assert_eq!(previous.spoke(), None);
        previous.set(233.08, 0.05 * rate_hz, 0.0071);
        previous.end = (0.5 * rate_hz) as i64;
        assert_eq!(previous.spoke(), Some((233.08, 0.05 * rate_hz)));
        let tone =
            Tone { onset: 0.7 * rate_hz, earliest: 0.0, period: rate_hz / 174.61, power: 0.0071, period_before: None };
        let mut finder = AirFinder::new(rate_hz);
        assert!(previous.air_before(&mut finder, &history, &[], tone).is_none());
        assert!((RATE_HZ / rate_hz).fract() == 0.0, "whole samples are left out");
    }
}
