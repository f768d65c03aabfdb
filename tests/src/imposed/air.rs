//! Air and inhalations before the notes of a recording: what the analysis learns to tell apart.

use crate::audio::Sound;
use crate::synth::{BandNoise, Dice, smoothstep};

/// Lengths of air, ms, its levels re the note, dB, and the longest it takes to come, s.
const AIR_MS: (f64, f64) = (25.0, 400.0);
/// See [`AIR_MS`].
const AIR_DB: (f64, f64) = (-30.0, -6.0);
/// See [`AIR_MS`].
const AIR_COMES_S: (f64, f64) = (0.002, 0.020);
/// Air gives way to the tone within this, s.
const GIVES_WAY_S: f64 = 0.008;
/// It takes no more than this share of the time since the onset before.
const MOST_OF_GAP: f64 = 0.6;
/// Where what sounds already is not half as loud as air, the air can be heard.
const HEARD_OVER: f64 = 2.0;
/// An inhalation needs this time since the onset before, s...
const BREATH_GAP_S: f64 = 0.4;
/// ... and ends so long before the onset, s.
const BREATH_ENDS_S: (f64, f64) = (0.002, 0.080);
/// The note's level is taken over this time after its onset, s.
const LEVEL_S: (f64, f64) = (0.060, 0.200);

/// What was put before an onset.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Before {
    /// Nothing, or an inhalation.
    NoAir,
    /// Air that can be heard, ms.
    Air(f64),
    /// Air under something louder: nobody can tell.
    Hidden,
}

/// A recording with air before every second of its onsets, inhalations before some of the others, and what stands before each.
#[must_use]
pub fn aired(sound: &Sound, onsets_s: &[f64], dice: &mut Dice) -> (Sound, Vec<Before>) {
    let mut out = sound.clone();
    let first = usize::from(dice.within(0.0, 1.0) < 0.5);
    let before = (0..onsets_s.len()).map(|i| {
        let gap_s = onsets_s[i] - if i == 0 { 0.0 } else { onsets_s[i - 1] };
        if i % 2 == first {
            blow(sound, &mut out, onsets_s[i], gap_s, dice)
        } else {
            if gap_s > BREATH_GAP_S && dice.within(0.0, 1.0) < 0.5 {
                inhale(sound, &mut out, onsets_s[i], gap_s, dice);
            }
            Before::NoAir
        }
    });
    let before = before.collect();
    (out, before)
}

fn blow(dry: &Sound, out: &mut Sound, onset_s: f64, gap_s: f64, dice: &mut Dice) -> Before {
    let ms = (AIR_MS.0 * (AIR_MS.1 / AIR_MS.0).powf(dice.within(0.0, 1.0))).min(1e3 * MOST_OF_GAP * gap_s);
    let from_s = onset_s - ms / 1e3;
    let power = note_power(dry, onset_s) * 10f64.powf(dice.within(AIR_DB.0, AIR_DB.1) / 10.0);
    let come_s = dice.within(AIR_COMES_S.0, AIR_COMES_S.1);
    let shape =
        |t_s: f64| smoothstep(from_s, from_s + come_s, t_s) * (1.0 - smoothstep(onset_s, onset_s + GIVES_WAY_S, t_s));
    add(out, (from_s, onset_s + GIVES_WAY_S), power, (dice.within(150.0, 700.0), 2_000.0), shape, dice);
    let is_heard = power > HEARD_OVER * mean_power(dry, from_s, onset_s - 0.005);
    if is_heard && ms >= AIR_MS.0 { Before::Air(ms) } else { Before::Hidden }
}

