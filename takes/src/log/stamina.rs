//! Lasting and even: clarity and lean over the minutes of a session with its rests, how even repeated attacks are, the
//! longest clean run as a player counts it, and breathing.

use super::read::sessions;
use super::{DigestNote, Played};
use crate::breathing::{Breathed, Breathing};
use crate::patterns::facet::{SESSION_PARTS_MIN, minutes_kind};
use crate::statistics::{coefficient_of_variation, mean, npvi, slope, two_sided_t, variance};
use crate::summary::MIN_VALUES;
use rayon::prelude::*;

/// No note for so long is a rest, s: lips come back in minutes, not in breaths \[H\].
const REST_S: f64 = 45.0;
/// Repeated attacks: the same note at least so often, no two farther apart than this, s.
const MIN_RUN: usize = 4;
const RUN_GAP_S: f64 = 2.0;

/// A part of the session, over all sessions.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Part {
    /// Which, as in `Facet::Minutes`.
    pub kind: u8,
    /// Notes in it.
    pub num: usize,
    /// Mean clarity; `None` of fewer than five notes.
    pub clarity: Option<f64>,
    /// Mean lean without its sign, cents.
    pub lean_cents: Option<f64>,
}

/// How something changes with the minutes played since the last rest, over sessions.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tiring {
    /// Points of clarity, or cents, in ten minutes of playing.
    pub per_ten_minutes: f64,
    /// How likely chance gives a change as large.
    pub chance: f64,
    /// Sessions that tell it.
    pub num_sessions: usize,
}

/// How even repeated attacks are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Evenness {
    /// Runs of the same note, and the notes in them.
    pub num_runs: usize,
    /// Notes in them.
    pub num_notes: usize,
    /// Coefficient of variation of the time from attack to attack, percent: mean over the runs.
    pub interval_percent: f64,
    /// nPVI of the same (Grabe & Low 2002).
    pub interval_npvi: f64,
    /// Coefficient of variation of the length, percent.
    pub length_percent: f64,
    /// Standard deviation of the level, dB.
    pub level_db: f64,
}

/// Lasting and even.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Stamina {
    /// Parts of the session with any notes.
    pub parts: Vec<Part>,
    /// Clarity against minutes played since the last rest; `None` of fewer than five sessions that tell it.
    pub clarity: Option<Tiring>,
    /// The same of the lean without its sign.
    pub lean: Option<Tiring>,
    /// How even repeats are; `None` without any.
    pub evenness: Option<Evenness>,
    /// Most clear notes in a row, and the day they were played on.
    pub longest_run: Option<(usize, jiff::civil::Date)>,
    /// Breaths and phrases.
    pub breathing: Breathing,
}

impl Stamina {
    /// Over takes in the order they were played.
    #[must_use]
    pub fn of(played: &[Played]) -> Self {
        let sessions = sessions(played);
        Self {
            parts: parts(played),
            clarity: tiring(&sessions, |note| Some(f64::from(note.clarity()))),
            lean: tiring(&sessions, |note| note.approach_cents().map(f64::abs)),
            evenness: evenness(played),
            longest_run: longest_run(played),
            breathing: Breathing::of(played.iter().map(breathed)),
        }
    }
}

fn breathed(played: &Played) -> impl Iterator<Item = Breathed> + '_ {
    let breathed = |note: DigestNote| Breathed {
        speaks_s: note.speaks_s(),
        end_s: note.speaks_s() + note.length_s(),
        breath: note.breath(),
    };
    played.notes().map(breathed)
}

/// Of each part of a session notes and their clarity, and leans and their sum.
type PartSums = [(usize, f64, usize, f64); SESSION_PARTS_MIN.len()];

fn part_sums(take: &Played) -> PartSums {
    let mut sums = PartSums::default();
    for note in take.notes() {
        let sum = &mut sums[usize::from(minutes_kind(take.take.into_session_s() + note.speaks_s()))];
        sum.0 += 1;
        sum.1 += f64::from(note.clarity());
        if let Some(cents) = note.approach_cents() {
            sum.2 += 1;
            sum.3 += cents.abs();
        }
    }
    sums
}

fn parts(played: &[Played]) -> Vec<Part> {
    let mut sums = PartSums::default();
    for of_take in played.par_iter().map(part_sums).collect::<Vec<_>>() {
        sums.iter_mut().zip(of_take).for_each(|(a, b)| *a = (a.0 + b.0, a.1 + b.1, a.2 + b.2, a.3 + b.3));
    }
    let mean_of = |num: usize, sum: f64| (num >= MIN_VALUES).then(|| sum / num as f64);
    let part = |(kind, &(num, clarity, num_leans, leans)): (usize, &(usize, f64, usize, f64))| Part {
        kind: kind as u8,
        num,
        clarity: mean_of(num, clarity),
        lean_cents: mean_of(num_leans, leans),
    };
    sums.iter().enumerate().filter(|(_, sum)| sum.0 > 0).map(part).collect()
}

