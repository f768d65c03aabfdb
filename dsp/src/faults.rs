//! The one table of fault lines, and the judge that holds measures against it.
//!
//! Marks: \[S\] published source, \[C\] computed from a law, \[P\] common practice, \[H\] our hypothesis.
//! Every line is multiplied by [`Strictness::line_factor`](crate::Strictness::line_factor) unless it says otherwise.

use crate::entrance::{Entrance, Fault, FaultName, Faults, Measure, Told};
use crate::settings::{Grid, Settings, Source};
use crate::trombone::round_trip_s;

/// Air before the tone: shortest, ms, and softest, dB re the settled tone. \[H\]; air under 20 ms is masked \[S\].
pub const AIRY_MS: f64 = 30.0;
/// See [`AIRY_MS`].
pub const AIRY_DB: f64 = -32.0;
/// Mouthpiece buzzing is breathier: its air may be this much longer and louder. \[H\]
pub const MOUTHPIECE_AIR_FACTOR: f64 = 2.0;
/// See [`MOUTHPIECE_AIR_FACTOR`], dB.
pub const MOUTHPIECE_AIR_DB: f64 = 10.0;
/// Share of the auditory bandwidth a pitch may be off at its front (Jarvelainen & Valimaki 2001 \[S\]).
pub const PITCH_ERB_SHARE: f64 = 0.1;
/// ... but not less than this, cents. \[S\]/\[H\]
pub const PITCH_CENTS: f64 = 25.0;
/// Never flagged under this, cents, however strict: players sit 19 above the resonance (Boutin et al. 2015 \[S\]).
pub const PITCH_NEVER_UNDER_CENTS: f64 = 20.0;
/// A bend is over this soon without being heard, ms, or in this many round trips. \[H\]
pub const PITCH_SETTLE_MS: f64 = 20.0;
/// See [`PITCH_SETTLE_MS`].
pub const PITCH_SETTLE_ROUND_TRIPS: f64 = 1.0;
/// Attack longer than this, ms, or this many round trips. \[H\]
pub const SLOW_MS: f64 = 90.0;
/// See [`SLOW_MS`].
pub const SLOW_ROUND_TRIPS: f64 = 4.0;
/// A wrong partial counts from this long, ms, or this many of its periods.
pub const SPLIT_MS: f64 = 20.0;
/// See [`SPLIT_MS`].
pub const SPLIT_PERIODS: f64 = 3.0;
/// A slide counts from this far, cents, and this long, ms. \[H\]
pub const SMEAR_CENTS: f64 = 40.0;
/// See [`SMEAR_CENTS`].
pub const SMEAR_MS: f64 = 40.0;
/// Pace of a slide, cents/s. Not scaled.
pub const SMEAR_RATE: (f64, f64) = (450.0, 3_800.0);
/// A slide is straighter than a bend by this ratio of mean errors. Not scaled. \[H\]
pub const SMEAR_STRAIGHTNESS: f64 = 1.55;
/// Depth of the dip between two starts, dB.
pub const STUTTER_DIP_DB: f64 = 6.0;
/// Overshoot over the settled level, dB. \[H\]
pub const HARD_DB: f64 = 6.0;
/// Window on the beat: share of the beat (Friberg & Sundberg 1995 \[S\]).
pub const TIMING_BEAT_SHARE: f64 = 0.025;
/// ... and at least this, ms, from relaxed to strict.
pub const TIMING_MS: (f64, f64) = (30.0, 10.0);
/// Silence between the breath and the sound, ms. \[H\]
pub const HELD_BREATH_MS: f64 = 200.0;

/// Auditory bandwidth at a frequency, cents each way of centre: ERB = 24.7 + 0.108 f (Glasberg & Moore 1990 \[M\]).
#[must_use]
pub fn erb_cents(hz: f64) -> f64 {
    let erb_hz = 24.7 + 0.107_939 * hz;
    1200.0 * (1.0 + PITCH_ERB_SHARE * erb_hz / hz).log2() / PITCH_ERB_SHARE
}

/// Depth from which a front's pitch is heard as off, cents, at the default strictness.
#[must_use]
pub fn pitch_line_cents(hz: f64) -> f64 {
    (PITCH_ERB_SHARE * erb_cents(hz)).max(PITCH_CENTS)
}

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

/// All faults of an entrance whose measures and evidence are filled in.
#[must_use]
pub fn judge(entrance: &Entrance, settings: &Settings) -> Faults {
    let factor = settings.strictness.line_factor();
    let mut faults = Faults::default();
    let found = [
        airy(entrance, settings, factor),
        split(entrance, settings, factor),
        stutter(entrance),
        smear(entrance, factor),
        slow(entrance, factor).filter(|_| entrance.evidence.stutter.is_none()),
        hard(entrance, factor),
        held_breath(entrance, factor),
        settings.grid.and_then(|grid| timing(entrance, &grid, settings)),
    ];
    for fault in found.into_iter().flatten() {
        faults.insert(fault);
    }
    let has_leapt_or_slid = faults.get(FaultName::Split).is_some() || faults.get(FaultName::Smear).is_some();
    if !has_leapt_or_slid && let Some(fault) = off_pitch(entrance, factor) {
        faults.insert(fault);
    }
    faults
}

