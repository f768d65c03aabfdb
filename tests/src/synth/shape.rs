//! From notes to curves: the level and the pitch over time of one tone.

use super::curve::{Curve, bump, smoothstep};
use super::dice::Dice;
use super::horn::Player;
use super::score::{Attack, Front, Note, Rise, Start, Tone};

/// The curves of one tone.
#[derive(Debug, Clone, PartialEq)]
pub struct TonePlan {
    /// RMS of the harmonics, linear, full scale = 1.
    pub level: Curve,
    /// Fundamental, Hz.
    pub hz: Curve,
    /// RMS of the air before the tone, linear.
    pub air: Curve,
    /// Instants of every note, s, in order.
    pub instants: Vec<Instants>,
}

/// The instants of one note, s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Instants {
    /// First sound.
    pub sound_start_s: f64,
    /// -20 dB of the attack peak.
    pub onset_s: f64,
    /// -12 dB of the attack peak.
    pub speaks_s: f64,
    /// Level of the attack peak, linear.
    pub peak: f64,
}

/// The highest level is looked for this long after the onset, s (measures page: attack peak).
pub const PEAK_WITHIN_S: f64 = 0.250;
/// Time before a note speaks at which its curves begin, s.
const LEAD_S: f64 = 0.6;
/// The logistic rise begins here, as a share of its end.
const LOGISTIC_START: f64 = 0.003;

/// An exponential rise begins this far under its end, dB.
const EXPONENTIAL_START_DB: f64 = -50.0;
/// Height of the first of two steps, as a share of the end.
const FIRST_STEP: f64 = 0.35;

/// Curves of a tone as a player plays it.
///
/// # Panics
/// When the tone has no notes, or its first does not begin with an attack.
#[must_use]
pub fn plan(tone: &Tone, player: &Player, dice: &mut Dice) -> TonePlan {
    let first = tone.notes[0];
    let Start::Attack(attack) = first.start else { panic!("a tone begins with an attack") };
    let end_s = tone.release_s + tone.release_ms / 1e3;
    let begin_s = first.at_s - rise_to_db(&attack, -12.0) / 1e3;
    let level = level_curve(tone, &attack, begin_s, end_s, player, dice);
    let instants: Vec<Instants> = (0..tone.notes.len()).map(|i| instants(tone, i, &level, begin_s)).collect();
    let hz = pitch_curve(tone, &instants, end_s, player, dice);
    let air = air_curve(&attack, &instants[0], &level);
    TonePlan { level, hz, air, instants }
}

/// Time from the beginning of a rise until it reaches a level re its end, ms.
fn rise_to_db(attack: &Attack, db: f64) -> f64 {
    let level = 10f64.powf(db / 20.0);
    (0..8000).map(|i| f64::from(i) * 0.25).find(|ms| rise(attack, *ms) >= level).unwrap_or(0.0)
}

/// The rising level `ms` after its beginning, 0 to 1.
fn rise(attack: &Attack, ms: f64) -> f64 {
    if ms <= 0.0 {
        return 0.0;
    }
    match attack.rise {
        // 20 % to 90 % of the logistic curve takes ln(0.9/0.1) - ln(0.2/0.8) = 3.584 time constants.
        Rise::Logistic => {
            let tau_ms = attack.attack_ms / 3.584;
            let middle_ms = tau_ms * (1.0 / LOGISTIC_START - 1.0f64).ln();
            let value = 1.0 / (1.0 + ((middle_ms - ms) / tau_ms).exp());
            (value - LOGISTIC_START) / (1.0 - LOGISTIC_START)
        }
        // 20 % to 90 % of a straight line of length D takes 0.700 D.
        Rise::Linear => (ms / (attack.attack_ms / 0.7)).min(1.0),
        // 20 % to 90 % of a raised cosine of length D takes 0.500 D (measures page).
        Rise::RaisedCosine => {
            let length_ms = attack.attack_ms / 0.5;
            half_cosine(ms / length_ms)
        }
        // 20 % to 90 % takes 20 log10(0.9 / 0.2) = 13.06 dB of the growth (measures page).
        Rise::Exponential => {
            let db_per_ms = 13.06 / attack.attack_ms;
            10f64.powf((EXPONENTIAL_START_DB + db_per_ms * ms).min(0.0) / 20.0)
        }
        // 20 % lies in the first step, at 0.164 of the length, and 90 % in the second, at 0.923 [C].
        Rise::TwoSteps => {
            let length_ms = attack.attack_ms / 0.759;
            let (first, second) = (ms / (0.3 * length_ms), (ms - 0.7 * length_ms) / (0.3 * length_ms));
            FIRST_STEP * half_cosine(first) + (1.0 - FIRST_STEP) * half_cosine(second)
        }
    }
}