fn tiring(sessions: &[&[Played]], of: impl Fn(DigestNote) -> Option<f64> + Sync) -> Option<Tiring> {
    over_sessions(&sessions.par_iter().filter_map(|session| session_slope(session, &of)).collect::<Vec<_>>())
}

/// Slopes a minute, one for each session, and whether their mean is more than chance: one session is one vote.
pub(super) fn over_sessions(slopes: &[f64]) -> Option<Tiring> {
    if slopes.len() < MIN_VALUES {
        return None;
    }
    let n = slopes.len() as f64;
    let (per_minute, error) = (mean(slopes)?, (variance(slopes)? / n).sqrt());
    let chance = if error > 0.0 { two_sided_t(per_minute / error, n - 1.0) } else { 1.0 };
    Some(Tiring { per_ten_minutes: 10.0 * per_minute, chance, num_sessions: slopes.len() })
}

/// What tells of tiring in a session: five minutes without a rest, and twenty notes.
pub(super) fn tells_tiring(longest_min: f64, num: usize) -> bool {
    longest_min >= 5.0 && num >= 20
}

/// The notes of a session with the minutes since the last rest.
pub(super) fn since_rest(session: &[Played]) -> impl Iterator<Item = (f64, DigestNote<'_>)> {
    let (mut since_s, mut before_s) = (0.0, f64::NEG_INFINITY);
    let notes = session.iter().flat_map(|take| take.notes().map(|note| (take.take.into_session_s(), note)));
    notes.map(move |(into_s, note)| {
        let at_s = into_s + note.speaks_s();
        if at_s - before_s > REST_S {
            since_s = at_s;
        }
        before_s = at_s + note.length_s();
        ((at_s - since_s) / 60.0, note)
    })
}

/// Change a minute of playing since the last rest; `None` of less than five minutes or twenty notes.
fn session_slope(session: &[Played], of: &impl Fn(DigestNote) -> Option<f64>) -> Option<f64> {
    let told = since_rest(session).filter_map(|(minutes, note)| Some((minutes, of(note)?)));
    let points: Vec<(f64, f64)> = told.collect();
    let longest = points.iter().fold(0.0_f64, |longest, point| longest.max(point.0));
    tells_tiring(longest, points.len()).then(|| slope(&points)).flatten()
}

/// Runs of the same note, one soon after the other.
fn runs<'a, 'b>(notes: &'a [DigestNote<'b>]) -> impl Iterator<Item = &'a [DigestNote<'b>]> {
    let is_repeat = |a: &DigestNote, b: &DigestNote| {
        a.midi_note().is_some() && a.midi_note() == b.midi_note() && b.speaks_s() - a.speaks_s() <= RUN_GAP_S
    };
    notes.chunk_by(is_repeat).filter(|run| run.len() >= MIN_RUN)
}

/// A run of the same note: variation of its intervals and lengths, their nPVI, and the spread of its levels.
struct Run {
    num: usize,
    interval: Option<f64>,
    npvi: Option<f64>,
    length: Option<f64>,
    level_db: Option<f64>,
}

impl Run {
    fn of(run: &[DigestNote]) -> Self {
        let steps: Vec<f64> = run.windows(2).map(|pair| pair[1].speaks_s() - pair[0].speaks_s()).collect();
        let lengths: Vec<f64> = run.iter().map(|n| n.length_s()).collect();
        let levels: Vec<f64> = run.iter().map(|n| n.level_db()).collect();
        Self {
            num: run.len(),
            interval: coefficient_of_variation(&steps),
            npvi: npvi(&steps),
            length: coefficient_of_variation(&lengths),
            level_db: variance(&levels).map(f64::sqrt),
        }
    }
}

fn evenness(played: &[Played]) -> Option<Evenness> {
    let of_take = |take: &Played| runs(&take.notes().collect::<Vec<_>>()).map(Run::of).collect::<Vec<_>>();
    let all: Vec<Run> = played.par_iter().map(of_take).collect::<Vec<_>>().into_iter().flatten().collect();
    let mean_of = |of: fn(&Run) -> Option<f64>| mean(&all.iter().filter_map(of).collect::<Vec<_>>());
    Some(Evenness {
        num_runs: all.len(),
        num_notes: all.iter().map(|run| run.num).sum(),
        interval_percent: 100.0 * mean_of(|run| run.interval)?,
        interval_npvi: mean_of(|run| run.npvi)?,
        length_percent: 100.0 * mean_of(|run| run.length)?,
        level_db: mean_of(|run| run.level_db)?,
    })
}

