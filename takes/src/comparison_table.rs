//! Compared takes for people: which front to keep and why, as a table and a closing summary.

use crate::compare::{self, Choice, Comparison, HeardTake, PairChange};
use crate::words;
use comfy_table::presets::NOTHING;
use comfy_table::{ContentArrangement, Table};
use notefront_dsp::align::Side;
use notefront_dsp::units;
use std::fmt::Write;

/// Tempo ratios nearer to 1 than this are one tempo.
const SAME_TEMPO: f64 = 0.02;

/// How the tables are laid out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct ComparisonStyle {
    /// Pairs without a difference too.
    pub all: bool,
    /// Columns of the terminal; `None` leaves lines as long as they are.
    pub width: Option<u16>,
}

/// Two takes as text, with a line feed at its end. `choice` is that of the same two takes.
#[must_use]
pub fn two(a: &HeardTake, b: &HeardTake, comparison: &Comparison, choice: &Choice, style: ComparisonStyle) -> String {
    let mut text = format!("A  {}\nB  {}\n", named(a), named(b));
    for note in notes(comparison) {
        let _ = writeln!(text, "  Note: {note}");
    }
    let shown: Vec<&PairChange> =
        comparison.pairs.iter().filter(|p| style.all || p.better.is_some() || !compare::why(p).is_empty()).collect();
    if !shown.is_empty() {
        let rows = shown.iter().map(|pair| pair_row(a, b, pair));
        let _ = write!(
            text,
            "\n{}\n",
            table(&["note", "in A", "in B", "clarity", "keep", "what changed in B"], rows, style)
        );
    }
    text.push_str(&bar_table(choice, style));
    let _ = write!(text, "\n{}", closing(a, b, comparison));
    text
}

/// Three or more takes as text, with a line feed at its end.
#[must_use]
pub fn choice(takes: &[HeardTake], choice: &Choice, style: ComparisonStyle) -> String {
    let mut text = String::new();
    for (k, take) in takes.iter().enumerate() {
        let aligned = if k == choice.reference { ", the others were aligned with it" } else { "" };
        let _ = writeln!(text, "{}  {}{aligned}", letter(k), named(take));
    }
    let letters: Vec<String> = (0..takes.len()).map(|k| format!("clarity {}", letter(k))).collect();
    let header: Vec<&str> =
        ["note", "at"].into_iter().chain(letters.iter().map(String::as_str)).chain(["keep", "as good"]).collect();
    let shown = choice.places.iter().filter(|p| style.all || p.as_good.len() < takes.len());
    let rows: Vec<Vec<String>> = shown.map(|place| place_row(takes, choice.reference, place)).collect();
    if !rows.is_empty() {
        let _ = write!(text, "\n{}\n", table(&header, rows.into_iter(), style));
    }
    text.push_str(&bar_table(choice, style));
    let num_kept = |k| choice.places.iter().filter(|p| p.keep == k && p.as_good.len() < takes.len()).count();
    let kept: Vec<_> = (0..takes.len()).map(|k| format!("{} {}", num_kept(k), letter(k))).collect();
    let num_alike = choice.places.iter().filter(|p| p.as_good.len() == takes.len()).count();
    let num = choice.places.len();
    let _ =
        writeln!(text, "\n{num} places, {num_alike} alike in all takes. To keep for the others: {}.", kept.join(", "));
    text
}

/// The letter of a take: A, B, ... Z, then numbers.
#[must_use]
pub fn letter(k: usize) -> String {
    u8::try_from(k).ok().filter(|&k| k < 26).map_or_else(|| (k + 1).to_string(), |k| char::from(b'A' + k).to_string())
}

fn named(heard: &HeardTake) -> String {
    let source = &heard.take.source;
    let loudness = heard.loudness.integrated_lufs.map(|lufs| format!(", {lufs:.1} LUFS")).unwrap_or_default();
    format!("{}  ({}{loudness})", source.path.display(), words::clock(source.duration_s))
}

/// What is different about the takes as wholes.
#[must_use]
pub fn notes(comparison: &Comparison) -> Vec<String> {
    let alignment = &comparison.alignment;
    let mut notes = Vec::new();
    if let Some(start) = alignment.false_start {
        let take = if start.side == Side::A { "A" } else { "B" };
        notes.push(match start.num_entrances {
            1 => format!("take {take} has a false start of one note, which is left out"),
            n => format!("take {take} has a false start of {n} notes, which are left out"),
        });
    }
    notes.extend(alignment.tempo_ratio.filter(|r| (r - 1.0).abs() > SAME_TEMPO).map(|ratio| {
        let way = if ratio > 1.0 { "faster" } else { "slower" };
        format!("B is {way}: {ratio:.2} times the tempo of A")
    }));
    if alignment.key_offset != 0 {
        let way = if alignment.key_offset > 0 { "higher" } else { "lower" };
        notes.push(format!("B is in another key: {} semitones {way} than A", alignment.key_offset.abs()));
    }
    notes.extend(comparison.gain_db.filter(|gain| gain.abs() >= 0.5).map(|gain| {
        let way = if gain > 0.0 { "softer" } else { "louder" };
        format!("B was {:.1} dB {way} than A; levels are compared at one loudness", gain.abs())
    }));
    notes
}

