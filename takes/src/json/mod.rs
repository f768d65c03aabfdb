//! The program's fixed document of a take (`notefront.take`, version 2), and its JSON Schema.
//!
//! Instants in seconds from the first sample, intervals in ms, pitch in cents, level in dB. A number that
//! cannot be told is null, and `cannot_tell` names the reason. The version rises when a field changes meaning;
//! added fields do not raise it.

mod convert;
mod corrections;
pub mod comparison;
pub mod marks;
mod notes;
mod slurs;
mod summary;

pub use corrections::*;
pub use notes::*;
pub use slurs::*;
pub use summary::*;

use schemars::{JsonSchema, Schema};
use serde::Serialize;
use std::collections::BTreeMap;

/// Name of the document.
pub const FORMAT: &str = "notefront.take";
/// Version of the document.
pub const VERSION: u32 = 2;

/// One judged take.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
#[schemars(rename = "notefront.take")]
pub struct TakeDocument {
    /// Always "notefront.take".
    #[schemars(extend("const" = FORMAT))]
    pub format: &'static str,
    /// Rises when a field changes meaning.
    #[schemars(extend("const" = VERSION))]
    pub version: u32,
    /// Version of the program that judged: scores may change between versions.
    pub program_version: &'static str,
    /// The recording.
    pub source: SourceDocument,
    /// All that shaped the numbers.
    pub settings: SettingsDocument,
    /// The beats the entrances are timed against; null when none were given or found.
    pub grid: Option<GridDocument>,
    /// The entrances, in the order of the sound.
    pub entrances: Vec<EntranceDocument>,
    /// The take against the written notes; null when none were given.
    pub notes: Option<NotesDocument>,
    /// What the player says of the take, which the entrances and the summary follow; null where nothing was said.
    pub corrections: Option<TakeCorrectionsDocument>,
    /// The take in figures.
    pub summary: SummaryDocument,
    /// Where the player breathed.
    pub breathing: BreathingDocument,
    /// What is odd about the recording, as sentences.
    pub warnings: Vec<String>,
}

/// The recording.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SourceDocument {
    /// The file as it was named on the command line.
    pub path: String,
    /// Sample rate of the file, Hz.
    pub sample_rate_hz: u32,
    /// Channels of the file.
    pub channels: usize,
    /// Length of the sound, seconds.
    pub duration_s: f64,
}

/// All that shaped the numbers, beside the sound and the grid.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SettingsDocument {
    /// Tuning reference, Hz.
    pub a4_hz: f64,
    /// 0 (relaxed) to 1 (strict); 0.5 is the default line of every fault.
    pub strictness: f64,
    /// The horn.
    pub instrument: InstrumentDocument,
    /// What sounds.
    pub source: SoundDocument,
    /// The channel judged, from 1; null when the channels were mixed.
    pub channel: Option<usize>,
    /// Rate the take was analysed at, Hz; lower than the file's above 192 kHz.
    pub analysed_rate_hz: f64,
    /// Lines the player moved, as multiples of their usual place; left out where none was.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub lines: BTreeMap<FaultNameDocument, f64>,
}

/// The horn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum InstrumentDocument {
    /// Tenor in B-flat without attachment.
    Tenor,
    /// Tenor or bass in B-flat with F attachment.
    FAttachment,
    /// Alto in E-flat.
    Alto,
}

/// What sounds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum SoundDocument {
    /// The instrument.
    Horn,
    /// The mouthpiece alone.
    Mouthpiece,
}

/// The beats.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct GridDocument {
    /// Beats per minute; the middle one where they differ.
    pub bpm: f64,
    /// Time of one beat, seconds; the first of a list.
    pub first_beat_s: f64,
    /// Subdivisions of a beat an entrance may fall on; 1 = the beat alone.
    pub per_beat: u32,
    /// Where it came from.
    pub from: GridOrigin,
    /// How sure it is that these are the beats, 0 to 1; left out when they were given.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub confidence: Option<f64>,
    /// Whether the take is played to these beats; false = its timing is not judged, null = too few entrances to tell.
    pub followed: Option<bool>,
    /// Each beat in seconds, where they are not even; left out otherwise.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub beats_s: Option<Vec<f64>>,
}

/// Where a grid came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum GridOrigin {
    /// The player gave it.
    Given,
    /// The player gave the tempo alone; where the beats lie was found.
    Tempo,
    /// Heard in a recording of the metronome.
    Click,
    /// Clicks before the first note.
    CountIn,
    /// Found in the entrances themselves.
    Found,
    /// The written tempo of the notes.
    Notes,
}

