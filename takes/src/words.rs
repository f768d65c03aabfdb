//! A player's words for the table, the page and the insert. Those of the faults stand in the analysis' one table.

use notefront_dsp::verdict::table;
use notefront_dsp::{Articulation, CannotTell, Entrance, Fault, FaultName, SlidePosition};

/// Sureness from which a fault is told as sure, and below [`UNSURE`] as uncertain.
const SURE: f64 = 0.9;
/// Sureness below which a fault is told as uncertain.
pub(crate) const UNSURE: f64 = 0.6;

/// One or two words for a fault: the same in every table, filter, lane, marker and count.
#[must_use]
pub fn word(name: FaultName) -> &'static str {
    table::row(name).word
}

/// That a fault of one try is not in the next.
#[must_use]
pub fn no_longer(name: FaultName) -> String {
    format!("no longer {}", word(name))
}

/// That a fault is in one try that was not in the one before.
#[must_use]
pub fn now(name: FaultName) -> String {
    format!("now {}", word(name))
}

/// Faults by their words: "from below, split".
#[must_use]
pub fn named<'a>(faults: impl IntoIterator<Item = &'a Fault>) -> String {
    faults.into_iter().map(|fault| word(fault.name)).collect::<Vec<_>>().join(", ")
}

/// Faults with how often they occur, in words: "from below 3, split 1".
#[must_use]
pub fn counted(faults: &[(FaultName, usize)]) -> String {
    faults.iter().map(|&(name, num)| format!("{} {num}", word(name))).collect::<Vec<_>>().join(", ")
}

/// That the ear calls an entrance unclear for which no fault stands.
pub const BY_EAR: &str = "unclear by ear";

/// The same, with those that the player's ear alone calls unclear: "from below 3, unclear by ear 1".
#[must_use]
pub fn counted_with_those_by_ear(faults: &[(FaultName, usize)], num_by_ear: usize) -> String {
    let by_ear = (num_by_ear > 0).then(|| format!("{BY_EAR} {num_by_ear}"));
    let all = Some(counted(faults)).filter(|faults| !faults.is_empty()).into_iter().chain(by_ear);
    all.collect::<Vec<_>>().join(", ")
}

/// What players usually try against a fault: practice of the trade \[P\], not a promise.
#[must_use]
pub fn usual_remedy(name: FaultName) -> &'static str {
    table::row(name).advice
}

/// Why the fault was flagged: one clause with the numbers, such as
/// "leaned 41 cents below its pitch and took 113 ms to settle".
#[must_use]
pub fn because(entrance: &Entrance, fault: FaultName) -> String {
    (table::row(fault).because)(entrance)
}