/// It swells and ends before the tone; a mouth open to the room has no low sound.
fn inhale(dry: &Sound, out: &mut Sound, onset_s: f64, gap_s: f64, dice: &mut Dice) {
    let end_s = onset_s - dice.within(BREATH_ENDS_S.0, BREATH_ENDS_S.1);
    let length_s = dice.within(0.15, 0.5).min(MOST_OF_GAP * gap_s);
    let from_s = end_s - length_s;
    let power = note_power(dry, onset_s) * 10f64.powf(dice.within(-32.0, -14.0) / 10.0);
    let (swells, ebbs) = (dice.within(0.3, 0.6), dice.within(0.05, 0.2));
    let shape = |t_s: f64| {
        let part = (t_s - from_s) / length_s;
        smoothstep(0.0, swells, part) * (1.0 - smoothstep(1.0 - ebbs, 1.0, part))
    };
    add(out, (from_s, end_s), power, (dice.within(500.0, 900.0), 3_000.0), shape, dice);
}

/// Adds noise of a power from a low edge up to one drawn from `top_hz` to five times that, Hz.
fn add(
    out: &mut Sound,
    span_s: (f64, f64),
    power: f64,
    (low_hz, top_hz): (f64, f64),
    shape: impl Fn(f64) -> f64,
    dice: &mut Dice,
) {
    let mut noise = BandNoise::new(low_hz, top_hz * 5f64.powf(dice.within(0.0, 1.0)), out.rate_hz);
    for i in at(out, span_s.0)..at(out, span_s.1) {
        out.samples[i] += (power.sqrt() * shape(i as f64 / out.rate_hz) * noise.next(dice)) as f32;
    }
}

fn note_power(sound: &Sound, onset_s: f64) -> f64 {
    mean_power(sound, onset_s + LEVEL_S.0, onset_s + LEVEL_S.1)
}

fn mean_power(sound: &Sound, from_s: f64, to_s: f64) -> f64 {
    let from = at(sound, from_s);
    let span = &sound.samples[from..at(sound, to_s).max(from)];
    span.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / span.len().max(1) as f64
}

/// Index of a time, within the sound.
fn at(sound: &Sound, s: f64) -> usize {
    ((s * sound.rate_hz).max(0.0) as usize).min(sound.samples.len())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A tone of -20 dB from 1 s on, with a softer one before it.
    fn tone(before_db: f64) -> Sound {
        let gain = |s: f64| if s < 1.0 { 10f64.powf(before_db / 20.0) } else { 0.1 };
        let sample = |i: u32| {
            let s = f64::from(i) / 44_100.0;
            (gain(s) * (std::f64::consts::TAU * 233.0 * s).sin()) as f32
        };
        Sound { samples: (0..88_200).map(sample).collect(), rate_hz: 44_100.0 }
    }

    #[test]
    fn air_lies_before_the_onset_as_long_and_as_loud_as_drawn() {
        let dry = tone(-90.0);
        for seed in 0..20 {
            let mut out = dry.clone();
            let Before::Air(ms) = blow(&dry, &mut out, 1.0, 1.0, &mut Dice::new(seed)) else { panic!("heard") };
            let db = 10.0 * (mean_power(&out, 1.0 - 0.7e-3 * ms, 0.999) / note_power(&dry, 1.0)).log10();
            assert!((AIR_DB.0 - 3.0..AIR_DB.1 + 3.0).contains(&db), "{db} dB");
            assert_eq!(out.samples[..at(&dry, 1.0 - ms / 1e3)], dry.samples[..at(&dry, 1.0 - ms / 1e3)]);
            assert_eq!(out.samples[at(&dry, 1.01)..], dry.samples[at(&dry, 1.01)..]);
        }
    }

    #[test]
    fn what_something_louder_hides_is_not_called_air() {
        let dry = tone(-20.0);
        let hidden = (0..20).map(|seed| blow(&dry, &mut dry.clone(), 1.0, 1.0, &mut Dice::new(seed)));
        assert!(hidden.into_iter().all(|before| before == Before::Hidden));
    }

    #[test]
    fn every_second_onset_has_air_and_none_of_the_others() {
        let (_, before) = aired(&tone(-90.0), &[0.5, 1.0, 1.5, 1.8], &mut Dice::new(1));
        let is_air: Vec<bool> = before.iter().map(|b| *b != Before::NoAir).collect();
        assert!(is_air == [true, false, true, false] || is_air == [false, true, false, true], "{is_air:?}");
    }
}
