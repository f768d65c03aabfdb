//! Compared takes for people: which front to keep and why, as a table and a closing summary.

use crate::columns::{self, Columns, prose};
use crate::compare::{self, Choice, Comparison, HeardTake, PairChange, Stretch};
use crate::table;
use crate::words;
use comfy_table::Cell;
use notefront_dsp::align::Side;
use notefront_dsp::{Entrance, units};
use std::fmt::Write;

/// Tempo ratios nearer to 1 than this are one tempo.
const SAME_TEMPO: f64 = 0.02;
/// Loudness differences under this are not worth a word, dB.
const SAME_LOUDNESS_DB: f64 = 0.5;
/// A take is the better one as a whole when it is clearer in so many times more entrances, and in so many more \[H\].
const CLEARLY_BETTER: (usize, usize) = (2, 3);
/// Most lone entrances named.
const MAX_LONE: usize = 8;

/// How the tables are laid out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ComparisonStyle {
    /// Pairs without a difference too.
    pub all: bool,
    /// Columns there are.
    pub width: u16,
}

impl Default for ComparisonStyle {
    fn default() -> Self {
        Self { all: false, width: columns::USUAL }
    }
}

/// Two takes as text, with a line feed at its end. `choice` is that of the same two takes.
#[must_use]
pub fn two(a: &HeardTake, b: &HeardTake, comparison: &Comparison, choice: &Choice, style: ComparisonStyle) -> String {
    let mut said = format!("{}\n", verdict(comparison));
    for note in notes(comparison) {
        let _ = writeln!(said, "{note}.");
    }
    let (width, named) = (style.width, named(a, "A", "", style.width) + &named(b, "B", "", style.width));
    let mut text = named + "\n" + &prose(&said, width, 0);
    let is_told =
        |p: &&PairChange| comparison.is_same_music && (style.all || p.better.is_some() || !compare::why(p).is_empty());
    let rows: Vec<_> = comparison.pairs.iter().filter(is_told).map(|pair| pair_row(a, b, pair)).collect();
    if !rows.is_empty() {
        let header = vec!["note", "in A", "in B", "clarity", "keep", "what changed from A to B"];
        let _ = write!(text, "\n{}", table(header, &rows, &[5], width));
    }
    text.push_str(&stretch_table(&[a, b], choice, style));
    if !comparison.is_same_music {
        return text;
    }
    let lone_a = lone("A", &a.take.entrances, &comparison.alignment.only_in_a);
    let lone_b = lone("B", &b.take.entrances, &comparison.alignment.only_in_b);
    for line in [lone_a, lone_b].into_iter().flatten() {
        let _ = write!(text, "\n{}", prose(&line, width, 0));
    }
    text.truncate(text.trim_end().len());
    text + "\n"
}

/// Three or more takes as text, with a line feed at its end.
#[must_use]
pub fn choice(takes: &[HeardTake], choice: &Choice, style: ComparisonStyle) -> String {
    let mut text = String::new();
    for (k, take) in takes.iter().enumerate() {
        let aligned = if k == choice.reference { "; times are those of this one" } else { "" };
        text.push_str(&named(take, &letter(k), aligned, style.width));
    }
    let _ = write!(text, "\n{}", prose(&format!("{}\n", choice_verdict(takes, choice)), style.width, 0));
    let shown = choice.places.iter().filter(|p| style.all || p.as_good.len() < takes.len());
    let rows: Vec<PerTake> = shown.map(|place| place_row(takes, choice.reference, place)).collect();
    if !rows.is_empty() {
        let _ = write!(text, "\n{}", table_per_take(&["note", "at"], &["keep", "as good"], rows, style.width));
    }
    text + &stretch_table(takes, choice, style)
}

/// The letter of a take: A, B, ... Z, then numbers.
#[must_use]
pub fn letter(k: usize) -> String {
    u8::try_from(k).ok().filter(|&k| k < 26).map_or_else(|| (k + 1).to_string(), |k| char::from(b'A' + k).to_string())
}

/// The take to keep, or that it does not matter.
#[must_use]
pub fn who(keep: usize, is_alike: bool) -> String {
    if is_alike { "either".into() } else { letter(keep) }
}