/// 0 before 0, 1 after 1, half a cosine between.
fn half_cosine(part: f64) -> f64 {
    0.5 - 0.5 * (std::f64::consts::PI * part.clamp(0.0, 1.0)).cos()
}

fn level_curve(tone: &Tone, attack: &Attack, begin_s: f64, end_s: f64, player: &Player, dice: &mut Dice) -> Curve {
    let start_s = begin_s - LEAD_S;
    let mut curve = Curve::new(start_s, end_s, |t| {
        let db = steady_db(tone, t) - dips_db(tone, t) + attack_db(attack, (t - begin_s) * 1e3);
        let release = 1.0 - smoothstep(tone.release_s, end_s, t);
        rise(attack, (t - begin_s) * 1e3) * release * 10f64.powf(db / 20.0)
    });
    let shimmer = dice.wander(curve.values.len(), super::curve::STEP_S, 15.0, player.shimmer_db);
    for (value, db) in curve.values.iter_mut().zip(shimmer) {
        *value *= 10f64.powf(db / 20.0);
    }
    curve
}

/// The level the notes ask for, blended over 40 ms at every join, with swell and vibrato.
fn steady_db(tone: &Tone, t: f64) -> f64 {
    let mut db = tone.notes[0].level_db;
    for note in &tone.notes[1..] {
        db += (note.level_db - db) * smoothstep(note.at_s - 0.02, note.at_s + 0.02, t);
    }
    let i = current(tone, t);
    let note = &tone.notes[i];
    let until_s = tone.notes.get(i + 1).map_or(tone.release_s, |next| next.at_s);
    let swell_from_s = note.at_s + 0.35;
    let swell = bump((swell_from_s + until_s) / 2.0, ((until_s - swell_from_s) / 2.0).max(1e-3), t) * note.swell_db;
    db + swell + vibrato(note, t).1
}

/// Index of the note that sounds at a time.
fn current(tone: &Tone, t: f64) -> usize {
    tone.notes.iter().rposition(|note| note.at_s <= t).unwrap_or(0)
}

/// Cents and dB of a note's vibrato, swelling over 150 ms.
fn vibrato(note: &Note, t: f64) -> (f64, f64) {
    let Some(v) = note.vibrato else { return (0.0, 0.0) };
    let from_s = note.at_s + v.delay_ms / 1e3;
    let swing = smoothstep(from_s, from_s + 0.15, t) * (std::f64::consts::TAU * v.hz * (t - from_s)).sin();
    (v.cents * swing, v.db * swing)
}

fn dips_db(tone: &Tone, t: f64) -> f64 {
    tone.notes
        .iter()
        .map(|note| match note.start {
            Start::Dip { depth_db, width_ms, .. } => depth_db * bump(note.at_s, width_ms / 2e3, t),
            _ => 0.0,
        })
        .sum()
}

/// What a stutter takes from the level and what an overshoot adds, dB, `ms` after the rise begins.
fn attack_db(attack: &Attack, ms: f64) -> f64 {
    let dip = attack.stutter.map_or(0.0, |s| {
        let centre_ms = rise_to_db(attack, -12.0) + s.dip_after_ms;
        s.dip_db * bump(centre_ms, s.half_width_ms, ms)
    });
    let over =
        if attack.overshoot_db == 0.0 { 0.0 } else { attack.overshoot_db * bump(rise_to_db(attack, -1.0), 22.0, ms) };
    over - dip
}

/// -20 and -12 dB of the attack peak, looked for from the beginning of the growth: for a joined note that
/// is the lowest point of its dip, which is where it begins when the dip is shallower than 20 dB.
fn instants(tone: &Tone, i: usize, level: &Curve, begin_s: f64) -> Instants {
    let note = &tone.notes[i];
    let from_s = match note.start {
        Start::Attack(_) => begin_s,
        Start::Slur { .. } => return slur_instants(note, level),
        Start::Dip { width_ms, .. } => level.lowest_s(note.at_s - width_ms / 2e3, note.at_s + width_ms / 2e3),
    };
    let (onset_s, peak) = onset_and_peak(level, from_s);
    let speaks_s = level.first_at_least(peak * 10f64.powf(-12.0 / 20.0), from_s).unwrap_or(onset_s);
    let sound_start_s = match note.start {
        Start::Attack(Attack { air: Some(air), .. }) => onset_s - air.ms / 1e3,
        _ => onset_s,
    };
    Instants { sound_start_s, onset_s, speaks_s, peak }
}

