//! Faults imposed on a recorded note, each of a known size.

use super::played::Played;
use crate::synth::{BandNoise, Dice};

/// What is imposed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Spoil {
    /// The pitch is warped from below.
    Below,
    /// ... from above.
    Above,
    /// The pitch slides in at a constant rate.
    Smear,
    /// The level is gated for a moment.
    Stutter,
    /// Noise before the tone.
    Air,
    /// The note's own front on a neighbouring partial, then the note.
    Split,
}

impl Spoil {
    /// Every one.
    pub const ALL: [Self; 6] = [Self::Below, Self::Above, Self::Smear, Self::Stutter, Self::Air, Self::Split];

    /// Name of the fault.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Below => "below",
            Self::Above => "above",
            Self::Smear => "smear",
            Self::Stutter => "stutter",
            Self::Air => "airy",
            Self::Split => "split",
        }
    }
}

/// A spoilt note.
#[derive(Debug, Clone, PartialEq)]
pub struct Spoilt {
    /// As it sounds.
    pub played: Played,
    /// Air before the onset: ms, and dB re the settled tone.
    pub air: Option<(f64, f64)>,
}

/// Approach of an imposed lean, cents: from over what is surely true to what a lip bends.
const LEAN_CENTS: (f64, f64) = (38.0, 75.0);
/// No lean starts further off, cents.
const MOST_CENTS: f64 = 190.0;
/// A partial gives way to the next within this, s.
const CROSSFADE_S: f64 = 0.008;
/// Air comes within the first and gives way to the tone within the second, s.
const AIR_FADES_S: (f64, f64) = (0.004, 0.008);

/// Imposes a fault; `None` where the note has no place for it (its pitch cannot be followed, or leans already).
#[must_use]
pub fn spoil(played: &Played, what: Spoil, midi: u8, dice: &mut Dice) -> Option<Spoilt> {
    let natural_cents = played.approach_cents()?;
    let dry = |played: Played| Some(Spoilt { played, air: None });
    match what {
        Spoil::Below | Spoil::Above if natural_cents.abs() > 20.0 => None,
        Spoil::Below => dry(lean(played, -1.0, natural_cents, dice)?),
        Spoil::Above => dry(lean(played, 1.0, natural_cents, dice)?),
        Spoil::Smear => dry(slide(played, dice)),
        Spoil::Stutter => dry(gate(played, dice)),
        Spoil::Split => dry(leap(played, midi, dice)),
        Spoil::Air => Some(breathe(played, dice)),
    }
}

/// Warps the pitch by one of three laws so that the approach becomes a drawn one.
fn lean(played: &Played, sign: f64, natural_cents: f64, dice: &mut Dice) -> Option<Played> {
    let ms = dice.within(35.0, 60.0);
    let half_cosine = |part: f64| 0.5 + 0.5 * (std::f64::consts::PI * part.clamp(0.0, 1.0)).cos();
    let which = dice.pick(&[0, 1, 2]);
    let law = move |t_s: f64| {
        let t = t_s.max(0.0) * 1e3;
        match which {
            0 => (-t / ms).exp(),
            1 => half_cosine(t / (3.0 * ms)),
            _ => half_cosine((t - 1.5 * ms) / 25.0),
        }
    };
    let weight = played.weighed(|i| law(played.time_s(i)))?;
    let aim_cents = sign * dice.within(LEAN_CENTS.0, LEAN_CENTS.1);
    let cents = (aim_cents - natural_cents) / weight;
    (cents.abs() <= MOST_CENTS).then(|| warped(played, |t_s| cents * law(t_s)))
}

fn slide(played: &Played, dice: &mut Dice) -> Played {
    let cents_per_s = dice.within(800.0, 2000.0);
    let cents = dice.within(80.0, 180.0).max(cents_per_s * 0.06);
    let sign = dice.sign();
    warped(played, move |t_s| sign * (cents - cents_per_s * t_s.max(0.0)).max(0.0))
}

/// Resamples a note along a way of its pitch, cents over time after the onset. The onset stays where it is.
fn warped(played: &Played, cents: impl Fn(f64) -> f64) -> Played {
    let mut out = played.clone();
    let step_s = 1.0 / played.rate_hz;
    // Where in the note each sample comes from, relative to the onset, s: forwards from the onset, and before it at the
    // onset's own rate.
    let before = (cents(0.0) / 1200.0).exp2();
    let mut from_s = 0.0;
    for i in played.onset..out.samples.len() {
        let t_s = (i - played.onset) as f64 * step_s;
        out.samples[i] = played.sample(played.onset as f64 + from_s * played.rate_hz);
        from_s += step_s * (cents(t_s + step_s / 2.0) / 1200.0).exp2();
    }
    for i in 0..played.onset {
        let t_s = (i as f64 - played.onset as f64) * step_s;
        out.samples[i] = played.sample(played.onset as f64 + t_s * before * played.rate_hz);
    }
    warp_tracks(played, &mut out, &cents);
    out
}

