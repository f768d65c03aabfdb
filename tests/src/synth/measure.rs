//! The truth of a tone, measured on its curves by the definitions of the measures page.

use super::curve::Curve;
use super::score::{Attack, Front, Note, Start, Tone};
use super::shape::{Instants, PEAK_WITHIN_S, TonePlan};
use crate::truth::NoteTruth;
use notefront_dsp::units::{cents, hz_to_midi};

/// The settled pitch is looked for in this first part of the note, s.
const SETTLED_WITHIN_S: f64 = 0.600;
/// Length of the steadiest stretch, s, where the note allows.
const STEADY_S: f64 = 0.100;
/// Half width of the band the pitch settles in, cents.
const SETTLED_BAND_CENTS: f64 = 10.0;
/// A vibrato wider than this leaves no settled band to speak of, cents.
const VIBRATO_LIMIT_CENTS: f64 = 8.0;
/// Silence after an inhalation longer than this is a held breath, ms \[H\].
const HELD_BREATH_MS: f64 = 200.0;
/// Air this long and this loud is a fault: ms, dB \[H\].
const AIRY: (f64, f64) = (30.0, -32.0);
/// From onset to speaking longer than this is slow whatever the note, ms: above 2 round trips even in 7th position.
const SLOW_MS: f64 = 52.0;
/// A rise longer than this was meant to be slow, ms.
const MEANT_SLOW_MS: f64 = 110.0;
/// Loudness grows with pressure to this power (Stevens 1957 \[M\]): the weight of the level in the approach.
const LOUDNESS_POWER: f64 = 0.6;
/// The approach ends so long after the note speaks, or so long before it ends, s.
const APPROACH_S: (f64, f64) = (0.100, 0.030);
/// An approach under this is none, cents (measures page, truth files).
const NO_APPROACH_CENTS: f64 = 20.0;
/// A smear is deeper and longer than this: cents, ms \[H\].
const SMEAR: (f64, f64) = (40.0, 40.0);
/// An overshoot above this is hard, dB \[H\].
const HARD_DB: f64 = 6.0;

/// The truth of every note of a tone. Timing is left for whoever knows the grid.
#[must_use]
pub fn note_truths(tone: &Tone, plan: &TonePlan) -> Vec<NoteTruth> {
    (0..tone.notes.len()).map(|i| note_truth(tone, plan, i)).collect()
}

fn note_truth(tone: &Tone, plan: &TonePlan, i: usize) -> NoteTruth {
    let (note, at) = (&tone.notes[i], &plan.instants[i]);
    let until_s = until_s(tone, plan, i);
    let settled_hz = settled_hz(&plan.hz, at.onset_s, until_s.min(at.onset_s + SETTLED_WITHIN_S));
    let moving = tells_pitch_front(note);
    let air = air_of(note, at, plan);
    let attack_ms = is_attack(note).then(|| attack_ms(&plan.level, at));
    let approach_cents = moving.then(|| approach_cents(plan, at, until_s, settled_hz));
    NoteTruth {
        onset_s: at.onset_s,
        speaks_s: at.speaks_s,
        sound_start_s: at.sound_start_s,
        noise_ms: air.map_or(0.0, |a| a.0),
        noise_db: air.map(|a| a.1),
        onset_cents: moving.then(|| within_jitter(cents(plan.hz.at(at.onset_s), settled_hz), note)),
        approach_cents,
        settle_ms: moving.then(|| settle_ms(&plan.hz, at.onset_s, until_s, settled_hz)),
        midi: hz_to_midi(settled_hz, 440.0).round(),
        settled_hz,
        articulation: articulation(note).to_owned(),
        rise_ms: attack_ms,
        faults: faults(note, air, (at.speaks_s - at.onset_s) * 1e3),
        end_s: until_s,
        timing_ms: None,
        made: Some(made(note, approach_cents).to_owned()),
    }
}

/// End of note `i`: where the next begins, or where the release has taken half the level.
fn until_s(tone: &Tone, plan: &TonePlan, i: usize) -> f64 {
    plan.instants.get(i + 1).map_or(tone.release_s + tone.release_ms / 2e3, |next| next.onset_s)
}

fn is_attack(note: &Note) -> bool {
    matches!(note.start, Start::Attack(_))
}

fn articulation(note: &Note) -> &'static str {
    match note.start {
        Start::Attack(_) => "tongued",
        Start::Slur { .. } => "slurred",
        Start::Dip { .. } => "legato",
    }
}

/// A slur and a long glide are the join itself, and a wide vibrato never settles: no front to measure.
fn tells_pitch_front(note: &Note) -> bool {
    let joined_smoothly = match note.start {
        Start::Attack(_) => false,
        Start::Slur { .. } => true,
        Start::Dip { glide_ms, .. } => glide_ms > 20.0,
    };
    !joined_smoothly && note.vibrato.is_none_or(|v| v.cents <= VIBRATO_LIMIT_CENTS)
}

/// The pitch at the onset of a steady note is the jitter's, not the player's: told as 0.
fn within_jitter(cents: f64, note: &Note) -> f64 {
    if note.front == Front::Steady { 0.0 } else { cents }
}

