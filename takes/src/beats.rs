//! The beats of a take: given, heard in a click, found in the entrances or written; and timing against them.
//!
//! A drifting click has no one tempo, so beats may be a list; an even grid is a list that goes on for ever.

use notefront_dsp::grid::{self, Off};
use notefront_dsp::{Beat, CannotTell, Entrance, Grid, Settings};

/// Subdivisions of a beat that make sense; see [`Grid::per_beat`].
const MAX_PER_BEAT: u32 = 24;
/// Past the first and last beat of a list, and across gaps in it, beats are carried on for so many beats:
/// a steady click that stopped is still known for a while \[H\].
const MAX_CARRIED_BEATS: f64 = 4.0;

/// Where beats come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Origin {
    /// The player gave tempo and first beat.
    Given,
    /// The player gave the tempo; where the beats lie was found.
    Tempo,
    /// Heard in a click.
    Click,
    /// Clicks before the first note.
    CountIn,
    /// Found in the entrances themselves.
    Found,
    /// Written notes, at the written tempo.
    Notes,
}

/// When the beats are.
#[derive(Debug, Clone, PartialEq)]
pub enum Course {
    /// Evenly, without end.
    Even {
        /// Beats a minute.
        bpm: f64,
        /// Time of one beat, seconds.
        first_beat_s: f64,
    },
    /// Each by itself: seconds, rising, at least two.
    Listed(Vec<f64>),
}

/// The beats of a take.
#[derive(Debug, Clone, PartialEq)]
pub struct Beats {
    /// When they are.
    pub course: Course,
    /// Subdivisions of a beat an entrance may fall on; 1 = the beat alone.
    pub per_beat: u32,
    /// Where they come from.
    pub origin: Origin,
    /// How sure it is that these are the beats, 0 to 1; 1 when given.
    pub confidence: f64,
    /// Whether the take is played to them; `None` before it was held against them, or where it is too short to tell.
    pub followed: Option<bool>,
}

/// A place of a session's time line from which a tempo holds, as a host tells it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bend {
    /// Quarter notes from the session's start, not negative.
    pub quarter: f64,
    /// Time in the take, seconds; negative before its first sample.
    pub at_s: f64,
    /// Quarter notes a minute from here on.
    pub bpm: f64,
}

impl Beats {
    /// The beats the player gave.
    #[must_use]
    pub fn given(grid: Grid) -> Self {
        let course = Course::Even { bpm: grid.bpm, first_beat_s: grid.first_beat_s };
        Self { course, per_beat: grid.per_beat, origin: Origin::Given, confidence: 1.0, followed: None }
    }

    /// Beats a minute; the middle one of a list.
    #[must_use]
    pub fn bpm(&self) -> f64 {
        match &self.course {
            Course::Even { bpm, .. } => *bpm,
            Course::Listed(beats) => 60.0 / median_interval_s(beats),
        }
    }

    /// The first beat, seconds.
    #[must_use]
    pub fn first_beat_s(&self) -> f64 {
        match &self.course {
            Course::Even { first_beat_s, .. } => *first_beat_s,
            Course::Listed(beats) => beats.first().copied().unwrap_or(0.0),
        }
    }

    /// All beats from 0 to `end_s` seconds, for tempo maps.
    #[must_use]
    pub fn until(&self, end_s: f64) -> Vec<f64> {
        match &self.course {
            Course::Listed(_) => self.within(0.0, end_s),
            // One beat past the end at least, so that even the shortest take has a tempo.
            Course::Even { bpm, .. } => self.within(0.0, end_s.max(0.0) + 60.0 / bpm),
        }
    }

    /// The beats from one time to another, seconds, both included.
    #[must_use]
    pub fn within(&self, from_s: f64, to_s: f64) -> Vec<f64> {
        match &self.course {
            Course::Listed(beats) => beats.iter().copied().filter(|beat| (from_s..=to_s).contains(beat)).collect(),
            Course::Even { bpm, first_beat_s } => {
                let beat_s = 60.0 / bpm;
                let first = ((from_s - first_beat_s) / beat_s).ceil();
                let last = ((to_s - first_beat_s) / beat_s).floor();
                let num_beats = (last - first + 1.0).max(0.0) as usize;
                (0..num_beats).map(|i| first_beat_s + (first + i as f64) * beat_s).collect()
            }
        }
    }

