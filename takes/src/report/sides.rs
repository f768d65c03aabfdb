//! Two takes side by side: what to keep and why, the mirrored lane, and the fronts that differ with both sounds.

use super::{Sounds, mirror, note_name, play};
use crate::compare::{Choice, Comparison, HeardTake, PairChange, why};
use crate::comparison_table::{notes, stretch_name, verdict, who};
use crate::words;
use maud::{Markup, html};
use notefront_dsp::Entrance;
use notefront_dsp::align::Side;

/// Most differing pairs listed.
const MAX_PAIRS: usize = 400;
/// Most lone entrances named.
const MAX_LONE: usize = 24;

/// Whether a pair differs enough to be listed and heard.
pub fn is_shown(pair: &PairChange) -> bool {
    pair.better.is_some()
}

/// The comparison of two takes; `choice` is that of the same two.
pub fn view(takes: [&HeardTake; 2], comparison: &Comparison, choice: &Choice, sounds: &[Sounds]) -> Markup {
    let [a, b] = takes;
    let shown: Vec<_> = comparison.pairs.iter().filter(|p| is_shown(p)).take(MAX_PAIRS).collect();
    html! {
        section.sides aria-labelledby="sides" {
            h2 #sides { "Two takes side by side" }
            p.lead { (verdict(comparison)) }
            @for note in notes(comparison) { p.remark { (note) "." } }
            (lone("A", &a.take.entrances, &comparison.alignment.only_in_a))
            (lone("B", &b.take.entrances, &comparison.alignment.only_in_b))
            @if !comparison.pairs.is_empty() {
                (mirror::view(a, b, comparison))
                p.facts { "Take A stands above the line, take B hangs mirrored below it, note by note. What differs is inked, what agrees is faint; the letter marks the front to keep, a cross a note that one take has not." }
            }
            @if choice.stretches.len() > 1 { (stretches(takes, choice)) }
            @if !shown.is_empty() {
                h3 { "Fronts that differ" }
                div.scroll tabindex="0" role="region" aria-label="Fronts that differ" { table.differ {
                    thead { tr { th scope="col" { "note" } th scope="col" { "in A" } th scope="col" { "in B" } th scope="col" { "keep" } th scope="col" { "what changed from A to B" } } }
                    tbody { @for pair in shown { (row(a, b, pair, sounds)) } }
                } }
            }
        }
    }
}

fn lone(letter: &str, entrances: &[Entrance], indexes: &[usize]) -> Markup {
    let named: Vec<_> = indexes
        .iter()
        .take(MAX_LONE)
        .map(|&i| format!("{} at {}", note_name(&entrances[i]), words::clock(entrances[i].speaks_s)))
        .collect();
    html! {
        @if !indexes.is_empty() {
            p.facts { "Only in " (letter) ": " (named.join(", ")) @if indexes.len() > MAX_LONE { " and " (indexes.len() - MAX_LONE) " more" } "." }
        }
    }
}

fn stretches(takes: [&HeardTake; 2], choice: &Choice) -> Markup {
    let of_reference = &takes[choice.reference.min(1)].take.entrances;
    html! {
        h3 { "Stretch by stretch" }
        div.scroll tabindex="0" role="region" aria-label="Which take to keep for each stretch" { table {
            thead { tr { th scope="col" { "stretch" } th scope="col" { "notes" } th scope="col" { "clarity in A" } th scope="col" { "in B" } th scope="col" { "keep" } } }
            tbody { @for stretch in &choice.stretches { tr {
                th scope="row" { (stretch_name(stretch, choice, of_reference)) }
                td { (stretch.places.len()) }
                @for clarity in &stretch.clarity { td { (format!("{clarity:.0}")) } }
                td { b { (who(stretch.keep, stretch.as_good.len() == stretch.clarity.len())) } }
            } } }
        } }
    }
}

fn row(a: &HeardTake, b: &HeardTake, pair: &PairChange, sounds: &[Sounds]) -> Markup {
    let (in_a, in_b) = (&a.take.entrances[pair.pair.a], &b.take.entrances[pair.pair.b]);
    let front = |entrance: &Entrance, k: usize, what| {
        html! {
            span.at { (words::clock(entrance.speaks_s)) } " clarity " b { (format!("{:.0}", entrance.clarity)) } " "
            (play(entrance, &sounds[k], what))
        }
    };
    html! {
        tr id=(format!("p{}", pair.pair.a)) tabindex="-1" {
            th scope="row" { (note_name(in_a)) }
            td { (front(in_a, 0, "Play A")) }
            td { (front(in_b, 1, "Play B")) }
            td { b { (match pair.better { Some(Side::A) => "A", Some(Side::B) => "B", None => "either" }) } }
            td { (why(pair)) }
        }
    }
}
