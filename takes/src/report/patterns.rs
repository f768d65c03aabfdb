//! Where it goes wrong: by register, dynamic, articulation, minutes into the take, and partial and position.
//! Nothing is told of fewer than five notes.

use super::register;
use crate::compare::HeardTake;
use crate::summary::{MIN_VALUES, Register, wilson};
use maud::{Markup, html};
use notefront_dsp::{Articulation, Entrance};

/// Two-sided 90 % of the normal law.
const Z_90: f64 = 1.645;
/// Under the loudest entrance, dB: loud to the first, middle to the second, soft beyond \[H\].
const DYNAMICS_DB: [f64; 2] = [6.0, 15.0];
/// Minutes of a part of the take, the shortest of which makes [`MOST_PARTS`] at most.
const PART_MINUTES: [f64; 5] = [1.0, 2.0, 5.0, 10.0, 30.0];
/// Most parts a take is shown in.
const MOST_PARTS: f64 = 8.0;
/// Positions of the slide; partials shown.
const POSITIONS: std::ops::RangeInclusive<u8> = 1..=7;
const PARTIALS: std::ops::RangeInclusive<u8> = 1..=12;

/// Entrances that share something, and its name.
type Group<'a> = (String, Vec<&'a Entrance>);

/// The patterns of a take.
pub fn view(heard: &HeardTake) -> Markup {
    let entrances = &heard.take.entrances;
    let lists = [
        ("By register", by_register(entrances)),
        ("By dynamic", by_dynamic(entrances)),
        ("By articulation", by_articulation(entrances)),
        ("By time in the take", by_minutes(entrances, heard.take.source.duration_s)),
    ];
    let told: Vec<_> = lists.into_iter().filter(|(_, groups)| is_telling(groups)).collect();
    html! {
        @if entrances.len() >= MIN_VALUES {
            h3 { "Where it goes wrong" }
            p.facts { "The bar is the share of unclear entrances; after it how many of how many, and in brackets where the true share lies 9 times out of 10. Nothing is said of fewer than " (MIN_VALUES) " notes." }
            div.patterns {
                @for (title, groups) in told { (list(title, &groups)) }
                (super::overview::typical(heard))
            }
            (by_position(entrances))
        }
    }
}

/// One group alone compares with nothing.
fn is_telling(groups: &[Group]) -> bool {
    groups.len() > 1 && groups.iter().any(|(_, group)| group.len() >= MIN_VALUES)
}

fn grouped<'a, T: Copy + PartialEq>(
    entrances: &'a [Entrance],
    names: &[(T, &str)],
    of: impl Fn(&Entrance) -> Option<T>,
) -> Vec<Group<'a>> {
    let all = names.iter().map(|(what, name)| {
        ((*name).to_owned(), entrances.iter().filter(|e| of(e) == Some(*what)).collect::<Vec<_>>())
    });
    all.filter(|(_, group)| !group.is_empty()).collect()
}

fn by_register(entrances: &[Entrance]) -> Vec<Group<'_>> {
    grouped(entrances, &Register::ALL.map(|r| (r, r.as_str())), register)
}

fn by_dynamic(entrances: &[Entrance]) -> Vec<Group<'_>> {
    let loudest = super::lane::loudest_db(entrances);
    let dynamic = |e: &Entrance| Some(DYNAMICS_DB.iter().filter(|db| loudest - e.level_db > **db).count());
    let [loud, middle] = DYNAMICS_DB;
    let names = [
        format!("loud (within {loud:.0} dB of the loudest)"),
        "middle".into(),
        format!("soft (more than {middle:.0} dB under it)"),
    ];
    let names: Vec<(usize, &str)> = names.iter().map(String::as_str).enumerate().collect();
    grouped(entrances, &names, dynamic)
}

fn by_articulation(entrances: &[Entrance]) -> Vec<Group<'_>> {
    let names =
        [(Articulation::Tongued, "tongued"), (Articulation::Legato, "legato"), (Articulation::Slurred, "slurred")];
    grouped(entrances, &names, |e| Some(e.articulation))
}