/// "A  take.wav  (0:08.20, -17.4 LUFS, 6 of 8 unclear)", with more to be said of it.
fn named(heard: &HeardTake, letter: &str, more: &str, width: u16) -> String {
    let source = &heard.take.source;
    let entrances = &heard.take.entrances;
    let num_flagged = entrances.iter().filter(|e| e.is_flagged()).count();
    let loudness = heard.loudness.integrated_lufs.map(|lufs| format!(", {lufs:.1} LUFS")).unwrap_or_default();
    let length = words::clock(source.duration_s);
    let notes = heard.take.reading.as_ref().map(|reading| format!("; notes: {}", table::counts(reading)));
    let notes = notes.unwrap_or_default();
    let what = format!("({length}{loudness}, {num_flagged} of {} unclear{notes}){more}", entrances.len());
    let indent = letter.chars().count() + 2;
    let lines = table::named(&source.path, &what, width.saturating_sub(indent as u16));
    // What the name leaves no room for stands under it.
    let under = format!("\n{}  ", " ".repeat(indent - 2));
    format!("{letter}  {}\n", lines.trim_end().replace("\n  ", &under))
}

/// Which of two takes to keep, in a sentence or two.
#[must_use]
pub fn verdict(comparison: &Comparison) -> String {
    let (num, alignment) = (comparison.pairs.len(), &comparison.alignment);
    if !comparison.is_same_music {
        let (of_a, of_b) = (num + alignment.only_in_a.len(), num + alignment.only_in_b.len());
        let alike = comparison.pairs.iter().filter(|p| p.pair.interval.is_none_or(|semitones| semitones == 0)).count();
        return format!(
            "Not the same music: {} of {of_a} and {of_b} notes agree. Nothing is said of which to keep.",
            none_or(alike)
        );
    }
    let (in_a, in_b) = (comparison.num_better(Side::A), comparison.num_better(Side::B));
    let alike = match comparison.pairs.len() {
        0 => return "The takes have no entrance in common.".into(),
        1 => "One entrance is in both takes",
        n => return format!("{n} entrances are in both takes: {}. {}", counted(in_a, in_b, n), advice(in_a, in_b)),
    };
    format!("{alike}. {}", advice(in_a, in_b))
}

fn counted(in_a: usize, in_b: usize, num: usize) -> String {
    let alike = match num - in_a - in_b {
        0 => String::new(),
        1 => ", one is alike".into(),
        n if n == num => return "all alike within what can be told".into(),
        n => format!(", {n} are alike"),
    };
    let of = none_or;
    if in_b >= in_a {
        format!("B is clearer in {}, A in {}{alike}", of(in_b), of(in_a))
    } else {
        format!("A is clearer in {}, B in {}{alike}", of(in_a), of(in_b))
    }
}

fn advice(in_a: usize, in_b: usize) -> &'static str {
    let (times, more) = CLEARLY_BETTER;
    let wins = |one: usize, other: usize| one > 0 && other == 0 || one >= times * other && one >= other + more;
    match (in_a, in_b) {
        (0, 0) => "Keep either.",
        _ if wins(in_a, in_b) => "Keep A.",
        _ if wins(in_b, in_a) => "Keep B.",
        _ => "Neither is the better take as a whole: choose note by note.",
    }
}

/// Which of several takes to keep, in a sentence or two.
#[must_use]
pub fn choice_verdict(takes: &[HeardTake], choice: &Choice) -> String {
    if !choice.strangers.is_empty() {
        let strangers: Vec<_> = choice.strangers.iter().map(|&k| letter(k)).collect();
        let verb = if strangers.len() == 1 { "is" } else { "are" };
        let (strangers, reference) = (strangers.join(" and "), letter(choice.reference));
        return format!("{strangers} {verb} not the same music as {reference}. Nothing is said of which to keep.");
    }
    let differ: Vec<_> = choice.places.iter().filter(|p| p.as_good.len() < takes.len()).collect();
    let num_alike = choice.places.len() - differ.len();
    if differ.is_empty() {
        return format!("{num_alike} places, alike in all takes within what can be told. Keep any.");
    }
    let clearest = |k: usize| differ.iter().filter(|p| p.as_good.contains(&k)).count();
    let counted = counted_by_take(&(0..takes.len()).map(clearest).collect::<Vec<_>>());
    let advice = match (0..takes.len()).find(|&k| clearest(k) == differ.len()) {
        Some(k) => format!("Keep {}.", letter(k)),
        None => "No take has them all: choose place by place.".into(),
    };
    let alike = if num_alike > 0 { format!(", {num_alike} alike in all takes") } else { String::new() };
    let num = choice.places.len();
    format!("{num} places{alike}. As clear as any in the other {}: {}. {advice}", differ.len(), counted)
}

/// Most takes of which those with nothing are named too.
const MAX_NAMED: usize = 4;