fn warp_tracks(played: &Played, out: &mut Played, cents: &impl Fn(f64) -> f64) {
    let (mut t_s, mut from_s) = (0.0, 0.0);
    let mut source_s = Vec::new();
    while t_s <= played.time_s(played.cents.len() - 1) {
        source_s.push(from_s);
        from_s += played.step_s * (cents(t_s + played.step_s / 2.0) / 1200.0).exp2();
        t_s += played.step_s;
    }
    let before = (cents(0.0) / 1200.0).exp2();
    for i in 0..out.cents.len() {
        let t_s = played.time_s(i);
        let place = (t_s / played.step_s).max(0.0);
        let from_s = if t_s < 0.0 { t_s * before } else { source_s[(place as usize).min(source_s.len() - 1)] };
        out.level[i] = played.at(&played.level, from_s);
        out.cents[i] = played.at(&played.cents, from_s) + cents(t_s);
    }
    let spoken = source_s.iter().position(|s| *s >= played.speak_s);
    out.speak_s = spoken.map_or(played.speak_s, |i| i as f64 * played.step_s);
}

/// Takes the level down for a moment after the note has spoken.
fn gate(played: &Played, dice: &mut Dice) -> Played {
    let period_s = 1.0 / played.settled_hz;
    let half_s = dice.within(0.022, 0.034).max(2.0 * period_s);
    let centre_s = played.speak_s + dice.within(0.055, 0.08).max(1.2 * half_s);
    let depth_db = dice.within(11.0, 22.0);
    let gain = |t_s: f64| 10f64.powf(-depth_db / 20.0 * crate::synth::bump(centre_s, half_s, t_s));
    let mut out = played.clone();
    for (i, sample) in out.samples.iter_mut().enumerate() {
        *sample *= gain((i as f64 - played.onset as f64) / played.rate_hz);
    }
    for i in 0..out.level.len() {
        out.level[i] *= gain(played.time_s(i));
    }
    out
}

/// The front on a neighbouring partial: the note's own, faster or slower by k/n, faded over into the note.
fn leap(played: &Played, midi: u8, dice: &mut Dice) -> Played {
    let partial = crate::synth::usual_partial(midi);
    let other = if partial < 1.5 { 2.0 } else { partial + dice.sign() };
    let ratio = other / partial;
    let length_s = dice.within(0.035, 0.1).max(1.4 * 3.0 / played.settled_hz);
    let share = |t_s: f64| crate::synth::smoothstep(length_s - CROSSFADE_S / 2.0, length_s + CROSSFADE_S / 2.0, t_s);
    let mut out = played.clone();
    for (i, sample) in out.samples.iter_mut().enumerate() {
        let t_s = (i as f64 - played.onset as f64) / played.rate_hz;
        let part = share(t_s);
        if part < 1.0 {
            let front = played.sample(played.onset as f64 + ratio * t_s * played.rate_hz);
            *sample = part * *sample + (1.0 - part) * front;
        }
    }
    for i in 0..out.cents.len() {
        let t_s = played.time_s(i);
        if t_s < length_s {
            out.cents[i] = played.at(&played.cents, ratio * t_s) + 1200.0 * ratio.log2();
            out.level[i] = played.at(&played.level, ratio * t_s);
        }
    }
    out.speak_s = (played.speak_s / ratio).min(length_s);
    out
}

/// Noise as air makes it before the tone.
fn breathe(played: &Played, dice: &mut Dice) -> Spoilt {
    let (ms, db) = (dice.within(50.0, 200.0), dice.within(-24.0, -12.0));
    let gain = played.body() * 10f64.powf(db / 20.0);
    let mut out = played.clone();
    let lead = ((ms / 1e3 + 0.01) * out.rate_hz) as usize;
    let missing = lead.saturating_sub(out.onset);
    out.samples.splice(0..0, std::iter::repeat_n(0.0, missing));
    out.onset += missing;
    let mut noise = BandNoise::new(400.0, 5000.0, out.rate_hz);
    let smooth = crate::synth::smoothstep;
    for i in out.onset - lead..out.samples.len().min(out.onset + lead) {
        let t_s = (i as f64 - out.onset as f64) / out.rate_hz;
        let come = smooth(-ms / 1e3 - 0.001, -ms / 1e3 - 0.001 + AIR_FADES_S.0, t_s);
        out.samples[i] += gain * come * (1.0 - smooth(0.0, AIR_FADES_S.1, t_s)) * noise.next(dice);
    }
    Spoilt { played: out, air: Some((ms, db)) }
}
