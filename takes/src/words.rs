//! What is wrong with an entrance, in a player's words: used by the table, the report and the insert.

use notefront_dsp::{Articulation, Entrance, Fault, FaultName, Measure, SlidePosition, Told};

/// A figure whose uncertainty reaches this share of it is told with its uncertainty.
const UNCERTAIN_SHARE: f64 = 0.15;
/// Partials of real horns stray this far from whole ratios, in cents \[P\].
const PARTIAL_TOLERANCE_CENTS: f64 = 40.0;
/// Highest partial worth naming; players count them to about sixteen \[P\].
const HIGHEST_PARTIAL: f64 = 16.0;
/// Sureness from which a fault is told as sure, and below [`UNSURE`] as uncertain.
const SURE: f64 = 0.9;
/// Sureness below which a fault is told as uncertain.
pub(crate) const UNSURE: f64 = 0.6;

/// One or two words for a fault, for columns and filters.
#[must_use]
pub fn short_label(name: FaultName) -> &'static str {
    match name {
        FaultName::Airy => "air first",
        FaultName::Stutter => "two starts",
        FaultName::HeldBreath => "held breath",
        name => name.as_str(),
    }
}

/// A fault as a player says it, to be counted: "3 came in below".
#[must_use]
pub fn label(name: FaultName) -> &'static str {
    match name {
        FaultName::Airy => "with air before the tone",
        FaultName::Below => "came in below",
        FaultName::Above => "came in above",
        FaultName::Slow => "slow to speak",
        FaultName::Split => "split",
        FaultName::Smear => "with the slide still moving",
        FaultName::Stutter => "started twice",
        FaultName::Hard => "too hard",
        FaultName::Early => "early",
        FaultName::Late => "late",
        FaultName::HeldBreath => "after a held breath",
    }
}

/// That a fault of one try is not in the next.
#[must_use]
pub fn no_longer(name: FaultName) -> &'static str {
    match name {
        FaultName::Airy => "no more air first",
        FaultName::Below => "no longer from below",
        FaultName::Above => "no longer from above",
        FaultName::Slow => "no longer slow to speak",
        FaultName::Split => "no longer split",
        FaultName::Smear => "the slide was there in time",
        FaultName::Stutter => "one start instead of two",
        FaultName::Hard => "no longer too hard",
        FaultName::Early => "no longer early",
        FaultName::Late => "no longer late",
        FaultName::HeldBreath => "no more held breath",
    }
}

/// That a fault is in one try that was not in the one before.
#[must_use]
pub fn now(name: FaultName) -> &'static str {
    match name {
        FaultName::Airy => "now air first",
        FaultName::Below => "now from below",
        FaultName::Above => "now from above",
        FaultName::Slow => "now slow to speak",
        FaultName::Split => "now split",
        FaultName::Smear => "now the slide was late",
        FaultName::Stutter => "now two starts",
        FaultName::Hard => "now too hard",
        FaultName::Early => "now early",
        FaultName::Late => "now late",
        FaultName::HeldBreath => "now a held breath",
    }
}

/// What players usually try against a fault: practice of the trade \[P\], not a promise.
#[must_use]
pub fn usual_remedy(name: FaultName) -> &'static str {
    match name {
        FaultName::Airy => "set the lips to the pitch before the breath turns; try breath attacks without the tongue",
        FaultName::Below | FaultName::Above => "buzz the note alone first and match a reference pitch",
        FaultName::Slow => "play short notes until they speak at once, then long ones with the same start",
        FaultName::Split => "hear the pitch before you play it; note whether it went over or under",
        FaultName::Smear => "practise slowly to a metronome until slide and tongue arrive at once",
        FaultName::Stutter | FaultName::HeldBreath => "let the inhalation turn into the note in one motion",
        FaultName::Hard => "release the tongue more lightly",
        FaultName::Early | FaultName::Late => "play it slower, with a metronome",
    }
}

/// Why the fault was flagged: one clause with the numbers, such as
/// "came in 71 cents below and took 113 ms to settle".
#[must_use]
pub fn because(entrance: &Entrance, fault: FaultName) -> String {
    match fault {
        FaultName::Airy => airy(entrance),
        FaultName::Below => off_pitch(entrance, "below"),
        FaultName::Above => off_pitch(entrance, "above"),
        FaultName::Slow => slow(entrance),
        FaultName::Split => split(entrance),
        FaultName::Smear => smear(entrance),
        FaultName::Stutter => stutter(entrance),
        FaultName::Hard => hard(entrance),
        FaultName::Early | FaultName::Late => off_beat(entrance, fault),
        FaultName::HeldBreath => held_breath(entrance),
    }
}