/// How a note began.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ArticulationDocument {
    /// A start from silence, or with a clear gap: tongue or breath.
    Tongued,
    /// A shallow dip between two notes.
    Legato,
    /// A change of pitch without an attack of its own.
    Slurred,
}

/// One entrance.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct EntranceDocument {
    /// Place in the take, from 0.
    pub index: usize,
    /// First sound that belongs to it: air, tongue or tone; seconds.
    pub sound_start_s: f64,
    /// The harmonic level first reaches -20 dB of the attack peak; seconds.
    pub onset_s: f64,
    /// The harmonic level first reaches -12 dB of the attack peak, the perceptual onset; seconds.
    pub speaks_s: f64,
    /// End of the note, seconds.
    pub end_s: Option<f64>,
    /// Nearest equal-tempered note.
    pub midi_note: Option<u8>,
    /// Its English name, e.g. "Bb2".
    pub note: Option<String>,
    /// Settled frequency, Hz.
    pub settled_hz: Option<f64>,
    /// Settled pitch against the nearest equal-tempered note, cents.
    pub tuning_cents: Option<f64>,
    /// Partial in the most usual position.
    pub partial: Option<u8>,
    /// Slide positions that give the note, the most usual first.
    pub positions: Vec<PositionDocument>,
    /// How it began.
    pub articulation: ArticulationDocument,
    /// Air before the tone, ms; 0 when there is none.
    pub noise_before_tone_ms: Option<f64>,
    /// Level of that air relative to the settled tone, dB.
    pub noise_before_tone_db: Option<f64>,
    /// Mean distance from the settled pitch from the onset to 100 ms after the note speaks, weighted by loudness, cents;
    /// negative = below. This one is judged.
    pub approach_cents: Option<f64>,
    /// First measurable pitch relative to the settled pitch, cents; negative = came in below. Told, never judged.
    pub onset_cents: Option<f64>,
    /// From the onset until the note speaks, ms.
    pub speak_ms: Option<f64>,
    /// From the onset to the last instant outside the band around the settled pitch, ms.
    pub settle_ms: Option<f64>,
    /// 20 % to 90 % of the attack peak, ms.
    pub attack_ms: Option<f64>,
    /// MPEG-7 LogAttackTime (ISO/IEC 15938-4), log10 of seconds.
    pub log_attack_time: Option<f64>,
    /// Level of the attack over the body it drops to, dB.
    pub overshoot_db: Option<f64>,
    /// Slope of the log harmonic level over the attack, dB/s.
    pub growth_db_per_s: Option<f64>,
    /// From a tenth to nine tenths of the change of pitch from the note it grew out of, ms. Never judged; so are the next three.
    pub passage_ms: Option<f64>,
    /// How far the level falls on that way under the softer of both notes, dB.
    pub dip_db: Option<f64>,
    /// Which way leads there by the positions of both notes.
    pub crossing: Option<CrossingDocument>,
    /// A partial between the two that sounded on the way.
    pub partial_between: Option<BetweenDocument>,
    /// From the end of the inhalation heard before it to its first sound, ms. Never judged. Where it is null, the reason tells
    /// whether none was heard (no-breath), it was too noisy to hear one (masked), or there was no time for one.
    pub breath_to_sound_ms: Option<f64>,
    /// How long that inhalation is heard, ms.
    pub inhaled_ms: Option<f64>,
    /// Harmonics over noise in the body of the note, dB, in the band under 5 kHz (Boersma 1993). Never judged; so are the next
    /// three.
    pub hnr_db: Option<f64>,
    /// Standard deviation of the pitch of the body, cents, vibrato taken out.
    pub pitch_wander_cents: Option<f64>,
    /// Standard deviation of its level, dB, vibrato, swelling and fading taken out.
    pub level_wander_db: Option<f64>,
    /// Its brightness: centroid of the harmonics up to 4.5 kHz by their amplitudes, Hz.
    pub brightness_hz: Option<f64>,
    /// Distance from the grid, ms; positive = late.
    pub timing_ms: Option<f64>,
    /// Settled tone level, dB re full scale.
    pub level_db: Option<f64>,
    /// Half width of the interval each figure lies in in about 90 % of cases, in its own unit.
    pub uncertainty: UncertaintyDocument,
    /// Why a figure is null, by the name of its field.
    pub cannot_tell: BTreeMap<&'static str, ReasonDocument>,
    /// 0 (unclear) to 100 (clear).
    pub clarity: Option<u8>,
    /// What is wrong, the worst first.
    pub faults: Vec<FaultDocument>,
}

