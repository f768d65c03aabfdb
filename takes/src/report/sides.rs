//! Two takes side by side: the mirrored lane, and the fronts that differ with both sounds.

use super::{Sounds, lane, play};
use crate::compare::{Comparison, HeardTake, PairChange, why};
use crate::comparison_table::notes;
use maud::{Markup, html};
use notefront_dsp::align::Side;
use notefront_dsp::units;

/// Most differing pairs listed.
const MAX_PAIRS: usize = 400;

/// Whether a pair differs enough to be listed and heard.
pub fn is_shown(pair: &PairChange) -> bool {
    pair.better.is_some()
}

/// The comparison of two takes.
pub fn view(a: &HeardTake, b: &HeardTake, comparison: &Comparison, sounds: &[Sounds]) -> Markup {
    let shown: Vec<_> = comparison.pairs.iter().filter(|p| is_shown(p)).take(MAX_PAIRS).collect();
    let (in_a, in_b) = (comparison.num_better(Side::A), comparison.num_better(Side::B));
    html! {
        section.sides aria-labelledby="sides" {
            h2 #sides { "Two takes side by side" }
            p.facts { (comparison.pairs.len()) " entrances in both: " (in_a) " clearer in A, " (in_b) " clearer in B, " (comparison.pairs.len() - in_a - in_b) " alike. Only in A: " (comparison.alignment.only_in_a.len()) ", only in B: " (comparison.alignment.only_in_b.len()) "." }
            @for note in notes(comparison) { p.remark { "Note: " (note) "." } }
            @if !comparison.pairs.is_empty() { (lane::mirrored(a, b, comparison)) }
            @if !shown.is_empty() {
                div.scroll tabindex="0" role="region" aria-label="Fronts that differ" { table {
                    thead { tr { th scope="col" { "note" } th scope="col" { "A" } th scope="col" { "B" } th scope="col" { "keep" } th scope="col" { "what changed in B" } } }
                    tbody { @for pair in shown { (row(a, b, pair, sounds)) } }
                } }
            }
        }
    }
}

fn row(a: &HeardTake, b: &HeardTake, pair: &PairChange, sounds: &[Sounds]) -> Markup {
    let (in_a, in_b) = (&a.take.entrances[pair.pair.a], &b.take.entrances[pair.pair.b]);
    html! {
        tr id=(format!("p{}", pair.pair.a)) {
            th scope="row" { (in_a.midi_note.map_or_else(|| "?".into(), units::note_name)) }
            td { (format!("{:.0} ", in_a.clarity)) (play(in_a, &sounds[0], "Play A")) }
            td { (format!("{:.0} ", in_b.clarity)) (play(in_b, &sounds[1], "Play B")) }
            td { b { (match pair.better { Some(Side::A) => "A", Some(Side::B) => "B", None => "either" }) } }
            td { (why(pair)) }
        }
    }
}