    /// The place of a time in beats from the first one, fractions included, negative before it.
    #[must_use]
    pub fn place(&self, time_s: f64) -> f64 {
        let usual_s = self.usual_s();
        let beats = match &self.course {
            Course::Even { first_beat_s, .. } => return (time_s - first_beat_s) / usual_s,
            Course::Listed(beats) => beats,
        };
        let after = beats.partition_point(|&beat| beat <= time_s);
        match (after.checked_sub(1).map(|i| (i, beats[i])), beats.get(after)) {
            (Some((i, before)), Some(next)) => i as f64 + (time_s - before) / (next - before),
            (Some((i, last)), None) => i as f64 + (time_s - last) / usual_s,
            (None, _) => (time_s - self.first_beat_s()) / usual_s,
        }
    }

    /// Distance of a time from the nearest beat or subdivision, ms, positive = late, and the length of that
    /// beat in seconds; `None` where there is no beat near.
    #[must_use]
    pub fn deviation(&self, time_s: f64) -> Option<(f64, f64)> {
        let local = self.local(time_s, self.usual_s())?;
        Some((grid::deviation_ms(time_s, &local), 60.0 / local.bpm))
    }

    /// Usual length of a beat, seconds.
    fn usual_s(&self) -> f64 {
        60.0 / self.bpm()
    }

    /// The even grid that holds at a time. `usual_s` is asked for since a list takes long to tell it.
    fn local(&self, time_s: f64, usual_s: f64) -> Option<Grid> {
        let per_beat = self.per_beat.clamp(1, MAX_PER_BEAT);
        let beats = match &self.course {
            Course::Even { bpm, first_beat_s } => {
                return Some(Grid { bpm: *bpm, first_beat_s: *first_beat_s, per_beat });
            }
            Course::Listed(beats) => beats,
        };
        let after = beats.partition_point(|&beat| beat <= time_s);
        let (before, next) = (after.checked_sub(1).map(|i| beats[i]), beats.get(after).copied());
        let (anchor_s, beat_s) = match (before, next) {
            (Some(before), Some(next)) if next - before < 1.5 * usual_s => (before, next - before),
            _ => {
                let near = [before, next]
                    .into_iter()
                    .flatten()
                    .min_by(|a, b| (time_s - a).abs().total_cmp(&(time_s - b).abs()))?;
                (near, usual_s)
            }
        };
        ((time_s - anchor_s).abs() <= MAX_CARRIED_BEATS * beat_s).then_some(Grid {
            bpm: 60.0 / beat_s,
            first_beat_s: anchor_s,
            per_beat,
        })
    }

    /// Nobody asked the take to keep them: they hold as long as it does, and its ending may broaden.
    fn are_its_own(&self) -> bool {
        matches!(self.origin, Origin::Found | Origin::Notes)
    }

    /// How far times, in seconds, are off the beats; those without a beat near are left out.
    fn offs(&self, times_s: &[f64]) -> Vec<Off> {
        let usual_s = self.usual_s();
        let off = |&time_s: &f64| {
            let grid = self.local(time_s, usual_s)?;
            Some(Off { off_s: grid::deviation_ms(time_s, &grid) / 1e3, step_s: grid::step_s(&grid) })
        };
        times_s.iter().filter_map(off).collect()
    }

    /// Whether times, in seconds, follow the beats, and how many of them broaden at the end.
    #[must_use]
    pub fn met_by(&self, times_s: &[f64]) -> (Option<bool>, usize) {
        let offs = self.offs(times_s);
        if !self.are_its_own() {
            return (grid::is_followed(&offs), 0);
        }
        let num_broadened = grid::num_broadened(&offs);
        (grid::is_followed_throughout(&offs[..offs.len() - num_broadened]), num_broadened)
    }