/// A slide position.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct PositionDocument {
    /// On the scale of B-flat positions, fractions allowed.
    pub position: f64,
    /// With the F attachment engaged.
    pub trigger: bool,
    /// The partial the note is on there.
    pub partial: u8,
}

/// Half widths (about 90 % of cases), in the unit of the field of the same name; null where the figure is.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct UncertaintyDocument {
    /// Seconds.
    pub sound_start_s: Option<f64>,
    /// Seconds.
    pub onset_s: Option<f64>,
    /// Seconds.
    pub speaks_s: Option<f64>,
    /// Hz.
    pub settled_hz: Option<f64>,
    /// Cents.
    pub tuning_cents: Option<f64>,
    /// ms.
    pub noise_before_tone_ms: Option<f64>,
    /// dB.
    pub noise_before_tone_db: Option<f64>,
    /// Cents.
    pub approach_cents: Option<f64>,
    /// Cents.
    pub onset_cents: Option<f64>,
    /// ms.
    pub speak_ms: Option<f64>,
    /// ms.
    pub settle_ms: Option<f64>,
    /// ms.
    pub attack_ms: Option<f64>,
    /// log10 of seconds.
    pub log_attack_time: Option<f64>,
    /// dB/s.
    pub growth_db_per_s: Option<f64>,
    /// dB.
    pub overshoot_db: Option<f64>,
    /// ms.
    pub passage_ms: Option<f64>,
    /// dB.
    pub dip_db: Option<f64>,
    /// ms.
    pub breath_to_sound_ms: Option<f64>,
    /// ms.
    pub inhaled_ms: Option<f64>,
    /// dB.
    pub hnr_db: Option<f64>,
    /// Cents.
    pub pitch_wander_cents: Option<f64>,
    /// dB.
    pub level_wander_db: Option<f64>,
    /// Hz.
    pub brightness_hz: Option<f64>,
    /// ms.
    pub timing_ms: Option<f64>,
}

/// Why a figure is null.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ReasonDocument {
    /// The note is too short for it.
    TooShort,
    /// The note is too soft against the room.
    TooSoft,
    /// The sound before covers it.
    Masked,
    /// There was no silence before it in which it could be heard.
    NoSilenceBefore,
    /// No pitch can be told there.
    NoPitch,
    /// A slurred entrance has no attack of its own.
    Slurred,
    /// No grid was given or found.
    NoGrid,
    /// The take is not played to the beat there is.
    NotToBeat,
    /// One of the notes with which the ending broadens.
    Broadened,
    /// No air before the tone, so it has no level.
    NoAir,
    /// The take begins inside the note.
    CutOff,
    /// The tone after the attack does not hold.
    NoBody,
    /// It did not grow out of the note before.
    NotConnected,
    /// The note before has the same pitch.
    SamePitch,
    /// It was quiet enough to hear an inhalation, and none was heard.
    NoBreath,
    /// Kept by a version that did not measure it.
    NotMeasured,
}

/// A fault of an entrance.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct FaultDocument {
    /// Which.
    pub name: FaultNameDocument,
    /// 0 (just at the line) to 1 (as bad as it gets).
    pub severity: f64,
    /// How sure the analysis is, 0 to 1.
    pub sureness: f64,
    /// Why, in words with the numbers.
    pub because: String,
}

/// Names of the faults.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum FaultNameDocument {
    /// Air before the tone.
    Airy,
    /// Leans under its pitch, on the same partial.
    Below,
    /// Leans over its pitch, on the same partial.
    Above,
    /// The tone took long to come.
    Slow,
    /// Began on another partial.
    Split,
    /// The slide was still under way.
    Smear,
    /// Two starts.
    Stutter,
    /// A burst over the settled level.
    Hard,
    /// Before the beat.
    Early,
    /// After the beat.
    Late,
    /// Silence between the breath and the sound.
    HeldBreath,
}

/// What the program prints: one take as an object, several as an array of those that could be read.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
#[serde(untagged)]
#[schemars(rename = "notefront.take or an array of them")]
pub enum ScanDocument {
    /// One take was asked for.
    One(Box<TakeDocument>),
    /// Several were asked for, or the one could not be read (an empty array).
    Many(Vec<TakeDocument>),
}

/// The JSON Schema (draft 2020-12) of [`ScanDocument`].
#[must_use]
pub fn schema() -> Schema {
    schema_for::<ScanDocument>()
}

fn schema_for<T: JsonSchema>() -> Schema {
    // What is written is described, so every field is required, also those that may be null.
    schemars::generate::SchemaSettings::draft2020_12().for_serialize().into_generator().into_root_schema_for::<T>()
}
