//! Entrances as marks on a time line: which of them, where, how long, and in which words.

use crate::beats::{Beats, Bend};
use crate::corrections::apply::is_by_hand;
use crate::corrections::{self, ByEar, Heard};
use crate::mark_note::MarkNote;
use crate::words;
use notefront_dsp::verdict::table;
use notefront_dsp::{Entrance, Fault, FaultName, units};

/// Which entrances are marked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Which {
    /// Those with any fault.
    #[default]
    Flagged,
    /// All.
    All,
    /// Those with one fault, whatever else is wrong with them.
    Fault(FaultName),
}

impl Which {
    /// Its name on the command line and in files: "flagged", "all" or the fault's.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Flagged => "flagged",
            Self::All => "all",
            Self::Fault(name) => name.as_str(),
        }
    }

    /// The one of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        let fault = || table::named(name).map(Self::Fault);
        match name {
            "flagged" => Some(Self::Flagged),
            "all" => Some(Self::All),
            _ => fault(),
        }
    }

    /// True when an entrance is marked.
    #[must_use]
    pub fn takes(self, entrance: &Entrance) -> bool {
        match self {
            Self::Flagged => entrance.is_flagged(),
            Self::All => true,
            Self::Fault(name) => entrance.verdict.faults.get(name).is_some(),
        }
    }
}

/// Where an entrance lies in the music; what is not known is left out.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Place {
    /// Number of the bar, as it is written or counted.
    pub bar: Option<String>,
    /// Beat in the bar, from 1, fractions included.
    pub beat: Option<f64>,
}

/// An entrance of the choice.
#[derive(Debug, Clone, PartialEq)]
pub struct Chosen<'a> {
    /// The entrance.
    pub entrance: &'a Entrance,
    /// Where it lies in the music.
    pub place: Option<&'a Place>,
    /// What its marker says.
    pub label: String,
    /// What the player says of it, in words; `None` where nothing was said.
    pub by_ear: Option<String>,
}

/// What is to be marked.
#[derive(Debug, Clone, Copy, Default)]
pub struct Marking<'a> {
    /// The entrances.
    pub entrances: &'a [Entrance],
    /// Which of them.
    pub which: Which,
    /// The beats, for the tempo map and the documents.
    pub beats: Option<&'a Beats>,
    /// A session's own tempo, which the MIDI file then follows in place of the beats; empty for none.
    pub session: &'a [Bend],
    /// Places of the entrances, in their order; empty where none is known.
    pub places: &'a [Place],
    /// What the player says of the entrances, in their order; empty where nothing was said.
    pub by_ear: &'a [ByEar],
    /// Length of the sound in seconds: the tempo map of the beats ends with it.
    pub duration_s: f64,
}

impl<'a> Marking<'a> {
    /// The entrances of the choice, each with what is known of it beside.
    pub fn chosen(self) -> impl Iterator<Item = Chosen<'a>> {
        let chosen = self.entrances.iter().enumerate().filter(move |(i, entrance)| self.takes(*i, entrance));
        chosen.map(move |(i, entrance)| {
            let by_ear = self.said_of(i).map(corrections::words::of);
            Chosen { entrance, place: self.places.get(i), label: self.label_of(i, entrance), by_ear }
        })
    }

    /// Whether an entrance is marked: what is unclear to the ear is flagged by the player.
    fn takes(self, place: usize, entrance: &Entrance) -> bool {
        self.which.takes(entrance) || (self.which == Which::Flagged && self.is_unclear_by_ear(place))
    }

    fn is_unclear_by_ear(self, place: usize) -> bool {
        self.by_ear.get(place).is_some_and(|by_ear| matches!(by_ear.heard, Some(Heard::Unclear(_))))
    }

    /// The marks of the choice, in the order of the sound. What the player said follows what was measured.
    #[must_use]
    pub fn marks(self) -> Vec<Mark> {
        let places = self.entrances.iter().enumerate().filter(|(i, e)| self.takes(*i, e));
        let mut marks: Vec<Mark> = places.filter_map(|(i, entrance)| self.mark(i, entrance)).collect();
        marks.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
        marks
    }

    /// An entrance without a time cannot be marked.
    fn mark(self, place: usize, entrance: &Entrance) -> Option<Mark> {
        let mut mark = mark(entrance, self.which, self.label_of(place, entrance))?;
        if let Some(by_ear) = self.said_of(place) {
            mark.sentence = ascii(&format!("{} [{}]", mark.sentence, corrections::words::of(by_ear)));
        }
        Some(mark)
    }

    /// What the mark of an entrance says: the ear has the last word.
    fn label_of(self, place: usize, entrance: &Entrance) -> String {
        let by_ear = self.said_of(place);
        by_ear.map_or_else(|| label(entrance, self.which), |by_ear| label_by_ear(entrance, by_ear, self.which))
    }

    /// What the player said of an entrance, by its place among all.
    #[must_use]
    pub fn said_of(self, place: usize) -> Option<&'a ByEar> {
        self.by_ear.get(place).filter(|by_ear| !by_ear.said.is_empty())
    }
}

