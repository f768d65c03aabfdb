//! Where the beats of a tempo that the player gave lie: where the entrances agree best.

use super::{Line, REFITS, STEADY_S, mean_vector};
use crate::beats::{Beats, Origin};
use notefront_dsp::Grid;
use std::f64::consts::TAU;

/// The beats of a tempo, in beats a minute with so many subdivisions, that the entrances lie on best by the times, in
/// seconds, at which they speak; `None` for no entrances. Whether the take follows them is another question.
/// The confidence is the share of entrances on the beat.
#[must_use]
pub fn at_tempo(speaks_s: &[f64], bpm: f64, per_beat: u32) -> Option<Beats> {
    let mut times: Vec<f64> = speaks_s.iter().copied().filter(|t| t.is_finite()).collect();
    times.sort_by(f64::total_cmp);
    let first = *times.first()?;
    let unit_s = 60.0 / bpm / f64::from(per_beat);
    let (sin, cos) = mean_vector(&times, 1.0 / unit_s);
    let start = Line { first_s: first + sin.atan2(cos) / TAU * unit_s, unit_s };
    let line = (0..REFITS).fold(start, |line, _| line.shifted(&times));
    // Of the subdivisions the one most entrances lie on is the beat; of equals the first note's.
    let lies_on = |k: u32| {
        let beat = Line { first_s: line.first_s + f64::from(k) * unit_s, unit_s: 60.0 / bpm };
        (times.iter().filter(|&&t| beat.residual_s(t).abs() < 0.5 * unit_s).count(), beat)
    };
    let (_, beat) = (1..per_beat).map(lies_on).fold(lies_on(0), |best, next| if next.0 > best.0 { next } else { best });
    let near_first = ((first - beat.first_s) / beat.unit_s).round();
    let grid = Grid { bpm, first_beat_s: beat.first_s + near_first * beat.unit_s, per_beat };
    Some(Beats { origin: Origin::Tempo, confidence: line.support(&times), ..Beats::given(grid) })
}

impl Line {
    /// Moved, its tempo as it is, to where the times on it lie in the median: by least absolute deviations, reweighted.
    fn shifted(self, times: &[f64]) -> Self {
        let on = times.iter().map(|&t| self.residual_s(t));
        let (sum, weights) = on.fold((0.0, 0.0), |(sum, weights), off_s| {
            let weight = 1.0 / off_s.abs().max(STEADY_S);
            (sum + weight * off_s, weights + weight)
        });
        Self { first_s: self.first_s + sum / weights, ..self }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_beat_of_a_given_tempo_is_where_the_notes_lie() {
        // 72 a minute from 1.3 s on; one note 90 ms late, which does not move the beat.
        let mut times: Vec<f64> = (0..12).map(|i| 1.3 + f64::from(i) * 60.0 / 72.0).collect();
        times[5] += 0.09;
        let beats = at_tempo(&times, 72.0, 1).expect("entrances");
        assert_eq!(beats.origin, Origin::Tempo);
        assert!((beats.first_beat_s() - 1.3).abs() < 0.005, "{beats:?}");
    }

    #[test]
    fn a_beat_begins_where_most_notes_are() {
        // Quarters with an upbeat of an eighth: 75 a minute, the beat at 2.0 s.
        let times: Vec<f64> = std::iter::once(1.6).chain((0..9).map(|i| 2.0 + 0.8 * f64::from(i))).collect();
        let beats = at_tempo(&times, 75.0, 2).expect("entrances");
        assert!(beats.deviation(2.0).is_some_and(|(off_ms, _)| off_ms.abs() < 1.0));
        let place = beats.place(2.0);
        assert!((place - place.round()).abs() < 0.01, "{place} beats from the first");
    }

    #[test]
    fn one_note_or_none_does_no_harm() {
        assert_eq!(at_tempo(&[], 72.0, 1), None);
        assert_eq!(at_tempo(&[2.5], 72.0, 1).map(|beats| beats.first_beat_s()), Some(2.5));
    }
}
