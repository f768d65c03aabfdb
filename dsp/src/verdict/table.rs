//! The one table of the faults: every surface takes its key, words, mark, line, source and advice from here.

use super::lines::{SetBy, in_words};
use super::{Entrance, FaultName, sentences};

/// Ink a fault adds to the bare stroke.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ink {
    /// Hatching before the stroke.
    Hatching,
    /// The pitch's way in.
    Approach,
    /// A wedge after the stroke.
    Wedge,
    /// A second stroke.
    Double,
    /// The stroke leans.
    Slant,
    /// The stroke is broken.
    Break,
    /// A bar on top.
    Bar,
    /// A foot to the beat.
    Foot,
    /// A bracket before the stroke.
    Bracket,
}

/// One fault.
pub struct Row {
    /// Which.
    pub name: FaultName,
    /// Its name in files and on the command line.
    pub key: &'static str,
    /// One or two words for people: columns, filters, lanes, counts, markers.
    pub word: &'static str,
    /// What was heard.
    pub heard: &'static str,
    /// Why an entrance was flagged: one clause with the numbers.
    pub because: fn(&Entrance) -> String,
    /// Its ink.
    pub ink: Ink,
    /// That ink in words.
    pub mark: &'static str,
    /// The default line in words.
    pub line: fn() -> String,
    /// What set it for most notes.
    pub set_by: SetBy,
    /// Mark of its source: S published, C computed, P practice, M from memory, H hypothesis.
    pub source: &'static str,
    /// What players usually try \[P\].
    pub advice: &'static str,
    /// Most it takes off the clarity, points \[H\].
    pub weight: f64,
}

/// What players try against a pitch that leans.
const MATCH_PITCH: &str = "buzz the note alone first and match a reference pitch";
/// What players try against a start that waits.
const ONE_MOTION: &str = "let the inhalation turn into the note in one motion";
/// What players try against the clock.
const SLOWER: &str = "play it slower, with a metronome";