/// "A in 3, B in none"; of many takes those with most first, and the others together.
fn counted_by_take(counts: &[usize]) -> String {
    let mut named: Vec<(usize, usize)> = counts.iter().copied().enumerate().collect();
    if counts.len() > MAX_NAMED {
        named.retain(|&(_, count)| count > 0);
        named.sort_by_key(|&(_, count)| std::cmp::Reverse(count));
    }
    let left_out = if named.len() < counts.len() { ", the others in none" } else { "" };
    let told: Vec<_> = named.iter().map(|&(k, count)| format!("{} in {}", letter(k), none_or(count))).collect();
    told.join(", ") + left_out
}

fn none_or(n: usize) -> String {
    if n == 0 { "none".into() } else { n.to_string() }
}

/// What is different about the takes as wholes, as sentences without their full stop.
#[must_use]
pub fn notes(comparison: &Comparison) -> Vec<String> {
    let alignment = &comparison.alignment;
    let mut notes = Vec::new();
    if !comparison.is_same_music {
        return notes; // tempo, key and loudness of one music by another say nothing
    }
    if let Some(start) = alignment.false_start {
        let take = if start.side == Side::A { "A" } else { "B" };
        notes.push(match start.num_entrances {
            1 => format!("{take} begins with a false start of one note, which does not count"),
            n => format!("{take} begins with a false start of {n} notes, which do not count"),
        });
    }
    notes.extend(alignment.tempo_ratio.filter(|r| (r - 1.0).abs() > SAME_TEMPO).map(|ratio| {
        let way = if ratio > 1.0 { "faster" } else { "slower" };
        format!("B is {way}: {ratio:.2} times the tempo of A")
    }));
    if alignment.key_offset != 0 {
        let way = if alignment.key_offset > 0 { "higher" } else { "lower" };
        let plural = if alignment.key_offset.abs() == 1 { "" } else { "s" };
        notes.push(format!("B is in another key: {} semitone{plural} {way} than A", alignment.key_offset.abs()));
    }
    notes.extend(comparison.gain_db.filter(|gain| gain.abs() >= SAME_LOUDNESS_DB).map(|gain| {
        let way = if gain > 0.0 { "softer" } else { "louder" };
        format!("B was {:.1} dB {way} than A; levels are compared at one loudness", gain.abs())
    }));
    notes
}

fn lone(letter: &str, entrances: &[Entrance], indexes: &[usize]) -> Option<String> {
    let first = indexes.iter().take(MAX_LONE).map(|&i| &entrances[i]);
    let named: Vec<_> = first.map(|e| format!("{} at {}", note(Some(e)), words::clock(e.front.speaks_s))).collect();
    let more = indexes.len().saturating_sub(MAX_LONE);
    let rest = if more > 0 { format!(" and {more} more") } else { String::new() };
    (!indexes.is_empty()).then(|| format!("Only in {letter}: {}{rest}.\n", named.join(", ")))
}

fn note(entrance: Option<&Entrance>) -> String {
    entrance.and_then(|e| e.front.midi_note).map_or_else(|| "?".into(), units::note_name)
}

fn pair_row(a: &HeardTake, b: &HeardTake, pair: &PairChange) -> Vec<String> {
    let (in_a, in_b) = (&a.take.entrances[pair.pair.a], &b.take.entrances[pair.pair.b]);
    vec![
        note(Some(in_a)),
        words::clock(in_a.front.speaks_s),
        words::clock(in_b.front.speaks_s),
        format!("{:.0} > {:.0}", in_a.verdict.clarity, in_b.verdict.clarity),
        pair.better.map_or("either", |side| if side == Side::A { "A" } else { "B" }).into(),
        compare::why(pair),
    ]
}

/// A row with one figure for each take.
struct PerTake {
    before: Vec<String>,
    /// One for each take.
    figures: Vec<String>,
    after: Vec<String>,
}

fn place_row(takes: &[HeardTake], reference: usize, place: &compare::Place) -> PerTake {
    let entrance = |k: usize| place.entrances[k].map(|i| &takes[k].take.entrances[i]);
    let of_reference = entrance(reference);
    let at = of_reference.map_or_else(String::new, |e| words::clock(e.front.speaks_s));
    let clarity = |k| entrance(k).map_or_else(|| "none".into(), |e| format!("{:.0}", e.verdict.clarity));
    let others: Vec<_> = place.as_good.iter().filter(|&&k| k != place.keep).map(|&k| letter(k)).collect();
    PerTake {
        before: vec![note(of_reference), at],
        figures: (0..takes.len()).map(clarity).collect(),
        after: vec![who(place.keep, place.as_good.len() == takes.len()), others.join(" ")],
    }
}

