//! Where it goes wrong: by register, dynamic, articulation, step, minutes into the take, and partial and position.
//! Nothing is told of fewer than five notes.

use crate::compare::HeardTake;
use crate::patterns::facet::{self, Place};
use crate::patterns::{Facet, Share, part, part_label, part_minutes};
use crate::summary::MIN_VALUES;
use maud::{Markup, PreEscaped, html};
use notefront_dsp::Entrance;

/// Positions of the slide; partials shown.
const POSITIONS: std::ops::RangeInclusive<u8> = 1..=7;
const PARTIALS: std::ops::RangeInclusive<u8> = 1..=12;

/// Which entrances are unclear, by their places in the take.
type Unclear = Vec<bool>;
/// Entrances that share something, and its name.
type Group<'a> = (String, Vec<&'a Entrance>);

/// The patterns of a take.
pub fn view(heard: &HeardTake) -> Markup {
    let entrances = &heard.take.entrances;
    let lists = [
        ("By register", by(Facet::Register, entrances)),
        ("By dynamic", by(Facet::Dynamic, entrances)),
        ("By articulation", by(Facet::Articulation, entrances)),
        ("By the step from the note before", by(Facet::Interval, entrances)),
        ("By time in the take", by_minutes(entrances, heard.take.source.duration_s)),
    ];
    let unclear: Unclear = (0..entrances.len()).map(|place| heard.take.is_unclear(place)).collect();
    let told: Vec<_> = lists.into_iter().filter(|(_, groups)| is_telling(groups)).collect();
    html! {
        @if entrances.len() >= MIN_VALUES {
            h3 { "Where it goes wrong" }
            p.facts { "The bar is the share of unclear entrances; after it how many of how many, and in brackets where the true share lies 9 times out of 10. Nothing is said of fewer than " (MIN_VALUES) " notes." }
            div.patterns {
                @for (title, groups) in told { (list(title, &groups, &unclear)) }
                (super::overview::typical(heard))
            }
            (by_position(entrances, &unclear))
        }
    }
}

/// One group alone compares with nothing.
fn is_telling(groups: &[Group]) -> bool {
    groups.len() > 1 && groups.iter().any(|(_, group)| group.len() >= MIN_VALUES)
}

/// By what the practice log sorts notes by; entrances that it cannot place are in no group.
fn by(facet: Facet, entrances: &[Entrance]) -> Vec<Group<'_>> {
    let groups = facet::grouped(entrances, facet).into_iter();
    groups.filter_map(|(kind, group)| Some((facet.label(kind?), group))).collect()
}

fn by_minutes(entrances: &[Entrance], duration_s: f64) -> Vec<Group<'_>> {
    let minutes = part_minutes(duration_s);
    let part = |e: &Entrance| part(e.front.speaks_s, minutes);
    let num_parts = entrances.iter().map(part).max().unwrap_or(0) + 1;
    let within = |k: usize| entrances.iter().filter(|e| part(e) == k).collect::<Vec<_>>();
    let all = (0..num_parts).map(|k| (part_label(k, minutes), within(k)));
    all.filter(|(_, group)| !group.is_empty()).collect()
}

fn list(title: &str, groups: &[Group], unclear: &Unclear) -> Markup {
    html! {
        table { caption { (title) }
            thead.unseen { tr { th scope="col" { "which" } th scope="col" { "unclear" } } }
            tbody { @for (name, group) in groups { tr { th scope="row" { (name) } (cell(group, unclear)) } } }
        }
    }
}

fn by_position(entrances: &[Entrance], unclear: &Unclear) -> Markup {
    let by_place = facet::grouped(entrances, Facet::Place);
    let at = |partial: u8, position: u8| -> &[&Entrance] {
        let kind = Some(Place { partial, position, trigger: false }.kind());
        by_place.iter().find(|(found, _)| *found == kind).map_or(&[], |(_, group)| group.as_slice())
    };
    let partials: Vec<u8> =
        PARTIALS.rev().filter(|&k| POSITIONS.into_iter().any(|p| at(k, p).len() >= MIN_VALUES)).collect();
    html! {
        @if !partials.is_empty() {
            div.scroll tabindex="0" role="region" aria-label="By partial and position" { table.grid {
                caption { "By partial and slide position" span.interval { " the most usual position of each note: which one was taken cannot be heard" } }
                thead { tr { th scope="col" { "partial" } @for p in POSITIONS { th scope="col" { "position " (p) } } } }
                tbody { @for k in partials { tr { th scope="row" { (k) } @for p in POSITIONS { (labelled(p, at(k, p), unclear)) } } } }
            } }
        }
    }
}

/// A cell that says which position it is where cells stand under one another, on a phone.
fn labelled(position: u8, group: &[&Entrance], unclear: &Unclear) -> Markup {
    let cell = cell(group, unclear).into_string();
    let class = if group.is_empty() { " class=\"empty\"" } else { "" };
    let plain = cell.strip_prefix("<td class=\"few\">").or(cell.strip_prefix("<td>")).unwrap_or(&cell);
    PreEscaped(format!("<td{class} data-label=\"position {position}: \">{plain}"))
}

fn cell(group: &[&Entrance], unclear: &Unclear) -> Markup {
    let is_unclear = |e: &&&Entrance| unclear.get(e.front.index).is_some_and(|is| *is);
    let (num, of) = (group.iter().filter(is_unclear).count(), group.len());
    let Some(Share { value, low, high }) = Share::of(num, of) else {
        return html! { td.few { @if of > 0 { "only " (of) } } };
    };
    html! {
        td { span.share style=(format!("--share:{:.0}%", 100.0 * value)) {} (num) " of " (of) span.interval { (format!(" ({:.0} to {:.0} %)", 100.0 * low, 100.0 * high)) } }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixtures::{airy, clear};

    #[test]
    fn nothing_is_told_of_fewer_than_five_notes() {
        let entrances: Vec<_> = (0..5).map(|i| airy(i, i as f64)).collect();
        let four: Vec<_> = entrances.iter().take(4).collect();
        let unclear = vec![true; 5];
        assert_eq!(cell(&four, &unclear).into_string(), "<td class=\"few\">only 4</td>");
        assert!(cell(&entrances.iter().collect::<Vec<_>>(), &unclear).into_string().contains("5 of 5"));
    }

    #[test]
    fn a_long_take_is_shown_in_few_parts_that_hold_every_entrance() {
        // Half an hour, a note every 10 s.
        let entrances: Vec<_> = (0..180).map(|i| clear(i, 46, 10.0 * i as f64)).collect();
        let parts = by_minutes(&entrances, 1800.0);
        assert_eq!(parts.len(), 6, "of five minutes each");
        assert_eq!(parts.iter().map(|(_, group)| group.len()).sum::<usize>(), 180);
        assert_eq!(parts[1].0, "minutes 5\u{2013}10");
    }
}
