//! Which kinds of notes stand out: less clear than the player's other notes of the same takes, by more than chance deals out,
//! in most sessions, and not only because a narrower kind in them does.

use super::cells::{NUM_CELLS, key, place};
use crate::log::Played;
use crate::log::digest::{Counted, NO_KIND};
use crate::patterns::{Facet, Kind};
use crate::statistics::{self, LEVEL, MOST_DEALT, Stratified, Stratum, by_dealing, two_sided_t};
use crate::summary::MIN_VALUES;
use rayon::prelude::*;

/// What can be practised at once.
pub const MOST_STANDING: usize = 3;
/// A difference under this is not worth a day's practice, points of clarity \[H\].
const LEAST_POINTS: f64 = 2.0;
/// A kind of note that stands out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Standing {
    /// In which facet.
    pub facet: Facet,
    /// Which kind.
    pub kind: Kind,
    /// Notes of it.
    pub num: usize,
    /// Sessions it was played in.
    pub num_sessions: usize,
    /// Points of clarity under the other notes of the same takes.
    pub points_lower: f64,
    /// Half width of the interval that holds the true difference in 90 % of cases, points.
    pub uncertainty: f64,
    /// How likely chance alone makes any kind stand out so far.
    pub chance: f64,
}

/// What is known of one kind against the others.
#[derive(Debug, Clone, Copy, Default)]
struct Kindred {
    dealt: Stratified,
    /// Of the sessions it was played in: weights (notes), and weighted differences, for how they vary.
    num_sessions: usize,
    w: f64,
    w_d: f64,
    w2: f64,
    w2_d: f64,
    w2_d2: f64,
}

impl Kindred {
    fn join(&mut self, other: &Self) {
        self.dealt.join(&other.dealt);
        self.num_sessions += other.num_sessions;
        self.w += other.w;
        self.w_d += other.w_d;
        self.w2 += other.w2;
        self.w2_d += other.w2_d;
        self.w2_d2 += other.w2_d2;
    }

    fn add_session(&mut self, of_session: &Stratified) {
        if of_session.num > 0.0 {
            let (w, d) = (of_session.num, of_session.difference());
            self.num_sessions += 1;
            self.w += w;
            self.w_d += w * d;
            self.w2 += w * w;
            self.w2_d += w * w * d;
            self.w2_d2 += w * w * d * d;
        }
        self.dealt.join(of_session);
    }

    /// Difference and its standard error over the sessions: by how much they differ from each other. `None` of fewer
    /// than five.
    fn over_sessions(&self) -> Option<(f64, f64)> {
        let mean = self.w_d / self.w;
        let spread = (self.w2_d2 - 2.0 * mean * self.w2_d + mean * mean * self.w2).max(0.0);
        let m = self.num_sessions as f64;
        (self.num_sessions >= MIN_VALUES).then(|| (mean, (m / (m - 1.0) * spread).sqrt() / self.w))
    }

    /// Whether the sessions agree that it is less clear; few sessions cannot disagree.
    fn sessions_agree(&self) -> bool {
        self.over_sessions().is_none_or(|(mean, error)| {
            mean < 0.0 && (error <= 0.0 || two_sided_t(mean / error, (self.num_sessions - 1) as f64) < LEVEL)
        })
    }

    /// Half width of the 90 % interval.
    fn uncertainty(&self) -> f64 {
        let by_sessions = self.over_sessions().map(|(_, error)| error);
        let z = self.dealt.z().abs().max(1e-9);
        let by_notes = self.dealt.difference().abs() / z;
        1.645 * by_sessions.unwrap_or(by_notes).max(by_notes)
    }
}

type Key = (Facet, Kind);

/// Kinds that stand out, the clearest case first, [`MOST_STANDING`] at most. Each is looked for among the notes that those
/// before it do not hold, so that a register is not named for the one note in it that is.
#[must_use]
pub fn standing_out(sessions: &[&[Played]]) -> Vec<Standing> {
    let mut found: Vec<Standing> = Vec::new();
    while found.len() < MOST_STANDING {
        let named: Vec<Key> = found.iter().map(|s| (s.facet, s.kind)).collect();
        match clearest(sessions, &named) {
            Some(standing) => found.push(standing),
            None => break,
        }
    }
    found
}

/// The kind that stands out most among the notes of none of these kinds.
fn clearest(sessions: &[&[Played]], named: &[Key]) -> Option<Standing> {
    let asked: Vec<(Key, Kindred)> = tested(sessions, named);
    let mut chances: Vec<f64> = asked.iter().map(|(_, kindred)| kindred.dealt.chance()).collect();
    let mut order: Vec<usize> = (0..asked.len()).collect();
    order.sort_by(|&a, &b| chances[a].total_cmp(&chances[b]));
    for i in order {
        let (key, kindred) = &asked[i];
        if statistics::holm(&chances)[i] >= LEVEL {
            return None;
        }
        if kindred.dealt.num as usize <= MOST_DEALT {
            // The law is coarse for few notes: chance is tried out before anything is claimed.
            chances[i] = chances[i].max(dealt(sessions, named, *key));
        }
        let chance = statistics::holm(&chances)[i];
        let points_lower = -kindred.dealt.difference();
        if chance < LEVEL && points_lower >= LEAST_POINTS && kindred.sessions_agree() {
            return Some(Standing {
                facet: key.0,
                kind: key.1,
                num: kindred.dealt.num as usize,
                num_sessions: kindred.num_sessions,
                points_lower,
                uncertainty: kindred.uncertainty(),
                chance,
            });
        }
    }
    None
}