/// "bar 3", or where a stretch begins and ends in the take the others were aligned with.
#[must_use]
pub fn stretch_name(stretch: &Stretch, choice: &Choice, of_reference: &[Entrance]) -> String {
    let at = |i: usize| {
        let entrance = choice.places[i].entrances[choice.reference].map(|i| &of_reference[i]);
        format!("{} at {}", note(entrance), entrance.map_or_else(String::new, |e| words::clock(e.front.speaks_s)))
    };
    match (stretch.bar, stretch.places.len()) {
        (Some(bar), _) => format!("bar {bar}"),
        (None, 1) => at(stretch.places.start),
        (None, _) => format!("{} to {}", at(stretch.places.start), at(stretch.places.end - 1)),
    }
}

/// What to keep for each stretch; nothing for music that is one.
fn stretch_table<T: std::borrow::Borrow<HeardTake>>(takes: &[T], choice: &Choice, style: ComparisonStyle) -> String {
    if choice.stretches.len() < 2 && choice.stretches.iter().all(|s| s.bar.is_none()) {
        return String::new();
    }
    let of_reference = &takes[choice.reference].borrow().take.entrances;
    let rows = choice.stretches.iter().map(|stretch| PerTake {
        before: vec![stretch_name(stretch, choice, of_reference), stretch.places.len().to_string()],
        figures: stretch.clarity.iter().map(|c| format!("{c:.0}")).collect(),
        after: vec![who(stretch.keep, stretch.as_good.len() == stretch.clarity.len())],
    });
    format!("\n{}", table_per_take(&["stretch", "notes"], &["keep"], rows.collect(), style.width))
}

/// A table with the clarity of each take, as its header has room for; of more takes than that the range.
fn table_per_take(before: &[&str], after: &[&str], rows: Vec<PerTake>, width: u16) -> String {
    let num_takes = rows.first().map_or(0, |row| row.figures.len());
    let letters: Vec<String> = (0..num_takes).map(letter).collect();
    let long: Vec<String> = letters.iter().map(|letter| format!("clarity {letter}")).collect();
    let whole = |row: &PerTake| [&row.before[..], &row.figures, &row.after].concat();
    for (names, is_explained) in [(&long, true), (&letters, false)] {
        let head: Vec<&str> =
            before.iter().copied().chain(names.iter().map(String::as_str)).chain(after.iter().copied()).collect();
        let cells: Vec<Vec<String>> = rows.iter().map(whole).collect();
        if columns::needed(&head, &cells) <= usize::from(width) {
            let why = if is_explained { "" } else { "Clarity of each take:\n" };
            let right: Vec<usize> = (before.len()..before.len() + num_takes).collect();
            let columns = Columns { head, wrapped: &[], right: &right, is_styled: false };
            let cells = cells.iter().map(|row| row.iter().map(Cell::new).collect()).collect();
            return format!("{why}{}", columns.table(cells, width));
        }
    }
    let ranged = |row: &PerTake| {
        let figures = row.figures.iter().filter_map(|figure| figure.parse::<f64>().ok());
        let (low, high) = figures.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), f| (l.min(f), h.max(f)));
        let range = if low <= high { format!("{low:.0} to {high:.0}") } else { String::new() };
        [&row.before[..], &[range], &row.after].concat()
    };
    let head: Vec<&str> = before.iter().copied().chain(["clarity"]).chain(after.iter().copied()).collect();
    let last = head.len() - 1;
    table(head, &rows.iter().map(ranged).collect::<Vec<_>>(), &[0, last], width)
}

