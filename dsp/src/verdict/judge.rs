//! Holds the measures of a front against the lines.

use super::lines::*;
use super::{Fault, FaultName, Faults, Verdict, clarity};
use crate::approach::MAX_BEND_CENTS;
use crate::entrance::{CannotTell, Front, Measure, Told};
use crate::grid::Beat;
use crate::settings::{Settings, Source};
use crate::trombone::round_trip_s;

/// A measure against its line: severity 0 at the line, 1 far beyond it; sureness from the uncertainty.
fn beyond(name: FaultName, measure: Measure, line: f64) -> Option<Fault> {
    let value = measure.value;
    if value < line {
        return None;
    }
    let sigma = measure.uncertainty.max(0.02 * line) / 1.645;
    let sureness = 1.0 / (1.0 + (-1.702 * (value - line) / sigma).exp());
    Some(Fault { name, severity: 1.0 - line / value.max(line), sureness })
}

fn value(told: &Told) -> Option<f64> {
    told.ok().map(|m| m.value)
}

/// The verdict over a front: `beat` is the one next to where it speaks, without which no timing is told.
#[must_use]
pub fn judge(front: &Front, beat: Option<&Beat>, settings: &Settings) -> Verdict {
    let timing_ms = timing(front, beat);
    let faults = faults(front, timing_ms, beat, settings);
    Verdict { timing_ms, faults, clarity: clarity(&faults) }
}

fn timing(front: &Front, beat: Option<&Beat>) -> Told {
    let beat = beat.ok_or(CannotTell::NoGrid)?;
    Ok(Measure { value: (front.speaks_s - beat.at_s) * 1e3, uncertainty: front.instant_uncertainty.speaks_ms })
}

fn faults(front: &Front, timing_ms: Told, beat: Option<&Beat>, settings: &Settings) -> Faults {
    let factor = settings.strictness.line_factor();
    let mut faults = Faults::default();
    let found = [
        airy(front, settings, factor),
        split(front, settings, factor),
        stutter(front),
        smear(front, factor),
        slow(front, factor).filter(|_| front.evidence.stutter.is_none()),
        hard(front, factor),
        held_breath(front, factor),
        beat.and_then(|beat| off_beat(timing_ms, beat, settings)),
    ];
    for fault in found.into_iter().flatten() {
        faults.insert(fault);
    }
    let has_leapt_or_slid = faults.get(FaultName::Split).is_some() || faults.get(FaultName::Smear).is_some();
    if !has_leapt_or_slid && let Some(fault) = off_pitch(front, factor) {
        faults.insert(fault);
    }
    faults
}

fn airy(front: &Front, settings: &Settings, factor: f64) -> Option<Fault> {
    let (level, length) = (value(&front.noise_before_tone_db)?, front.noise_before_tone_ms.ok()?);
    let is_mouthpiece = settings.source == Source::Mouthpiece;
    let line_db = AIRY_DB + 6.0 * factor.log2() + if is_mouthpiece { MOUTHPIECE_AIR_DB } else { 0.0 };
    let line_ms = AIRY_MS * factor * if is_mouthpiece { MOUTHPIECE_AIR_FACTOR } else { 1.0 };
    if level < line_db {
        return None;
    }
    let mut fault = beyond(FaultName::Airy, length, line_ms)?;
    // Loud air weighs more: 20 dB over the line doubles the weight.
    let loudness = ((level - line_db) / 20.0).clamp(0.0, 1.0);
    fault.severity *= 0.5 + 0.5 * loudness;
    Some(fault)
}

fn split(front: &Front, settings: &Settings, factor: f64) -> Option<Fault> {
    if settings.source == Source::Mouthpiece {
        return None;
    }
    let split = front.evidence.split?;
    let wrong_hz = crate::units::shift_cents(value(&front.settled_hz)?, split.interval_cents);
    let line = SPLIT_MS.max(SPLIT_PERIODS / wrong_hz * 1e3) * factor;
    beyond(FaultName::Split, Measure { value: split.duration_ms, uncertainty: 4.0 }, line)
}

fn stutter(front: &Front) -> Option<Fault> {
    let stutter = front.evidence.stutter?;
    beyond(FaultName::Stutter, Measure { value: stutter.dip_db, uncertainty: 2.0 }, STUTTER_DIP_DB)
}

fn smear(front: &Front, factor: f64) -> Option<Fault> {
    let smear = front.evidence.smear?;
    let is_slide = smear.rate_cents_per_s >= SMEAR_RATE.0 && smear.rate_cents_per_s <= SMEAR_RATE.1;
    if !is_slide || smear.duration_ms < SMEAR_MS * factor {
        return None;
    }
    beyond(FaultName::Smear, Measure { value: smear.depth_cents.abs(), uncertainty: 5.0 }, SMEAR_CENTS * factor)
}

fn off_pitch(front: &Front, factor: f64) -> Option<Fault> {
    let hz = value(&front.settled_hz)?;
    let onset = front.onset_cents.ok()?;
    let settle = value(&front.settle_ms)?;
    if front.evidence.split.is_some() || onset.value.abs() > MAX_BEND_CENTS {
        return None; // a leap, however short, is no bend
    }
    let trip_ms = round_trip_s(hz, front.partial) * 1e3;
    if settle < PITCH_SETTLE_MS.max(PITCH_SETTLE_ROUND_TRIPS * trip_ms) * factor {
        return None;
    }
    let name = if onset.value < 0.0 { FaultName::Below } else { FaultName::Above };
    let line = (pitch_line_cents(hz) * factor).max(PITCH_NEVER_UNDER_CENTS);
    beyond(name, Measure { value: onset.value.abs(), ..onset }, line)
}

fn slow(front: &Front, factor: f64) -> Option<Fault> {
    let trip_ms = round_trip_s(value(&front.settled_hz)?, front.partial) * 1e3;
    beyond(FaultName::Slow, front.attack_ms.ok()?, SLOW_MS.max(SLOW_ROUND_TRIPS * trip_ms) * factor)
}

fn hard(front: &Front, factor: f64) -> Option<Fault> {
    beyond(FaultName::Hard, front.overshoot_db.ok()?, HARD_DB * factor)
}

fn held_breath(front: &Front, factor: f64) -> Option<Fault> {
    let held = front.evidence.held_breath_ms?;
    beyond(FaultName::HeldBreath, Measure { value: held, uncertainty: 20.0 }, HELD_BREATH_MS * factor)
}

fn off_beat(timing_ms: Told, beat: &Beat, settings: &Settings) -> Option<Fault> {
    let deviation = timing_ms.ok()?;
    let name = if deviation.value < 0.0 { FaultName::Early } else { FaultName::Late };
    let line = timing_line_ms(beat, settings);
    beyond(name, Measure { value: deviation.value.abs(), ..deviation }, line)
}