fn airy(e: &Entrance, settings: &Settings, factor: f64) -> Option<Fault> {
    let (level, length) = (value(&e.noise_before_tone_db)?, e.noise_before_tone_ms.ok()?);
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

fn split(e: &Entrance, settings: &Settings, factor: f64) -> Option<Fault> {
    if settings.source == Source::Mouthpiece {
        return None;
    }
    let split = e.evidence.split?;
    let wrong_hz = crate::units::shift_cents(value(&e.settled_hz)?, split.interval_cents);
    let line = SPLIT_MS.max(SPLIT_PERIODS / wrong_hz * 1e3) * factor;
    beyond(FaultName::Split, Measure { value: split.duration_ms, uncertainty: 4.0 }, line)
}

fn stutter(e: &Entrance) -> Option<Fault> {
    let stutter = e.evidence.stutter?;
    beyond(FaultName::Stutter, Measure { value: stutter.dip_db, uncertainty: 2.0 }, STUTTER_DIP_DB)
}

fn smear(e: &Entrance, factor: f64) -> Option<Fault> {
    let smear = e.evidence.smear?;
    let is_slide = smear.rate_cents_per_s >= SMEAR_RATE.0 && smear.rate_cents_per_s <= SMEAR_RATE.1;
    if !is_slide || smear.duration_ms < SMEAR_MS * factor {
        return None;
    }
    beyond(FaultName::Smear, Measure { value: smear.depth_cents.abs(), uncertainty: 5.0 }, SMEAR_CENTS * factor)
}

fn off_pitch(e: &Entrance, factor: f64) -> Option<Fault> {
    let hz = value(&e.settled_hz)?;
    let onset = e.onset_cents.ok()?;
    let settle = value(&e.settle_ms)?;
    if e.evidence.split.is_some() || onset.value.abs() > crate::approach::MAX_BEND_CENTS {
        return None; // a leap, however short, is no bend
    }
    let trip_ms = round_trip_s(hz, e.partial) * 1e3;
    if settle < PITCH_SETTLE_MS.max(PITCH_SETTLE_ROUND_TRIPS * trip_ms) * factor {
        return None;
    }
    let name = if onset.value < 0.0 { FaultName::Below } else { FaultName::Above };
    let line = (pitch_line_cents(hz) * factor).max(PITCH_NEVER_UNDER_CENTS);
    beyond(name, Measure { value: onset.value.abs(), ..onset }, line)
}

fn slow(e: &Entrance, factor: f64) -> Option<Fault> {
    let trip_ms = round_trip_s(value(&e.settled_hz)?, e.partial) * 1e3;
    beyond(FaultName::Slow, e.attack_ms.ok()?, SLOW_MS.max(SLOW_ROUND_TRIPS * trip_ms) * factor)
}

fn hard(e: &Entrance, factor: f64) -> Option<Fault> {
    let overshoot = e.evidence.overshoot_db?;
    beyond(FaultName::Hard, Measure { value: overshoot, uncertainty: 1.5 }, HARD_DB * factor)
}

fn held_breath(e: &Entrance, factor: f64) -> Option<Fault> {
    let held = e.evidence.held_breath_ms?;
    beyond(FaultName::HeldBreath, Measure { value: held, uncertainty: 20.0 }, HELD_BREATH_MS * factor)
}

fn timing(e: &Entrance, grid: &Grid, settings: &Settings) -> Option<Fault> {
    let deviation = e.timing_ms.ok()?;
    let name = if deviation.value < 0.0 { FaultName::Early } else { FaultName::Late };
    let line = timing_line_ms(grid, settings);
    beyond(name, Measure { value: deviation.value.abs(), ..deviation }, line)
}

/// Window on the beat, ms each side. Strictness moves its floor from 30 to 10 ms.
#[must_use]
pub fn timing_line_ms(grid: &Grid, settings: &Settings) -> f64 {
    let beat_ms = 60_000.0 / grid.bpm;
    let floor = TIMING_MS.0 * (TIMING_MS.1 / TIMING_MS.0).powf(settings.strictness.value());
    (TIMING_BEAT_SHARE * beat_ms).max(floor)
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn a_tenth_of_the_bandwidth_matches_the_table() {
        // Cents of 0.1 ERB per note, measures page [C]; 1 cent is its rounding.
        for (hz, cents) in
            [(58.27, 90.0), (116.54, 55.0), (174.61, 43.0), (233.08, 37.0), (349.23, 31.0), (466.16, 28.0)]
        {
            assert_abs_diff_eq!(PITCH_ERB_SHARE * erb_cents(hz), cents, epsilon = 1.0);
        }
    }

    #[test]
    fn the_beat_window_follows_strictness() {
        let grid = Grid { bpm: 60.0, first_beat_s: 0.0, per_beat: 1 };
        let line =
            |s: f64| timing_line_ms(&grid, &Settings { strictness: crate::Strictness::new(s), ..Settings::default() });
        // 2.5 % of a second is 25 ms; relaxed the floor of 30 ms rules.
        assert_abs_diff_eq!(line(0.0), 30.0, epsilon = 1e-9);
        assert_abs_diff_eq!(line(1.0), 25.0, epsilon = 1e-9);
    }
}
