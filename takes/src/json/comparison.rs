//! The documents of compared takes: two (`notefront.comparison`) and any number to choose from
//! (`notefront.choice`), version 1 each.
//!
//! A change is the second take minus the first. Indexes are those of the takes' entrances.

use super::convert::{CENTS, DB, MS, RATIO, finite, rounded};
use super::{FaultNameDocument, SourceDocument, schema_for};
use crate::compare::{self, Change, Choice, Compared, Comparison, HeardTake, PairChange, Place, Stretch};
use notefront_dsp::align::{FalseStart, Side};
use schemars::{JsonSchema, Schema};
use serde::Serialize;

/// Name of the document of two takes.
pub const COMPARISON_FORMAT: &str = "notefront.comparison";
/// Name of the document of takes to choose from.
pub const CHOICE_FORMAT: &str = "notefront.choice";
/// Version of both.
pub const VERSION: u32 = 1;

/// Two takes compared.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
#[schemars(rename = "notefront.comparison")]
pub struct ComparisonDocument {
    /// Always "notefront.comparison".
    #[schemars(extend("const" = COMPARISON_FORMAT))]
    pub format: &'static str,
    /// Rises when a field changes meaning.
    #[schemars(extend("const" = VERSION))]
    pub version: u32,
    /// Version of the program that judged.
    pub program_version: &'static str,
    /// The first take.
    pub a: ComparedSource,
    /// The second take.
    pub b: ComparedSource,
    /// Entrances that are the same place of the music.
    pub pairs: Vec<PairDocument>,
    /// Entrances of the first take that the second has not.
    pub only_in_a: Vec<usize>,
    /// Entrances of the second take that the first has not.
    pub only_in_b: Vec<usize>,
    /// Which take to keep for each bar, or without bars for what lies between two rests.
    pub stretches: Vec<StretchDocument>,
    /// The comparison in figures.
    pub summary: ComparisonSummary,
}

/// A take that is compared.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ComparedSource {
    /// The recording.
    #[serde(flatten)]
    pub source: SourceDocument,
    /// Integrated loudness by ITU-R BS.1770, LUFS; null for silence.
    pub loudness_lufs: Option<f64>,
    /// Entrances found.
    pub num_entrances: usize,
    /// Those with any fault.
    pub num_flagged: usize,
}

/// One of the two takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum SideDocument {
    /// The first.
    A,
    /// The second.
    B,
}

/// Two entrances compared; a change is null where either take cannot tell.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct PairDocument {
    /// Index in the first take.
    pub a: usize,
    /// Index in the second take.
    pub b: usize,
    /// How far the second lies over the note the first asks for (key offset taken off), semitones; 0 = the same.
    pub interval: Option<i32>,
    /// Points.
    pub clarity_change: Option<f64>,
    /// ms.
    pub noise_before_tone_ms_change: Option<f64>,
    /// Cents; signed, so that from -50 to +50 is +100.
    pub approach_cents_change: Option<f64>,
    /// Cents; signed.
    pub onset_cents_change: Option<f64>,
    /// ms.
    pub speak_ms_change: Option<f64>,
    /// ms.
    pub settle_ms_change: Option<f64>,
    /// ms.
    pub attack_ms_change: Option<f64>,
    /// ms; signed.
    pub timing_ms_change: Option<f64>,
    /// dB, after both takes were brought to one loudness.
    pub level_db_change: Option<f64>,
    /// Half widths (about 90 % of cases) of the changes of the same name.
    pub uncertainty: ChangeUncertainty,
    /// Faults of the first that the second has not.
    pub faults_gone: Vec<FaultNameDocument>,
    /// Faults of the second that the first had not.
    pub faults_new: Vec<FaultNameDocument>,
    /// Which front is clearer and to be kept; null when they are alike within what can be told.
    pub better: Option<SideDocument>,
    /// Why, in words; empty when nothing changed beyond its uncertainty.
    pub because: String,
}

/// Half widths of changes, in their own unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct ChangeUncertainty {
    /// ms.
    pub noise_before_tone_ms_change: Option<f64>,
    /// Cents.
    pub approach_cents_change: Option<f64>,
    /// Cents.
    pub onset_cents_change: Option<f64>,
    /// ms.
    pub speak_ms_change: Option<f64>,
    /// ms.
    pub settle_ms_change: Option<f64>,
    /// ms.
    pub attack_ms_change: Option<f64>,
    /// ms.
    pub timing_ms_change: Option<f64>,
}

