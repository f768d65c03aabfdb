//! The ways between notes that grow out of one another: how many, how they lead over, and how they measure against those of
//! professionals.

use crate::summary::Median;
use crate::words;
use notefront_dsp::professionals::{DIP_DB, PASSAGE_MS, Percentiles};
use notefront_dsp::trombone::{self, Crossing};
use notefront_dsp::{Articulation, Entrance, Told};
use std::fmt::Write;

/// Partials that sounded between are listed up to so many.
const MAX_LISTED: usize = 3;

/// The way that led to each entrance from the one before; `None` where it did not grow out of it.
pub fn crossings(entrances: &[Entrance]) -> impl Iterator<Item = Option<Crossing>> {
    let before = std::iter::once(None).chain(entrances.iter().map(Some));
    before.zip(entrances).map(|(before, e)| {
        let passage = e.front.evidence.passage?;
        passage.length_ms.is_ok().then(|| trombone::crossing(&before?.front.positions, &e.front.positions)).flatten()
    })
}

/// The joined notes of a take in words; empty where there are none.
#[must_use]
pub fn words(entrances: &[Entrance]) -> String {
    let joined: Vec<&Entrance> = entrances.iter().filter(|e| e.front.evidence.passage.is_some()).collect();
    if joined.is_empty() {
        return String::new();
    }
    let num_slurred = joined.iter().filter(|e| e.front.articulation == Articulation::Slurred).count();
    let grow = if joined.len() == 1 { "note grows" } else { "notes grow" };
    let mut text = format!("Joined:  {} {grow} out of the one before", joined.len());
    let count = |crossing| crossings(entrances).filter(|&c| c == Some(crossing)).count();
    let ways = [(Crossing::Slide, "by the slide"), (Crossing::Lip, "over partials"), (Crossing::Either, "either way")];
    let ways = ways.map(|(crossing, word)| (count(crossing), word));
    let ways: Vec<_> = ways.iter().filter(|w| w.0 > 0).map(|(num, word)| format!("{num} {word}")).collect();
    if !ways.is_empty() {
        let _ = write!(text, " ({})", ways.join(", "));
    }
    let slurred = match num_slurred {
        0 => "none".to_owned(),
        all if all == joined.len() => "all".to_owned(),
        some => some.to_string(),
    };
    let _ = write!(text, ", {slurred} slurred");
    let told =
        |of: fn(&Entrance) -> Told| joined.iter().filter_map(|e| of(e).ok()).map(|m| m.value).collect::<Vec<_>>();
    text += &against(told(|e| e.front.passage_ms()), "passage", "ms", PASSAGE_MS);
    text += &against(told(|e| e.front.dip_db()), "dip", "dB", DIP_DB);
    text += ".\n";
    text + &between(&joined)
}

/// "; passage 62 ms (professionals 40 to 110)", where enough notes tell it.
fn against(values: Vec<f64>, what: &str, unit: &str, clear: Percentiles) -> String {
    let Some(median) = Median::of(values) else { return String::new() };
    let (low, high) = (clear.low, clear.high);
    format!("; {what} {:.0} {unit} (professionals {low:.0} to {high:.0})", median.median)
}

/// A line on partials that sounded between notes.
fn between(joined: &[&Entrance]) -> String {
    let heard = joined.iter().filter(|e| e.front.evidence.passage.is_some_and(|p| p.between.is_some()));
    let times: Vec<String> = heard.map(|e| words::clock(e.front.speaks_s)).collect();
    match times.len() {
        0 => String::new(),
        num => {
            let more = if num > MAX_LISTED { " and later" } else { "" };
            let times = times[..num.min(MAX_LISTED)].join(", ");
            format!("         Another partial sounded between on the way to {num} of them, at {times}{more}.\n")
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixtures::{clear, told, with};
    use notefront_dsp::entrance::{Between, Passage};
    use notefront_dsp::{CannotTell, Settings};

    /// A note out of the one before.
    fn joined(index: usize, midi: u8, length_ms: Told, between: Option<Between>) -> Entrance {
        with(clear(index, midi, 1.0 + index as f64), |e| {
            e.front.articulation = Articulation::Slurred;
            e.front.evidence.passage = Some(Passage { length_ms, dip_db: 2.0, between });
            trombone::name_note(&mut e.front, &Settings::default());
        })
    }

    #[test]
    fn a_take_of_detached_notes_says_nothing() {
        assert_eq!(words(&[clear(0, 46, 1.0), clear(1, 48, 2.0)]), "");
    }

    #[test]
    fn passages_are_counted_by_their_ways_and_held_against_professionals() {
        let named = with(clear(0, 46, 1.0), |e| trombone::name_note(&mut e.front, &Settings::default()));
        let mut take = vec![named];
        let leap = Some(Between { interval_cents: -500.0, duration_ms: 30.0 });
        for i in 1..=5 {
            take.push(joined(i, if i % 2 == 0 { 46 } else { 45 }, told(20.0, 3.0), leap.filter(|_| i == 2)));
        }
        take.push(joined(6, 45, Err(CannotTell::SamePitch), None));
        let text = words(&take);
        assert!(
            text.starts_with("Joined:  6 notes grow out of the one before (5 by the slide), all slurred; "),
            "{text}"
        );
        assert!(text.contains("passage 20 ms (professionals ") && text.contains("dip 2 dB (professionals "), "{text}");
        assert!(text.contains("on the way to 1 of them, at 0:03.00"), "{text}");
    }
}
