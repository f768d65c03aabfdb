//! A take in sentences and figures: what a colleague would say first, and every entrance as a table.

use super::{MAX_CARDS, Sounds, id, note_name, play};
use crate::compare::HeardTake;
use crate::corrections;
use crate::corrections::apply::is_by_hand;
use crate::summary::{Count, Median, Summary};
use crate::table::{self, what_went_wrong, where_it_went_wrong};
use crate::words;
use maud::{Markup, html};
use notefront_dsp::Entrance;

/// Most rows of the table of all entrances: more are slow to open, and nobody reads them.
const MAX_ROWS: usize = 3_000;

/// The first words about a take.
pub fn view(k: usize, heard: &HeardTake, sounds: &Sounds) -> Markup {
    let summary = Summary::of_take(&heard.take);
    html! {
        p.lead { (verdict(&summary)) }
        (first_to_hear(k, &heard.take.entrances, sounds))
        p.facts {
            @if summary.all.num_flagged > 0 { "Unclear by register: " (where_it_went_wrong(&summary)) ". " }
            "Length " (words::clock(heard.take.source.duration_s))
            @if let Some(lufs) = heard.loudness.integrated_lufs { ", loudness " (format!("{lufs:.1}").replace('-', "\u{2212}")) " LUFS" }
            "."
        }
        @if let Some(beat) = heard.take.beats.as_ref().and_then(table::beats) { p.facts { (beat.trim()) } }
        @if let Some(notice) = heard.take.lines.notice() { p.facts { (notice) } }
        @for warning in &heard.take.warnings { p.remark { "About the recording: " (warning) "." } }
    }
}

/// What matters first: who reads on no further has read this.
fn first_to_hear(k: usize, entrances: &[Entrance], sounds: &Sounds) -> Markup {
    let first = table::first_three(entrances);
    html! {
        @if !first.is_empty() {
            p.lead.first-words { (table::listen_to(first.len())) ":" }
            ul.plain.first { @for entrance in &first {
                li data-for=(id(k, entrance)) {
                    (play(entrance, sounds, "Play"))
                    span { a href=(format!("#{}", id(k, entrance))) { b { (note_name(entrance)) } " at " (words::clock(entrance.front.speaks_s)) }
                    ": " (table::worst(entrance)) "." }
                }
            } }
        }
    }
}

fn verdict(summary: &Summary) -> String {
    let Count { num_entrances, num_flagged } = summary.all;
    match (num_entrances, num_flagged) {
        (0, _) => "No entrances were found in this take.".into(),
        (1, 0) => "One entrance, and it is clear.".into(),
        (n, 0) => format!("{n} entrances, all clear."),
        (n, flagged) => {
            let share = 100.0 * flagged as f64 / n as f64;
            format!("{flagged} of {n} entrances ({share:.0} %) are unclear: {}.", what_went_wrong(summary))
        }
    }
}

/// What the player says of the take.
pub fn by_ear(heard: &HeardTake) -> Markup {
    let told = heard.take.corrected.as_ref().map(|c| corrections::words::block(&heard.take.entrances, c));
    html! {
        @if let Some(told) = told {
            @let mut lines = told.lines();
            p.facts { (lines.next().unwrap_or_default()) }
            ul.plain.by-ear { @for line in lines { li { (line.trim()) } } }
        }
    }
}

/// The take against the written notes, if there are any.
pub fn against_the_notes(heard: &HeardTake) -> Markup {
    html! {
        @if let Some(reading) = &heard.take.reading {
            h3 { "Against the written notes" }
            ul.plain { @for line in table::notes(reading, &heard.take.entrances).lines() { li { (line.trim()) } } }
        }
    }
}

/// Typical figures, where five entrances or more tell them.
pub fn typical(heard: &HeardTake) -> Markup {
    let m = Summary::of(&heard.take.entrances).medians;
    let rows = [
        ("clarity", m.clarity, ""),
        ("air first, where there is any", m.noise_before_tone_ms, "ms"),
        ("leaned", m.approach_cents_abs, "cents"),
        ("spoke in", m.speak_ms, "ms"),
        ("settled after", m.settle_ms, "ms"),
        ("grew in", m.attack_ms, "ms"),
        ("off the beat", m.timing_ms, "ms"),
    ];
    let told: Vec<(&str, Median, &str)> = rows.into_iter().filter_map(|(name, m, u)| Some((name, m?, u))).collect();
    html! {
        @if !told.is_empty() {
            table.typical {
                caption { "The typical entrance" span.interval { " the median, and where it lies 9 times out of 10" } }
                thead.unseen { tr { th scope="col" { "measure" } th scope="col" { "median" } th scope="col" { "interval" } } }
                tbody { @for (name, m, unit) in told { tr {
                    th scope="row" { (name) }
                    td { (super::close_up::minus(m.median)) " " (unit) }
                    td.interval { (super::close_up::minus(m.low)) " to " (super::close_up::minus(m.high)) }
                } } }
            }
        }
    }
}

/// Every entrance in words, for those who do not see the lane or want to look one up.
pub fn all_entrances(k: usize, entrances: &[Entrance], rank: impl Fn(&Entrance) -> Option<usize>) -> Markup {
    let shown = &entrances[..entrances.len().min(MAX_ROWS)];
    html! {
        details {
            summary { h3 { "All " (entrances.len()) " entrances as a table" } }
            @if entrances.len() > MAX_ROWS { p.remark { "The first " (MAX_ROWS) " are listed. `notefront scan --all` lists them all." } }
            div.scroll tabindex="0" role="region" aria-label="All entrances" { table.every {
                thead { tr { th scope="col" { "time" } th scope="col" { "note" } th scope="col" { "clarity" } th scope="col" { "what was heard" } } }
                tbody { @for entrance in shown { tr {
                    td { (words::clock(entrance.front.speaks_s)) }
                    th scope="row" { @match rank(entrance).filter(|&r| r <= MAX_CARDS) {
                        Some(_) => a href=(format!("#{}", id(k, entrance))) { (note_name(entrance)) },
                        None => (note_name(entrance)),
                    } }
                    @if is_by_hand(&entrance.front) { td {} td { "added by you: not measured" } }
                    @else { td { (format!("{:.0}", entrance.verdict.clarity)) } td { (what(entrance)) } }
                } } }
            } }
        }
    }
}

fn what(entrance: &Entrance) -> String {
    let faults: Vec<_> = words::worst_first(entrance).iter().map(|f| words::because(entrance, f.name)).collect();
    if faults.is_empty() { "clear".into() } else { faults.join("; ") }
}
