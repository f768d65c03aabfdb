//! The part of a take's document that sums it up: counts, medians, breathing.

use super::FaultNameDocument;
use super::convert::{MS, RATIO, finite, rounded};
use crate::breathing::Breathing;
use crate::summary::{Count, Median, Medians, Register, Summary};
use schemars::JsonSchema;
use serde::Serialize;
use std::collections::BTreeMap;

/// The take in figures.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SummaryDocument {
    /// All entrances.
    pub num_entrances: usize,
    /// Entrances with any fault.
    pub num_flagged: usize,
    /// Entrances with each fault; one entrance may have several.
    pub faults: BTreeMap<FaultNameDocument, usize>,
    /// By register, upwards: pedal to B1, low to A2, middle to Bb3, high to Bb4, top above.
    pub registers: Vec<RegisterDocument>,
    /// Medians over the entrances that tell the measure.
    pub medians: MediansDocument,
}

/// One register of the take.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct RegisterDocument {
    /// pedal, low, middle, high or top.
    pub name: &'static str,
    /// Entrances in it.
    pub num_entrances: usize,
    /// Those with any fault.
    pub num_flagged: usize,
}

/// A median with the interval that holds the true one in at least 90 % of cases.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct MedianDocument {
    /// The median, in the unit of its measure.
    pub median: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end of the interval.
    pub high: f64,
    /// Values it stands on.
    pub num_values: usize,
}

/// Medians; null where fewer than five entrances tell the measure.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct MediansDocument {
    /// 0 to 100.
    pub clarity: Option<MedianDocument>,
    /// ms, over the entrances that have air before the tone.
    pub noise_before_tone_ms: Option<MedianDocument>,
    /// Cents, without the sign.
    pub approach_cents_abs: Option<MedianDocument>,
    /// ms.
    pub speak_ms: Option<MedianDocument>,
    /// Cents, without the sign.
    pub onset_cents_abs: Option<MedianDocument>,
    /// ms.
    pub settle_ms: Option<MedianDocument>,
    /// ms.
    pub attack_ms: Option<MedianDocument>,
    /// ms, over the notes that grew out of the one before.
    pub passage_ms: Option<MedianDocument>,
    /// dB, over the same.
    pub dip_db: Option<MedianDocument>,
    /// dB, over the notes with a body that is long enough; so are the next three.
    pub hnr_db: Option<MedianDocument>,
    /// Cents.
    pub pitch_wander_cents: Option<MedianDocument>,
    /// dB.
    pub level_wander_db: Option<MedianDocument>,
    /// Hz.
    pub brightness_hz: Option<MedianDocument>,
    /// ms; positive = late.
    pub timing_ms: Option<MedianDocument>,
    /// dB re full scale.
    pub level_db: Option<MedianDocument>,
    /// Cents.
    pub tuning_cents: Option<MedianDocument>,
}

/// The breathing of a take. Told, never judged.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct BreathingDocument {
    /// Notes before which an inhalation was heard.
    pub num_heard: usize,
    /// Notes with time for one before them and quiet enough to hear it, and none was heard.
    pub num_unheard: usize,
    /// Notes with time for one before them, and too noisy to hear it.
    pub num_masked: usize,
    /// Breaths heard a minute of playing; null where too many places are too noisy to tell.
    pub per_minute: Option<f64>,
    /// Phrases: notes between two inhalations or rests of a second.
    pub num_phrases: usize,
    /// Notes of a phrase.
    pub notes_per_phrase: Option<MedianDocument>,
    /// Seconds.
    pub phrase_s: Option<MedianDocument>,
    /// From the end of the inhalation to the first sound, ms.
    pub breath_to_sound_ms: Option<MedianDocument>,
    /// How long an inhalation is heard, ms.
    pub inhaled_ms: Option<MedianDocument>,
}

impl From<&Summary> for SummaryDocument {
    fn from(summary: &Summary) -> Self {
        Self {
            num_entrances: summary.all.num_entrances,
            num_flagged: summary.all.num_flagged,
            faults: summary.faults.iter().map(|&(name, num)| (name.into(), num)).collect(),
            registers: summary.registers.iter().map(|&(register, count)| register_document(register, count)).collect(),
            medians: summary.medians.into(),
        }
    }
}

fn register_document(register: Register, count: Count) -> RegisterDocument {
    RegisterDocument { name: register.as_str(), num_entrances: count.num_entrances, num_flagged: count.num_flagged }
}

impl From<Medians> for MediansDocument {
    fn from(m: Medians) -> Self {
        Self {
            clarity: m.clarity.map(MedianDocument::from),
            noise_before_tone_ms: m.noise_before_tone_ms.map(MedianDocument::from),
            approach_cents_abs: m.approach_cents_abs.map(MedianDocument::from),
            speak_ms: m.speak_ms.map(MedianDocument::from),
            onset_cents_abs: m.onset_cents_abs.map(MedianDocument::from),
            settle_ms: m.settle_ms.map(MedianDocument::from),
            attack_ms: m.attack_ms.map(MedianDocument::from),
            passage_ms: m.passage_ms.map(MedianDocument::from),
            dip_db: m.dip_db.map(MedianDocument::from),
            hnr_db: m.hnr_db.map(MedianDocument::from),
            pitch_wander_cents: m.pitch_wander_cents.map(MedianDocument::from),
            level_wander_db: m.level_wander_db.map(MedianDocument::from),
            brightness_hz: m.brightness_hz.map(MedianDocument::from),
            timing_ms: m.timing_ms.map(MedianDocument::from),
            level_db: m.level_db.map(MedianDocument::from),
            tuning_cents: m.tuning_cents.map(MedianDocument::from),
        }
    }
}

impl From<Median> for MedianDocument {
    fn from(m: Median) -> Self {
        Self {
            median: rounded(m.median, MS),
            low: rounded(m.low, MS),
            high: rounded(m.high, MS),
            num_values: m.num_values,
        }
    }
}

impl From<&Breathing> for BreathingDocument {
    fn from(b: &Breathing) -> Self {
        Self {
            num_heard: b.num_heard,
            num_unheard: b.num_unheard,
            num_masked: b.num_masked,
            per_minute: finite(b.per_minute(), RATIO),
            num_phrases: b.num_phrases,
            notes_per_phrase: b.notes_per_phrase.map(MedianDocument::from),
            phrase_s: b.phrase_s.map(MedianDocument::from),
            breath_to_sound_ms: b.to_sound_ms.map(MedianDocument::from),
            inhaled_ms: b.inhaled_ms.map(MedianDocument::from),
        }
    }
}