/// Every kind with enough notes, tested against the others.
fn tested(sessions: &[&[Played]], named: &[Key]) -> Vec<(Key, Kindred)> {
    let empty = || vec![Kindred::default(); NUM_CELLS];
    let chunk = sessions.len().div_ceil(4 * rayon::current_num_threads()).max(1);
    let of_chunk = |chunk: &[&[Played]]| {
        let mut all = empty();
        chunk.iter().for_each(|session| add_session(&mut all, session, named));
        all
    };
    let all = sessions.par_chunks(chunk).map(of_chunk).reduce(empty, |mut a, b| {
        a.iter_mut().zip(&b).for_each(|(a, b)| a.join(b));
        a
    });
    let keyed = all.into_iter().enumerate().map(|(at, kindred)| (key(at), kindred));
    let with_enough = keyed.filter(|(_, kindred)| kindred.dealt.num >= MIN_VALUES as f64);
    with_enough.collect()
}

/// Number and sum of each kind's values in one stratum, in whole numbers: the number in the upper half of each, the sum, a
/// hundred for each note at most, in the lower.
struct Sums {
    all: Stratum,
    kinds: [u64; NUM_CELLS],
}

impl Sums {
    fn new() -> Self {
        Self { all: Stratum::default(), kinds: [0; NUM_CELLS] }
    }

    fn add(&mut self, note: &Counted, facet: Facet) {
        let kind = note.kinds[facet as usize];
        if kind != NO_KIND {
            self.kinds[place(facet, kind)] += (1 << 32) + u64::from(note.clarity);
        }
    }

    /// What this stratum tells of the kinds from one place to another.
    fn tell(&self, found: &mut [Stratified], from: usize, to: usize) {
        let told = found[from..to].iter_mut().zip(&self.kinds[from..to]).filter(|(_, packed)| **packed != 0);
        told.for_each(|(found, &packed)| found.add(&self.all, (packed >> 32) as f64, f64::from(packed as u32)));
    }
}

/// Whether a note is of one of the kinds that are named already.
fn is_named(note: &Counted, named: &[Key]) -> bool {
    named.iter().any(|&(facet, kind)| note.kinds[facet as usize] == kind)
}

fn notes<'a>(played: &'a Played, named: &'a [Key]) -> impl Iterator<Item = Counted> + 'a {
    played.counted().filter(|note| !is_named(note, named))
}

/// A take is compared with itself; minutes are, over the whole session. Weekdays are told and never claimed: a day of the week
/// has other takes, not other notes.
fn add_session(all: &mut [Kindred], session: &[Played], named: &[Key]) {
    let (minutes_from, num) = (place(Facet::Minutes, 0), all.len());
    let mut of_session = vec![Stratified::default(); num];
    let mut whole = Sums::new();
    for played in session {
        let mut sums = Sums::new();
        for note in notes(played, named) {
            sums.all.add(f64::from(note.clarity));
            Facet::OF_A_NOTE.into_iter().for_each(|facet| sums.add(&note, facet));
            whole.add(&note, Facet::Minutes);
        }
        whole.all.join(&sums.all);
        sums.tell(&mut of_session, 0, minutes_from);
    }
    whole.tell(&mut of_session, minutes_from, num);
    all.iter_mut().zip(&of_session).for_each(|(kindred, found)| kindred.add_session(found));
}

/// How likely a deal puts the notes of a kind as far off.
fn dealt(sessions: &[&[Played]], named: &[Key], (facet, kind): Key) -> f64 {
    let strata: Vec<Vec<&Played>> = if facet == Facet::Minutes {
        sessions.iter().map(|session| session.iter().collect()).collect()
    } else {
        sessions.iter().copied().flatten().map(|take| vec![take]).collect()
    };
    let mut sum = 0.0;
    let mut takes = Vec::new();
    for stratum in strata {
        let (mut values, mut num) = (Vec::new(), 0);
        for note in stratum.into_iter().flat_map(|played| notes(played, named)) {
            let is_kind = note.kinds[facet as usize] == kind;
            values.push((f64::from(note.clarity), is_kind));
            num += usize::from(is_kind);
        }
        if num > 0 && num < values.len() {
            sum += values.iter().filter(|(_, is_kind)| *is_kind).map(|(value, _)| value).sum::<f64>();
            takes.push((values.into_iter().map(|(value, _)| value).collect::<Vec<_>>(), num));
        }
    }
    by_dealing(&mut takes, sum)
}
