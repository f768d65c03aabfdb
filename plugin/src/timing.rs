//! Timing of an entrance against the host's beats, which the analysis does not know.

use crate::beats::{BeatMap, FromBeat, Subdivision};
use crate::passes::Pass;
use notefront_dsp::{CannotTell, Entrance, Fault, FaultName, Faults, Measure, Strictness};

/// What the player chose about timing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TimingChoice {
    /// What an entrance may fall on; `None` tells no timing.
    pub subdivision: Option<Subdivision>,
    /// Taken off every lateness, ms.
    pub offset_ms: f64,
    /// Severity of the line.
    pub strictness: Strictness,
}

/// An estimate of what the recording itself adds to every lateness.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OffsetEstimate {
    /// Median lateness, ms.
    pub offset_ms: f64,
    /// Half width of a 90 % interval of the median, ms.
    pub uncertainty_ms: f64,
    /// Entrances it rests on.
    pub num_entrances: usize,
}

/// Fewest entrances an estimate is made from: nothing is told of fewer than five.
const MIN_FOR_ESTIMATE: usize = 5;

/// Sets the timing and the faults `early` and `late` of one entrance, replacing earlier ones.
pub fn judge(entrance: &mut Entrance, beats: &BeatMap, choice: &TimingChoice) {
    entrance.faults = without_timing(&entrance.faults);
    let from_beat =
        choice.subdivision.and_then(|grid| beats.from_beat(entrance.speaks_s, grid, choice.offset_ms));
    let Some(from_beat) = from_beat else {
        entrance.timing_ms = Err(CannotTell::NoGrid);
        return;
    };
    let timing =
        Measure { value: from_beat.timing_ms, uncertainty: entrance.instant_uncertainty.speaks_ms };
    entrance.timing_ms = Ok(timing);
    if let Some(fault) = fault(timing, &from_beat, choice.strictness) {
        entrance.faults.insert(fault);
    }
}

fn without_timing(faults: &Faults) -> Faults {
    let mut kept = Faults::default();
    for fault in faults.iter().filter(|f| !matches!(f.name, FaultName::Early | FaultName::Late)) {
        kept.insert(*fault);
    }
    kept
}

/// Half width of the window, ms: 2.5 % of the interval or 10 ms when strict, 30 ms when relaxed. The
/// just noticeable difference in an even sequence is 2.5 % of the interval (Friberg & Sundberg 1995,
/// JASA 98:2524-2531 \[S\]); winds in ensembles spread by 27 to 37 ms (Rasch 1979, Acustica 43:121-131 \[S\]).
#[must_use]
pub fn window_ms(interval_ms: f64, strictness: Strictness) -> f64 {
    let strict = (0.025 * interval_ms).max(10.0);
    let relaxed = strict.max(30.0);
    // Between the two ends in equal ratios, as every other line moves with strictness.
    strict * (relaxed / strict).powf(1.0 - strictness.value())
}

/// How far outside the window counts as the worst, in windows \[H\].
const WORST_WINDOWS: f64 = 4.0;

fn fault(timing: Measure, from_beat: &FromBeat, strictness: Strictness) -> Option<Fault> {
    let window = window_ms(from_beat.interval_ms, strictness);
    let beyond = timing.value.abs() - window;
    if beyond <= 0.0 {
        return None;
    }
    let name = if timing.value < 0.0 { FaultName::Early } else { FaultName::Late };
    let severity = (beyond / (WORST_WINDOWS * window)).clamp(0.0, 1.0);
    let sureness = if timing.uncertainty > 0.0 { (0.5 + 0.5 * beyond / timing.uncertainty).min(1.0) } else { 1.0 };
    Some(Fault { name, severity, sureness })
}

/// What the recording adds, from the pass itself: the median lateness of all its entrances. It cannot
/// tell a late player from a late recording, so it is shown as an estimate and never set by itself.
#[must_use]
pub fn estimate_offset(pass: &Pass, subdivision: Subdivision) -> Option<OffsetEstimate> {
    let mut timings: Vec<f64> = pass
        .entrances
        .iter()
        .filter_map(|e| pass.beats.from_beat(e.speaks_s, subdivision, 0.0))
        .map(|f| f.timing_ms)
        .collect();
    if timings.len() < MIN_FOR_ESTIMATE {
        return None;
    }
    timings.sort_by(f64::total_cmp);
    let n = timings.len();
    // Order statistics: the median of n lies between ranks n/2 -+ 0.82 sqrt(n) in 90 % of cases (normal
    // approximation of the binomial, 1.645 / 2).
    let reach = (0.82 * (n as f64).sqrt()).ceil() as usize;
    let low = timings[(n / 2).saturating_sub(reach)];
    let high = timings[(n / 2 + reach).min(n - 1)];
    Some(OffsetEstimate { offset_ms: timings[n / 2], uncertainty_ms: (high - low) / 2.0, num_entrances: n })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;
    use approx::assert_abs_diff_eq;

    fn choice(strictness: Strictness) -> TimingChoice {
        TimingChoice { subdivision: Some(Subdivision::Even(1)), offset_ms: 0.0, strictness }
    }

    #[test]
    fn the_window_ends_are_the_tables() {
        assert_abs_diff_eq!(window_ms(1000.0, Strictness::STRICT), 25.0, epsilon = 1e-9);
        assert_abs_diff_eq!(window_ms(300.0, Strictness::STRICT), 10.0, epsilon = 1e-9);
        assert_abs_diff_eq!(window_ms(300.0, Strictness::RELAXED), 30.0, epsilon = 1e-9);
        // A slow beat's noticeable difference can exceed 30 ms: relaxed is never stricter than strict.
        assert_abs_diff_eq!(window_ms(2000.0, Strictness::RELAXED), 50.0, epsilon = 1e-9);
    }

    #[test]
    fn late_is_flagged_and_forgotten_when_the_offset_explains_it() {
        let mut pass = fixture::pass_at_60(&[1.0, 2.06]);
        pass.retime(&choice(Strictness::NORMAL));
        assert!(pass.entrances[0].faults.get(FaultName::Late).is_none());
        assert!(pass.entrances[1].faults.get(FaultName::Late).is_some());
        pass.retime(&TimingChoice { offset_ms: 60.0, ..choice(Strictness::NORMAL) });
        assert!(pass.entrances[1].faults.get(FaultName::Late).is_none());
        assert!(pass.entrances[0].faults.get(FaultName::Early).is_some());
        pass.retime(&TimingChoice { subdivision: None, ..choice(Strictness::NORMAL) });
        assert_eq!(pass.entrances[0].timing_ms, Err(CannotTell::NoGrid));
        assert!(pass.entrances.iter().all(|e| e.faults.is_empty()));
    }

    #[test]
    fn a_constant_offset_is_found() {
        let instants: Vec<f64> = (1..20).map(|i| f64::from(i) + 0.035).collect();
        let pass = fixture::pass_at_60(&instants);
        let estimate = estimate_offset(&pass, Subdivision::Even(1)).expect("19 entrances are enough");
        // All are equally late, so the median is exact to rounding.
        assert_abs_diff_eq!(estimate.offset_ms, 35.0, epsilon = 1e-6);
        assert_eq!(estimate.num_entrances, 19);
        assert!(estimate_offset(&fixture::pass_at_60(&instants[..4]), Subdivision::Even(1)).is_none());
    }
}
