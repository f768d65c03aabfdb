//! Judges entrances by what is set now, and times them against the host's beats, which the analysis does
//! not know. Every line stands in the analysis; none stands here.

use crate::beats::{BeatMap, Subdivision};
use notefront_dsp::grid::{self, Off};
use notefront_dsp::{Beat, Entrance, Front, Settings, trombone};
use notefront_takes::corrections::ear::Lines;

/// What entrances are judged by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Judging {
    /// Strictness, tuning and instrument; without a grid, which comes from the host.
    pub settings: Settings,
    /// What an entrance may fall on; `None` tells no timing.
    pub subdivision: Option<Subdivision>,
    /// Taken off every lateness, ms.
    pub offset_ms: f64,
    /// The player insists on the host's beat: timing is judged even where the playing does not follow it.
    pub insists: bool,
    /// Where the player moved the lines to.
    pub lines: Lines,
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

/// Names the note of a front by the tuning and the horn of now.
pub fn name(front: &mut Front, judging: &Judging) {
    trombone::name_note(front, &judging.settings);
}

/// The same, of a front on its way.
#[must_use]
pub fn named(mut front: Front, judging: &Judging) -> Front {
    name(&mut front, judging);
    front
}

/// The front timed against the host's beats and judged: what the player sets takes effect on everything already
/// played.
#[must_use]
pub fn judged(front: Front, beats: &BeatMap, judging: &Judging) -> Entrance {
    let from_beat = judging.subdivision.and_then(|grid| beats.from_beat(front.speaks_s, grid, judging.offset_ms));
    let beat = from_beat.map(|f| Beat { at_s: f.beat_s, length_s: 60.0 / f.tempo_bpm, spread_s: None });
    let mut entrance = Entrance::of(front, beat.as_ref(), &judging.settings);
    judging.lines.judge(&mut entrance, &judging.settings);
    entrance
}

/// Whether entrances are played to the host's beats; `None` for too few to tell, without beats, or where the
/// player insists on them.
#[must_use]
pub fn follows(entrances: &[Entrance], beats: &BeatMap, judging: &Judging) -> Option<bool> {
    let subdivision = judging.subdivision?;
    if judging.insists {
        return None;
    }
    let offs = entrances.iter().filter_map(|e| {
        let from = beats.from_beat(e.front.speaks_s, subdivision, judging.offset_ms)?;
        Some(Off { off_s: from.timing_ms / 1e3, step_s: from.step_s })
    });
    grid::is_followed(&offs.collect::<Vec<_>>())
}

