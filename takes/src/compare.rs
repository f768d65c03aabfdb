//! Two takes of the same music, entrance by entrance: what got better or worse beyond its uncertainty,
//! and of any number of takes which to keep for each entrance and each bar.

use crate::beats::Beats;
use crate::loudness::Loudness;
use crate::take::Take;
use crate::words;
use notefront_dsp::align::{self, Alignment, Pair, Side};
use notefront_dsp::{Entrance, FaultName, Told};
use std::ops::Range;

/// Points of clarity by which one front must be clearer to be kept for it \[H\].
pub const CLARITY_STEP: f64 = 5.0;
/// A fault without a measure of its own counts as a difference when it is at least this sure.
const SURE_ENOUGH: f64 = 0.6;

/// Takes in which fewer than this share of the notes of the shorter one have the same note as partner are not the same
/// music \[H\].
const SAME_MUSIC_SHARE: f64 = 0.5;

/// Silence between two notes that parts one stretch from the next, s: a breath in time is shorter \[P\].
const REST_S: f64 = 0.6;

/// A take with its loudness.
#[derive(Debug, Clone, PartialEq)]
pub struct HeardTake {
    /// The judged take.
    pub take: Take,
    /// How loud it is.
    pub loudness: Loudness,
}

/// A measure that is compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Compared {
    /// Air before the tone, ms.
    NoiseBeforeTone,
    /// Mean distance from the pitch on the way in, cents.
    Approach,
    /// First pitch, cents: told, never judged.
    OnsetCents,
    /// Until it speaks, ms.
    Speak,
    /// Until the pitch settled, ms.
    Settle,
    /// Growth of the tone, ms.
    Attack,
    /// Distance from the beat, ms.
    Timing,
}

impl Compared {
    /// All of them.
    pub const ALL: [Self; 7] = [
        Self::NoiseBeforeTone,
        Self::Approach,
        Self::OnsetCents,
        Self::Speak,
        Self::Settle,
        Self::Attack,
        Self::Timing,
    ];

    fn of(self, entrance: &Entrance) -> Told {
        match self {
            Self::NoiseBeforeTone => entrance.front.noise_before_tone_ms,
            Self::Approach => entrance.front.approach_cents,
            Self::OnsetCents => entrance.front.onset_cents,
            Self::Speak => entrance.front.speak_ms,
            Self::Settle => entrance.front.settle_ms,
            Self::Attack => entrance.front.attack_ms,
            Self::Timing => entrance.verdict.timing_ms,
        }
    }

    /// Less of it is better; a front may speak as soon or late as the music asks until one is too slow, and lips alone
    /// are where they are before the horn answers.
    fn is_judged(self, a: &Entrance, b: &Entrance) -> bool {
        match self {
            Self::OnsetCents | Self::Attack => false,
            Self::Speak => [a, b].iter().any(|e| e.verdict.faults.get(FaultName::Slow).is_some()),
            _ => true,
        }
    }
}

/// The difference of one measure, second take minus first.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Change {
    /// In the unit of the measure, signed.
    pub value: f64,
    /// Half width (about 90 % of cases) of the interval it lies in, from both measures'.
    pub uncertainty: f64,
    /// How much nearer to none at all the second is, in the unit of the measure; negative = further.
    pub nearer: f64,
    /// Which take is better by it, beyond the uncertainty.
    pub better: Option<Side>,
}

/// A pair of entrances compared.
#[derive(Debug, Clone, PartialEq)]
pub struct PairChange {
    /// Which two.
    pub pair: Pair,
    /// Clarity, second minus first, points.
    pub clarity: f64,
    /// In the order of [`Compared::ALL`]; `None` where either take cannot tell.
    pub changes: [Option<Change>; Compared::ALL.len()],
    /// Level, second minus first, dB, after both takes were brought to one loudness.
    pub level_db: Option<f64>,
    /// Faults of the first that the second has not.
    pub faults_gone: Vec<FaultName>,
    /// Faults of the second that the first had not.
    pub faults_new: Vec<FaultName>,
    /// Which front is clearer; `None` when they are alike within what can be told.
    pub better: Option<Side>,
}

