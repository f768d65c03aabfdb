//! Corrections in plain words: read from a command line, and told again.

use super::{By, ByEar, Corrected, Correction, Heard, What};
use crate::words;
use notefront_dsp::verdict::table;
use notefront_dsp::{Entrance, FaultName, units};

/// What a player asks for.
#[derive(Debug, Clone, PartialEq)]
pub enum Asked {
    /// To say something of the entrance at a time, s.
    Say(f64, What),
    /// To take something back: the last, or the last at a time, s.
    Undo(Option<f64>),
}

/// What can be said, for help and for whoever said something else.
pub const HELP: &str = "  fine TIME [because ...]      it is clear: its flags are dismissed
  unclear TIME [FAULT]         it is unclear after all
  add TIME [NOTE]              an entrance that was missed
  remove TIME                  there is no entrance
  move TIME to TIME            it speaks at another time
  split TIME at TIME           two entrances were taken for one: when the second speaks
  join TIME                    it belongs to the entrance before
  note TIME NOTE               it is another note, such as Bb2 or F#3
  undo [TIME]                  takes back what was said last, or last of that entrance
Times read as the program prints them (1:04.25) or as seconds (64.25).";

/// What stands on a button that says it, by the name in files: the same in every window and on the page.
const ON_BUTTONS: [(&str, &str); 8] = [
    ("fine", "fine as it is"),
    ("unclear", "unclear after all"),
    ("added", "missed one here"),
    ("moved", "it speaks here"),
    ("split", "a second one here"),
    ("removed", "no entrance"),
    ("joined", "one with the note before"),
    ("note", "is the note"),
];

/// What stands on the button that says it.
#[must_use]
pub fn on_button(what: &What) -> &'static str {
    let name = match what {
        What::Fine { .. } => "fine",
        What::Unclear { .. } => "unclear",
        What::Added { .. } => "added",
        What::Moved { .. } => "moved",
        What::Split { .. } => "split",
        What::Removed => "removed",
        What::Joined => "joined",
        What::Note { .. } => "note",
    };
    button_called(name)
}

/// What stands on the button that says what is called so in files; the name itself for any other.
#[must_use]
pub fn button_called(name: &str) -> &str {
    ON_BUTTONS.iter().find(|(key, _)| *key == name).map_or(name, |(_, words)| words)
}

/// Words that are said and mean nothing here.
const FILLERS: [&str; 9] = ["at", "to", "the", "is", "it", "and", "with", "as", "from"];

/// Reads what was asked, such as `fine 0:03.50 because it is meant so`.
///
/// # Errors
/// What could not be read, in a sentence.
pub fn read(said: &[String]) -> Result<Asked, String> {
    let because = said.iter().position(|word| word == "because");
    let reason = because.map(|i| said[i + 1..].join(" ")).filter(|reason| !reason.trim().is_empty());
    let spoken = &said[..because.unwrap_or(said.len())];
    let mut words = spoken.iter().flat_map(|w| w.split_whitespace()).filter(|w| !FILLERS.contains(w));
    let verb = words.next().unwrap_or_default();
    let rest: Vec<&str> = words.collect();
    let at = |i: usize| match rest.get(i) {
        Some(text) => time(text),
        None => Err(format!("\"{verb}\" wants a time, such as 0:03.50")),
    };
    let num_wanted = match verb {
        "move" | "split" | "note" => 2..=2,
        "unclear" => 1..=4,
        "add" => 1..=2,
        "undo" => 0..=1,
        _ => 1..=1,
    };
    let asked = match verb {
        "fine" => Asked::Say(at(0)?, What::Fine { reason }),
        "unclear" => Asked::Say(at(0)?, What::Unclear { fault: fault(&rest[1..])? }),
        "add" => Asked::Say(at(0)?, What::Added { midi_note: rest.get(1).map(|n| note(n)).transpose()? }),
        "remove" => Asked::Say(at(0)?, What::Removed),
        "move" => Asked::Say(at(0)?, What::Moved { to_s: at(1)? }),
        "split" => Asked::Say(at(0)?, What::Split { second_s: at(1)? }),
        "join" => Asked::Say(at(0)?, What::Joined),
        "note" => {
            let name = rest.get(1).ok_or("\"note\" wants a note after the time, such as Bb2")?;
            Asked::Say(at(0)?, What::Note { midi_note: note(name)? })
        }
        "undo" => Asked::Undo(rest.first().map(|text| time(text)).transpose()?),
        other => return Err(format!("\"{other}\" cannot be done. What can be said:\n{HELP}")),
    };
    if !num_wanted.contains(&rest.len()) {
        return Err(format!("\"{}\" says more than \"{verb}\" takes. What can be said:\n{HELP}", rest.join(" ")));
    }
    Ok(asked)
}

/// A time as the program prints it, or in seconds.
///
/// # Errors
/// What it should look like.
pub fn time(text: &str) -> Result<f64, String> {
    let wrong = || format!("\"{text}\" is no time: write it as 1:04.25, or as seconds");
    let seconds = text.split(':').try_fold(0.0, |sum, part| {
        let value: f64 = part.parse().ok().filter(|value: &f64| value.is_finite() && *value >= 0.0)?;
        Some(60.0 * sum + value)
    });
    seconds.filter(|_| text.matches(':').count() <= 2).ok_or_else(wrong)
}