/// A comparison in figures.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ComparisonSummary {
    /// False when fewer than half of the notes pair: then no front is said to be better, and there are no stretches.
    pub same_music: bool,
    /// Pairs.
    pub num_pairs: usize,
    /// Pairs clearer in the first take.
    pub num_better_a: usize,
    /// Pairs clearer in the second take.
    pub num_better_b: usize,
    /// Pairs alike within what can be told.
    pub num_alike: usize,
    /// Mean of the pairs' clarity changes, points; null without pairs.
    pub mean_clarity_change: Option<f64>,
    /// Tempo of the second take over that of the first.
    pub tempo_ratio: Option<f64>,
    /// Semitones the second take lies over the first.
    pub key_offset: i32,
    /// Told when one take begins twice.
    pub false_start: Option<FalseStartDocument>,
    /// Gain that brings the second take to the loudness of the first, dB.
    pub gain_db: Option<f64>,
}

/// Notes before the real start that repeat the beginning.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
pub struct FalseStartDocument {
    /// The take that has them.
    pub take: SideDocument,
    /// How many: its first ones.
    pub num_entrances: usize,
}

/// Which take to keep for a stretch: a bar, or without bars what lies between two rests. Takes are counted from 0 in
/// the order of the command line.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct StretchDocument {
    /// From 1 at the grid's first beat; null without a grid and beats per bar.
    pub bar: Option<i64>,
    /// Entrances in it.
    pub num_entrances: usize,
    /// Its first entrance, an index into each take; null where a take has not played it.
    pub first: Vec<Option<usize>>,
    /// Its last entrance, an index into each take; null where a take has not played it.
    pub last: Vec<Option<usize>>,
    /// Mean clarity of its entrances in each take; a missing entrance counts 0.
    pub clarity: Vec<f64>,
    /// The take to keep.
    pub keep: usize,
    /// Takes as good within what can be told, the kept one among them.
    pub as_good: Vec<usize>,
}

/// Three or more takes to choose from. Takes are counted from 0 in the order of the command line.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
#[schemars(rename = "notefront.choice")]
pub struct ChoiceDocument {
    /// Always "notefront.choice".
    #[schemars(extend("const" = CHOICE_FORMAT))]
    pub format: &'static str,
    /// Rises when a field changes meaning.
    #[schemars(extend("const" = VERSION))]
    pub version: u32,
    /// Version of the program that judged.
    pub program_version: &'static str,
    /// The takes.
    pub takes: Vec<ComparedSource>,
    /// The take the others were aligned with.
    pub reference: usize,
    /// Takes that are not the same music as that one; where there are any, nothing is chosen.
    pub not_same_music: Vec<usize>,
    /// Which take to keep for each entrance of the reference.
    pub places: Vec<PlaceDocument>,
    /// Which take to keep for each bar, or without bars for what lies between two rests.
    pub stretches: Vec<StretchDocument>,
}

/// A place of the music.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct PlaceDocument {
    /// Index of its entrance in each take; null where a take has none.
    pub entrances: Vec<Option<usize>>,
    /// Its bar, from 1 at the grid's first beat.
    pub bar: Option<i64>,
    /// The take to keep.
    pub keep: usize,
    /// Takes as good within what can be told, the kept one among them.
    pub as_good: Vec<usize>,
}

/// What `compare` prints.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
#[serde(untagged)]
#[schemars(rename = "notefront.comparison or notefront.choice")]
pub enum CompareDocument {
    /// Two takes.
    Two(Box<ComparisonDocument>),
    /// Three or more.
    More(ChoiceDocument),
}

/// The JSON Schema (draft 2020-12) of [`CompareDocument`].
#[must_use]
pub fn schema() -> Schema {
    schema_for::<CompareDocument>()
}

impl ComparisonDocument {
    /// The document of a comparison; `choice` is that of the same two takes.
    #[must_use]
    pub fn new(a: &HeardTake, b: &HeardTake, comparison: &Comparison, choice: &Choice) -> Self {
        Self {
            format: COMPARISON_FORMAT,
            version: VERSION,
            program_version: env!("CARGO_PKG_VERSION"),
            a: a.into(),
            b: b.into(),
            pairs: comparison.pairs.iter().map(PairDocument::from).collect(),
            only_in_a: comparison.alignment.only_in_a.clone(),
            only_in_b: comparison.alignment.only_in_b.clone(),
            stretches: choice.stretches.iter().map(|s| StretchDocument::new(s, &choice.places)).collect(),
            summary: comparison.into(),
        }
    }
}

impl ChoiceDocument {
    /// The document of a choice.
    #[must_use]
    pub fn new(takes: &[HeardTake], choice: &Choice) -> Self {
        Self {
            format: CHOICE_FORMAT,
            version: VERSION,
            program_version: env!("CARGO_PKG_VERSION"),
            takes: takes.iter().map(ComparedSource::from).collect(),
            reference: choice.reference,
            not_same_music: choice.strangers.clone(),
            places: choice.places.iter().map(PlaceDocument::from).collect(),
            stretches: choice.stretches.iter().map(|s| StretchDocument::new(s, &choice.places)).collect(),
        }
    }
}