/// Two takes compared.
#[derive(Debug, Clone, PartialEq)]
pub struct Comparison {
    /// Which entrance is which.
    pub alignment: Alignment,
    /// Gain that brings the second take to the loudness of the first, dB.
    pub gain_db: Option<f64>,
    /// One for each pair of the alignment.
    pub pairs: Vec<PairChange>,
    /// False where too few notes pair: then no front is said to be the clearer one.
    pub is_same_music: bool,
}

/// Whether two takes are the same music: half of the notes of the shorter one or more pair with the same note. A pair of
/// which either has no pitch that can be told counts.
#[must_use]
pub fn is_same_music(alignment: &Alignment) -> bool {
    let num_pairs = alignment.pairs.len();
    let num_alike = alignment.pairs.iter().filter(|pair| pair.interval.is_none_or(|semitones| semitones == 0)).count();
    let num_shorter = num_pairs + alignment.only_in_a.len().min(alignment.only_in_b.len());
    num_alike as f64 >= SAME_MUSIC_SHARE * num_shorter as f64
}

/// Compares the second take with the first.
#[must_use]
pub fn compare(a: &HeardTake, b: &HeardTake) -> Comparison {
    let alignment = align::align_entrances(&a.take.entrances, &b.take.entrances);
    let loudnesses = a.loudness.integrated_lufs.zip(b.loudness.integrated_lufs);
    let gain_db = loudnesses.map(|(a, b)| a - b);
    let is_same_music = is_same_music(&alignment);
    let changed = |pair: &Pair| {
        let change = pair_change(*pair, &a.take.entrances[pair.a], &b.take.entrances[pair.b], gain_db);
        PairChange { better: change.better.filter(|_| is_same_music), ..change }
    };
    let pairs = alignment.pairs.iter().map(changed).collect();
    Comparison { alignment, gain_db, pairs, is_same_music }
}

/// Which of two fronts is clearer, for the table, the page and the insert: by [`CLARITY_STEP`] or more, and borne out by
/// a measure beyond its uncertainty or a sure fault; `None` when they are alike within what can be told.
#[must_use]
pub fn clearer(a: &Entrance, b: &Entrance) -> Option<Side> {
    pair_change(Pair { a: 0, b: 0, interval: None }, a, b, None).better
}

fn pair_change(pair: Pair, a: &Entrance, b: &Entrance, gain_db: Option<f64>) -> PairChange {
    let changes = Compared::ALL.map(|what| change(what, a, b));
    let faults_gone = faults_of_first_only(a, b);
    let faults_new = faults_of_first_only(b, a);
    let clarity = b.verdict.clarity - a.verdict.clarity;
    let better = match clarity {
        c if c >= CLARITY_STEP && is_borne_out(Side::B, &changes, a, &faults_gone) => Some(Side::B),
        c if c <= -CLARITY_STEP && is_borne_out(Side::A, &changes, b, &faults_new) => Some(Side::A),
        _ => None,
    };
    let level_db = gain_db.map(|gain| b.front.level_db + gain - a.front.level_db);
    PairChange { pair, clarity, changes, level_db, faults_gone, faults_new, better }
}

fn change(what: Compared, a: &Entrance, b: &Entrance) -> Option<Change> {
    let (from, to) = (what.of(a).ok()?, what.of(b).ok()?);
    let value = to.value - from.value;
    // Two independent errors: their squares add up.
    let uncertainty = from.uncertainty.hypot(to.uncertainty);
    if !value.is_finite() {
        return None;
    }
    let nearer = from.value.abs() - to.value.abs();
    let is_beyond = what.is_judged(a, b) && nearer.abs() > uncertainty;
    Some(Change {
        value,
        uncertainty,
        nearer,
        better: is_beyond.then_some(if nearer > 0.0 { Side::B } else { Side::A }),
    })
}

fn faults_of_first_only(first: &Entrance, second: &Entrance) -> Vec<FaultName> {
    first.verdict.faults.iter().map(|f| f.name).filter(|&name| second.verdict.faults.get(name).is_none()).collect()
}

