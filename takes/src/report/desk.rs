//! The desk at the foot of the page: to hear the chosen entrance slowly, in a loop, in its phrase, and to say what the ear
//! says of it; and the blind sitting, in which neither verdict nor picture is seen.

use crate::compare::HeardTake;
use crate::corrections::{Correction, Corrections, ear, heard_faults, words as said};
use crate::summary::Register;
use crate::words;
use maud::{Markup, PreEscaped, html};
use notefront_dsp::{Entrance, FaultName};
use serde_json::{Value, json};
use std::collections::{BTreeMap, HashSet};

/// Most entrances of a take that can be chosen on its page: more are slow to open.
const MAX_CHOSEN: usize = 3_000;

/// The desk.
pub fn desk() -> Markup {
    html! {
        section #desk aria-label="Listen and correct" {
            div.row.chosen {
                button #back type="button" aria-label="The entrance before" { "\u{25c0}" }
                p #chosen aria-live="polite" { "Choose a stroke on the lane." }
                button #next type="button" aria-label="The next entrance" { "\u{25b6}" }
            }
            p #said role="status" {}
            div.row {
                button #hear type="button" { "Play" }
                button #loop type="button" aria-pressed="false" { "Loop" }
                select #speed aria-label="Speed, at pitch" { option value="1" { "full" } option value="0.75" { "\u{be}" } option value="0.5" { "\u{bd}" } }
                select #span aria-label="How much is played" { option value="front" { "front" } option value="phrase" { "phrase" } option value="take" { "whole take" } }
            }
            details #mend { summary { "Correct" }
                div.row data-when="entrance" { (button("fine", "")) input #reason type="text" aria-label="Why, if you like" placeholder="why, if you like"; }
                div.row data-when="entrance" { (button("unclear", "")) select #heard aria-label="Which fault" { option value="" { "unclear" } @for f in heard_faults() { option value=(f.as_str()) { (words::word(f)) } } } }
                details #more data-when="chosen" { summary { "Its place, its note" }
                    div.row { span #pick { "here" }
                        @for (ms, name) in [("-50", "\u{2212}50"), ("-10", "\u{2212}10"), ("10", "+10"), ("50", "+50")] { button.nudge type="button" data-ms=(ms) aria-label=(format!("{name} milliseconds")) { (name) } } }
                    div.row { (button("added", "off")) (button("moved", "entrance off")) (button("split", "entrance off"))
                        input #note type="text" size="4" aria-label="Note, such as Bb2" placeholder="Bb2"; (button("note", "entrance")) }
                    div.row data-when="entrance" { (button("removed", "")) (button("joined", "")) }
                }
                ul #said-list aria-label="What you said" {}
                div.row { button #undo type="button" { "Undo" } button #save-corrections type="button" { "Save corrections" } button #send type="button" { "Save the page" } }
            }
        }
    }
}

/// A button that says it, and when it is there: with an entrance chosen, with a place off it. The note's name stands before
/// its own words.
fn button(what: &str, when: &str) -> Markup {
    let words = said::button_called(what);
    let (first, rest) = words.split_at(1);
    let first = if what == "note" { first.to_owned() } else { first.to_uppercase() };
    html! { button.say type="button" data-what=(what) data-when=(when) { (first) (rest) } }
}

/// How to begin a blind sitting, and the sitting itself.
pub fn sitting() -> Markup {
    html! {
        p { button #blind type="button" { "Listen blind" } span.facts { " Fronts in random order, without verdict or picture. Afterwards the page says how far your ear and the tool agree." } }
        dialog #sitting aria-labelledby="sitting-h" {
            h2 #sitting-h { "Listening blind" }
            p #sitting-at aria-live="polite" {}
            div #sitting-ask {
                div.row { button #again type="button" { "Play again " kbd { "p" } } }
                div.row { button #clear type="button" { "Clear " kbd { "c" } } button #unclear type="button" { "Unclear " kbd { "u" } } }
                div.row #which hidden { @for (k, f) in heard_faults().enumerate() { button type="button" data-fault=(f.as_str()) { (words::word(f)) " " kbd { (k + 1) } } } button type="button" data-fault="" { "cannot say " kbd { "0" } } }
            }
            div #sitting-end hidden {}
            div.row { button #leave type="button" { "Leave" } }
        }
    }
}

/// What the page's script knows of the takes, and the corrections it keeps.
pub fn data(takes: &[HeardTake]) -> Markup {
    let all: Vec<Value> = takes.iter().map(take).collect();
    html! {
        script type="application/json" id="takes" { (PreEscaped(safe(&json!({ "takes": all, "words": fault_words() })))) }
        @for (k, heard) in takes.iter().enumerate() {
            script type="application/json" id=(format!("corrections-{k}")) { (PreEscaped(safe(&json!(kept(heard))))) }
        }
    }
}

/// JSON that no parser of HTML takes for a tag.
fn safe(value: &Value) -> String {
    value.to_string().replace('<', "\\u003c")
}

fn fault_words() -> BTreeMap<&'static str, &'static str> {
    FaultName::ALL.into_iter().map(|fault| (fault.as_str(), words::word(fault))).collect()
}

fn take(heard: &HeardTake) -> Value {
    let take = &heard.take;
    let file = crate::corrections::file::path_of(&take.source.path);
    let entrances: Vec<Value> =
        take.entrances.iter().take(MAX_CHOSEN).enumerate().map(|(i, e)| entrance(heard, i, e)).collect();
    json!({
        "file": file.file_name().unwrap_or(file.as_os_str()).to_string_lossy(),
        "duration_s": take.source.duration_s,
        "entrances": entrances,
    })
}

fn entrance(heard: &HeardTake, place: usize, e: &Entrance) -> Value {
    let settings = &heard.take.options.settings;
    let by_ear = heard.take.corrected.as_ref().and_then(|corrected| corrected.of(place));
    let found = by_ear.and_then(|by_ear| by_ear.found).unwrap_or(*e);
    let near = |fault: FaultName| {
        ear::nearness(&found.front, fault, settings).map(|r| (fault.as_str(), (r * 1e4).round() / 1e4))
    };
    let near: BTreeMap<_, _> = FaultName::ALL.into_iter().filter_map(near).collect();
    json!({
        "at": (e.front.speaks_s * 1e4).round() / 1e4,
        "end": e.front.end_s.map(|s| (s * 1e3).round() / 1e3),
        "note": super::note_name(e),
        "register": e.front.midi_note.map(Register::of).map(Register::as_str),
        "faults": words::worst_first(e).iter().map(|f| f.name.as_str()).collect::<Vec<_>>(),
        "measured": heard_faults().filter(|f| found.verdict.faults.get(*f).is_some()).map(FaultName::as_str).collect::<Vec<_>>(),
        "near": near,
        "own": by_ear.is_some_and(|by_ear| by_ear.found.is_none()),
    })
}

/// What holds of a take, in its own times, as a file of corrections.
fn kept(heard: &HeardTake) -> Corrections {
    let mut kept = Corrections::new(&super::name(heard), heard.take.sound.clone());
    let Some(corrected) = &heard.take.corrected else { return kept };
    let of_entrances = corrected.by_ear.iter().flat_map(|by_ear| &by_ear.said);
    let all = of_entrances.chain(corrected.removed.iter().map(|(said, _)| said)).chain(&corrected.lost);
    let mut seen = HashSet::new();
    kept.corrections = all.filter(|c: &&Correction| seen.insert(c.id.clone())).cloned().collect();
    kept.corrections.sort_by(|a, b| (a.made_ms, &a.id).cmp(&(b.made_ms, &b.id)));
    kept
}
