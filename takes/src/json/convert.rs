//! From judged takes to documents: every figure rounded to a tenth of what it can be trusted to, or finer.

use super::*;
use crate::audio_file::ChannelChoice;
use crate::beats::{Beats, Course, Origin};
use crate::breathing::Breathing;
use crate::corrections::apply::is_by_hand;
use crate::slurs::crossings;
use crate::summary::Summary;
use crate::take::{Take, TakeSource};
use crate::words;
use notefront_dsp::entrance::Between;
use notefront_dsp::trombone::Crossing;
use notefront_dsp::{Articulation, CannotTell, Entrance, FaultName, Instrument, Source, Told, units};

/// Decimal places of seconds: finer than a sample at 192 kHz (5.2 us).
pub(super) const SECONDS: i32 = 6;
/// Decimal places of ms.
pub(super) const MS: i32 = 2;
/// Decimal places of cents.
pub(super) const CENTS: i32 = 2;
/// Decimal places of Hz: 0.01 cents at 58 Hz are 0.0003 Hz.
const HZ: i32 = 4;
/// Decimal places of a brightness in Hz.
const BRIGHTNESS: i32 = 2;
/// Decimal places of dB and dB/s.
pub(super) const DB: i32 = 2;
/// Decimal places of ratios, logarithms and positions.
pub(super) const RATIO: i32 = 4;

impl From<&Take> for TakeDocument {
    fn from(take: &Take) -> Self {
        Self {
            format: FORMAT,
            version: VERSION,
            program_version: env!("CARGO_PKG_VERSION"),
            source: SourceDocument::from(&take.source),
            settings: SettingsDocument::from(take),
            grid: take.beats.as_ref().map(GridDocument::from),
            entrances: with_crossings(&take.entrances),
            notes: take.reading.as_ref().map(NotesDocument::from),
            corrections: Self::corrections_of(take),
            summary: SummaryDocument::from(&Summary::of_take(take)),
            breathing: BreathingDocument::from(&Breathing::of_entrances(&take.entrances)),
            warnings: take.warnings.iter().map(ToString::to_string).collect(),
        }
    }
}

/// Every entrance with the way that led to it from the one before.
fn with_crossings(entrances: &[Entrance]) -> Vec<EntranceDocument> {
    let told = entrances.iter().zip(crossings(entrances));
    told.map(|(e, crossing)| EntranceDocument { crossing: crossing.map(Into::into), ..e.into() }).collect()
}

impl From<Between> for BetweenDocument {
    fn from(between: Between) -> Self {
        Self { interval_cents: rounded(between.interval_cents, CENTS), duration_ms: rounded(between.duration_ms, MS) }
    }
}

impl From<&TakeSource> for SourceDocument {
    fn from(source: &TakeSource) -> Self {
        Self {
            path: source.path.to_string_lossy().into_owned(),
            sample_rate_hz: source.sample_rate_hz,
            channels: source.num_channels,
            duration_s: rounded(source.duration_s, SECONDS),
        }
    }
}

impl From<&Take> for SettingsDocument {
    fn from(take: &Take) -> Self {
        let settings = take.options.settings;
        Self {
            a4_hz: settings.a4_hz,
            strictness: settings.strictness.value(),
            instrument: settings.instrument.into(),
            source: settings.source.into(),
            channel: match take.options.channel {
                ChannelChoice::Mix => None,
                ChannelChoice::One(n) => Some(n),
            },
            analysed_rate_hz: take.source.analysed_rate_hz,
            lines: take.lines.moved().map(|(fault, ratio)| (fault.into(), ratio)).collect(),
        }
    }
}

impl From<&Beats> for GridDocument {
    fn from(beats: &Beats) -> Self {
        let is_given = beats.origin == Origin::Given;
        let is_tempo_given = is_given || beats.origin == Origin::Tempo;
        // What the player gave is told as it was given.
        let told = |is_given: bool, value: f64, places| if is_given { value } else { rounded(value, places) };
        Self {
            bpm: told(is_tempo_given, beats.bpm(), RATIO),
            first_beat_s: told(is_given, beats.first_beat_s(), SECONDS),
            per_beat: beats.per_beat,
            from: beats.origin.into(),
            confidence: (!is_given).then(|| rounded(beats.confidence, RATIO)),
            followed: beats.followed,
            beats_s: match &beats.course {
                Course::Even { .. } => None,
                Course::Listed(beats) => Some(beats.iter().map(|&beat| rounded(beat, SECONDS)).collect()),
            },
        }
    }
}