/// Why a measure is not told.
#[must_use]
pub fn reason(why: CannotTell) -> &'static str {
    match why {
        CannotTell::TooShort => "too short",
        CannotTell::TooSoft => "too soft",
        CannotTell::Masked => "covered by the sound before",
        CannotTell::NoSilenceBefore => "no silence before it",
        CannotTell::NoPitch => "no pitch can be told",
        CannotTell::Slurred => "slurred, no attack of its own",
        CannotTell::NoGrid => "no beat",
        CannotTell::NotToBeat => "not played to this beat",
        CannotTell::Broadened => "the ending broadens",
        CannotTell::NoAir => "no air",
        CannotTell::CutOff => "the sound begins inside the note",
        CannotTell::NoBody => "no held tone after it",
        CannotTell::NotConnected => "not out of the note before",
        CannotTell::SamePitch => "the same pitch as before",
        CannotTell::NoBreath => "none was heard",
        CannotTell::NotMeasured => "not measured",
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

/// What is surely there.
pub(crate) const SURELY: &str = "sure";

/// What a player's ears and body ask for, whatever else is said; README and page say more of it \[P\].
pub const CAUTIONS: &str = "Take care: a trombone indoors is loud enough to harm hearing, so protect yours; rest as \
    much as you play; stop when anything hurts.";

/// How sure the analysis is of a fault.
#[must_use]
pub fn sureness(fault: &Fault) -> &'static str {
    match fault.sureness {
        s if s >= SURE => SURELY,
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixtures::{airy, below, clear, split, told, with};
    use notefront_dsp::entrance::{Smear, Split, Stutter};
    use notefront_dsp::{CannotTell, Evidence, Positions};

    #[test]
    fn a_scoop_is_told_as_in_the_contract() {
        // The words of the contract's own example.
        assert_eq!(
            because(&below(0, 1.0), FaultName::Below),
            "leaned 41 cents below its pitch and took 113 ms to settle"
        );
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
        assert_eq!(
            because(&entrance, FaultName::Below),
            "leaned 41 cents below its pitch and took 60 ± 25 ms to settle"
        );
    }

    #[test]
    fn what_cannot_be_told_is_left_out() {
        let entrance = with(clear(0, 46, 1.0), |e| {
            e.front.approach_cents = Err(CannotTell::TooSoft);
            e.front.settle_ms = Err(CannotTell::TooShort);
            e.front.noise_before_tone_ms = told(f64::NAN, 1.0);
        });
        for fault in FaultName::ALL {
            let words = because(&entrance, fault);
            assert!(!words.is_empty() && !words.contains("NaN"), "{words}");
        }
        assert_eq!(because(&entrance, FaultName::Below), "leaned below its pitch");
    }

    #[test]
    fn every_other_fault_reads_as_a_sentence() {
        let evidence = Evidence {
            stutter: Some(Stutter { gap_ms: 85.0, dip_db: 9.0 }),
            smear: Some(Smear { rate_cents_per_s: 900.0, depth_cents: -107.0, duration_ms: 130.0, probability: 1.0 }),
            held_breath_ms: Some(350.0),
            ..Evidence::default()
        };
        let entrance = with(clear(0, 46, 1.0), |e| {
            e.front.evidence = evidence;
            e.front.overshoot_db = told(7.6, 1.5);
            e.verdict.timing_ms = told(-24.0, 2.0);
            e.front.speak_ms = told(70.0, 5.0);
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
        assert_eq!(told(FaultName::Slow), "took 70 ms to speak");
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

    #[test]
    fn every_surface_has_the_words_of_the_one_table() {
        for row in &table::TABLE {
            let name = row.name;
            let entrance = crate::fixtures::flagged(clear(0, 46, 1.0), name, 0.5, 0.9);
            assert_eq!((word(name), name.as_str()), (row.word, row.key));
            assert!(no_longer(name).ends_with(row.word) && now(name).ends_with(row.word));
            assert_eq!(usual_remedy(name), row.advice);
            let because = because(&entrance, name);
            let label = crate::marks::label(&entrance, crate::marks::Which::Flagged);
            assert_eq!(label, format!("Bb2 {}", row.key));
            let sentence = crate::marks::sentence(&entrance, crate::marks::Which::Flagged);
            assert_eq!(sentence, format!("Bb2: {}", because.replace('±', "+-")), "labels are ASCII");
            assert_eq!(crate::marks::Which::from_name(row.key), Some(crate::marks::Which::Fault(name)));
            let mut take = crate::fixtures::take();
            take.entrances = vec![entrance];
            let wide = crate::table::TableStyle { width: 300, ..crate::table::TableStyle::default() };
            let text = crate::table::takes(std::slice::from_ref(&take), wide);
            for said in [row.word, row.advice, &because] {
                assert!(text.contains(said), "{said} in the table:\n{text}");
            }
            let json = serde_json::to_value(crate::json::TakeDocument::from(&take)).expect("JSON");
            assert_eq!(json["entrances"][0]["faults"][0]["because"], because);
            assert_eq!(json["entrances"][0]["faults"][0]["name"], row.key);
        }
    }

    #[test]
    fn the_readme_shows_the_table_itself() {
        let readme = include_str!("../../README.md");
        let table = table::in_markdown();
        assert!(readme.contains(&table), "put this into README.md:\n{table}");
        assert!(readme.replace('\n', " ").contains(notefront_dsp::settings::STRICTNESS_IN_WORDS));
    }
}