/// A difference in clarity counts when a measure bears it out, or a fault that has no measure is surely gone.
fn is_borne_out(side: Side, changes: &[Option<Change>], worse: &Entrance, gone: &[FaultName]) -> bool {
    let has_no_measure = |name: &FaultName| {
        use FaultName::{Hard, HeldBreath, Smear, Split, Stutter};
        matches!(name, Split | Stutter | Smear | Hard | HeldBreath)
    };
    let is_sure = |name: &FaultName| worse.verdict.faults.get(*name).is_some_and(|f| f.sureness >= SURE_ENOUGH);
    changes.iter().flatten().any(|c| c.better == Some(side)) || gone.iter().any(|f| has_no_measure(f) && is_sure(f))
}

impl Comparison {
    /// Pairs whose front is clearer in the given take.
    #[must_use]
    pub fn num_better(&self, side: Side) -> usize {
        self.pairs.iter().filter(|p| p.better == Some(side)).count()
    }
}

/// A place of the music: an entrance in each take that has it.
#[derive(Debug, Clone, PartialEq)]
pub struct Place {
    /// Index of the entrance in each take, in the order of the takes.
    pub entrances: Vec<Option<usize>>,
    /// Bar, from 1 at the grid's first beat; `None` without a grid and beats per bar.
    pub bar: Option<i64>,
    /// The take with the clearest front (the earlier of equals).
    pub keep: usize,
    /// Takes whose front is as clear within what can be told, `keep` among them.
    pub as_good: Vec<usize>,
}

/// Which take to keep for a stretch of the music: a bar, or without bars what lies between two rests.
#[derive(Debug, Clone, PartialEq)]
pub struct Stretch {
    /// From 1 at the grid's first beat; `None` without a grid and beats per bar.
    pub bar: Option<i64>,
    /// Its places in the list of [`Choice::places`].
    pub places: Range<usize>,
    /// Mean clarity of its entrances in each take; a missing one counts 0.
    pub clarity: Vec<f64>,
    /// The take with the highest (the earlier of equals).
    pub keep: usize,
    /// Takes within [`CLARITY_STEP`] of it, `keep` among them.
    pub as_good: Vec<usize>,
}

/// A list to choose takes from.
#[derive(Debug, Clone, PartialEq)]
pub struct Choice {
    /// The take the others were aligned with: the one that agrees best with all.
    pub reference: usize,
    /// Takes that are not the same music as the reference: where there are any, nothing is chosen.
    pub strangers: Vec<usize>,
    /// In the order of the reference. Entrances the reference has not are in none.
    pub places: Vec<Place>,
    /// In order, every place in one.
    pub stretches: Vec<Stretch>,
}

/// Chooses among takes of the same music.
#[must_use]
pub fn choose(takes: &[HeardTake], beats_per_bar: Option<u32>) -> Choice {
    let reference = best_reference(takes);
    let Some(of_reference) = takes.get(reference) else {
        return Choice { reference, strangers: Vec::new(), places: Vec::new(), stretches: Vec::new() };
    };
    let mut strangers = Vec::new();
    let mut rows = vec![vec![None; takes.len()]; of_reference.take.entrances.len()];
    for (k, take) in takes.iter().enumerate() {
        let alignment = align::align_entrances(&of_reference.take.entrances, &take.take.entrances);
        if !is_same_music(&alignment) {
            strangers.push(k);
        }
        for pair in alignment.pairs {
            rows[pair.a][k] = Some(pair.b);
        }
    }
    if !strangers.is_empty() {
        return Choice { reference, strangers, places: Vec::new(), stretches: Vec::new() };
    }
    let meter = of_reference.take.beats.as_ref().zip(beats_per_bar);
    let bar_of =
        |i: usize| meter.map(|(beats, per_bar)| bar(beats, per_bar, of_reference.take.entrances[i].front.speaks_s));
    let places: Vec<Place> = rows.into_iter().enumerate().map(|(i, row)| place(takes, row, bar_of(i))).collect();
    let begins = |i: usize| match meter {
        Some(_) => places[i].bar != places[i - 1].bar,
        None => follows_a_rest(&of_reference.take.entrances, i),
    };
    let stretches = stretches(takes, &places, begins);
    Choice { reference, strangers, places, stretches }
}

/// The take with the most pairs over all others; the earlier of equals.
fn best_reference(takes: &[HeardTake]) -> usize {
    let mut num_pairs = vec![0; takes.len()];
    for (i, a) in takes.iter().enumerate() {
        for (j, b) in takes.iter().enumerate().skip(i + 1) {
            let num = align::align_entrances(&a.take.entrances, &b.take.entrances).pairs.len();
            num_pairs[i] += num;
            num_pairs[j] += num;
        }
    }
    (0..takes.len()).rev().max_by_key(|&i| (num_pairs[i], !takes[i].take.entrances.is_empty())).unwrap_or(0)
}