/// The onset, s, and the level of the attack peak. The peak is looked for from the onset, and the onset follows from the peak: where
/// the level grows slowly both climb for many rounds.
fn onset_and_peak(level: &Curve, from_s: f64) -> (f64, f64) {
    let mut onset_s = from_s;
    loop {
        let peak = level.highest(onset_s, onset_s + PEAK_WITHIN_S);
        let next_s = level.first_at_least(peak * 0.1, from_s).unwrap_or(from_s);
        if next_s <= onset_s {
            return (onset_s, peak);
        }
        onset_s = next_s;
    }
}

fn slur_instants(note: &Note, level: &Curve) -> Instants {
    Instants { sound_start_s: note.at_s, onset_s: note.at_s, speaks_s: note.at_s, peak: level.at(note.at_s) }
}

fn pitch_curve(tone: &Tone, instants: &[Instants], end_s: f64, player: &Player, dice: &mut Dice) -> Curve {
    let start_s = tone.notes[0].at_s - LEAD_S;
    let mut curve = Curve::new(start_s, end_s, |t| {
        let mut midi = tone.notes[0].hz.log2() * 1200.0;
        for note in &tone.notes[1..] {
            let cents = note.hz.log2() * 1200.0;
            midi += (cents - midi) * joined(note, t);
        }
        let i = current(tone, t);
        let note = &tone.notes[i];
        ((midi + front_cents(note.front, (t - instants[i].onset_s) * 1e3) + vibrato(note, t).0) / 1200.0).exp2()
    });
    let jitter = player.jitter(curve.values.len(), dice);
    for (hz, cents) in curve.values.iter_mut().zip(jitter) {
        *hz *= (cents / 1200.0).exp2();
    }
    curve
}

/// How far the pitch has moved to a joined note, 0 to 1.
fn joined(note: &Note, t: f64) -> f64 {
    match note.start {
        Start::Attack(_) => f64::from(t >= note.at_s),
        Start::Slur { glide_ms } => smoothstep(note.at_s - glide_ms / 2e3, note.at_s + glide_ms / 2e3, t),
        Start::Dip { glide_ms, .. } => smoothstep(note.at_s - glide_ms / 1e3, note.at_s, t),
    }
}

/// Cents from the settled pitch, `ms` after the onset; before the onset as at the onset.
fn front_cents(front: Front, ms: f64) -> f64 {
    let ms = ms.max(0.0);
    match front {
        Front::Steady => 0.0,
        Front::Approach { cents, tau_ms } => cents * (-ms / tau_ms).exp(),
        Front::Bend { cents, ms: law_ms, law } => cents * law.left(ms, law_ms),
        Front::Slide { cents, cents_per_s } => cents.signum() * (cents.abs() - cents_per_s * ms / 1e3).max(0.0),
        // The jump takes 3 ms: hundreds of cents, well over 10 000 cents/s.
        Front::WrongPartial { ratio, ms: until_ms } => {
            1200.0 * ratio.log2() * (1.0 - smoothstep(until_ms - 1.5, until_ms + 1.5, ms))
        }
    }
}

/// Air fades in over 4 ms and hands over to the tone within 8 ms after the onset.
fn air_curve(attack: &Attack, instants: &Instants, level: &Curve) -> Curve {
    let Some(air) = attack.air else { return Curve { start_s: level.start_s, values: vec![0.0] } };
    let gain = instants.peak * 10f64.powf(air.db / 20.0);
    Curve::new(instants.sound_start_s - 0.001, instants.onset_s + 0.01, |t| {
        let start = smoothstep(instants.sound_start_s - 0.001, instants.sound_start_s + 0.003, t);
        gain * start * (1.0 - smoothstep(instants.onset_s, instants.onset_s + 0.008, t))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn a_slow_rise_begins_20_db_under_its_own_peak() {
        // 100 dB a second for half a second: 20 dB under its end is 0.3 s in, wherever the search begins.
        let level = Curve::new(0.0, 1.5, |t| 10f64.powf((-50.0 + 100.0 * t).min(0.0) / 20.0));
        let (onset_s, peak) = onset_and_peak(&level, 0.0);
        assert_abs_diff_eq!(onset_s, 0.3, epsilon = 1e-3);
        assert_abs_diff_eq!(peak, 1.0, epsilon = 1e-9);
    }
}
