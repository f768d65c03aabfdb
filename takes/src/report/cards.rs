//! The card of one flagged entrance: what is wrong, its close-up, its numbers, its sound and a place for notes. Cards
//! fold; the three that matter most are open.

use super::close_up::{close_up, minus};
use super::{Sounds, note_name, play, register, spoken};
use crate::words;
use maud::{Markup, html};
use notefront_dsp::{CannotTell, Entrance, Told};

/// Cards that are open at first: nobody works on more at once.
const NUM_OPEN: usize = 3;

/// The card of an entrance; `rank` is its place among the most unclear, from 1.
pub fn card(id: &str, rank: usize, entrance: &Entrance, sounds: &Sounds) -> Markup {
    let faults = words::worst_first(entrance);
    let names: Vec<_> = faults.iter().map(|f| f.name.as_str()).collect();
    let heard: Vec<_> = faults.iter().map(|f| words::word(f.name)).collect();
    let heading = format!("{id}-h");
    html! {
        article.card #(id) tabindex="-1" aria-labelledby=(heading) data-faults=(names.join(" ")) data-register=(register(entrance).map_or("", |r| r.as_str()))
            data-clarity=(format!("{:.2}", entrance.verdict.clarity)) data-time=(format!("{:.3}", entrance.front.speaks_s)) {
            details.fold open[rank <= NUM_OPEN] {
                summary {
                    h4 #(heading) { span.rank { (rank) } " " (note_name(entrance)) span.at { " at " (words::clock(entrance.front.speaks_s)) } }
                    span.clarity { "clarity " b { (format!("{:.0}", entrance.verdict.clarity)) } }
                    span.what { (heard.join(", ")) }
                }
                ul.faults { @for fault in &faults {
                    li { b { (words::word(fault.name)) } ": " (words::because(entrance, fault.name)) " " span.sure { "(" (words::sureness(fault)) ")" } }
                } }
                @if let Some(worst) = faults.first() { p.try { "Players usually try: " (words::usual_remedy(worst.name)) "." } }
                (close_up(entrance, &spoken(entrance)))
                (numbers(entrance))
                label.note { "Teacher's note" textarea rows="2" {} }
            }
            (play(entrance, sounds, "Play"))
        }
    }
}

fn numbers(entrance: &Entrance) -> Markup {
    let rows = [
        ("air first", entrance.front.noise_before_tone_ms, "ms"),
        ("leaned", entrance.front.approach_cents, "cents"),
        ("in at", entrance.front.onset_cents, "cents"),
        ("spoke in", entrance.front.speak_ms, "ms"),
        ("settled after", entrance.front.settle_ms, "ms"),
        ("grew in", entrance.front.attack_ms, "ms"),
        ("burst", entrance.front.overshoot_db, "dB"),
        ("passage", entrance.front.passage_ms(), "ms"),
        ("dipped", entrance.front.dip_db(), "dB"),
        ("breath to sound", entrance.front.breath_to_sound_ms(), "ms"),
        ("off the beat", entrance.verdict.timing_ms, "ms"),
    ];
    // Without a beat nobody asks how far off it a note was, nor for the way from a note that was over, nor for a breath
    // that was not taken; that a take has another beat is told once.
    let is_unasked =
        |told: &Told| matches!(told, Err(CannotTell::NoGrid | CannotTell::NotToBeat | CannotTell::NotConnected));
    let is_asked = |name: &str, told: &Told| if name == "breath to sound" { told.is_ok() } else { !is_unasked(told) };
    let asked = rows.iter().filter(|(name, told, _)| is_asked(name, told));
    html! {
        dl.numbers { @for (name, told, unit) in asked { div { dt { (name) } dd { (figure(*told, unit)) } } } }
    }
}

fn figure(told: Told, unit: &str) -> String {
    match told {
        Ok(m) if m.value.is_finite() => format!("{} ± {:.0} {unit}", minus(m.value), m.uncertainty),
        Ok(_) => "cannot tell".into(),
        Err(reason) => format!("cannot tell: {}", words::reason(reason)),
    }
}