/// The faults of an entrance, the most severe first.
#[must_use]
pub fn worst_first(entrance: &Entrance) -> Vec<Fault> {
    let mut faults: Vec<Fault> = entrance.verdict.faults.iter().copied().collect();
    faults.sort_by(|a, b| b.severity.total_cmp(&a.severity));
    faults
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

/// How sure the analysis is of a fault.
#[must_use]
pub fn sureness(fault: &Fault) -> &'static str {
    match fault.sureness {
        s if s >= SURE => "sure",
        s if s >= UNSURE => "likely",
        _ => "uncertain",
    }
}

/// A time in a take as minutes, seconds and hundredths, with hours where there are any: "1:04.25", "2:01:04.25".
#[must_use]
pub fn clock(seconds: f64) -> String {
    let hundredths = (seconds * 100.0).round().max(0.0) as u64;
    let (hours, minutes) = (hundredths / 360_000, hundredths / 6000 % 60);
    let (seconds, hundredths) = (hundredths / 100 % 60, hundredths % 100);
    match hours {
        0 => format!("{minutes}:{seconds:02}.{hundredths:02}"),
        _ => format!("{hours}:{minutes:02}:{seconds:02}.{hundredths:02}"),
    }
}

/// A slide position as players write it: "1", "T 2.3".
#[must_use]
pub fn position(position: &SlidePosition) -> String {
    let number = format!("{:.1}", position.position);
    let number = number.strip_suffix(".0").unwrap_or(&number);
    if position.trigger { format!("T {number}") } else { number.to_owned() }
}

fn airy(entrance: &Entrance) -> String {
    let length = amount(entrance.front.noise_before_tone_ms, "ms");
    let air = length.map_or_else(|| "air before the tone".into(), |ms| format!("air for {ms} before the tone"));
    match entrance.front.noise_before_tone_db {
        Ok(level) if level.value.round() < 0.0 => format!("{air}, {:.0} dB under it", -level.value),
        Ok(level) if level.value.round() > 0.0 => format!("{air}, {:.0} dB louder than it", level.value),
        Ok(_) => format!("{air}, as loud as it"),
        Err(_) => air,
    }
}

fn off_pitch(entrance: &Entrance, side: &str) -> String {
    let start = match amount(entrance.front.onset_cents, "cents") {
        Some(cents) => format!("came in {cents} {side}"),
        None => format!("came in {side} the pitch"),
    };
    match amount(entrance.front.settle_ms, "ms") {
        Some(ms) => format!("{start} and took {ms} to settle"),
        None => start,
    }
}

fn slow(entrance: &Entrance) -> String {
    match amount(entrance.front.attack_ms, "ms") {
        Some(ms) => format!("took {ms} to grow to its full tone"),
        None => "took long to grow to its full tone".into(),
    }
}

