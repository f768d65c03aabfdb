//! Slides and leans laid on the notes of a recording: what the analysis learns to tell apart.

use crate::audio::Sound;
use crate::synth::Dice;
use std::f64::consts::PI;

/// Paces of a slide, cents/s, its depths, cents, and the shortest it takes, s.
const SLIDE_CENTS_PER_S: (f64, f64) = (700.0, 3_000.0);
/// See [`SLIDE_CENTS_PER_S`].
const SLIDE_CENTS: (f64, f64) = (50.0, 190.0);
/// See [`SLIDE_CENTS_PER_S`].
const LEAST_SLIDE_S: f64 = 0.040;
/// Depths of a lean, cents, and the times in which it dies away, s.
const LEAN_CENTS: (f64, f64) = (30.0, 150.0);
/// See [`LEAN_CENTS`].
const LEAN_S: (f64, f64) = (0.012, 0.050);
/// A note goes on for so long after its way in, s.
const AFTER_S: f64 = 0.080;

/// How a note comes to its pitch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WayIn {
    /// As it was played.
    Natural,
    /// Over a slide at a constant rate.
    Slide,
    /// Leaning, as lips find their pitch.
    Lean,
}

/// A way off the pitch: cents at a time after the onset, s, and when it is over.
struct Way {
    cents: Box<dyn Fn(f64) -> f64>,
    length_s: f64,
}

/// A recording whose notes slide or lean in, one in three each, where they are long enough; when each begins now, and how.
#[must_use]
pub fn slid(sound: &Sound, onsets_s: &[f64], dice: &mut Dice) -> (Sound, Vec<(f64, WayIn)>) {
    let step_s = 1.0 / sound.rate_hz;
    let mut out = Sound { samples: Vec::with_capacity(sound.samples.len()), rate_hz: sound.rate_hz };
    let (mut from_s, mut heard, mut way) = (0.0, Vec::new(), None);
    while from_s * sound.rate_hz < sound.samples.len() as f64 {
        let now_s = out.samples.len() as f64 * step_s;
        if onsets_s.get(heard.len()).is_some_and(|onset_s| from_s >= *onset_s) {
            let room_s = onsets_s.get(heard.len() + 1).map_or(f64::INFINITY, |next| next - from_s) - AFTER_S;
            let (drawn, kind) = draw(room_s, dice);
            way = drawn.map(|drawn| (now_s, drawn));
            heard.push((now_s, kind));
        }
        out.samples.push(sample(sound, from_s));
        let cents =
            way.as_ref().map_or(
                0.0,
                |(began_s, way): &(f64, Way)| {
                    if now_s - began_s < way.length_s { (way.cents)(now_s - began_s) } else { 0.0 }
                },
            );
        from_s += step_s * (cents / 1200.0).exp2();
    }
    (out, heard)
}

/// A slide, a lean or neither, if there is room for it.
fn draw(room_s: f64, dice: &mut Dice) -> (Option<Way>, WayIn) {
    let sign = dice.sign();
    let (way, kind) = match dice.pick(&[0, 1, 2, 3]) {
        0 => (slide(sign, dice), WayIn::Slide),
        1 => (lean(sign, dice), WayIn::Lean),
        2 => (ease(sign, dice), WayIn::Lean),
        _ => return (None, WayIn::Natural),
    };
    if way.length_s < room_s { (Some(way), kind) } else { (None, WayIn::Natural) }
}

fn slide(sign: f64, dice: &mut Dice) -> Way {
    let rate = dice.within(SLIDE_CENTS_PER_S.0, SLIDE_CENTS_PER_S.1);
    let depth = dice.within(SLIDE_CENTS.0, SLIDE_CENTS.1).max(LEAST_SLIDE_S * rate);
    Way { cents: Box::new(move |t_s| sign * (depth - rate * t_s).max(0.0)), length_s: depth / rate }
}