fn by_minutes(entrances: &[Entrance], duration_s: f64) -> Vec<Group<'_>> {
    let fits = |minutes: &f64| duration_s / 60.0 / minutes <= MOST_PARTS;
    let minutes = PART_MINUTES.into_iter().find(fits).unwrap_or(PART_MINUTES[PART_MINUTES.len() - 1]);
    let part = |e: &Entrance| (e.speaks_s / 60.0 / minutes).max(0.0) as usize;
    let num_parts = entrances.iter().map(part).max().unwrap_or(0) + 1;
    let name = |k: usize| format!("minute {:.0} to {:.0}", k as f64 * minutes, (k + 1) as f64 * minutes);
    let all = (0..num_parts).map(|k| (name(k), entrances.iter().filter(|e| part(e) == k).collect::<Vec<_>>()));
    all.filter(|(_, group)| !group.is_empty()).collect()
}

fn list(title: &str, groups: &[Group]) -> Markup {
    html! {
        table { caption { (title) }
            thead.unseen { tr { th scope="col" { "which" } th scope="col" { "unclear" } } }
            tbody { @for (name, group) in groups { tr { th scope="row" { (name) } (cell(group)) } } }
        }
    }
}

fn by_position(entrances: &[Entrance]) -> Markup {
    // The most usual position of a note is its first; nobody can hear which one was taken.
    let usual = |e: &Entrance| {
        let position = e.positions.iter().next().filter(|p| !p.trigger)?;
        Some((position.partial, position.position.round().clamp(1.0, 7.0) as u8))
    };
    let at = |partial: u8, position: u8| -> Vec<&Entrance> {
        entrances.iter().filter(|e| usual(e) == Some((partial, position))).collect()
    };
    let partials: Vec<u8> =
        PARTIALS.rev().filter(|&k| POSITIONS.into_iter().any(|p| at(k, p).len() >= MIN_VALUES)).collect();
    html! {
        @if !partials.is_empty() {
            div.scroll tabindex="0" role="region" aria-label="By partial and position" { table.grid {
                caption { "By partial and slide position" span.interval { " the most usual position of each note: which one was taken cannot be heard" } }
                thead { tr { th scope="col" { "partial" } @for p in POSITIONS { th scope="col" { "position " (p) } } } }
                tbody { @for k in partials { tr { th scope="row" { (k) } @for p in POSITIONS { (cell(&at(k, p))) } } } }
            } }
        }
    }
}

fn cell(group: &[&Entrance]) -> Markup {
    let (num, of) = (group.iter().filter(|e| e.is_flagged()).count(), group.len());
    if of < MIN_VALUES {
        return html! { td.few { @if of > 0 { "only " (of) } } };
    }
    let (low, high) = wilson(num, of, Z_90);
    let share = 100.0 * num as f64 / of as f64;
    html! {
        td { span.share style=(format!("--share:{share:.0}%")) {} (num) " of " (of) span.interval { (format!(" ({:.0} to {:.0} %)", 100.0 * low, 100.0 * high)) } }
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
        assert_eq!(cell(&four).into_string(), "<td class=\"few\">only 4</td>");
        assert!(cell(&entrances.iter().collect::<Vec<_>>()).into_string().contains("5 of 5"));
    }

    #[test]
    fn a_long_take_is_shown_in_few_parts_that_hold_every_entrance() {
        // Half an hour, a note every 10 s.
        let entrances: Vec<_> = (0..180).map(|i| clear(i, 46, 10.0 * i as f64)).collect();
        let parts = by_minutes(&entrances, 1800.0);
        assert_eq!(parts.len(), 6, "of five minutes each");
        assert_eq!(parts.iter().map(|(_, group)| group.len()).sum::<usize>(), 180);
        assert_eq!(parts[1].0, "minute 5 to 10");
    }
}