fn longest_run(played: &[Played]) -> Option<(usize, jiff::civil::Date)> {
    let of_take = |take: &Played| {
        let (mut longest, mut now) = (0, 0);
        for note in take.notes() {
            now = if note.is_flagged() { 0 } else { now + 1 };
            longest = longest.max(now);
        }
        (longest, take.take.day())
    };
    // Of two as long the first: it is to be beaten.
    let all: Vec<_> = played.par_iter().map(of_take).collect();
    all.into_iter().rev().max_by_key(|(longest, _)| *longest).filter(|(longest, _)| *longest > 0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixtures::{airy, clear, logged, played, with};
    use notefront_dsp::Entrance;

    fn take(day: i64, entrances: Vec<Entrance>) -> Played {
        played(logged(day, 1800.0), entrances)
    }

    /// A note every four seconds for twelve minutes, a minute of rest, and eight more.
    fn tired(day: i64, points_a_minute: f64, seed: u64) -> Played {
        let mut dice = fastrand::Rng::with_seed(seed);
        let note = |i: usize| {
            let (at_s, since_min) = if i < 180 {
                (i as f64 * 4.0, i as f64 / 15.0)
            } else {
                (60.0 + i as f64 * 4.0, (i - 180) as f64 / 15.0)
            };
            let noise = 20.0 * (dice.f64() - 0.5);
            with(clear(i, 46 + (i % 3) as u8, 1.0 + at_s), |e| {
                e.verdict.clarity = (85.0 - points_a_minute * since_min + noise).clamp(0.0, 100.0);
            })
        };
        take(day, (0..300).map(note).collect())
    }

    #[test]
    fn tiring_is_found_at_its_size_and_none_where_there_is_none() {
        let weeks = |points: f64| (0..10).map(|day| tired(day, points, day as u64)).collect::<Vec<_>>();
        let tiring = Stamina::of(&weeks(1.2)).clarity.expect("ten sessions");
        // 10 sessions of 300 notes with a spread of 5.8 points: the slope is good to about 0.3 points in ten minutes.
        assert!((tiring.per_ten_minutes + 12.0).abs() < 1.0 && tiring.chance < 0.001, "{tiring:?}");
        let fresh = Stamina::of(&weeks(0.0)).clarity.expect("ten sessions");
        assert!(fresh.per_ten_minutes.abs() < 1.0, "{fresh:?}");
        assert_eq!(Stamina::of(&weeks(1.0)[..4]).clarity, None, "four sessions are too few");
    }

    #[test]
    fn repeats_are_as_even_as_they_are_played() {
        let run = |late_s: f64| {
            let at = |i: usize| 1.0 + i as f64 * 0.5 + if i % 2 == 1 { late_s } else { 0.0 };
            let notes = (0..9).map(|i| with(clear(i, 53, at(i)), |e| e.front.end_s = Some(at(i) + 0.25)));
            Stamina::of(&[take(0, notes.collect())]).evenness.expect("a run")
        };
        assert_eq!((run(0.0).num_runs, run(0.0).num_notes), (1, 9));
        assert!(run(0.0).interval_npvi < 0.01 && run(0.0).length_percent < 0.01);
        // 0.55 and 0.45 s by turns: |0.1| over 0.5 is 20, and their spread 0.05 x sqrt(8/7) over 0.5 is 10.7 % \[C\].
        assert!((run(0.05).interval_npvi - 20.0).abs() < 0.1, "{:?}", run(0.05));
        assert!((run(0.05).interval_percent - 10.69).abs() < 0.1, "{:?}", run(0.05));
    }

    #[test]
    fn the_longest_run_ends_at_the_first_unclear_note() {
        let mut notes: Vec<Entrance> = (0..10).map(|i| clear(i, 46, i as f64 + 1.0)).collect();
        notes[6] = airy(6, 7.0);
        let played = [take(0, notes), take(1, vec![clear(0, 46, 1.0)])];
        let (num, day) = Stamina::of(&played).longest_run.expect("clear notes");
        assert_eq!((num, day.to_string().as_str()), (6, "2026-03-02"));
        assert_eq!(Stamina::of(&[]), Stamina::default());
    }
}