impl From<&HeardTake> for ComparedSource {
    fn from(heard: &HeardTake) -> Self {
        Self {
            source: SourceDocument::from(&heard.take.source),
            loudness_lufs: finite(heard.loudness.integrated_lufs, DB),
            num_entrances: heard.take.entrances.len(),
            num_flagged: heard.take.entrances.iter().filter(|e| e.is_flagged()).count(),
        }
    }
}

impl From<Side> for SideDocument {
    fn from(side: Side) -> Self {
        match side {
            Side::A => Self::A,
            Side::B => Self::B,
        }
    }
}

impl From<&PairChange> for PairDocument {
    fn from(pair: &PairChange) -> Self {
        let of = |what: Compared, places| finite(told(pair, what).map(|c| c.value), places);
        Self {
            a: pair.pair.a,
            b: pair.pair.b,
            interval: pair.pair.interval,
            clarity_change: finite(Some(pair.clarity), MS),
            noise_before_tone_ms_change: of(Compared::NoiseBeforeTone, MS),
            approach_cents_change: of(Compared::Approach, CENTS),
            onset_cents_change: of(Compared::OnsetCents, CENTS),
            speak_ms_change: of(Compared::Speak, MS),
            settle_ms_change: of(Compared::Settle, MS),
            attack_ms_change: of(Compared::Attack, MS),
            timing_ms_change: of(Compared::Timing, MS),
            level_db_change: finite(pair.level_db, DB),
            uncertainty: ChangeUncertainty::from(pair),
            faults_gone: pair.faults_gone.iter().map(|&f| f.into()).collect(),
            faults_new: pair.faults_new.iter().map(|&f| f.into()).collect(),
            better: pair.better.map(SideDocument::from),
            because: compare::why(pair),
        }
    }
}

impl From<&PairChange> for ChangeUncertainty {
    fn from(pair: &PairChange) -> Self {
        let of = |what: Compared, places| finite(told(pair, what).map(|c| c.uncertainty), places);
        Self {
            noise_before_tone_ms_change: of(Compared::NoiseBeforeTone, MS),
            approach_cents_change: of(Compared::Approach, CENTS),
            onset_cents_change: of(Compared::OnsetCents, CENTS),
            speak_ms_change: of(Compared::Speak, MS),
            settle_ms_change: of(Compared::Settle, MS),
            attack_ms_change: of(Compared::Attack, MS),
            timing_ms_change: of(Compared::Timing, MS),
        }
    }
}

fn told(pair: &PairChange, what: Compared) -> Option<Change> {
    pair.changes[what as usize]
}

impl From<&Comparison> for ComparisonSummary {
    fn from(comparison: &Comparison) -> Self {
        let num_pairs = comparison.pairs.len();
        let (num_better_a, num_better_b) = (comparison.num_better(Side::A), comparison.num_better(Side::B));
        let sum: f64 = comparison.pairs.iter().map(|p| p.clarity).sum();
        Self {
            same_music: comparison.is_same_music,
            num_pairs,
            num_better_a,
            num_better_b,
            num_alike: num_pairs - num_better_a - num_better_b,
            mean_clarity_change: finite(Some(sum / num_pairs as f64), MS),
            tempo_ratio: finite(comparison.alignment.tempo_ratio, RATIO),
            key_offset: comparison.alignment.key_offset,
            false_start: comparison.alignment.false_start.map(FalseStartDocument::from),
            gain_db: finite(comparison.gain_db, DB),
        }
    }
}

impl From<FalseStart> for FalseStartDocument {
    fn from(start: FalseStart) -> Self {
        Self { take: start.side.into(), num_entrances: start.num_entrances }
    }
}

impl StretchDocument {
    fn new(stretch: &Stretch, places: &[Place]) -> Self {
        let within = &places[stretch.places.clone()];
        let each = |place: Option<&Place>| place.map_or_else(Vec::new, |p| p.entrances.clone());
        Self {
            bar: stretch.bar,
            num_entrances: within.len(),
            first: each(within.first()),
            last: each(within.last()),
            clarity: stretch.clarity.iter().map(|&c| rounded(c, MS)).collect(),
            keep: stretch.keep,
            as_good: stretch.as_good.clone(),
        }
    }
}

impl From<&Place> for PlaceDocument {
    fn from(place: &Place) -> Self {
        Self { entrances: place.entrances.clone(), bar: place.bar, keep: place.keep, as_good: place.as_good.clone() }
    }
}