/// The bar of an instant: that of its nearest beat or subdivision, so that an early downbeat is no upbeat.
fn bar(beats: &Beats, beats_per_bar: u32, at_s: f64) -> i64 {
    let steps_per_beat = f64::from(beats.per_beat);
    let step = (beats.place(at_s) * steps_per_beat).round();
    (step / steps_per_beat / f64::from(beats_per_bar.max(1))).floor() as i64 + 1
}

fn place(takes: &[HeardTake], entrances: Vec<Option<usize>>, bar: Option<i64>) -> Place {
    let played = |k: usize| entrances[k].map(|i| &takes[k].take.entrances[i]);
    let clarity = |k: &usize| played(*k).map_or(-1.0, |e| e.verdict.clarity);
    let keep = (0..takes.len()).rev().max_by(|x, y| clarity(x).total_cmp(&clarity(y))).unwrap_or(0);
    let is_as_good = |&k: &usize| match (played(keep), played(k)) {
        (Some(best), Some(other)) => clearer(other, best).is_none(),
        _ => false,
    };
    Place { as_good: (0..takes.len()).filter(is_as_good).collect(), entrances, bar, keep }
}

/// Whether an entrance (not the first) begins a stretch because nothing sounded before it.
fn follows_a_rest(entrances: &[Entrance], i: usize) -> bool {
    let before = &entrances[i - 1];
    entrances[i].front.onset_s - before.front.end_s.unwrap_or(before.front.speaks_s) >= REST_S
}

fn stretches(takes: &[HeardTake], places: &[Place], begins: impl Fn(usize) -> bool) -> Vec<Stretch> {
    let mut starts: Vec<usize> = (1..places.len()).filter(|&i| begins(i)).collect();
    if !places.is_empty() {
        starts.insert(0, 0);
    }
    let ends = starts.iter().skip(1).copied().chain([places.len()]);
    starts.iter().zip(ends).map(|(&start, end)| stretch(takes, places, start..end)).collect()
}

fn stretch(takes: &[HeardTake], places: &[Place], range: Range<usize>) -> Stretch {
    let within = &places[range.clone()];
    let mean = |k: usize| {
        let told = within.iter().filter_map(|p| p.entrances[k]).map(|i| takes[k].take.entrances[i].verdict.clarity);
        told.sum::<f64>() / within.len() as f64
    };
    let clarity: Vec<f64> = (0..takes.len()).map(mean).collect();
    let keep = (0..takes.len()).rev().max_by(|&x, &y| clarity[x].total_cmp(&clarity[y])).unwrap_or(0);
    let as_good = (0..takes.len()).filter(|&k| clarity[keep] - clarity[k] < CLARITY_STEP).collect();
    Stretch { bar: within[0].bar, places: range, clarity, keep, as_good }
}

/// What changed in a pair, in words: the measures beyond their uncertainty, then faults come and gone.
#[must_use]
pub fn why(change: &PairChange) -> String {
    let split = [&change.faults_gone, &change.faults_new].iter().any(|f| f.contains(&FaultName::Split));
    // A split begins on another partial: the distance to it and the way back say nothing beyond that word.
    let is_said = |what: Compared| !split || !matches!(what, Compared::Approach | Compared::Settle);
    let told = Compared::ALL.into_iter().zip(&change.changes).filter(|&(what, _)| is_said(what));
    let told = told.filter_map(|(what, c)| Some((what, c.as_ref()?)));
    let mut said: Vec<String> = told.filter_map(|(what, c)| c.better.map(|side| words_of(what, c, side))).collect();
    said.extend(change.faults_gone.iter().map(|&f| words::no_longer(f)));
    said.extend(change.faults_new.iter().map(|&f| words::now(f)));
    if let Some(interval) = change.pair.interval.filter(|&i| i != 0) {
        said.push(format!("another note, {}", semitones(interval)));
    }
    said.join(", ")
}

