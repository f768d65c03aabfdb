//! A count-in: a few even clicks before the first note, as a player sets a metronome going and stops it, or as a bar of
//! clicks leads into a take. Their beat goes on into the take.

use super::{Click, Ear};
use crate::beats::{Beats, Course, Origin};
use notefront_dsp::Grid;

/// Fewest clicks of a count-in: a bar of three.
pub const MIN_COUNTED: usize = 3;
/// From so many on they stand for themselves; fewer must be met by the take.
const SURE_COUNT: usize = 4;
/// Shortest and longest beat that is counted in, s \[P\].
const BEAT_RANGE_S: (f64, f64) = (0.24, 2.0);
/// Distances of a count-in differ by this share at most: a metronome's are even, and so nearly are a counting hand's \[H\].
const EVENNESS: f64 = 0.03;
/// The first note follows so many beats after the last click at least and at most: a bar of rest and an upbeat.
const BEATS_TO_NOTE: (f64, f64) = (0.3, 4.5);
/// The same for three clicks, which chance makes more easily.
const FEW_BEATS_TO_NOTE: f64 = 1.6;
/// Clicks looked at, the last before the first note.
const MAX_LOOKED_AT: usize = 16;
/// Share of the sudden sounds between the first click and the last that belong to the count.
const MIN_SHARE: f64 = 0.6;
/// Entrances off the beat by this in the median, s, were not played to it, where there are too few for a test.
const MAX_MEDIAN_S: f64 = 0.05;
/// Subdivisions tried, the plainest first.
const PER_BEAT: [u32; 4] = [1, 2, 3, 4];

/// Listens for clicks until the first note is known.
pub struct Counting {
    ear: Ear,
}

/// Clicks that were counted in.
#[derive(Debug, Clone, PartialEq)]
pub struct CountIn {
    /// The clicks, seconds, rising.
    pub clicks_s: Vec<f64>,
}

impl Counting {
    /// For a sound of a rate in Hz.
    #[must_use]
    pub fn new(rate_hz: f64) -> Self {
        Self { ear: Ear::new(rate_hz) }
    }

    /// The next samples.
    pub fn push(&mut self, block: &[f32]) {
        self.ear.push(block);
    }

    /// What was counted in before the first note, whose tone comes at `onset_s`.
    #[must_use]
    pub fn before(self, onset_s: f64) -> Option<CountIn> {
        find(&self.ear.finish(), onset_s)
    }
}

fn find(clicks: &[Click], onset_s: f64) -> Option<CountIn> {
    let before: Vec<f64> = clicks.iter().map(|click| click.at_s).filter(|&at_s| at_s < onset_s).collect();
    let last = &before[before.len().saturating_sub(MAX_LOOKED_AT)..];
    let pairs = (0..last.len()).flat_map(|i| (i + 1..last.len()).map(move |j| (i, j)));
    let chains = pairs.map(|(i, j)| chain(last, i, j)).filter(|chain| is_count_in(chain, last, onset_s));
    // Of equals the first: it begins earliest.
    let best = chains.reduce(|best, chain| if chain.len() > best.len() { chain } else { best });
    best.map(|clicks_s| CountIn { clicks_s })
}

/// The clicks that go on evenly from two of them.
fn chain(clicks_s: &[f64], first: usize, second: usize) -> Vec<f64> {
    let mut chain = vec![clicks_s[first], clicks_s[second]];
    loop {
        let beat_s = beat_s(&chain);
        let expected_s = chain[chain.len() - 1] + beat_s;
        let off_s = |click_s: &&f64| (**click_s - expected_s).abs();
        match clicks_s.iter().min_by(|a, b| off_s(a).total_cmp(&off_s(b))) {
            Some(&next) if (next - expected_s).abs() <= EVENNESS * beat_s => chain.push(next),
            _ => return chain,
        }
    }
}

fn beat_s(clicks_s: &[f64]) -> f64 {
    (clicks_s[clicks_s.len() - 1] - clicks_s[0]) / (clicks_s.len() - 1) as f64
}

fn is_count_in(chain: &[f64], all_s: &[f64], onset_s: f64) -> bool {
    let (first, last, beat_s) = (chain[0], chain[chain.len() - 1], beat_s(chain));
    let to_note = (onset_s - last) / beat_s;
    let most = if chain.len() >= SURE_COUNT { BEATS_TO_NOTE.1 } else { FEW_BEATS_TO_NOTE };
    let num_between = all_s.iter().filter(|at_s| (first..=last).contains(*at_s)).count();
    chain.len() >= MIN_COUNTED
        && (BEAT_RANGE_S.0..=BEAT_RANGE_S.1).contains(&beat_s)
        && (BEATS_TO_NOTE.0..=most).contains(&to_note)
        && chain.len() as f64 >= MIN_SHARE * num_between as f64
}

impl CountIn {
    /// Beats a minute.
    #[must_use]
    pub fn bpm(&self) -> f64 {
        60.0 / beat_s(&self.clicks_s)
    }