/// One mark, where the note speaks.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// Seconds from the first sample of the take; not before it.
    pub time_s: f64,
    /// Length of the note, seconds; 0 where its end is not known.
    pub length_s: f64,
    /// What it says in two words, such as "F4 hard, above"; in ASCII, since neither RIFF nor MIDI files tell their
    /// encoding.
    pub label: String,
    /// What stands behind it, for where there is room: the reasons with their numbers. ASCII too.
    pub sentence: String,
    /// What stands for it where only notes go.
    pub note: MarkNote,
}

/// The marks of entrances, in the order of the sound.
#[must_use]
pub fn marks(entrances: &[Entrance], which: Which) -> Vec<Mark> {
    let mut marks: Vec<_> =
        entrances.iter().filter(|e| which.takes(e)).filter_map(|e| mark(e, which, label(e, which))).collect();
    marks.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
    marks
}

/// An entrance without a time cannot be marked.
fn mark(entrance: &Entrance, which: Which, label: String) -> Option<Mark> {
    if !entrance.front.speaks_s.is_finite() {
        return None;
    }
    let time_s = entrance.front.speaks_s.max(0.0);
    let length_s = entrance.front.end_s.map_or(0.0, |end_s| end_s - time_s);
    let length_s = if length_s > 0.0 { length_s } else { 0.0 };
    let sentence = sentence(entrance, which);
    Some(Mark { time_s, length_s, label, sentence, note: MarkNote::of(entrance) })
}

/// Most faults that a label names: a time line shows no more of it.
const MAX_NAMED: usize = 2;

/// "F4 hard, above": the note and its worst faults, by their names in files; the fault asked for comes first.
#[must_use]
pub fn label(entrance: &Entrance, which: Which) -> String {
    let names: Vec<_> = faults(entrance, which).iter().take(MAX_NAMED).map(|fault| fault.name.as_str()).collect();
    let what = match (is_by_hand(&entrance.front), names.is_empty()) {
        (true, _) => "added".into(),
        (false, true) => "clear".into(),
        (false, false) => names.join(", "),
    };
    ascii(&format!("{} {what}", note(entrance)))
}

/// The label of an entrance of which the player said something: the ear has the last word.
fn label_by_ear(entrance: &Entrance, by_ear: &ByEar, which: Which) -> String {
    match &by_ear.heard {
        Some(Heard::Unclear(Some(fault))) => format!("{} {} by ear", note(entrance), fault.as_str()),
        Some(Heard::Unclear(None)) if !entrance.is_flagged() => format!("{} unclear by ear", note(entrance)),
        Some(Heard::Fine(_)) => format!("{} fine by ear", note(entrance)),
        _ => label(entrance, which),
    }
}

/// "Bb2: leaned 41 cents below its pitch and took 113 ms to settle"; the fault asked for comes first, then the worst.
#[must_use]
pub fn sentence(entrance: &Entrance, which: Which) -> String {
    let because: Vec<_> = faults(entrance, which).iter().map(|fault| words::because(entrance, fault.name)).collect();
    let what = match (is_by_hand(&entrance.front), because.is_empty()) {
        (true, _) => "added by the player, not measured".into(),
        (false, true) => "clear".into(),
        (false, false) => because.join("; "),
    };
    ascii(&format!("{}: {what}", note(entrance)))
}

/// The faults in the order they are told: the one asked for, then the worst.
fn faults(entrance: &Entrance, which: Which) -> Vec<Fault> {
    let mut faults = words::worst_first(entrance);
    if let Which::Fault(name) = which {
        faults.sort_by_key(|fault| fault.name != name);
    }
    faults
}

