//! The log as a page: one HTML file that needs nothing else, in the house style of the report.

use super::Played;
use super::alternates::Alternates;
use super::habits::{Habits, Measure, Row, Typical};
use super::position_map::PositionMap;
use super::progress::{Line, Progress, What, unusual};
use super::read::{RECENT_DAYS, recent};
use super::stamina::Stamina;
use super::tone::{TITLES, Tones};
use super::words::{self, counted};
use crate::patterns::Facet;
use crate::patterns::facet::Place;
use crate::report::{shell, svg};
use crate::statistics::LEVEL;
use crate::summary::MIN_VALUES;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use notefront_dsp::units;

const STYLE: &str = include_str!("../report/page.css");
/// What the log's pictures add to it.
const PICTURES: &str = "
.courses { display: grid; gap: 1rem 2rem; grid-template-columns: repeat(auto-fill, minmax(min(100%, 300px), 1fr)); }
.course { margin: 0; }
.course svg { width: 100%; height: auto; display: block; overflow: visible; }
.course text { font-size: 11px; fill: var(--dim); }
.course .way { fill: none; stroke: var(--strong); stroke-width: 2; }
.course .week { fill: var(--strong); }
.course .still { stroke: var(--dim); stroke-dasharray: 4 3; }
.course .still-week { fill: var(--dim); }
figcaption { font-size: .92rem; }
";

/// The page of a player's takes, in the order they were played.
#[must_use]
pub fn page(player: Option<&str>, played: &[Played]) -> String {
    let (habits, progress) = (Habits::of(played), Progress::of(played));
    let lately = Habits::of(recent(played));
    let title = player.map_or_else(|| "Practice log".to_owned(), |name| format!("Practice log of {name}"));
    let markup = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'";
                title { (title) }
                style { (PreEscaped(STYLE)) (PreEscaped(PICTURES)) }
            }
            body {
                header { p.brand { "Notefront: week after week" } h1 { (title) } p.facts { (span(played, &habits)) } }
                main {
                    (first_words(&lately, played))
                    (courses(&progress))
                    (patterns(&habits))
                    (horn(played))
                    (lasting(played))
                    (tone(played))
                    (meaning())
                    (shell::cautions())
                }
            }
        }
    };
    markup.into_string()
}

fn span(played: &[Played], habits: &Habits) -> String {
    let (sessions, takes, notes) = habits.counts;
    let counts = format!("{} in {}, {}", counted(notes, "note"), counted(takes, "take"), counted(sessions, "session"));
    match (played.first(), played.last()) {
        (Some(first), Some(last)) => format!("{counts}, {} to {}", first.take.day(), last.take.day()),
        _ => counts,
    }
}

fn first_words(habits: &Habits, played: &[Played]) -> Markup {
    let unusual = unusual(played);
    html! {
        section aria-labelledby="first" {
            h2 #first { "What to work on" }
            p.facts { "By the last " (RECENT_DAYS) " days: " (span(recent(played), habits)) "." }
            @if habits.standing.is_empty() {
                p.lead { "Nothing stands out beyond what chance would do." }
            } @else {
                ul.plain.first { @for standing in &habits.standing { li.lead { (capital(&words::standing(standing, habits))) } } }
                p.facts { "Exercises that aim at it: " code { "notefront sheet" } }
            }
            @if !unusual.is_empty() {
                h3 { "The last session was not your usual" }
                ul.plain { @for u in &unusual { li {
                    (words::what(u.what)) ": " (format!("{:.0}", u.value)) ", usually " (format!("{:.0} (\u{b1}{:.0})", u.usual, u.range))
                } } }
            }
        }
    }
}

fn courses(progress: &Progress) -> Markup {
    html! {
        section aria-labelledby="weeks" {
            h2 #weeks { "Week by week" }
            @if progress.lines.is_empty() {
                p { "Too few sessions to tell a change: six with five notes each are the least." }
            } @else {
                p.facts { "A line is drawn strong where the change over all sessions is more than chance makes, and broken where it is not or where the room may have made it. What is asked at once is paid for." }
                @if let Some(room) = &progress.room { p.remark { "Take care: " (words::room(room)) } }
                div.courses { @for (i, line) in progress.lines.iter().enumerate().filter(|(_, l)| is_worth_a_picture(l)) { (course(progress, i, line)) } }
            }
        }
    }
}

/// A fault that hardly occurs is in the table of patterns, and needs no picture.
fn is_worth_a_picture(line: &Line) -> bool {
    !matches!(line.what, What::Fault(_)) || line.ends.0.max(line.ends.1) >= 1.0 || line.chance < LEVEL
}

/// Size of a picture, and the room for its words, px.
const SIZE: (f64, f64) = (300.0, 110.0);
const LEFT: f64 = 38.0;
const BOTTOM: f64 = 18.0;

