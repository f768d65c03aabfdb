//! Where it goes wrong: by partial and position, register and dynamic. Nothing is told of fewer than five notes.

use super::register;
use crate::summary::{MIN_VALUES, Register};
use maud::{Markup, html};
use notefront_dsp::Entrance;

/// Two-sided 90 % of the normal law.
const Z_90: f64 = 1.645;
/// Under the loudest entrance, dB: loud to the first, middle to the second, soft beyond \[H\].
const DYNAMICS_DB: [f64; 2] = [6.0, 15.0];

/// Interval of a share by Wilson 1927 (JASA 22:209-212 \[M\]): honest for few notes, never outside 0 to 1.
fn wilson(num: usize, of: usize, z: f64) -> (f64, f64) {
    let (n, p) = (of as f64, num as f64 / of as f64);
    let centre = p + z * z / (2.0 * n);
    let half = z * (p * (1.0 - p) / n + z * z / (4.0 * n * n)).sqrt();
    ((centre - half) / (1.0 + z * z / n), (centre + half) / (1.0 + z * z / n))
}

/// The patterns of a take.
pub fn view(entrances: &[Entrance]) -> Markup {
    if entrances.len() < MIN_VALUES {
        return html! {};
    }
    let loudest = entrances.iter().map(|e| e.level_db).filter(|db| db.is_finite()).fold(f64::NEG_INFINITY, f64::max);
    let dynamic = |e: &Entrance| DYNAMICS_DB.iter().filter(|db| loudest - e.level_db > **db).count();
    html! {
        h3 { "Where it goes wrong" }
        p.legend { "Share of flagged entrances, with the interval that holds the true share in 9 of 10 cases. Fewer than five notes tell nothing." }
        div.patterns {
            (list("Register", Register::ALL.map(|r| (r.as_str(), entrances.iter().filter(|e| register(e) == Some(r)).collect()))))
            (list("Dynamic", [("loud", 0), ("middle", 1), ("soft", 2)].map(|(name, k)| (name, entrances.iter().filter(|e| dynamic(e) == k).collect()))))
        }
        (by_position(entrances))
    }
}

fn list<const N: usize>(title: &str, groups: [(&str, Vec<&Entrance>); N]) -> Markup {
    html! {
        table { caption { (title) } tbody {
            @for (name, group) in groups.iter().filter(|(_, group)| !group.is_empty()) { tr { th scope="row" { (name) } (cell(group)) } }
        } }
    }
}

fn by_position(entrances: &[Entrance]) -> Markup {
    let at = |partial: u8, position: f64| -> Vec<&Entrance> {
        let is_there = |e: &&Entrance| {
            e.positions
                .iter()
                .next()
                .is_some_and(|p| p.partial == partial && (p.position.round() - position).abs() < 0.5)
        };
        entrances.iter().filter(is_there).collect()
    };
    let partials = (1..=12).rev().filter(|&k| (1..=7).any(|p| at(k, f64::from(p)).len() >= MIN_VALUES));
    html! {
        div.scroll tabindex="0" role="region" aria-label="By partial and position" { table.grid {
            caption { "Partial and position (the most usual one of the note)" }
            thead { tr { th scope="col" { "partial" } @for p in 1..=7 { th scope="col" { (p) } } } }
            tbody { @for k in partials { tr { th scope="row" { (k) } @for p in 1..=7 { (cell(&at(k, f64::from(p)))) } } } }
        } }
    }
}

fn cell(group: &[&Entrance]) -> Markup {
    let (num, of) = (group.iter().filter(|e| e.is_flagged()).count(), group.len());
    if of < MIN_VALUES {
        return html! { td.few { @if of > 0 { "too few" } } };
    }
    let (low, high) = wilson(num, of, Z_90);
    let share = 100.0 * num as f64 / of as f64;
    html! {
        td { span.share style=(format!("--share:{share:.0}%")) {} (num) " of " (of) span.interval { (format!(" {:.0}\u{2013}{:.0} %", 100.0 * low, 100.0 * high)) } }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_interval_is_the_published_one() {
        // Newcombe 1998, Statistics in Medicine 17:857-872, table I, 95 % \[M\]: 81 of 263 and 15 of 148.
        for ((num, of), (low, high)) in [((81, 263), (0.2553, 0.3662)), ((15, 148), (0.0624, 0.1605))] {
            let found = wilson(num, of, 1.959_964);
            assert!((found.0 - low).abs() < 1e-4 && (found.1 - high).abs() < 1e-4, "{found:?}");
        }
    }
}