impl From<&Entrance> for EntranceDocument {
    fn from(e: &Entrance) -> Self {
        Self {
            index: e.front.index,
            sound_start_s: rounded(e.front.sound_start_s, SECONDS),
            onset_s: rounded(e.front.onset_s, SECONDS),
            speaks_s: rounded(e.front.speaks_s, SECONDS),
            end_s: finite(e.front.end_s, SECONDS),
            midi_note: e.front.midi_note,
            note: e.front.midi_note.map(units::note_name),
            settled_hz: value(e.front.settled_hz, HZ),
            tuning_cents: value(e.front.tuning_cents, CENTS),
            partial: e.front.partial,
            positions: e.front.positions.iter().map(PositionDocument::from).collect(),
            articulation: e.front.articulation.into(),
            noise_before_tone_ms: value(e.front.noise_before_tone_ms, MS),
            noise_before_tone_db: value(e.front.noise_before_tone_db, DB),
            approach_cents: value(e.front.approach_cents, CENTS),
            onset_cents: value(e.front.onset_cents, CENTS),
            speak_ms: value(e.front.speak_ms, MS),
            settle_ms: value(e.front.settle_ms, MS),
            attack_ms: value(e.front.attack_ms, MS),
            log_attack_time: value(e.front.log_attack_time, RATIO),
            growth_db_per_s: value(e.front.growth_db_per_s, DB),
            overshoot_db: value(e.front.overshoot_db, DB),
            passage_ms: value(e.front.passage_ms(), MS),
            dip_db: value(e.front.dip_db(), DB),
            crossing: None,
            partial_between: e.front.evidence.passage.and_then(|p| p.between).map(BetweenDocument::from),
            breath_to_sound_ms: value(e.front.breath_to_sound_ms(), MS),
            inhaled_ms: value(e.front.inhaled_ms(), MS),
            hnr_db: value(e.front.hnr_db(), DB),
            pitch_wander_cents: value(e.front.pitch_wander_cents(), CENTS),
            level_wander_db: value(e.front.level_wander_db(), DB),
            brightness_hz: value(e.front.brightness_hz(), BRIGHTNESS),
            timing_ms: value(e.verdict.timing_ms, MS),
            level_db: finite(Some(e.front.level_db), DB),
            uncertainty: UncertaintyDocument::from(e),
            cannot_tell: reasons(e),
            clarity: (e.verdict.clarity.is_finite() && !is_by_hand(&e.front))
                .then(|| e.verdict.clarity.round().clamp(0.0, 100.0) as u8),
            faults: worst_first(e),
        }
    }
}

impl From<&Entrance> for UncertaintyDocument {
    fn from(e: &Entrance) -> Self {
        let instant = |ms: f64| finite(Some(ms / 1000.0), SECONDS);
        let of = |told: Told, places| finite(told.ok().map(|m| m.uncertainty), places);
        Self {
            sound_start_s: instant(e.front.instant_uncertainty.sound_start_ms),
            onset_s: instant(e.front.instant_uncertainty.onset_ms),
            speaks_s: instant(e.front.instant_uncertainty.speaks_ms),
            settled_hz: of(e.front.settled_hz, HZ),
            tuning_cents: of(e.front.tuning_cents, CENTS),
            noise_before_tone_ms: of(e.front.noise_before_tone_ms, MS),
            noise_before_tone_db: of(e.front.noise_before_tone_db, DB),
            approach_cents: of(e.front.approach_cents, CENTS),
            onset_cents: of(e.front.onset_cents, CENTS),
            speak_ms: of(e.front.speak_ms, MS),
            settle_ms: of(e.front.settle_ms, MS),
            attack_ms: of(e.front.attack_ms, MS),
            log_attack_time: of(e.front.log_attack_time, RATIO),
            growth_db_per_s: of(e.front.growth_db_per_s, DB),
            overshoot_db: of(e.front.overshoot_db, DB),
            passage_ms: of(e.front.passage_ms(), MS),
            dip_db: of(e.front.dip_db(), DB),
            breath_to_sound_ms: of(e.front.breath_to_sound_ms(), MS),
            inhaled_ms: of(e.front.inhaled_ms(), MS),
            hnr_db: of(e.front.hnr_db(), DB),
            pitch_wander_cents: of(e.front.pitch_wander_cents(), CENTS),
            level_wander_db: of(e.front.level_wander_db(), DB),
            brightness_hz: of(e.front.brightness_hz(), BRIGHTNESS),
            timing_ms: of(e.verdict.timing_ms, MS),
        }
    }
}