fn table(head: Vec<&str>, rows: &[Vec<String>], wrapped: &[usize], width: u16) -> String {
    let columns = Columns { head, wrapped, right: &[], is_styled: false };
    columns.table(rows.iter().map(|row| row.iter().map(|cell| columns::words(cell)).collect()).collect(), width)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixtures::{self, airy, clear};
    use crate::loudness::Loudness;
    use crate::take::Take;

    fn heard(lufs: f64, first_is_airy: bool) -> HeardTake {
        let first = if first_is_airy { airy(0, 1.0) } else { clear(0, 53, 1.0) };
        let take = Take { entrances: vec![first, clear(1, 48, 2.0), clear(2, 50, 3.0)], ..fixtures::take() };
        HeardTake { take, loudness: Loudness { integrated_lufs: Some(lufs), peak: 0.5 } }
    }

    #[test]
    fn two_takes_say_which_front_to_keep_and_why() {
        let (a, b) = (heard(-20.0, true), heard(-14.0, false));
        let choice = compare::choose(&[a.clone(), b.clone()], None);
        let text = two(&a, &b, &compare::compare(&a, &b), &choice, ComparisonStyle::default());
        assert!(text.contains("B was 6.0 dB louder than A"), "{text}");
        assert!(text.contains("45 > 97  B     115 ms less air"), "{text}");
        let verdict = "3 entrances are in both takes: B is clearer in 1, A in none, 2 are alike. Keep B.";
        assert!(text.replace('\n', " ").contains(verdict), "{text}");
        assert!(!text.contains("D3 "), "what is alike is left out: {text}");
    }

    #[test]
    fn takes_of_other_music_are_said_to_be_that_and_nothing_is_advised() {
        let (a, mut b) = (heard(-20.0, true), heard(-14.0, false));
        b.take.entrances = vec![clear(0, 57, 1.0), clear(1, 58, 4.0), clear(2, 40, 4.5)];
        let comparison = compare::compare(&a, &b);
        let text =
            two(&a, &b, &comparison, &compare::choose(&[a.clone(), b.clone()], None), ComparisonStyle::default());
        assert!(text.contains("Not the same music: ") && !text.contains("Keep"), "{text}");
        let takes = [a.clone(), b, a];
        let text = choice(&takes, &compare::choose(&takes, None), ComparisonStyle::default());
        assert!(text.contains("B is not the same music as A.") && !text.contains("Keep"), "{text}");
    }

    #[test]
    fn three_takes_make_a_list_to_choose_from() {
        let takes = [heard(-20.0, true), heard(-20.0, false), heard(-20.0, true)];
        let text = choice(&takes, &compare::choose(&takes, None), ComparisonStyle::default());
        assert!(
            text.replace('\n', " ").contains(
                "3 places, 2 alike in all takes. As clear as any in the other 1: A in none, B in 1, C in none. Keep B."
            ),
            "{text}"
        );
        assert!(text.contains("0:01.00         45         97         45  B"), "{text}");
    }

    #[test]
    fn thirty_takes_to_choose_from_fit_the_columns() {
        let takes: Vec<_> = (0..30).map(|k| heard(-20.0, k != 4)).collect();
        let text = choice(&takes, &compare::choose(&takes, None), ComparisonStyle::default());
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        assert!(text.contains("45 to 97  E"), "range and the one to keep: {text}");
        let verdict = "As clear as any in the other 1: E in 1, the others in none. Keep E.";
        assert!(text.replace('\n', " ").contains(verdict), "{text}");
    }

    #[test]
    fn advice_is_given_only_where_one_take_is_plainly_clearer() {
        let told = [(0, 0), (1, 0), (0, 3), (2, 3), (8, 3), (4, 7)].map(|(a, b)| advice(a, b));
        let neither = "Neither is the better take as a whole: choose note by note.";
        assert_eq!(told, ["Keep either.", "Keep A.", "Keep B.", neither, "Keep A.", neither]);
    }

    #[test]
    fn lone_notes_are_named_and_a_long_list_is_cut() {
        let entrances: Vec<_> = (0..10).map(|i| clear(i, 53, 1.0 + i as f64)).collect();
        assert_eq!(lone("A", &entrances, &[]), None);
        assert_eq!(lone("B", &entrances, &[1]).as_deref(), Some("Only in B: F3 at 0:02.00.\n"));
        let all: Vec<usize> = (0..10).collect();
        assert!(lone("A", &entrances, &all).is_some_and(|text| text.ends_with("F3 at 0:08.00 and 2 more.\n")));
    }

    #[test]
    fn a_transposed_take_and_a_false_start_are_said() {
        let line = |key: u8, start_s: f64| -> Vec<Entrance> {
            let notes = [46, 50, 53, 51, 48, 46].iter().enumerate();
            notes.map(|(i, &midi)| clear(i, midi + key, start_s + i as f64)).collect()
        };
        let (mut a, mut b) = (heard(-20.0, false), heard(-20.0, false));
        a.take.entrances = line(0, 1.0);
        b.take.entrances = line(2, 1.0)[..2].iter().copied().chain(line(2, 6.0)).collect();
        let told = notes(&compare::compare(&a, &b)).join("; ");
        assert!(told.contains("B begins with a false start of 2 notes, which do not count"), "{told}");
        assert!(told.contains("B is in another key: 2 semitones higher than A"), "{told}");
    }

    #[test]
    fn letters_go_on_as_numbers() {
        assert_eq!([letter(0), letter(25), letter(26)], ["A", "Z", "27"]);
    }
}