fn pair_row(a: &HeardTake, b: &HeardTake, pair: &PairChange) -> Vec<String> {
    let (in_a, in_b) = (&a.take.entrances[pair.pair.a], &b.take.entrances[pair.pair.b]);
    vec![
        in_a.midi_note.map_or_else(|| "?".into(), units::note_name),
        words::clock(in_a.speaks_s),
        words::clock(in_b.speaks_s),
        format!("{:.0} > {:.0}", in_a.clarity, in_b.clarity),
        pair.better.map_or("either", |side| if side == Side::A { "A" } else { "B" }).into(),
        compare::why(pair),
    ]
}

fn place_row(takes: &[HeardTake], reference: usize, place: &compare::Place) -> Vec<String> {
    let entrance = |k: usize| place.entrances[k].map(|i| &takes[k].take.entrances[i]);
    let of_reference = entrance(reference);
    let mut row = vec![
        of_reference.and_then(|e| e.midi_note).map_or_else(|| "?".into(), units::note_name),
        of_reference.map_or_else(String::new, |e| words::clock(e.speaks_s)),
    ];
    row.extend((0..takes.len()).map(|k| entrance(k).map_or_else(|| "missing".into(), |e| format!("{:.0}", e.clarity))));
    let others: Vec<_> = place.as_good.iter().filter(|&&k| k != place.keep).map(|&k| letter(k)).collect();
    row.extend([letter(place.keep), others.join(" ")]);
    row
}

fn bar_table(choice: &Choice, style: ComparisonStyle) -> String {
    let Some(first) = choice.bars.first() else { return String::new() };
    let letters: Vec<String> = (0..first.clarity.len()).map(|k| format!("clarity {}", letter(k))).collect();
    let header: Vec<&str> = ["bar"].into_iter().chain(letters.iter().map(String::as_str)).chain(["keep"]).collect();
    let rows = choice.bars.iter().map(|bar| {
        let kept = if bar.as_good.len() == bar.clarity.len() { "either".into() } else { letter(bar.keep) };
        let mut row = vec![bar.bar.to_string()];
        row.extend(bar.clarity.iter().map(|c| format!("{c:.0}")));
        row.push(kept);
        row
    });
    format!("\n{}\n", table(&header, rows, style))
}

fn table(header: &[&str], rows: impl Iterator<Item = Vec<String>>, style: ComparisonStyle) -> String {
    let mut table = Table::new();
    table.load_style(NOTHING);
    table.force_no_tty();
    match style.width {
        Some(width) => table.set_content_arrangement(ContentArrangement::Dynamic).set_width(width),
        None => table.set_content_arrangement(ContentArrangement::Disabled),
    };
    table.set_header(header.to_vec());
    table.add_rows(rows);
    table.lines().map(|line| line.trim_end().to_owned()).collect::<Vec<_>>().join("\n")
}

fn closing(a: &HeardTake, b: &HeardTake, comparison: &Comparison) -> String {
    let num = comparison.pairs.len();
    if num == 0 {
        return "The takes have no entrance in common.\n".into();
    }
    let (in_a, in_b) = (comparison.num_better(Side::A), comparison.num_better(Side::B));
    let flagged = |heard: &HeardTake| heard.take.entrances.iter().filter(|e| e.is_flagged()).count();
    let mut text =
        format!("{num} entrances in both: {in_b} clearer in B, {in_a} clearer in A, {} alike.\n", num - in_a - in_b);
    let _ = writeln!(
        text,
        "Flagged: {} of {} in A, {} of {} in B.",
        flagged(a),
        a.take.entrances.len(),
        flagged(b),
        b.take.entrances.len()
    );
    let (only_a, only_b) = (comparison.alignment.only_in_a.len(), comparison.alignment.only_in_b.len());
    if only_a + only_b > 0 {
        let _ = writeln!(text, "Without a partner: {only_a} in A, {only_b} in B.");
    }
    text
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
        assert!(text.contains("3 entrances in both: 1 clearer in B, 0 clearer in A, 2 alike."), "{text}");
        assert!(!text.contains("D3 "), "what is alike is left out: {text}");
    }

    #[test]
    fn three_takes_make_a_list_to_choose_from() {
        let takes = [heard(-20.0, true), heard(-20.0, false), heard(-20.0, true)];
        let text = choice(&takes, &compare::choose(&takes, None), ComparisonStyle::default());
        assert!(text.contains("3 places, 2 alike in all takes. To keep for the others: 0 A, 1 B, 0 C."), "{text}");
    }

    #[test]
    fn letters_go_on_as_numbers() {
        assert_eq!([letter(0), letter(25), letter(26)], ["A", "Z", "27"]);
    }
}