fn course(progress: &Progress, i: usize, line: &Line) -> Markup {
    let weeks: Vec<(usize, f64)> =
        progress.weeks.iter().enumerate().filter_map(|(k, week)| Some((k, week.means[i]?))).collect();
    let (low, high) = range(&weeks);
    let step = (SIZE.0 - LEFT - 8.0) / (progress.weeks.len().max(2) - 1) as f64;
    let x = |k: usize| LEFT + k as f64 * step;
    let y = |value: f64| 8.0 + (high - value) / (high - low) * (SIZE.1 - 8.0 - BOTTOM);
    let points: Vec<(f64, f64)> = weeks.iter().map(|&(k, value)| (x(k), y(value))).collect();
    let course = progress.course(line);
    let is_told = course.is_claimed();
    let (way, week) = if is_told { ("way", "week") } else { ("way still", "still-week") };
    let unit = if matches!(line.what, What::Fault(_)) { " %" } else { "" };
    let first_and_last = progress.weeks.first().zip(progress.weeks.last());
    html! {
        figure.course {
            figcaption { b { (words::what(line.what)) } ": " (words::course(course))
                @if is_told { (format!(", {:+.1}{unit} a week", line.per_week)) } }
            svg viewBox=(format!("0 0 {} {}", SIZE.0, SIZE.1)) role="img" aria-label=(spoken(line)) {
                line.ground x1=(LEFT) x2=(SIZE.0) y1=(svg::px(y(low))) y2=(svg::px(y(low))) {}
                text x=(LEFT - 5.0) y=(svg::px(y(high) + 4.0)) text-anchor="end" { (format!("{high:.0}{unit}")) }
                text x=(LEFT - 5.0) y=(svg::px(y(low) + 4.0)) text-anchor="end" { (format!("{low:.0}{unit}")) }
                @if let Some((first, last)) = first_and_last {
                    text x=(LEFT) y=(SIZE.1 - 3.0) { (first.monday) }
                    @if first != last { text x=(SIZE.0) y=(SIZE.1 - 3.0) text-anchor="end" { (last.monday) } }
                }
                path class=(way) d=(svg::lines(std::slice::from_ref(&points))) {}
                @for (px, py) in &points { circle class=(week) cx=(svg::px(*px)) cy=(svg::px(*py)) r="3" {} }
            }
        }
    }
}

fn spoken(line: &Line) -> String {
    format!("from {:.1} in the first third to {:.1} in the last", line.ends.0, line.ends.1)
}

/// Whole numbers that hold all values with some room.
fn range(weeks: &[(usize, f64)]) -> (f64, f64) {
    let (low, high) = weeks.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), &(_, v)| (l.min(v), h.max(v)));
    if !low.is_finite() {
        return (0.0, 1.0);
    }
    (low.floor(), (low.floor() + 2.0).max(high.ceil()))
}

fn patterns(habits: &Habits) -> Markup {
    html! {
        section aria-labelledby="patterns" {
            h2 #patterns { "Where it goes wrong" }
            p.facts { "The bar is the share of unclear notes; after it how many of how many, and in brackets where the true share lies 9 times out of 10. Nothing is said of fewer than " (MIN_VALUES) " notes." }
            (by_place(habits))
            @for facet in Facet::ALL { @if facet != Facet::Place { (by_facet(habits, facet)) } }
        }
    }
}