/// A note by its English name, such as Bb2 or F#3.
///
/// # Errors
/// What it should look like.
pub fn note(text: &str) -> Result<u8, String> {
    let read = || {
        let mut letters = text.chars();
        let step = "C D EF G A B".find(letters.next()?.to_ascii_uppercase())? as i32;
        let rest = letters.as_str();
        let (bend, octave) = match rest.chars().next()? {
            'b' | '\u{266d}' => (-1, &rest[rest.chars().next()?.len_utf8()..]),
            '#' | '\u{266f}' => (1, &rest[rest.chars().next()?.len_utf8()..]),
            _ => (0, rest),
        };
        let octave: i32 = octave.parse().ok().filter(|octave| (-1..=9).contains(octave))?;
        u8::try_from(12 * (octave + 1) + step + bend).ok().filter(|midi| *midi < 128)
    };
    read().ok_or_else(|| format!("\"{text}\" is no note: write it as Bb2 or F#3"))
}

/// A fault by its key ("held-breath") or its words ("breath held").
fn fault(said: &[&str]) -> Result<Option<FaultName>, String> {
    if said.is_empty() {
        return Ok(None);
    }
    let name = said.join(" ").to_lowercase();
    let row = table::TABLE.iter().find(|row| row.key == name || row.word == name);
    row.map(|row| Some(row.name)).ok_or_else(|| {
        let known: Vec<_> = table::TABLE.iter().map(|row| row.key).collect();
        format!("\"{name}\" is no fault: choose one of {}", known.join(", "))
    })
}

/// One correction in words, without its place: "fine as it is (a ghost note)".
#[must_use]
pub fn what(what: &What) -> String {
    match what {
        What::Fine { reason: Some(reason) } => format!("fine as it is ({reason})"),
        What::Fine { reason: None } => "fine as it is".into(),
        What::Unclear { fault: Some(fault) } => format!("unclear by ear: {}", words::word(*fault)),
        What::Unclear { fault: None } => "unclear by ear".into(),
        What::Moved { to_s } => format!("speaks at {}", words::clock(*to_s)),
        What::Added { midi_note: Some(midi) } => format!("{} added", units::note_name(*midi)),
        What::Added { midi_note: None } => "added".into(),
        What::Removed => "no entrance".into(),
        What::Split { second_s } => format!("two entrances, the second at {}", words::clock(*second_s)),
        What::Joined => "one with the entrance before".into(),
        What::Note { midi_note } => format!("is {}", units::note_name(*midi_note)),
    }
}

/// One correction on one line: "0:03.50  fine as it is".
#[must_use]
pub fn line(correction: &Correction) -> String {
    let blind = if correction.by == By::Blind { ", heard blind" } else { "" };
    format!("{}  {}{blind}", words::clock(correction.at_s), what(&correction.what))
}

/// What was said of an entrance, for tables and lanes: "fine as it is, was split".
#[must_use]
pub fn of(by_ear: &ByEar) -> String {
    // The note's name stands before it, and an entrance that was joined is told from the one it was joined to.
    let of_this = |c: &Correction| match c.what {
        What::Added { .. } => "added".into(),
        What::Joined => "goes on through the entrance after it".into(),
        _ => what(&c.what),
    };
    let mut said: Vec<String> = by_ear.said.iter().filter(|c| !is_verdict(c)).map(of_this).collect();
    said.extend(by_ear.said.iter().rev().find(|c| is_verdict(c)).map(|c| what(&c.what)));
    let was = by_ear.found.as_ref().map(faults).filter(|was| !was.is_empty());
    match (&by_ear.heard, was) {
        (Some(Heard::Fine(_)), Some(was)) => format!("{}; measured: {was}", said.join(", ")),
        _ => said.join(", "),
    }
}

fn is_verdict(correction: &Correction) -> bool {
    matches!(correction.what, What::Fine { .. } | What::Unclear { .. })
}

fn faults(entrance: &Entrance) -> String {
    words::named(&words::worst_first(entrance))
}

/// How the table of a take tells its corrections; empty where there are none.
#[must_use]
pub fn block(entrances: &[Entrance], corrected: &Corrected) -> String {
    let name = |e: &Entrance| e.front.midi_note.map_or_else(|| "?".into(), units::note_name);
    let (found, flagged) = corrected.as_measured;
    let mut lines = vec![format!(
        "By ear, kept in {} (measured: {found} entrances, {flagged} flagged):",
        corrected.file.file_name().unwrap_or(corrected.file.as_os_str()).to_string_lossy()
    )];
    for (entrance, by_ear) in entrances.iter().zip(&corrected.by_ear).filter(|(_, by_ear)| !by_ear.said.is_empty()) {
        lines.push(format!("  {}  {:<4} {}", words::clock(entrance.front.speaks_s), name(entrance), of(by_ear)));
    }
    for (said, found) in &corrected.removed {
        lines.push(format!("  {}  {:<4} {}", words::clock(found.front.speaks_s), name(found), what(&said.what)));
    }
    for lost in &corrected.lost {
        lines.push(format!("  {}  nothing is there any more: {}", words::clock(lost.at_s), what(&lost.what)));
    }
    lines.join("\n") + "\n"
}
