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
}