fn lean(sign: f64, dice: &mut Dice) -> Way {
    let (depth, s) = (dice.within(LEAN_CENTS.0, LEAN_CENTS.1), dice.within(LEAN_S.0, LEAN_S.1));
    Way { cents: Box::new(move |t_s| sign * depth * (-t_s / s).exp()), length_s: 5.0 * s }
}

fn ease(sign: f64, dice: &mut Dice) -> Way {
    let (depth, s) = (dice.within(LEAN_CENTS.0, LEAN_CENTS.1), 3.0 * dice.within(LEAN_S.0, LEAN_S.1));
    let shape = move |t_s: f64| 0.5 + 0.5 * (PI * (t_s / s).clamp(0.0, 1.0)).cos();
    Way { cents: Box::new(move |t_s| sign * depth * shape(t_s)), length_s: s }
}

/// The sound between its samples: a cubic through the four nearest (Lagrange).
fn sample(sound: &Sound, s: f64) -> f32 {
    let place = s * sound.rate_hz;
    let (whole, x) = (place.floor() as i64, place.fract());
    let at = |i: i64| {
        usize::try_from(whole + i).ok().and_then(|i| sound.samples.get(i)).map_or(0.0, |value| f64::from(*value))
    };
    let cubic = -x * (x - 1.0) * (x - 2.0) / 6.0 * at(-1) + (x + 1.0) * (x - 1.0) * (x - 2.0) / 2.0 * at(0)
        - (x + 1.0) * x * (x - 2.0) / 2.0 * at(1)
        + (x + 1.0) * x * (x - 1.0) / 6.0 * at(2);
    cubic as f32
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE_HZ: f64 = 44_100.0;

    fn tone() -> Sound {
        let samples = (0..88_200).map(|i| (std::f64::consts::TAU * 220.0 * f64::from(i) / RATE_HZ).sin() as f32);
        Sound { samples: samples.collect(), rate_hz: RATE_HZ }
    }

    /// Hz from the upward crossings of zero in a stretch.
    fn pitch_hz(sound: &Sound, from_s: f64, to_s: f64) -> f64 {
        let span = &sound.samples[(from_s * RATE_HZ) as usize..(to_s * RATE_HZ) as usize];
        let up: Vec<f64> = (1..span.len())
            .filter(|&i| span[i - 1] < 0.0 && span[i] >= 0.0)
            .map(|i| i as f64 - f64::from(span[i]) / f64::from(span[i] - span[i - 1]))
            .collect();
        RATE_HZ * (up.len() - 1) as f64 / (up[up.len() - 1] - up[0])
    }

    #[test]
    fn a_note_comes_in_off_its_pitch_and_ends_on_it() {
        let mut kinds = Vec::new();
        for seed in 0..40 {
            let (out, heard) = slid(&tone(), &[0.5], &mut Dice::new(seed));
            let off = 1200.0 * (pitch_hz(&out, heard[0].0, heard[0].0 + 0.018) / 220.0).log2();
            assert_eq!(off.abs() > 8.0, heard[0].1 != WayIn::Natural, "{off} cents, {:?}", heard[0].1);
            let (before, after) = (pitch_hz(&out, 0.1, 0.45), pitch_hz(&out, 1.2, 1.8));
            assert!((before - 220.0).abs() < 0.05 && (after - 220.0).abs() < 0.05, "{before} {after} Hz");
            kinds.push(heard[0].1);
        }
        for kind in [WayIn::Natural, WayIn::Slide, WayIn::Lean] {
            assert!(kinds.contains(&kind), "{kind:?}");
        }
    }

    #[test]
    fn onsets_stay_where_the_sound_has_them_and_short_notes_as_they_were() {
        let (out, heard) = slid(&tone(), &[0.5, 0.55, 1.0], &mut Dice::new(3));
        assert_eq!(heard.len(), 3);
        assert_eq!(heard[0].1, WayIn::Natural, "50 ms have no room for a way in");
        assert!((out.samples.len() as f64 / RATE_HZ - 2.0).abs() < 0.02);
    }
}