/// The reasons of all figures that are null, by field.
fn reasons(e: &Entrance) -> BTreeMap<&'static str, ReasonDocument> {
    let no_note = e.front.midi_note.is_none().then_some(("midi_note", CannotTell::NoPitch));
    let told = [
        ("settled_hz", e.front.settled_hz),
        ("tuning_cents", e.front.tuning_cents),
        ("noise_before_tone_ms", e.front.noise_before_tone_ms),
        ("noise_before_tone_db", e.front.noise_before_tone_db),
        ("approach_cents", e.front.approach_cents),
        ("onset_cents", e.front.onset_cents),
        ("speak_ms", e.front.speak_ms),
        ("settle_ms", e.front.settle_ms),
        ("attack_ms", e.front.attack_ms),
        ("log_attack_time", e.front.log_attack_time),
        ("growth_db_per_s", e.front.growth_db_per_s),
        ("overshoot_db", e.front.overshoot_db),
        ("passage_ms", e.front.passage_ms()),
        ("dip_db", e.front.dip_db()),
        ("breath_to_sound_ms", e.front.breath_to_sound_ms()),
        ("inhaled_ms", e.front.inhaled_ms()),
        ("hnr_db", e.front.hnr_db()),
        ("pitch_wander_cents", e.front.pitch_wander_cents()),
        ("level_wander_db", e.front.level_wander_db()),
        ("brightness_hz", e.front.brightness_hz()),
        ("timing_ms", e.verdict.timing_ms),
    ];
    let untold = told.into_iter().filter_map(|(field, told)| told.err().map(|reason| (field, reason)));
    untold.chain(no_note).map(|(field, reason)| (field, reason.into())).collect()
}

fn worst_first(e: &Entrance) -> Vec<FaultDocument> {
    words::worst_first(e)
        .iter()
        .map(|fault| FaultDocument {
            name: fault.name.into(),
            severity: rounded(fault.severity, RATIO),
            sureness: rounded(fault.sureness, RATIO),
            because: words::because(e, fault.name),
        })
        .collect()
}

impl From<&notefront_dsp::SlidePosition> for PositionDocument {
    fn from(p: &notefront_dsp::SlidePosition) -> Self {
        Self { position: rounded(p.position, MS), trigger: p.trigger, partial: p.partial }
    }
}

/// Mirrors an enum of the analysis, which knows nothing of schemas.
macro_rules! mirror {
    ($from:ty => $to:ty: $($variant:ident),+) => {
        impl From<$from> for $to {
            fn from(value: $from) -> Self {
                match value {
                    $(<$from>::$variant => Self::$variant,)+
                }
            }
        }
    };
}

mirror!(Instrument => InstrumentDocument: Tenor, FAttachment, Alto);
mirror!(Source => SoundDocument: Horn, Mouthpiece);
mirror!(Crossing => CrossingDocument: Slide, Lip, Either);
mirror!(Articulation => ArticulationDocument: Tongued, Legato, Slurred);
mirror!(Origin => GridOrigin: Given, Tempo, Click, CountIn, Found, Notes);
mirror!(CannotTell => ReasonDocument: TooShort, TooSoft, Masked, NoSilenceBefore, NoPitch, Slurred, NoGrid, NotToBeat, Broadened, NoAir, CutOff,
    NoBody, NotConnected, SamePitch, NoBreath, NotMeasured);