fn note(entrance: &Entrance) -> String {
    entrance.front.midi_note.map_or_else(|| "?".into(), units::note_name)
}

fn ascii(text: &str) -> String {
    let plain = text.replace('\u{b1}', "+-");
    plain.chars().map(|c| if c.is_ascii() && !c.is_control() { c } else { '?' }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixtures::{self, told, with};

    #[test]
    fn the_choice_is_that_of_its_name() {
        let take = fixtures::take();
        let count = |name: &str| marks(&take.entrances, Which::from_name(name).expect("a choice")).len();
        assert_eq!([count("all"), count("flagged"), count("below"), count("airy"), count("late")], [5, 3, 2, 1, 0]);
        assert_eq!(Which::from_name("loud"), None);
        for name in ["all", "flagged", "held-breath"] {
            assert_eq!(Which::from_name(name).map(Which::as_str), Some(name));
        }
    }

    #[test]
    fn a_label_is_short_and_the_sentence_has_the_reason() {
        let below = fixtures::below(0, 1.0);
        assert_eq!(label(&below, Which::Flagged), "Bb2 below");
        assert_eq!(sentence(&below, Which::Flagged), "Bb2: leaned 41 cents below its pitch and took 113 ms to settle");
        let clear = fixtures::clear(0, 53, 1.0);
        assert_eq!([label(&clear, Which::All), sentence(&clear, Which::All)], ["F3 clear", "F3: clear"]);
        let faults = [FaultName::Hard, FaultName::Above, FaultName::Slow];
        let many =
            faults.iter().zip([0.9, 0.8, 0.1]).fold(fixtures::clear(0, 65, 1.0), |entrance, (&name, severity)| {
                fixtures::flagged(entrance, name, severity, 0.9)
            });
        assert_eq!(label(&many, Which::Flagged), "F4 hard, above", "the two worst");
    }

    #[test]
    fn the_ear_has_the_last_word_on_a_label() {
        let entrances = [fixtures::below(0, 1.0), fixtures::clear(1, 53, 2.0), fixtures::clear(2, 55, 3.0)];
        let said = |heard| {
            let what = corrections::What::Removed; // what it says does not count here, only that it was said
            let said = vec![corrections::Correction {
                id: String::new(),
                made_ms: 0,
                by: corrections::By::Command,
                at_s: 1.0,
                what,
            }];
            ByEar { heard: Some(heard), found: None, said }
        };
        let unclear = |fault| said(Heard::Unclear(fault));
        let by_ear = [said(Heard::Fine(None)), unclear(Some(FaultName::Airy)), unclear(None)];
        let marking = Marking { entrances: &entrances, which: Which::All, by_ear: &by_ear, ..Marking::default() };
        let labels: Vec<_> = marking.marks().into_iter().map(|mark| mark.label).collect();
        assert_eq!(labels, ["Bb2 fine by ear", "F3 airy by ear", "G3 unclear by ear"]);
        let chosen: Vec<_> = marking.chosen().map(|chosen| chosen.label).collect();
        assert_eq!(chosen, labels, "table and markers say the same");
    }

    #[test]
    fn the_fault_asked_for_comes_first() {
        let both = &fixtures::take().entrances[4];
        assert!(sentence(both, Which::Flagged).starts_with("F3: air for 115 ms"));
        assert!(sentence(both, Which::Fault(FaultName::Below)).starts_with("F3: leaned"));
        assert_eq!(label(both, Which::Fault(FaultName::Below)), "F3 below, airy");
    }

    #[test]
    fn labels_are_ascii() {
        let unsure = with(fixtures::below(0, 1.0), |e| e.front.settle_ms = told(60.0, 25.0));
        assert!(sentence(&unsure, Which::All).ends_with("took 60 +- 25 ms to settle"));
    }

    #[test]
    fn odd_times_do_no_harm() {
        let at = |speaks_s: f64, end_s: Option<f64>| with(fixtures::clear(0, 46, speaks_s), |e| e.front.end_s = end_s);
        let all = [at(2.0, Some(1.0)), at(f64::NAN, None), at(-0.2, None)];
        let times: Vec<_> = marks(&all, Which::All).iter().map(|m| (m.time_s, m.length_s)).collect();
        assert_eq!(times, [(0.0, 0.0), (2.0, 0.0)]);
    }
}