/// Median pitch of the steadiest stretch between two times.
fn settled_hz(hz: &Curve, from_s: f64, to_s: f64) -> f64 {
    let stretch_s = STEADY_S.min((to_s - from_s) * 0.6);
    let mut best = (f64::INFINITY, hz.at((from_s + to_s) / 2.0));
    let mut t = from_s;
    while t + stretch_s <= to_s {
        let values = hz.between(t, t + stretch_s);
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        let spread = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (values.len() as f64 * mean * mean);
        if spread < best.0 {
            best = (spread, crate::accuracy::percentile(values, 50.0));
        }
        t += 0.005;
    }
    best.1
}

/// From the onset to the last instant outside the band; 0 when the pitch never leaves it.
fn settle_ms(hz: &Curve, onset_s: f64, until_s: f64, settled_hz: f64) -> f64 {
    let (from, to) = (hz.index(onset_s), hz.index(until_s.min(onset_s + SETTLED_WITHIN_S)));
    let last = (from..to).rev().find(|&i| cents(hz.values[i], settled_hz).abs() > SETTLED_BAND_CENTS);
    last.map_or(0.0, |i| (hz.time_s(i) - onset_s).max(0.0) * 1e3)
}

/// Mean distance from the settled pitch while the note speaks, weighted by loudness.
fn approach_cents(plan: &TonePlan, at: &Instants, until_s: f64, settled_hz: f64) -> f64 {
    let to_s = (at.speaks_s + APPROACH_S.0).min(until_s - APPROACH_S.1);
    let (from, to) = (plan.hz.index(at.onset_s), plan.hz.index(to_s));
    let (mut sum, mut weights) = (0.0, 0.0);
    for i in from..=to.max(from) {
        let weight = plan.level.at(plan.hz.time_s(i)).powf(LOUDNESS_POWER);
        sum += weight * cents(plan.hz.values[i], settled_hz);
        weights += weight;
    }
    sum / weights.max(1e-12)
}

/// 20 % to 90 % of the attack peak.
fn attack_ms(level: &Curve, at: &Instants) -> f64 {
    let reach = |part: f64| level.first_at_least(at.peak * part, at.onset_s).unwrap_or(at.onset_s);
    (reach(0.9) - reach(0.2)) * 1e3
}

/// Length in ms and mean level in dB, relative to the settled tone, of the air before the onset.
fn air_of(note: &Note, at: &Instants, plan: &TonePlan) -> Option<(f64, f64)> {
    let Start::Attack(Attack { air: Some(air), .. }) = note.start else { return None };
    let power = |curve: &Curve, from_s, to_s| {
        let values = curve.between(from_s, to_s);
        values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64
    };
    let air_power = power(&plan.air, at.sound_start_s, at.onset_s);
    let tone_power = power(&plan.level, at.onset_s + 0.1, at.onset_s + PEAK_WITHIN_S);
    Some((air.ms, 10.0 * (air_power / tone_power).log10()))
}

fn faults(note: &Note, air: Option<(f64, f64)>, speak_ms: f64) -> Vec<String> {
    let attack = match note.start {
        Start::Attack(attack) => Some(attack),
        _ => None,
    };
    let smeared = match note.front {
        Front::Slide { cents, cents_per_s } => cents.abs() > SMEAR.0 && cents.abs() / cents_per_s * 1e3 > SMEAR.1,
        _ => false,
    };
    let all = [
        ("split", matches!(note.front, Front::WrongPartial { .. })),
        ("stutter", attack.is_some_and(|a| a.stutter.is_some())),
        ("smear", smeared),
        ("airy", air.is_some_and(|(ms, db)| ms >= AIRY.0 && db > AIRY.1)),
        ("slow", attack.is_some_and(|a| a.stutter.is_none()) && speak_ms > SLOW_MS),
        ("hard", attack.is_some_and(|a| a.overshoot_db > HARD_DB)),
        ("held-breath", attack.and_then(|a| a.inhaled_before_ms).is_some_and(|ms| ms > HELD_BREATH_MS)),
    ];
    all.iter().filter(|(_, there)| *there).map(|(name, _)| (*name).to_owned()).collect()
}

/// What was meant: the one thing out of the plain, or `none`.
fn made(note: &Note, approach_cents: Option<f64>) -> &'static str {
    let approach_cents = approach_cents.unwrap_or(0.0);
    match note.front {
        Front::Approach { .. } | Front::Bend { .. } if approach_cents <= -NO_APPROACH_CENTS => return "below",
        Front::Approach { .. } | Front::Bend { .. } if approach_cents >= NO_APPROACH_CENTS => return "above",
        Front::Approach { .. } | Front::Bend { .. } | Front::Steady => {}
        Front::Slide { .. } => return "smear",
        Front::WrongPartial { .. } => return "split",
    }
    let Start::Attack(attack) = note.start else { return "none" };
    if attack.stutter.is_some() {
        "stutter"
    } else if attack.air.is_some() {
        "airy"
    } else if attack.overshoot_db > HARD_DB {
        "hard"
    } else if attack.attack_ms > MEANT_SLOW_MS {
        "slow"
    } else if attack.inhaled_before_ms.is_some_and(|ms| ms > HELD_BREATH_MS) {
        "held-breath"
    } else {
        "none"
    }
}