fn split(entrance: &Entrance) -> String {
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

fn smear(entrance: &Entrance) -> String {
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

fn stutter(entrance: &Entrance) -> String {
    match entrance.front.evidence.stutter {
        Some(s) => format!("started twice, {:.0} ms apart with a dip of {:.0} dB between", s.gap_ms, s.dip_db),
        None => "started twice".into(),
    }
}

fn hard(entrance: &Entrance) -> String {
    match entrance.front.overshoot_db {
        Ok(over) => format!("burst out {:.0} dB over the tone it settled to", over.value),
        Err(_) => "burst out louder than the tone it settled to".into(),
    }
}

fn off_beat(entrance: &Entrance, fault: FaultName) -> String {
    let side = if fault == FaultName::Early { "before" } else { "after" };
    match amount(entrance.verdict.timing_ms, "ms") {
        Some(ms) => format!("spoke {ms} {side} the beat"),
        None => format!("spoke {side} the beat"),
    }
}

fn held_breath(entrance: &Entrance) -> String {
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
    if measure.uncertainty.is_finite() && measure.uncertainty > UNCERTAIN_SHARE * value {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixtures::{airy, below, clear, split, told, with};
    use notefront_dsp::entrance::{Smear, Split, Stutter};
    use notefront_dsp::{CannotTell, Evidence, Positions};

    #[test]
    fn a_scoop_is_told_as_in_the_contract() {
        // The words of the contract's own example.
        assert_eq!(because(&below(0, 1.0), FaultName::Below), "came in 71 cents below and took 113 ms to settle");
    }

    #[test]
    fn air_is_told_with_its_level() {
        assert_eq!(because(&airy(0, 1.0), FaultName::Airy), "air for 115 ms before the tone, 17 dB under it");
        let loud = with(airy(0, 1.0), |e| e.front.noise_before_tone_db = told(3.0, 1.0));
        assert_eq!(because(&loud, FaultName::Airy), "air for 115 ms before the tone, 3 dB louder than it");
    }

    #[test]
    fn a_split_names_both_partials() {
        // The third harmonic lies a just fifth (702 cents) over the second \[C\].
        assert_eq!(
            because(&split(0, 1.0), FaultName::Split),
            "started on the 2nd partial, a fifth below, for 45 ms before it found the 3rd"
        );
    }

    #[test]
    fn a_split_without_partials_still_reads() {
        let evidence =
            Evidence { split: Some(Split { interval_cents: 386.0, duration_ms: 30.0 }), ..Evidence::default() };
        let entrance = with(clear(0, 60, 1.0), |e| {
            e.front.partial = None;
            e.front.evidence = evidence;
        });
        assert_eq!(because(&entrance, FaultName::Split), "started on another partial, a major third above, for 30 ms");
    }

    #[test]
    fn a_split_is_told_in_the_position_where_it_is_possible() {
        // C4 is the 5th partial in 2.9 and the 6th in 6: an octave below there is only the 3rd, in 6 \[C\].
        let evidence =
            Evidence { split: Some(Split { interval_cents: -1195.0, duration_ms: 50.0 }), ..Evidence::default() };
        let mut entrance = with(clear(0, 60, 1.0), |e| {
            e.front.partial = Some(5);
            e.front.evidence = evidence;
            e.front.positions = Positions::default();
        });
        let told = because(&entrance, FaultName::Split);
        assert_eq!(told, "started on another partial, an octave below, for 50 ms");
        entrance.front.positions.push(SlidePosition { position: 6.0, trigger: false, partial: 6 });
        let told = because(&entrance, FaultName::Split);
        assert_eq!(told, "started on the 3rd partial, an octave below, for 50 ms before it found the 6th");
    }

    #[test]
    fn an_uncertain_figure_says_so() {
        let entrance = with(below(0, 1.0), |e| e.front.settle_ms = told(60.0, 25.0));
        assert_eq!(because(&entrance, FaultName::Below), "came in 71 cents below and took 60 ± 25 ms to settle");
    }

    #[test]
    fn what_cannot_be_told_is_left_out() {
        let entrance = with(clear(0, 46, 1.0), |e| {
            e.front.onset_cents = Err(CannotTell::TooSoft);
            e.front.settle_ms = Err(CannotTell::TooShort);
            e.front.noise_before_tone_ms = told(f64::NAN, 1.0);
        });
        for fault in FaultName::ALL {
            let words = because(&entrance, fault);
            assert!(!words.is_empty() && !words.contains("NaN"), "{words}");
        }
        assert_eq!(because(&entrance, FaultName::Below), "came in below the pitch");
    }

    #[test]
    fn every_other_fault_reads_as_a_sentence() {
        let evidence = Evidence {
            stutter: Some(Stutter { gap_ms: 85.0, dip_db: 9.0 }),
            smear: Some(Smear { rate_cents_per_s: 900.0, depth_cents: -107.0, duration_ms: 130.0 }),
            held_breath_ms: Some(350.0),
            ..Evidence::default()
        };
        let entrance = with(clear(0, 46, 1.0), |e| {
            e.front.evidence = evidence;
            e.front.overshoot_db = told(7.6, 1.5);
            e.verdict.timing_ms = told(-24.0, 2.0);
            e.front.attack_ms = told(140.0, 5.0);
        });
        let told = |fault| because(&entrance, fault);
        assert_eq!(told(FaultName::Stutter), "started twice, 85 ms apart with a dip of 9 dB between");
        assert_eq!(
            told(FaultName::Smear),
            "slid up 107 cents into the note over 130 ms: the slide came after the tongue"
        );
        assert_eq!(told(FaultName::Hard), "burst out 8 dB over the tone it settled to");
        assert_eq!(told(FaultName::HeldBreath), "held the breath for 350 ms before the note");
        assert_eq!(told(FaultName::Early), "spoke 24 ms before the beat");
        assert_eq!(told(FaultName::Slow), "took 140 ms to grow to its full tone");
    }

    #[test]
    fn times_read_like_a_clock() {
        assert_eq!(clock(1.0115), "0:01.01");
        assert_eq!(clock(59.999), "1:00.00");
        assert_eq!(clock(3725.5), "1:02:05.50");
        assert_eq!(clock(f64::NAN), "0:00.00");
    }

    #[test]
    fn positions_read_like_a_player_s() {
        let at = |p, trigger| position(&SlidePosition { position: p, trigger, partial: 2 });
        assert_eq!(at(1.0, false), "1");
        assert_eq!(at(2.3, true), "T 2.3");
    }
}
