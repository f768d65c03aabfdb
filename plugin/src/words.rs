//! Faults and measures in the player's words.

use notefront_dsp::{Articulation, CannotTell, Entrance, Fault, FaultName, Measure, Told, units};

/// Short label of a fault, for lane and strip.
#[must_use]
pub fn label(fault: FaultName) -> &'static str {
    match fault {
        FaultName::Airy => "air first",
        FaultName::Below => "from below",
        FaultName::Above => "from above",
        FaultName::Slow => "slow to speak",
        FaultName::Split => "split",
        FaultName::Smear => "slide late",
        FaultName::Stutter => "two starts",
        FaultName::Hard => "hard",
        FaultName::Early => "early",
        FaultName::Late => "late",
        FaultName::HeldBreath => "breath held",
    }
}

/// What players usually try; common practice of the trade, not a finding of ours \[P\].
#[must_use]
pub fn usual_remedy(fault: FaultName) -> &'static str {
    match fault {
        FaultName::Airy => "Players often try: set the lips to the pitch before the breath turns; breath attacks.",
        FaultName::Below | FaultName::Above => "Players often try: buzz the note alone, then match a reference pitch.",
        FaultName::Slow => "Players often try: short notes until they speak at once, then long with the same start.",
        FaultName::Split => "Players often try: hear the pitch first; note whether it went over or under.",
        FaultName::Smear => "Players often try: slow practice to a metronome until slide and tongue arrive at once.",
        FaultName::Stutter => "Players often try: let the inhalation turn into the note in one motion.",
        FaultName::Hard => "Players often try: a lighter release of the tongue.",
        FaultName::Early | FaultName::Late => "Players often try: the metronome, slower.",
        FaultName::HeldBreath => "Players often try: let the inhalation turn into the note without a stop.",
    }
}

/// Why a fault was flagged, with its numbers.
#[must_use]
pub fn because(entrance: &Entrance, fault: &Fault) -> String {
    let number = |told: Told| told.map_or(0.0, |m| m.value);
    match fault.name {
        FaultName::Airy => {
            let level = entrance.noise_before_tone_db.map_or(String::new(), |m| format!(", {} to the tone", db(m.value)));
            format!("{:.0} ms of air before the tone{level}", number(entrance.noise_before_tone_ms))
        }
        FaultName::Below => came_in(entrance, "below"),
        FaultName::Above => came_in(entrance, "above"),
        FaultName::Slow => format!("the tone took {:.0} ms to grow", number(entrance.attack_ms)),
        FaultName::Split => entrance.evidence.split.map_or_else(
            || "began on another partial".into(),
            |s| {
                let side = if s.interval_cents < 0.0 { "under" } else { "over" };
                let semitones = (s.interval_cents / 100.0).abs();
                format!("began on a partial {semitones:.0} semitones {side}, for {:.0} ms", s.duration_ms)
            },
        ),
        FaultName::Smear => entrance.evidence.smear.map_or_else(
            || "the slide was still under way".into(),
            |s| format!("the slide was under way for {:.0} ms, over {:.0} cents", s.duration_ms, s.depth_cents.abs()),
        ),
        FaultName::Stutter => entrance.evidence.stutter.map_or_else(
            || "began twice".into(),
            |s| format!("began twice, {:.0} ms apart, with a dip of {:.0} dB", s.gap_ms, s.dip_db),
        ),
        FaultName::Hard => entrance
            .evidence
            .overshoot_db
            .map_or_else(|| "burst in".into(), |o| format!("burst in {o:.0} dB over the settled level")),
        FaultName::Early => format!("{:.0} ms before the beat", -number(entrance.timing_ms)),
        FaultName::Late => format!("{:.0} ms after the beat", number(entrance.timing_ms)),
        FaultName::HeldBreath => entrance
            .evidence
            .held_breath_ms
            .map_or_else(|| "the breath was held".into(), |ms| format!("{ms:.0} ms of silence between breath and sound")),
    }
}

fn came_in(entrance: &Entrance, side: &str) -> String {
    let depth = entrance.onset_cents.map_or(0.0, |m| m.value.abs());
    match entrance.settle_ms {
        Ok(settle) => format!("came in {depth:.0} cents {side} and took {:.0} ms to settle", settle.value),
        Err(_) => format!("came in {depth:.0} cents {side}"),
    }
}