/// The eleven faults, in the order of [`FaultName::ALL`].
pub static TABLE: [Row; FaultName::ALL.len()] = [
    Row {
        name: FaultName::Airy,
        key: "airy",
        word: "air first",
        heard: "air before the tone",
        because: sentences::airy,
        ink: Ink::Hatching,
        mark: "hatching, as long and as dense as the air",
        line: in_words::airy,
        set_by: SetBy::Ear,
        source: "H",
        advice: "set the lips to the pitch before the breath turns; try breath attacks without the tongue",
        weight: 80.0,
    },
    Row {
        name: FaultName::Below,
        key: "below",
        word: "from below",
        heard: "leans under its pitch, on the same partial",
        because: sentences::below,
        ink: Ink::Approach,
        mark: "the way into the pitch",
        line: in_words::lean,
        set_by: SetBy::Professionals,
        source: "S",
        advice: MATCH_PITCH,
        weight: 85.0,
    },
    Row {
        name: FaultName::Above,
        key: "above",
        word: "from above",
        heard: "leans over its pitch, on the same partial",
        because: sentences::above,
        ink: Ink::Approach,
        mark: "the way into the pitch",
        line: in_words::lean,
        set_by: SetBy::Professionals,
        source: "S",
        advice: MATCH_PITCH,
        weight: 85.0,
    },
    Row {
        name: FaultName::Slow,
        key: "slow",
        word: "slow to speak",
        heard: "the tone takes long to come",
        because: sentences::slow,
        ink: Ink::Wedge,
        mark: "a wedge, as long as it grew",
        line: in_words::slow,
        set_by: SetBy::Professionals,
        source: "S",
        advice: "play short notes until they speak at once, then long ones with the same start",
        weight: 75.0,
    },
    Row {
        name: FaultName::Split,
        key: "split",
        word: "split",
        heard: "begins on another partial",
        because: sentences::split,
        ink: Ink::Double,
        mark: "two strokes",
        line: in_words::split,
        set_by: SetBy::Ear,
        source: "H",
        advice: "hear the pitch before you play it; note whether it went over or under",
        weight: 95.0,
    },
    Row {
        name: FaultName::Smear,
        key: "smear",
        word: "slide late",
        heard: "the slide still moves when the note speaks",
        because: sentences::smear,
        ink: Ink::Slant,
        mark: "a leaning stroke",
        line: in_words::smear,
        set_by: SetBy::Professionals,
        source: "H",
        advice: "practise slowly to a metronome until slide and tongue arrive at once",
        weight: 90.0,
    },
    Row {
        name: FaultName::Stutter,
        key: "stutter",
        word: "two starts",
        heard: "starts twice",
        because: sentences::stutter,
        ink: Ink::Break,
        mark: "a broken stroke",
        line: in_words::stutter,
        set_by: SetBy::Ear,
        source: "H",
        advice: ONE_MOTION,
        weight: 95.0,
    },
    Row {
        name: FaultName::Hard,
        key: "hard",
        word: "too hard",
        heard: "a burst over the tone it drops to",
        because: sentences::hard,
        ink: Ink::Bar,
        mark: "a bar on top",
        line: in_words::hard,
        set_by: SetBy::Professionals,
        source: "S",
        advice: "release the tongue more lightly",
        weight: 75.0,
    },
    Row {
        name: FaultName::Early,
        key: "early",
        word: "early",
        heard: "before the beat, where there is one",
        because: sentences::early,
        ink: Ink::Foot,
        mark: "a foot to the beat",
        line: in_words::timing,
        set_by: SetBy::Ear,
        source: "S",
        advice: SLOWER,
        weight: 70.0,
    },
    Row {
        name: FaultName::Late,
        key: "late",
        word: "late",
        heard: "after the beat, where there is one",
        because: sentences::late,
        ink: Ink::Foot,
        mark: "a foot to the beat",
        line: in_words::timing,
        set_by: SetBy::Ear,
        source: "S",
        advice: SLOWER,
        weight: 70.0,
    },
    Row {
        name: FaultName::HeldBreath,
        key: "held-breath",
        word: "breath held",
        heard: "silence between the breath and the sound",
        because: sentences::held_breath,
        ink: Ink::Bracket,
        mark: "a bracket, as long as the silence",
        line: in_words::held_breath,
        set_by: SetBy::Practice,
        source: "H",
        advice: ONE_MOTION,
        weight: 70.0,
    },
];

/// The row of a fault.
#[must_use]
pub fn row(name: FaultName) -> &'static Row {
    &TABLE[name as usize]
}

/// The fault of that key.
#[must_use]
pub fn named(key: &str) -> Option<FaultName> {
    TABLE.iter().find(|row| row.key == key).map(|row| row.name)
}