    /// Judges entrances anew against the beats; without their timing where the take does not follow them.
    pub fn time(&mut self, entrances: &mut [Entrance], settings: &Settings) {
        let times_s: Vec<f64> = entrances.iter().map(|e| e.front.speaks_s).collect();
        let (followed, num_broadened) = self.met_by(&times_s);
        self.followed = followed;
        let (usual_s, in_time) = (self.usual_s(), entrances.len() - num_broadened);
        let spread_s = self.are_its_own().then(|| grid::spread_s(&self.offs(&times_s[..in_time])));
        for (i, entrance) in entrances.iter_mut().enumerate() {
            let speaks_s = entrance.front.speaks_s;
            let known = self.local(speaks_s, usual_s).map(|grid| grid.nearest(speaks_s));
            let beat = known.map(|beat| Beat { spread_s, ..beat });
            *entrance = match followed {
                Some(false) => entrance.untimed(CannotTell::NotToBeat, settings),
                _ if i >= in_time => entrance.untimed(CannotTell::Broadened, settings),
                _ => entrance.judged(beat.as_ref(), settings),
            };
        }
    }
}

fn median_interval_s(beats: &[f64]) -> f64 {
    let mut intervals: Vec<_> = beats.windows(2).map(|pair| pair[1] - pair[0]).collect();
    if intervals.is_empty() {
        return f64::NAN;
    }
    let middle = intervals.len() / 2;
    *intervals.select_nth_unstable_by(middle, f64::total_cmp).1
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixtures;
    use approx::assert_abs_diff_eq;
    use notefront_dsp::FaultName;

    fn listed(beats: &[f64], per_beat: u32) -> Beats {
        Beats {
            course: Course::Listed(beats.to_vec()),
            per_beat,
            origin: Origin::Click,
            confidence: 1.0,
            followed: None,
        }
    }

    fn off(beats: &Beats, time_s: f64) -> f64 {
        beats.deviation(time_s).expect("a beat near").0
    }

    #[test]
    fn a_list_is_met_beat_by_beat() {
        let beats = listed(&[1.0, 2.0, 3.1, 4.1], 2);
        assert_abs_diff_eq!(off(&beats, 2.02), 20.0, epsilon = 1e-9);
        // Half way between 2.0 and 3.1.
        assert_abs_diff_eq!(off(&beats, 2.56), 10.0, epsilon = 1e-9);
        assert_abs_diff_eq!(off(&beats, 3.09), -10.0, epsilon = 1e-9);
    }

    #[test]
    fn beats_go_on_for_a_while_and_no_longer() {
        let beats = listed(&[10.0, 11.0, 12.0, 30.0, 31.0, 32.0], 1);
        assert_abs_diff_eq!(off(&beats, 13.03), 30.0, epsilon = 1e-6);
        assert_abs_diff_eq!(off(&beats, 28.98), -20.0, epsilon = 1e-6);
        assert_abs_diff_eq!(off(&beats, 7.99), -10.0, epsilon = 1e-6);
        for nowhere in [2.0, 20.0, 60.0] {
            assert_eq!(beats.deviation(nowhere), None, "{nowhere}");
        }
    }

    #[test]
    fn an_even_grid_tells_what_the_analysis_tells() {
        let grid = Grid { bpm: 72.0, first_beat_s: -0.5, per_beat: 3 };
        let beats = Beats::given(grid);
        for time_s in [0.0, 0.3, 17.77, 3600.1] {
            assert_abs_diff_eq!(off(&beats, time_s), grid::deviation_ms(time_s, &grid), epsilon = 1e-9);
        }
        assert_eq!(beats.until(2.0).len(), 4);
        assert_abs_diff_eq!(beats.until(2.0)[0], 60.0 / 72.0 - 0.5, epsilon = 1e-9);
    }

    #[test]
    fn timing_brings_its_faults_and_takes_old_ones_away() {
        let mut entrances = [fixtures::clear(0, 46, 1.0), fixtures::clear(1, 46, 2.06)];
        let mut beats = listed(&[1.0, 2.0, 3.0], 1);
        beats.time(&mut entrances, &Settings::default());
        assert!(!entrances[0].is_flagged());
        assert!(entrances[1].verdict.faults.get(FaultName::Late).is_some() && entrances[1].verdict.clarity < 97.0);
        listed(&[1.06, 2.06, 3.06], 1).time(&mut entrances, &Settings::default());
        assert!(entrances[0].verdict.faults.get(FaultName::Early).is_some() && !entrances[1].is_flagged());
    }

    fn take_of(times_s: &[f64]) -> Vec<Entrance> {
        times_s.iter().enumerate().map(|(i, &at_s)| fixtures::clear(i, 46, at_s)).collect()
    }

    #[test]
    fn a_take_off_the_given_tempo_has_no_early_or_late_note() {
        let grid = Grid { bpm: 72.0, first_beat_s: 1.0, per_beat: 1 };
        let at = |tempo: f64| (0..24).map(|i| 1.0 + f64::from(i) * 60.0 / 72.0 / tempo).collect::<Vec<_>>();
        for (tempo, is_to_it) in [(1.0, true), (1.1, false), (0.9, false)] {
            let (mut beats, mut entrances) = (Beats::given(grid), take_of(&at(tempo)));
            beats.time(&mut entrances, &Settings::default());
            assert_eq!(beats.followed, Some(is_to_it), "{tempo}");
            assert!(entrances.iter().all(|e| !e.is_flagged()), "{tempo}");
            let is_untold = |e: &Entrance| e.verdict.timing_ms == Err(CannotTell::NotToBeat);
            assert!(entrances.iter().all(|e| is_untold(e) != is_to_it), "{tempo}");
        }
    }

    /// Beats found in a take that strays from them by 20 ms tell no note late by that; one that is far off still is.
    #[test]
    fn beats_of_its_own_are_known_no_better_than_a_take_keeps_them() {
        let strays = [0.02, -0.02, 0.025, -0.015, -0.025, 0.018, 0.022, -0.02, 0.0, 0.02, -0.022, 0.015];
        let mut times: Vec<f64> = strays.iter().enumerate().map(|(i, off)| 1.0 + 0.8 * i as f64 + off).collect();
        times[5] = 1.0 + 0.8 * 5.0 + 0.11;
        let grid = Grid { bpm: 75.0, first_beat_s: 1.0, per_beat: 1 };
        let flagged = |origin: Origin| {
            let mut entrances = take_of(&times);
            Beats { origin, ..Beats::given(grid) }.time(&mut entrances, &Settings::default());
            (0..times.len()).filter(|&i| entrances[i].is_flagged()).collect::<Vec<_>>()
        };
        assert_eq!(flagged(Origin::Found), [5]);
        assert!(flagged(Origin::Given).len() > 6, "a click is known exactly");
    }

    #[test]
    fn a_broadened_ending_is_late_to_a_click_and_not_to_its_own_beat() {
        let mut times: Vec<f64> = (0..12).map(|i| 1.0 + f64::from(i)).collect();
        times.iter_mut().skip(9).zip([0.06, 0.15, 0.4]).for_each(|(at_s, late_s)| *at_s += late_s);
        let mut own =
            Beats { origin: Origin::Found, ..Beats::given(Grid { bpm: 60.0, first_beat_s: 1.0, per_beat: 1 }) };
        let mut entrances = take_of(&times);
        own.time(&mut entrances, &Settings::default());
        assert_eq!(own.followed, Some(true));
        assert!(entrances.iter().all(|e| !e.is_flagged()));
        assert_eq!(entrances[9].verdict.timing_ms, Err(CannotTell::Broadened));
        assert!(entrances[8].verdict.timing_ms.is_ok());
        let mut given = Beats { origin: Origin::Given, ..own };
        given.time(&mut entrances, &Settings::default());
        assert_eq!(entrances.iter().filter(|e| e.verdict.faults.get(FaultName::Late).is_some()).count(), 3);
    }
}