/// What the recording adds, from the pass itself: the median lateness of all its entrances. It cannot
/// tell a late player from a late recording, so it is shown as an estimate and never set by itself.
#[must_use]
pub fn estimate_offset(entrances: &[Entrance], beats: &BeatMap, subdivision: Subdivision) -> Option<OffsetEstimate> {
    let mut timings: Vec<f64> = entrances
        .iter()
        .filter_map(|e| beats.from_beat(e.front.speaks_s, subdivision, 0.0))
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
    use notefront_dsp::{CannotTell, FaultName, Strictness};

    fn judging(strictness: Strictness) -> Judging {
        let settings = Settings { strictness, ..Settings::default() };
        Judging {
            settings,
            subdivision: Some(Subdivision::Even(1)),
            offset_ms: 0.0,
            insists: false,
            lines: Lines::default(),
        }
    }

    #[test]
    fn moved_lines_judge_what_is_played_and_what_was() {
        let mut pass = fixture::pass_at_60(&[1.0, 2.0]);
        pass.entrances[1] = fixture::with_fault(pass.entrances[1], FaultName::Below, 0.5);
        let usual = judging(Strictness::NORMAL);
        for (lines, is_flagged) in [("", true), ("below=2", false), ("", true), ("below=1.1", true)] {
            pass.rejudge(&Judging { lines: Lines::read(lines).expect("readable"), ..usual });
            assert_eq!(pass.entrances[1].verdict.faults.get(FaultName::Below).is_some(), is_flagged, "{lines}");
        }
    }

    #[test]
    fn late_is_flagged_and_forgotten_when_the_offset_explains_it() {
        let mut pass = fixture::pass_at_60(&[1.0, 2.06]);
        pass.rejudge(&judging(Strictness::NORMAL));
        assert!(pass.entrances[0].verdict.faults.get(FaultName::Late).is_none());
        assert!(pass.entrances[1].verdict.faults.get(FaultName::Late).is_some());
        assert!(pass.entrances[1].verdict.clarity < pass.entrances[0].verdict.clarity);
        pass.rejudge(&Judging { offset_ms: 60.0, ..judging(Strictness::NORMAL) });
        assert!(pass.entrances[1].verdict.faults.get(FaultName::Late).is_none());
        assert!(pass.entrances[0].verdict.faults.get(FaultName::Early).is_some());
        pass.rejudge(&Judging { subdivision: None, ..judging(Strictness::NORMAL) });
        assert_eq!(pass.entrances[0].verdict.timing_ms, Err(CannotTell::NoGrid));
        assert!(pass.entrances.iter().all(|e| e.verdict.faults.is_empty()));
    }

    #[test]
    fn a_pass_that_does_not_follow_the_host_is_told_so_once() {
        // The host runs at 60; ten percent faster nothing is early or late, note by note.
        let at = |tempo: f64| (0..24).map(|i| 1.0 + f64::from(i) / tempo).collect::<Vec<_>>();
        for (tempo, followed) in [(1.0, true), (1.1, false), (0.9, false)] {
            let mut pass = fixture::pass_at_60(&at(tempo));
            pass.rejudge(&judging(Strictness::NORMAL));
            assert_eq!(pass.to_beat, Some(followed), "{tempo}");
            assert_eq!(pass.num_flagged(), 0, "{tempo}");
            let is_untold = |e: &Entrance| e.verdict.timing_ms == Err(CannotTell::NotToBeat);
            assert!(pass.entrances.iter().all(|e| is_untold(e) != followed), "{tempo}");
            assert_eq!(pass.estimate_offset(Subdivision::Even(1)).is_some(), followed, "{tempo}");
            pass.rejudge(&Judging { insists: true, ..judging(Strictness::NORMAL) });
            assert!(pass.entrances.iter().all(|e| !is_untold(e)), "the player insists: {tempo}");
            pass.rejudge(&Judging { subdivision: None, ..judging(Strictness::NORMAL) });
            assert_eq!(pass.to_beat, None);
        }
    }

    #[test]
    fn a_running_pass_takes_back_what_it_told_of_a_beat_it_does_not_follow() {
        let played = fixture::pass_at_60(&(0..24).map(|i| 1.0 + f64::from(i) / 1.1).collect::<Vec<_>>());
        let mut pass = fixture::pass_at_60(&[]);
        let mut flagged = Vec::new();
        for entrance in &played.entrances {
            pass.push_front(entrance.front, &judging(Strictness::NORMAL));
            flagged.push(pass.num_flagged());
        }
        assert!(flagged[4] > 0, "five tell nothing yet: {flagged:?}");
        assert_eq!((pass.to_beat, pass.num_flagged()), (Some(false), 0));
    }

    #[test]
    fn strictness_moves_the_line_of_what_was_already_played() {
        // 28 ms late at 60 a minute: inside 30 ms when relaxed, outside 2.5 % of a beat (25 ms) when strict.
        let mut pass = fixture::pass_at_60(&[1.028]);
        pass.rejudge(&judging(Strictness::RELAXED));
        assert!(!pass.entrances[0].is_flagged());
        pass.rejudge(&judging(Strictness::STRICT));
        assert!(pass.entrances[0].is_flagged());
    }

    #[test]
    fn another_tuning_reference_renames_and_retunes() {
        let mut pass = fixture::pass_at_60(&[1.0]);
        let sharp = Settings { a4_hz: 443.0, ..Settings::default() };
        pass.rejudge(&Judging { settings: sharp, ..judging(Strictness::NORMAL) });
        // 1200 log2(440 / 443) = -11.76 cents.
        assert_abs_diff_eq!(pass.entrances[0].front.tuning_cents.map_or(0.0, |m| m.value), -11.76, epsilon = 0.01);
    }

    #[test]
    fn a_constant_offset_is_found() {
        let instants: Vec<f64> = (1..20).map(|i| f64::from(i) + 0.035).collect();
        let pass = fixture::pass_at_60(&instants);
        let estimate = pass.estimate_offset(Subdivision::Even(1)).expect("19 entrances are enough");
        // All are equally late, so the median is exact to rounding.
        assert_abs_diff_eq!(estimate.offset_ms, 35.0, epsilon = 1e-6);
        assert_eq!(estimate.num_entrances, 19);
        assert!(fixture::pass_at_60(&instants[..4]).estimate_offset(Subdivision::Even(1)).is_none());
    }
}