/// The table as a document shows it, in Markdown.
#[must_use]
pub fn in_markdown() -> String {
    let head = "| fault | in files | what was heard | line at the default strictness | set by |\n\
                | --- | --- | --- | --- | --- |\n";
    let rows = TABLE.iter().map(|row| {
        let set_by = format!("{} [{}]", row.set_by.word(), row.source);
        format!("| {} | {} | {} | {} | {set_by} |\n", row.word, row.key, row.heard, (row.line)())
    });
    head.to_owned() + &rows.collect::<String>()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::Settings;
    use crate::verdict::{cost, judge::tests::at};

    #[test]
    fn the_rows_stand_in_the_order_of_the_names_and_are_whole() {
        for (row, name) in TABLE.iter().zip(FaultName::ALL) {
            assert_eq!(row.name, name);
            assert_eq!(named(row.key), Some(name));
            for text in [row.key, row.word, row.heard, row.mark, row.advice, &(row.line)()] {
                assert!(!text.is_empty(), "{name:?}");
            }
            assert!("SCPMH".contains(row.source) && (0.0..=100.0).contains(&row.weight));
        }
        assert_eq!(named("loud"), None);
    }

    #[test]
    fn no_two_faults_share_a_key_or_a_word() {
        for field in [|row: &Row| row.key, |row: &Row| row.word] {
            let mut texts: Vec<_> = TABLE.iter().map(field).collect();
            texts.sort_unstable();
            texts.dedup();
            assert_eq!(texts.len(), TABLE.len());
        }
    }

    #[test]
    fn every_fault_that_is_flagged_says_why_in_numbers() {
        let settings = Settings::default();
        for name in FaultName::ALL {
            let (front, beat) = at(name, 2.5, &settings);
            let entrance = Entrance::of(front, beat.as_ref(), &settings);
            let because = (row(name).because)(&entrance);
            assert!(entrance.verdict.faults.get(name).is_some(), "{name:?}");
            assert!(because.contains(|c: char| c.is_ascii_digit()) && !because.contains("NaN"), "{name:?}: {because}");
            let units = [" ms", " cents", " dB"];
            assert!(units.iter().any(|unit| because.contains(unit)), "{name:?}: {because}");
            assert!(
                !because.ends_with('.') && because.chars().next().is_some_and(char::is_lowercase),
                "a clause: {because}"
            );
        }
    }

    #[test]
    fn a_row_is_found_by_its_name_and_by_its_key_and_named_alike_everywhere() {
        for name in FaultName::ALL {
            assert_eq!((row(name).name, named(row(name).key), name.as_str()), (name, Some(name), row(name).key));
            let is_plain = |c: char| c.is_ascii_lowercase() || c == '-';
            assert!(row(name).key.chars().all(is_plain), "{}: what files and commands hold", row(name).key);
            assert!(row(name).word.len() <= 14, "{}: a column's head", row(name).word);
        }
        assert_eq!((named(""), named("Airy"), named("airy ")), (None, None, None), "as it is written, or not at all");
    }

    #[test]
    fn the_document_has_a_row_for_each_fault_and_a_cell_for_each_head() {
        let text = in_markdown();
        let rows: Vec<&str> = text.lines().collect();
        assert_eq!(rows.len(), 2 + FaultName::ALL.len());
        assert!(rows.iter().all(|row| row.matches('|').count() == 6), "five cells each");
        for (row, name) in rows[2..].iter().zip(FaultName::ALL) {
            assert!(row.contains(super::row(name).key) && row.contains(&(super::row(name).line)()), "{row}");
        }
    }

    /// The measures page has the default line of each fault; what the row says of it holds its number.
    #[test]
    fn lines_in_words_are_those_of_the_measures_page() {
        for (key, number) in [
            ("airy", "30 ms"),
            ("airy", "32 dB"),
            ("below", "27 cents"),
            ("slow", "45 ms"),
            ("slow", "2 round trips"),
            ("split", "20 ms"),
            ("split", "3 of its periods"),
            ("smear", "40 cents"),
            ("smear", "40 ms"),
            ("stutter", "6 dB"),
            ("stutter", "150 ms"),
            ("hard", "6 dB"),
            ("early", "2.5 %"),
            ("held-breath", "200 ms"),
        ] {
            let line = named(key).map(|name| (row(name).line)()).expect("a fault");
            assert!(line.contains(number), "{key}: {line} does not say {number}");
        }
    }

    #[test]
    fn the_worse_a_fault_the_more_it_takes_up_to_its_weight() {
        for name in FaultName::ALL {
            let costs: Vec<f64> = (0..=20).map(|k| cost(name, f64::from(k) / 20.0)).collect();
            assert!(costs.windows(2).all(|two| two[0] < two[1]), "{name:?}: {costs:?}");
            assert!((costs[20] - row(name).weight).abs() < 1e-9 && costs[0] > 0.0);
            assert_eq!((cost(name, -1.0), cost(name, 9.0)), (costs[0], costs[20]), "severities lie between 0 and 1");
        }
    }
}