mirror!(FaultName => FaultNameDocument:
    Airy, Below, Above, Slow, Split, Smear, Stutter, Hard, Early, Late, HeldBreath);

fn value(told: Told, places: i32) -> Option<f64> {
    finite(told.ok().map(|m| m.value), places)
}

/// JSON knows neither NaN nor infinity.
pub(super) fn finite(value: Option<f64>, places: i32) -> Option<f64> {
    value.filter(|v| v.is_finite()).map(|v| rounded(v, places))
}

/// Rounded, and without a negative zero.
pub(super) fn rounded(value: f64, places: i32) -> f64 {
    let scale = 10f64.powi(places);
    (value * scale).round() / scale + 0.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixtures::{self, told};
    use serde_json::{Value, json};

    fn document(take: &Take) -> Value {
        serde_json::to_value(TakeDocument::from(take)).expect("a document is always JSON")
    }

    #[test]
    fn the_document_has_the_contract_s_fields_and_values() {
        let document = document(&fixtures::take());
        assert_eq!(document["format"], "notefront.take");
        assert_eq!(document["version"], 2);
        let first = &document["entrances"][0];
        assert_eq!(first["note"], "Bb2");
        assert_eq!(first["approach_cents"], -41.0);
        assert_eq!(first["onset_cents"], -70.9);
        assert_eq!(first["speak_ms"], 3.0);
        assert_eq!(first["settle_ms"], 112.5);
        assert_eq!(first["clarity"], 58);
        assert_eq!(first["uncertainty"]["onset_s"], 0.002);
        assert_eq!(first["articulation"], "tongued");
        assert_eq!(first["positions"][1], json!({ "position": 4.9, "trigger": true, "partial": 4 }));
        assert_eq!(
            first["faults"],
            json!([{
                "name": "below", "severity": 0.42, "sureness": 0.97,
                "because": "leaned 41 cents below its pitch and took 113 ms to settle"
            }])
        );
        assert_eq!(document["grid"], Value::Null);
        assert_eq!(document["warnings"], json!(["clipped at 12.40 s"]));
        assert_eq!(document["summary"]["faults"]["below"], 2);
        assert_eq!(document["summary"]["faults"]["held-breath"], 0);
    }

    #[test]
    fn what_cannot_be_told_is_null_with_its_reason() {
        let last = &document(&fixtures::take())["entrances"][4];
        assert_eq!(last["settle_ms"], Value::Null);
        assert_eq!(last["cannot_tell"]["settle_ms"], "too-short");
        assert_eq!(last["cannot_tell"]["timing_ms"], "no-grid");
        assert_eq!(last["uncertainty"]["settle_ms"], Value::Null);
        assert!(last["cannot_tell"].get("onset_cents").is_none());
    }

    #[test]
    fn the_worst_fault_comes_first() {
        let last = &document(&fixtures::take())["entrances"][4];
        let names: Vec<_> = last["faults"].as_array().expect("a list").iter().map(|f| f["name"].clone()).collect();
        assert_eq!(names, ["airy", "below"]);
    }

    #[test]
    fn figures_that_are_no_numbers_become_null() {
        let mut take = fixtures::take();
        take.entrances[0].front.settle_ms = told(f64::NAN, f64::INFINITY);
        take.entrances[0].front.level_db = f64::NEG_INFINITY;
        take.entrances[0].verdict.clarity = f64::NAN;
        let first = &document(&take)["entrances"][0];
        for field in ["settle_ms", "level_db", "clarity"] {
            assert_eq!(first[field], Value::Null, "{field}");
        }
    }

    #[test]
    fn fault_names_are_those_of_the_analysis() {
        for name in FaultName::ALL {
            assert_eq!(serde_json::to_value(FaultNameDocument::from(name)).expect("a name"), name.as_str());
        }
    }

    #[test]
    fn rounding_leaves_no_negative_zero() {
        assert_eq!(rounded(-0.001, 2).to_string(), "0");
        assert_eq!(rounded(-2.345_67, 2), -2.35);
    }
}