    /// The beats that it counts in at a tempo the player gave; `None` where it counts another.
    #[must_use]
    pub fn at_tempo(&self, bpm: f64, per_beat: u32) -> Option<Beats> {
        let is_it = (self.bpm() / bpm - 1.0).abs() <= EVENNESS;
        // From the last click on the given tempo goes on.
        let last = self.clicks_s[self.clicks_s.len() - 1];
        let first_beat_s = last - (self.clicks_s.len() - 1) as f64 * 60.0 / bpm;
        is_it.then(|| Beats { origin: Origin::Tempo, ..Beats::given(Grid { bpm, first_beat_s, per_beat }) })
    }

    /// Its beat as that of a take whose notes speak at these times, in seconds, with the plainest subdivision that they
    /// follow; `None` where they follow none.
    #[must_use]
    pub fn met_by(&self, speaks_s: &[f64]) -> Option<Beats> {
        let course = Course::Even { bpm: self.bpm(), first_beat_s: self.clicks_s[0] };
        let beats = |per_beat| {
            let (course, confidence) = (course.clone(), self.confidence());
            Beats { course, per_beat, origin: Origin::CountIn, confidence, followed: None }
        };
        PER_BEAT.map(beats).into_iter().find(|beats| match beats.met_by(speaks_s).0 {
            Some(is_followed) => is_followed,
            None => self.clicks_s.len() >= SURE_COUNT && is_near(beats, speaks_s),
        })
    }

    /// How sure it is that these clicks are one: that many sudden sounds would seldom be so even by chance.
    fn confidence(&self) -> f64 {
        1.0 - (2.0 * EVENNESS * MAX_LOOKED_AT as f64 / 4.0).powi(self.clicks_s.len() as i32 - 2)
    }
}

/// Whether a few notes lie on the beat.
fn is_near(beats: &Beats, speaks_s: &[f64]) -> bool {
    let mut off_s: Vec<f64> = speaks_s.iter().filter_map(|&at_s| Some(beats.deviation(at_s)?.0.abs() * 1e-3)).collect();
    off_s.sort_by(f64::total_cmp);
    off_s.get(off_s.len() / 2).is_some_and(|&middle| middle <= MAX_MEDIAN_S)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn clicks(times_s: &[f64]) -> Vec<Click> {
        times_s.iter().map(|&at_s| Click { at_s, peak: 0.1 }).collect()
    }

    #[test]
    fn a_bar_of_clicks_is_found_among_strays() {
        // 72 a minute, after a chair and a key; a breath before the note.
        let counted: Vec<f64> = (0..4).map(|i| 1.3 + f64::from(i) * 60.0 / 72.0).collect();
        let all = [&[0.2, 0.65][..], &counted, &[4.5]].concat();
        let found = find(&clicks(&all), 1.3 + 4.0 * 60.0 / 72.0).expect("a count-in");
        assert_eq!(found.clicks_s.len(), 4);
        assert!((found.bpm() - 72.0).abs() < 1e-9);
    }

    #[test]
    fn uneven_sounds_or_those_long_before_are_none() {
        for times in [&[0.5, 1.1, 1.9, 2.3][..], &[0.5, 1.0], &[], &[0.1, 0.2, 0.3, 0.4]] {
            assert_eq!(find(&clicks(times), 3.0), None, "{times:?}");
        }
        let four = [1.0, 1.5, 2.0, 2.5];
        assert!(find(&clicks(&four), 3.0).is_some());
        assert_eq!(find(&clicks(&four), 8.0), None, "eleven beats later");
        assert_eq!(find(&clicks(&four[..3]), 4.0), None, "three must lead right into the note");
    }

    #[test]
    fn the_plainest_subdivision_is_taken_that_the_notes_follow() {
        let count_in = CountIn { clicks_s: vec![0.0, 0.8, 1.6, 2.4] };
        let notes = |step_s: f64| -> Vec<f64> { (0..16).map(|i| 3.2 + step_s * f64::from(i)).collect() };
        for (step_s, per_beat) in [(0.8, 1), (0.4, 2), (0.8 / 3.0, 3)] {
            let beats = count_in.met_by(&notes(step_s)).expect("followed");
            assert_eq!((beats.per_beat, beats.origin), (per_beat, Origin::CountIn), "{step_s}");
            assert!((beats.bpm() - 75.0).abs() < 1e-9);
        }
        assert_eq!(count_in.met_by(&notes(0.71)), None, "another tempo");
        assert!(count_in.met_by(&[3.21, 4.0]).is_some(), "two notes on the beat");
        assert_eq!(count_in.met_by(&[3.47, 4.27]).map(|beats| beats.per_beat), Some(3));
    }

    #[test]
    fn a_given_tempo_goes_on_from_the_last_click() {
        let count_in = CountIn { clicks_s: vec![1.0, 1.8, 2.6, 3.4] };
        let beats = count_in.at_tempo(75.3, 2).expect("nearly its tempo");
        assert!(beats.deviation(3.4).is_some_and(|(off_ms, _)| off_ms.abs() < 1e-6), "{beats:?}");
        assert_eq!(count_in.at_tempo(80.0, 1), None);
    }
}
