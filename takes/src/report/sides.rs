//! Takes side by side: what to keep and why, the mirrored lane of two, and the fronts that differ with their sounds.

use super::{Sounds, mirror, note_name, play};
use crate::compare::{Choice, Comparison, HeardTake, PairChange, Place, why};
use crate::comparison_table::{choice_verdict, letter, notes, stretch_name, verdict, who};
use crate::words;
use maud::{Markup, html};
use notefront_dsp::Entrance;
use notefront_dsp::align::Side;

/// Most differing pairs listed.
const MAX_PAIRS: usize = 400;
/// Most lone entrances named.
const MAX_LONE: usize = 24;

/// Pairs that differ enough to be listed and heard.
fn shown_pairs(comparison: &Comparison) -> impl Iterator<Item = &PairChange> {
    comparison.pairs.iter().filter(|pair| pair.better.is_some()).take(MAX_PAIRS)
}

/// Places that differ enough to be listed and heard.
fn shown_places(choice: &Choice, num_takes: usize) -> impl Iterator<Item = &Place> {
    choice.places.iter().filter(move |place| place.as_good.len() < num_takes).take(MAX_PAIRS)
}

/// Entrances of take `k` that are heard beside those of another: the clear ones of what differs too.
pub fn heard_beside(
    k: usize,
    num_takes: usize,
    comparison: Option<&Comparison>,
    choice: Option<&Choice>,
) -> Vec<usize> {
    let of_pairs = comparison.into_iter().flat_map(shown_pairs).map(|p| if k == 0 { p.pair.a } else { p.pair.b });
    let places = choice.into_iter().flat_map(|choice| shown_places(choice, num_takes));
    of_pairs.chain(places.filter_map(|place| place.entrances[k])).collect()
}

/// The comparison of two takes; `choice` is that of the same two.
pub fn view(takes: [&HeardTake; 2], comparison: &Comparison, choice: &Choice, sounds: &[Sounds]) -> Markup {
    let [a, b] = takes;
    let shown: Vec<_> = shown_pairs(comparison).collect();
    html! {
        section.sides aria-labelledby="sides" {
            h2 #sides { "Two takes side by side" }
            p.lead { (verdict(comparison)) }
            @for note in notes(comparison) { p.remark { (note) "." } }
            @if comparison.is_same_music {
                (lone("A", &a.take.entrances, &comparison.alignment.only_in_a))
                (lone("B", &b.take.entrances, &comparison.alignment.only_in_b))
            }
            @if comparison.is_same_music && !comparison.pairs.is_empty() {
                (mirror::view(a, b, comparison))
                p.facts { "Take A stands above the line, take B hangs mirrored below it, note by note. What differs is inked, what agrees is faint; the letter marks the front to keep, a cross a note that one take has not." }
            }
            (stretches(&takes, choice))
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
        .map(|&i| format!("{} at {}", note_name(&entrances[i]), words::clock(entrances[i].front.speaks_s)))
        .collect();
    html! {
        @if !indexes.is_empty() {
            p.facts { "Only in " (letter) ": " (named.join(", ")) @if indexes.len() > MAX_LONE { " and " (indexes.len() - MAX_LONE) " more" } "." }
        }
    }
}

/// Three takes or more: which has the clearest front for each entrance and stretch, with every sound there is.
pub fn choose_from(takes: &[HeardTake], choice: &Choice, sounds: &[Sounds]) -> Markup {
    let differ: Vec<&Place> = shown_places(choice, takes.len()).collect();
    let refs: Vec<&HeardTake> = takes.iter().collect();
    html! {
        section.sides aria-labelledby="sides" {
            h2 #sides { "Which take to keep" }
            p.lead { (choice_verdict(takes, choice)) }
            (stretches(&refs, choice))
            @if !differ.is_empty() {
                h3 { "Fronts that differ" }
                div.scroll tabindex="0" role="region" aria-label="Fronts that differ" { table.differ {
                    thead { tr { th scope="col" { "note" } @for k in 0..takes.len() { th scope="col" { "clarity in " (letter(k)) } } th scope="col" { "keep" } } }
                    tbody { @for place in differ { (place_row(takes, choice, place, sounds)) } }
                } }
            }
        }
    }
}

fn place_row(takes: &[HeardTake], choice: &Choice, place: &Place, sounds: &[Sounds]) -> Markup {
    let played = |k: usize| place.entrances[k].map(|i| &takes[k].take.entrances[i]);
    let good: Vec<_> = place.as_good.iter().map(|&k| letter(k)).collect();
    html! {
        tr {
            th scope="row" { (played(choice.reference).map_or_else(|| "?".into(), note_name)) }
            @for k in 0..takes.len() {
                td { @match played(k) {
                    Some(entrance) => {
                        b { (format!("{:.0}", entrance.verdict.clarity)) } span.at { " at " (words::clock(entrance.front.speaks_s)) " " }
                        (play(entrance, &sounds[k], &format!("Play {}", letter(k))))
                    },
                    None => span.few { "missing" },
                } }
            }
            td { b { (good.join(" or ")) } }
        }
    }
}

/// Nothing for music that is one stretch.
fn stretches(takes: &[&HeardTake], choice: &Choice) -> Markup {
    let Some(of_reference) = takes.get(choice.reference).filter(|_| choice.stretches.len() > 1) else {
        return html! {};
    };
    let of_reference = &of_reference.take.entrances;
    html! {
        h3 { "Stretch by stretch" }
        div.scroll tabindex="0" role="region" aria-label="Which take to keep for each stretch" { table {
            thead { tr { th scope="col" { "stretch" } th scope="col" { "notes" } @for k in 0..takes.len() { th scope="col" { "clarity in " (letter(k)) } } th scope="col" { "keep" } } }
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
            span.at { (words::clock(entrance.front.speaks_s)) } " clarity " b { (format!("{:.0}", entrance.verdict.clarity)) } " "
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
