//! Why an entrance was flagged: one clause for each fault, with the numbers.

use super::Entrance;
use crate::entrance::{Measure, Told};
use crate::parameters::widths::TOLD_FROM_SHARE;

/// Partials of real horns stray this far from whole ratios, in cents \[P\].
const PARTIAL_TOLERANCE_CENTS: f64 = 40.0;
/// Highest partial worth naming; players count them to about sixteen \[P\].
const HIGHEST_PARTIAL: f64 = 16.0;

/// Air before the tone.
pub fn airy(entrance: &Entrance) -> String {
    let length = amount(entrance.front.noise_before_tone_ms, "ms");
    let air = length.map_or_else(|| "air before the tone".into(), |ms| format!("air for {ms} before the tone"));
    match entrance.front.noise_before_tone_db {
        Ok(level) if level.value.round() < 0.0 => format!("{air}, {:.0} dB under it", -level.value),
        Ok(level) if level.value.round() > 0.0 => format!("{air}, {:.0} dB louder than it", level.value),
        Ok(_) => format!("{air}, as loud as it"),
        Err(_) => air,
    }
}

/// Leans under its pitch.
pub fn below(entrance: &Entrance) -> String {
    leans(entrance, "below")
}

/// Leans over its pitch.
pub fn above(entrance: &Entrance) -> String {
    leans(entrance, "above")
}

fn leans(entrance: &Entrance, side: &str) -> String {
    let lean = match amount(entrance.front.approach_cents, "cents") {
        Some(cents) => format!("leaned {cents} {side} its pitch"),
        None => format!("leaned {side} its pitch"),
    };
    match amount(entrance.front.settle_ms, "ms") {
        Some(ms) => format!("{lean} and took {ms} to settle"),
        None => lean,
    }
}

/// The tone takes long to come.
pub fn slow(entrance: &Entrance) -> String {
    match amount(entrance.front.speak_ms, "ms") {
        Some(ms) => format!("took {ms} to speak"),
        None => "took long to speak".into(),
    }
}

/// Begins on another partial.
pub fn split(entrance: &Entrance) -> String {
    let Some(split) = entrance.front.evidence.split else { return "started on another partial".into() };
    let side = if split.interval_cents < 0.0 { "below" } else { "above" };
    let (wrong, right) = match partials(entrance, split.interval_cents) {
        Some((wrong, right)) => (format!("the {} partial", nth(wrong)), format!(" before it found the {}", nth(right))),
        None => ("another partial".into(), String::new()),
    };
    let distance = interval(split.interval_cents);
    format!("started on {wrong}, {distance} {side}, for {:.0} ms{right}", split.duration_ms)
}

/// The wrong and the right partial, in the most usual position where both lie an interval (cents) apart.
fn partials(entrance: &Entrance, interval_cents: f64) -> Option<(u8, u8)> {
    let usual = entrance.front.partial.into_iter();
    let rights = usual.chain(entrance.front.positions.iter().filter(|p| !p.trigger).map(|p| p.partial));
    rights.into_iter().find_map(|right| {
        let exact = f64::from(right) * (interval_cents / 1200.0).exp2();
        let wrong = exact.round();
        let fits = (1.0..=HIGHEST_PARTIAL).contains(&wrong) && wrong != f64::from(right);
        let off_cents = 1200.0 * (wrong / exact).log2();
        (fits && off_cents.abs() <= PARTIAL_TOLERANCE_CENTS).then_some((wrong as u8, right))
    })
}

/// The slide still moves.
pub fn smear(entrance: &Entrance) -> String {
    let Some(smear) = entrance.front.evidence.smear else {
        return "the slide was still moving when the note spoke".into();
    };
    let way = if smear.depth_cents < 0.0 { "up" } else { "down" };
    format!(
        "slid {way} {:.0} cents into the note over {:.0} ms: the slide came after the tongue",
        smear.depth_cents.abs(),
        smear.duration_ms
    )
}

/// Starts twice.
pub fn stutter(entrance: &Entrance) -> String {
    match entrance.front.evidence.stutter {
        Some(s) => format!("started twice, {:.0} ms apart with a dip of {:.0} dB between", s.gap_ms, s.dip_db),
        None => "started twice".into(),
    }
}

/// Bursts out.
pub fn hard(entrance: &Entrance) -> String {
    match entrance.front.overshoot_db {
        Ok(over) => format!("burst out {:.0} dB over the tone it settled to", over.value),
        Err(_) => "burst out louder than the tone it settled to".into(),
    }
}

/// Before the beat.
pub fn early(entrance: &Entrance) -> String {
    off_beat(entrance, "before")
}

/// After the beat.
pub fn late(entrance: &Entrance) -> String {
    off_beat(entrance, "after")
}

fn off_beat(entrance: &Entrance, side: &str) -> String {
    match amount(entrance.verdict.timing_ms, "ms") {
        Some(ms) => format!("spoke {ms} {side} the beat"),
        None => format!("spoke {side} the beat"),
    }
}

/// The breath waits.
pub fn held_breath(entrance: &Entrance) -> String {
    match entrance.front.evidence.held_breath_ms {
        Some(ms) => format!("held the breath for {ms:.0} ms before the note"),
        None => "held the breath before the note".into(),
    }
}

/// The size of a measure with its unit: "113 ms", or "113 ± 20 ms" where the uncertainty matters.
fn amount(told: Told, unit: &str) -> Option<String> {
    let measure = told.ok().filter(|m| m.value.is_finite())?;
    Some(format!("{} {unit}", size(&measure)))
}

fn size(measure: &Measure) -> String {
    // Half away from zero, as people round; the formatter alone would round half to even.
    let value = measure.value.abs().round();
    if measure.uncertainty.is_finite() && measure.uncertainty > TOLD_FROM_SHARE * value {
        format!("{value:.0} ± {:.0}", measure.uncertainty.max(1.0))
    } else {
        format!("{value:.0}")
    }
}

/// Name of a musical interval by its size in cents, to the nearest semitone.
fn interval(cents: f64) -> String {
    const NAMES: [&str; 13] = [
        "less than a semitone",
        "a semitone",
        "a whole tone",
        "a minor third",
        "a major third",
        "a fourth",
        "a tritone",
        "a fifth",
        "a minor sixth",
        "a major sixth",
        "a minor seventh",
        "a major seventh",
        "an octave",
    ];
    let semitones = (cents.abs() / 100.0).round() as usize;
    NAMES.get(semitones).map_or_else(|| "more than an octave".into(), |&name| name.into())
}

fn nth(n: u8) -> String {
    let suffix = match (n % 10, n % 100) {
        (1, tens) if tens != 11 => "st",
        (2, tens) if tens != 12 => "nd",
        (3, tens) if tens != 13 => "rd",
        _ => "th",
    };
    format!("{n}{suffix}")
}