fn by_facet(habits: &Habits, facet: Facet) -> Markup {
    let (rows, _) = habits.told(facet);
    let measures = words::told_measures(&rows);
    // One kind alone compares with nothing.
    html! {
        @if rows.len() > 1 { div.scroll tabindex="0" role="region" aria-label=(facet.title()) { table {
            caption { (capital(facet.title())) }
            thead { tr { th scope="col" { "which" } th scope="col" { "unclear" } @for &m in &measures { th scope="col" { (Measure::ALL[m].title()) } } } }
            tbody { @for row in rows { tr { th scope="row" { (facet.label(row.kind)) } (share(row)) @for &m in &measures { td { (told(row.typical[m])) } } } } }
        } } }
    }
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

fn told(typical: Option<Typical>) -> Markup {
    html! { @if let Some(t) = typical {
        (format!("{:.0}", t.median))
        @if t.low < t.high { span.interval { (format!(" ({:.0} to {:.0})", t.low, t.high)) } }
    } }
}

fn share(row: &Row) -> Markup {
    html! {
        @match row.unclear {
            Some(s) => td { span.share style=(format!("--share:{:.0}%", 100.0 * s.value)) {} (row.cell.num_flagged) " of " (row.cell.num) span.interval { (format!(" ({:.0} to {:.0} %)", 100.0 * s.low, 100.0 * s.high)) } },
            None => td.few { "only " (row.cell.num) },
        }
    }
}

/// Partials upwards, positions to the right, as on the page of a take.
fn by_place(habits: &Habits) -> Markup {
    let row = |partial, position| {
        let kind = Place { partial, position, trigger: false }.kind();
        habits.rows.iter().find(|row| row.facet == Facet::Place && row.kind == kind)
    };
    let has_enough = |partial: &u8| (1..=7).any(|p| row(*partial, p).is_some_and(|row| row.cell.num >= MIN_VALUES));
    let partials: Vec<u8> = (1..=12).rev().filter(has_enough).collect();
    html! {
        @if !partials.is_empty() { div.scroll tabindex="0" role="region" aria-label="By partial and position" { table.grid {
            caption { "By partial and slide position" span.interval { " the most usual position of each note: which one was taken cannot be heard" } }
            thead { tr { th scope="col" { "partial" } @for p in 1..=7 { th scope="col" { "position " (p) } } } }
            tbody { @for k in partials { tr { th scope="row" { (k) } @for p in 1..=7 { @match row(k, p) { Some(row) => (share(row)), None => td {} } } } } }
        } } }
    }
}

fn horn(played: &[Played]) -> Markup {
    let map = PositionMap::of(played, &[]);
    html! {
        @if !map.places.is_empty() { section aria-labelledby="horn" {
            h2 #horn { "Where the slide should go" }
            p.facts { "Settled pitch from equal temperament, the horn's way to warm and the day's tuning taken out; positions are the most usual ones. Millimetres are good to a tenth at best." }
            div.scroll tabindex="0" role="region" aria-label="Where the slide should go" { table {
                thead { tr { th scope="col" { "which" } th scope="col" { "notes" } th scope="col" { "cents" } th scope="col" { "the slide" } } }
                tbody { @for tuned in &map.places { tr {
                    th scope="row" { (Facet::Place.label(tuned.place.kind())) } td { (tuned.num) }
                    td { (words::signed(tuned.cents).replace('-', "\u{2212}")) span.interval { (format!(" (\u{b1}{:.0})", tuned.uncertainty.max(1.0))) } }
                    td { (words::slide_move(tuned)) }
                } } }
            } }
            (alternates(played))
        } }
    }
}

/// Positions that the player named, ranked by how clearly they speak.
fn alternates(played: &[Played]) -> Markup {
    let found = Alternates::of(played);
    let ways = found.notes.iter().flat_map(|ranked| ranked.ways.iter().map(move |way| (ranked.midi_note, way)));
    let ways: Vec<_> = ways.collect();
    html! {
        @if !ways.is_empty() {
            div.scroll tabindex="0" role="region" aria-label="Positions of the same note" { table {
                caption { "Positions of the same note" span.interval { " as the tags of the takes name them, the clearest first" } }
                thead { tr { th scope="col" { "note" } th scope="col" { "position" } th scope="col" { "notes" } th scope="col" { "clarity" } } }
                tbody { @for (note, way) in ways { tr {
                    th scope="row" { (units::note_name(note)) } td { (way.position) } td { (way.num) }
                    td { (format!("{:.0}", way.clarity.0)) span.interval { (format!(" ({:.0} to {:.0})", way.clarity.1, way.clarity.2)) } }
                } } }
            } }
        }
    }
}

fn lasting(played: &[Played]) -> Markup {
    let stamina = Stamina::of(played);
    // The minutes stand among the patterns already; the sentences are what is new.
    let sentences = if stamina.parts.is_empty() { String::new() } else { words::lasting(&stamina) };
    html! {
        @if !sentences.is_empty() { section aria-labelledby="lasting" {
            h2 #lasting { "Lasting, even, and breathing" }
            @for sentence in sentences.lines() { p { (sentence) } }
        } }
    }
}

fn tone(played: &[Played]) -> Markup {
    let tones = Tones::of(played);
    html! {
        @if !tones.rows.is_empty() { section aria-labelledby="tone" {
            h2 #tone { "The tone of the notes" }
            p.facts { "Of the notes that are held long enough, once they have settled. Vibrato is no unsteadiness, and swelling and fading are none of the level. In brackets where the true median lies 9 times out of 10." }
            div.scroll tabindex="0" role="region" aria-label="The tone of the notes, by register" { table {
                thead { tr { th scope="col" { "register" } th scope="col" { "notes" } @for title in TITLES { th scope="col" { (title) } } } }
                tbody { @for row in &tones.rows { tr {
                    th scope="row" { (row.register.label()) } td { (row.num) }
                    @for (m, typical) in row.typical.iter().enumerate() { td { (words::tone_typical(m, typical)) } }
                } } }
            } }
            p { (words::strain(tones.strain)) }
        } }
    }
}

fn meaning() -> Markup {
    html! {
        section.prose aria-labelledby="meaning" {
            h2 #meaning { "What the numbers mean" }
            dl {
                dt { "stands out" } dd { "these notes were less clear than the other notes of the same takes, by more than would happen if the labels were dealt out by chance, and in most sessions." }
                dt { "better, worse" } dd { "the line through all sessions is steeper than chance draws it. Sessions are compared, not notes." }
                dt { "against the others" } dd { "the clarity of these notes less that of all others in the same session, so that a bad day is not blamed on them." }
                dt { "clarity" } dd { "0 to 100 for each note. It describes a front, not a player." }
            }
            p { "What players usually practise is practice of the trade, not a prescription: your teacher's ear outranks this page." }
        }
    }
}