fn db(value: f64) -> String {
    signed(value, 0, "dB")
}

/// A number with a sign that a player can read (a true minus).
#[must_use]
pub fn signed(value: f64, decimals: usize, unit: &str) -> String {
    let sign = if value < 0.0 { "\u{2212}" } else { "+" };
    format!("{sign}{:.decimals$} {unit}", value.abs())
}

/// A measure with its uncertainty, or why there is none.
#[must_use]
pub fn measure(told: Told, unit: &str) -> String {
    match told {
        Ok(Measure { value, uncertainty }) => {
            let minus = if value.round() < 0.0 { "\u{2212}" } else { "" };
            format!("{minus}{:.0} \u{b1} {uncertainty:.0} {unit}", value.abs())
        }
        Err(why) => format!("cannot tell: {}", reason(why)),
    }
}

/// Why a measure is not told.
#[must_use]
pub fn reason(why: CannotTell) -> &'static str {
    match why {
        CannotTell::TooShort => "too short",
        CannotTell::TooSoft => "too soft",
        CannotTell::Masked => "covered by the sound before",
        CannotTell::NoPitch => "no settled pitch",
        CannotTell::Slurred => "slurred",
        CannotTell::NoGrid => "no beats",
        CannotTell::NoAir => "no air",
        CannotTell::CutOff => "the pass begins inside the note",
    }
}

/// The note, e.g. "Bb2".
#[must_use]
pub fn note(entrance: &Entrance) -> String {
    entrance.midi_note.map_or_else(|| "?".into(), units::note_name)
}

/// How the note began.
#[must_use]
pub fn articulation(articulation: Articulation) -> &'static str {
    match articulation {
        Articulation::Tongued => "tongued",
        Articulation::Legato => "legato",
        Articulation::Slurred => "slurred",
    }
}

/// Slide positions of a note, the most usual first: "1, 6 or T1".
#[must_use]
pub fn positions(entrance: &Entrance) -> String {
    let one = |p: &notefront_dsp::SlidePosition| {
        let trigger = if p.trigger { "T" } else { "" };
        let rounded = format!("{:.1}", p.position);
        format!("{trigger}{}", rounded.trim_end_matches(".0"))
    };
    entrance.positions.iter().take(3).map(one).collect::<Vec<_>>().join(", ")
}

/// A duration as m:ss, or h:mm:ss from an hour on.
#[must_use]
pub fn clock(s: f64) -> String {
    let sign = if s < 0.0 { "\u{2212}" } else { "" };
    let whole = s.abs() as u64;
    let (h, m, s) = (whole / 3600, whole / 60 % 60, whole % 60);
    if h > 0 { format!("{sign}{h}:{m:02}:{s:02}") } else { format!("{sign}{m}:{s:02}") }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;

    #[test]
    fn every_fault_has_words_with_its_numbers() {
        let mut labels: Vec<&str> = FaultName::ALL.iter().map(|f| label(*f)).collect();
        labels.sort_unstable();
        labels.dedup();
        assert_eq!(labels.len(), FaultName::ALL.len());
        for name in FaultName::ALL {
            let entrance = fixture::with_fault(fixture::clear(0, 1.0, 46), name, 0.5);
            let fault = *entrance.faults.get(name).expect("just put in");
            assert!(!because(&entrance, &fault).is_empty());
        }
    }

    #[test]
    fn the_words_carry_the_measures() {
        let below = fixture::with_fault(fixture::clear(0, 1.0, 46), FaultName::Below, 0.5);
        let fault = *below.faults.get(FaultName::Below).expect("just put in");
        assert_eq!(because(&below, &fault), "came in 70 cents below and took 130 ms to settle");
        assert_eq!(measure(below.onset_cents, "cents"), "\u{2212}70 \u{b1} 4 cents");
        assert_eq!(measure(Err(CannotTell::TooSoft), "ms"), "cannot tell: too soft");
    }

    #[test]
    fn clocks_read_as_players_write_them() {
        assert_eq!(clock(0.0), "0:00");
        assert_eq!(clock(75.9), "1:15");
        assert_eq!(clock(-3.0), "\u{2212}0:03");
        assert_eq!(clock(6.0 * 3600.0 + 61.0), "6:01:01");
    }
}