/// "2 semitones higher".
fn semitones(interval: i32) -> String {
    let (num, way) = (interval.abs(), if interval > 0 { "higher" } else { "lower" });
    if num == 1 { format!("a semitone {way}") } else { format!("{num} semitones {way}") }
}

fn words_of(what: Compared, change: &Change, better: Side) -> String {
    let amount = change.nearer.abs();
    let is_b = better == Side::B;
    let either = |yes, no| if is_b { yes } else { no };
    match what {
        Compared::NoiseBeforeTone => format!("{amount:.0} ms {} air", either("less", "more")),
        Compared::Approach | Compared::OnsetCents => {
            format!("{} the pitch by {amount:.0} cents", either("nearer to", "further from"))
        }
        Compared::Speak => format!("spoke {amount:.0} ms {}", either("sooner", "later")),
        Compared::Settle => format!("settled {amount:.0} ms {}", either("sooner", "later")),
        Compared::Attack => format!("grew {amount:.0} ms {}", either("faster", "slower")),
        Compared::Timing => format!("{} the beat by {amount:.0} ms", either("nearer to", "further from")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixtures::{self, airy, below, clear, told, with};
    use notefront_dsp::CannotTell;
    use notefront_dsp::Grid;

    fn heard(entrances: Vec<Entrance>) -> HeardTake {
        let take = Take { entrances, ..fixtures::take() };
        HeardTake { take, loudness: Loudness { integrated_lufs: Some(-20.0), peak: 0.5 } }
    }

    fn notes() -> Vec<Entrance> {
        vec![airy(0, 1.0), clear(1, 48, 2.0), clear(2, 50, 3.0), clear(3, 51, 4.0)]
    }

    #[test]
    fn a_take_against_itself_is_all_equal() {
        let take = fixtures::take();
        let take = HeardTake { take, loudness: Loudness::default() };
        let same = compare(&take, &take);
        assert_eq!(same.pairs.len(), take.take.entrances.len());
        for pair in &same.pairs {
            assert!(pair.better.is_none() && pair.clarity.abs() < 1e-12, "{pair:?}");
            assert!(pair.changes.iter().flatten().all(|c| c.value.abs() < 1e-12 && c.better.is_none()));
            assert!(pair.faults_gone.is_empty() && pair.faults_new.is_empty() && why(pair).is_empty());
        }
    }

    #[test]
    fn exchanging_the_takes_exchanges_every_change() {
        let (a, b) = (heard(notes()), heard(vec![clear(0, 53, 1.0), clear(1, 48, 2.1), below(2, 3.0)]));
        let (there, back) = (compare(&a, &b), compare(&b, &a));
        assert_eq!(there.pairs.len(), back.pairs.len());
        for (x, y) in there.pairs.iter().zip(&back.pairs) {
            assert!((x.clarity + y.clarity).abs() < 1e-12);
            assert_eq!(x.better, y.better.map(|s| if s == Side::A { Side::B } else { Side::A }));
            assert_eq!((&x.faults_gone, &x.faults_new), (&y.faults_new, &y.faults_gone));
        }
    }

    #[test]
    fn air_that_is_gone_is_better_and_said() {
        let mut second = notes();
        second[0] = with(clear(0, 53, 1.0), |e| e.front.midi_note = Some(53));
        let found = compare(&heard(notes()), &heard(second));
        assert_eq!(found.pairs[0].better, Some(Side::B));
        // 115 ms less, each known to 4 ms: the uncertainty is the root of 4 squared twice, 5.7 ms.
        let air = found.pairs[0].changes[0].expect("both told");
        assert!((air.value + 115.0).abs() < 1e-9 && (air.uncertainty - 32f64.sqrt()).abs() < 1e-9, "{air:?}");
        assert_eq!(why(&found.pairs[0]), "115 ms less air, no longer air first");
        assert_eq!((found.num_better(Side::A), found.num_better(Side::B)), (0, 1));
    }

    #[test]
    fn a_change_within_its_uncertainty_is_no_change() {
        let (mut a, mut b) = (clear(0, 46, 1.0), clear(0, 46, 1.0));
        (a.front.settle_ms, b.front.settle_ms) = (told(40.0, 6.0), told(33.0, 6.0));
        let found = pair_change(Pair { a: 0, b: 0, interval: Some(0) }, &a, &b, None);
        assert_eq!(found.changes[Compared::Settle as usize].expect("both told").better, None, "7 ms of 8.5");
        b.front.settle_ms = told(30.0, 6.0);
        let found = pair_change(Pair { a: 0, b: 0, interval: Some(0) }, &a, &b, None);
        assert_eq!(found.changes[Compared::Settle as usize].expect("both told").better, Some(Side::B), "10 ms of 8.5");
        // ... and still no clearer front, for its clarity is the same.
        assert_eq!(found.better, None);
        b.front.settle_ms = Err(CannotTell::TooShort);
        assert_eq!(
            pair_change(Pair { a: 0, b: 0, interval: Some(0) }, &a, &b, None).changes[Compared::Settle as usize],
            None
        );
    }

    #[test]
    fn a_fault_at_its_line_does_not_decide_alone() {
        // Flagged in one take and not in the other, though the air is as long within what can be told.
        let (mut a, mut b) = (airy(0, 1.0), clear(0, 53, 1.0));
        (a.front.noise_before_tone_ms, b.front.noise_before_tone_ms) = (told(31.0, 4.0), told(29.0, 4.0));
        let found = pair_change(Pair { a: 0, b: 0, interval: Some(0) }, &a, &b, None);
        assert!(found.clarity > CLARITY_STEP && found.better.is_none(), "{found:?}");
    }

    #[test]
    fn off_the_pitch_counts_by_its_distance_whatever_the_side() {
        let (mut a, mut b) = (below(0, 1.0), below(0, 1.0));
        (a.front.approach_cents, b.front.approach_cents) = (told(-60.0, 4.0), told(55.0, 4.0));
        let found = pair_change(Pair { a: 0, b: 0, interval: Some(0) }, &a, &b, None);
        let change = found.changes[Compared::Approach as usize].expect("both told");
        assert!((change.value - 115.0).abs() < 1e-9 && change.better.is_none(), "5 cents nearer, of 5.7: {change:?}");
    }

    #[test]
    fn levels_are_compared_at_one_loudness() {
        let (a, mut b) = (heard(notes()), heard(notes()));
        // The second take was recorded 12 dB hotter: nothing was played louder.
        b.loudness.integrated_lufs = Some(-8.0);
        b.take.entrances.iter_mut().for_each(|e| e.front.level_db += 12.0);
        let found = compare(&a, &b);
        assert!(found.pairs.iter().all(|p| p.level_db.expect("both have a loudness").abs() < 1e-9));
        b.loudness.integrated_lufs = None;
        assert!(compare(&a, &b).pairs.iter().all(|p| p.level_db.is_none()));
    }

    #[test]
    fn of_three_takes_the_clearest_is_kept_for_each_entrance() {
        let mut second = notes();
        second[0] = clear(0, 53, 1.0);
        second[2] = with(airy(2, 3.0), |e| e.front.midi_note = Some(50));
        let mut third = notes();
        third.remove(3);
        let choice = choose(&[heard(notes()), heard(second), heard(third)], None);
        let kept: Vec<_> = choice.places.iter().map(|p| (p.keep, p.as_good.clone())).collect();
        assert_eq!(kept[0], (1, vec![1]));
        assert_eq!(kept[1], (0, vec![0, 1, 2]));
        assert_eq!(kept[2], (0, vec![0, 2]));
        assert_eq!(choice.places[3].entrances, [Some(3), Some(3), None]);
        let stretches: Vec<_> = choice.stretches.iter().map(|s| (s.bar, s.places.clone(), s.keep)).collect();
        assert_eq!(stretches, [(None, 0..4, 0)], "no rest parts them, and of equals the earlier is kept");
    }

    #[test]
    fn bars_are_counted_from_the_first_beat_and_an_early_downbeat_is_no_upbeat() {
        let beats = Beats::given(Grid { bpm: 60.0, first_beat_s: 1.0, per_beat: 2 });
        let bars = [0.4, 0.98, 1.0, 4.4, 4.8, 5.1, 9.0].map(|at_s| bar(&beats, 4, at_s));
        assert_eq!(bars, [0, 1, 1, 1, 2, 2, 3]);
    }

    #[test]
    fn rests_part_the_music_into_stretches_with_a_choice_of_their_own() {
        // Notes of the fixtures last 0.8 s: from 1.8 s to the next onset is a rest, from note to note is none.
        let at = |first_is_airy, last_is_airy| {
            let first = if first_is_airy { airy(0, 1.0) } else { clear(0, 53, 1.0) };
            let last = if last_is_airy { airy(3, 6.0) } else { clear(3, 53, 6.0) };
            heard(vec![first, clear(1, 48, 2.0), clear(2, 50, 5.0), last])
        };
        let choice = choose(&[at(true, false), at(false, true)], None);
        let stretches: Vec<_> = choice.stretches.iter().map(|s| (s.places.clone(), s.keep)).collect();
        assert_eq!(stretches, [(0..2, 1), (2..4, 0)]);
    }

    #[test]
    fn a_missing_note_counts_against_its_bar() {
        let mut takes = [heard(notes()), heard(notes())];
        takes[0].take.entrances[0] = clear(0, 53, 1.0);
        takes[1].take.entrances[0] = clear(0, 53, 1.0);
        takes[1].take.entrances.remove(3);
        for take in &mut takes {
            take.take.beats = Some(Beats::given(Grid { bpm: 60.0, first_beat_s: 1.0, per_beat: 1 }));
        }
        let choice = choose(&takes, Some(2));
        let bars: Vec<_> = choice.stretches.iter().map(|b| (b.bar, b.keep, b.as_good.len())).collect();
        assert_eq!(bars, [(Some(1), 0, 2), (Some(2), 0, 1)]);
    }

    /// Sixteen notes each; two pieces have steps and rhythm of their own.
    fn piece(notes: [u8; 16], seconds: [f64; 4]) -> Vec<Entrance> {
        let mut at = 1.0;
        let mut next = |i: usize| {
            at += seconds[i % 4];
            if i.is_multiple_of(3) {
                with(airy(i, at), |e| e.front.midi_note = Some(notes[i]))
            } else {
                clear(i, notes[i], at)
            }
        };
        (0..16).map(&mut next).collect()
    }

    fn two_pieces() -> (HeardTake, HeardTake) {
        let march = [46, 46, 50, 53, 58, 53, 50, 46, 51, 51, 55, 58, 63, 58, 53, 46];
        let chant = [53, 52, 53, 55, 57, 57, 55, 53, 52, 50, 48, 50, 52, 53, 50, 48];
        (heard(piece(march, [0.5, 0.25, 0.25, 1.0])), heard(piece(chant, [1.2, 0.7, 0.9, 1.4])))
    }

    #[test]
    fn two_pieces_are_not_compared_and_one_piece_twice_is() {
        let (march, chant) = two_pieces();
        let found = compare(&march, &chant);
        assert!(!found.is_same_music, "{} pairs", found.pairs.len());
        assert!(found.pairs.iter().all(|pair| pair.better.is_none()));
        let choice = choose(&[march.clone(), chant.clone(), march.clone()], None);
        assert_eq!((choice.reference, choice.strangers.clone()), (0, vec![1]));
        assert!(choice.places.is_empty() && choice.stretches.is_empty());
        assert!(compare(&march, &march).is_same_music && compare(&chant, &chant).is_same_music);
        assert!(choose(&[march.clone(), march.clone()], None).strangers.is_empty());
        // A few bars of it alone, and another tempo and key, are still the same music.
        let bars = heard(march.take.entrances[5..11].to_vec());
        assert!(compare(&march, &bars).is_same_music && compare(&bars, &march).is_same_music);
        let moved = |e: &Entrance| {
            with(*e, |e| {
                e.front.midi_note = e.front.midi_note.map(|m| m + 2);
                e.front.speaks_s *= 1.15;
                e.front.onset_s *= 1.15;
            })
        };
        assert!(compare(&march, &heard(march.take.entrances.iter().map(moved).collect())).is_same_music);
    }

    #[test]
    fn nothing_to_choose_from_is_no_trouble() {
        assert!(choose(&[], Some(4)).places.is_empty());
        let empty = heard(Vec::new());
        assert!(compare(&empty, &empty).pairs.is_empty());
        assert_eq!(choose(&[empty.clone(), heard(notes())], None).places.len(), 4);
        assert!(choose(&[empty.clone(), empty], None).places.is_empty());
    }
}
