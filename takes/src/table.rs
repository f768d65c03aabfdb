//! A take for people: a table of its entrances and a closing summary, as a colleague would note them.

mod over_all;

pub use over_all::{cautions, takes};

use crate::beats::{Beats, Origin};
use crate::breathing::{self, Breathing};
use crate::columns::{self, Columns, prose};
use crate::corrections;
use crate::corrections::apply::is_by_hand;
use crate::sheet::{Reading, Step, Verdict};
use crate::slurs;
use crate::summary::{Count, Median, Summary};
use crate::take::Take;
use crate::words;
use comfy_table::{Attribute, Cell};
use notefront_dsp::{Entrance, Fault, FaultName, units};
use std::fmt::Write;

/// What the table shows and how.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TableStyle {
    /// The most unclear entrance first, instead of the order of the sound.
    pub worst_first: bool,
    /// Clear entrances too.
    pub all: bool,
    /// Columns there are.
    pub width: u16,
    /// Bold and dim letters.
    pub styled: bool,
}

impl Default for TableStyle {
    fn default() -> Self {
        Self { worst_first: false, all: false, width: columns::USUAL, styled: false }
    }
}

/// How far a line that goes on stands in from where it began.
const HANG: usize = 2;
/// The same under the words of the closing, such as "What:    ".
const CLOSING_HANG: usize = 9;

/// A take as text, with a line feed at its end.
#[must_use]
pub fn take(take: &Take, style: TableStyle) -> String {
    let mut before = String::new();
    for warning in &take.warnings {
        let _ = writeln!(before, "  Note: {warning}");
    }
    before.extend(take.beats.as_ref().and_then(beats));
    before.extend(take.lines.notice().map(|notice| format!("  {notice}\n")));
    before.push_str(&first_to_hear(&take.entrances));
    let mut text = heading(take, style.width) + &prose(&before, style.width, HANG);
    let shown = entrances_to_show(&take.entrances, style);
    if !shown.is_empty() {
        let _ = write!(text, "\n{}", entrance_table(&shown, style));
    }
    let said = closing(&Summary::of_take(take))
        + &slurs::words(&take.entrances)
        + &tone_line(&Summary::of_take(take))
        + &breathing_line(&take.entrances);
    let _ = write!(text, "\n{}", prose(&said, style.width, CLOSING_HANG));
    let mut after = String::new();
    if let Some(corrected) = &take.corrected {
        let _ = write!(after, "\n{}", corrections::words::block(&take.entrances, corrected));
    }
    if let Some(reading) = &take.reading {
        let _ = write!(after, "\n{}", notes(reading, &take.entrances));
    }
    text + &prose(&after, style.width, HANG)
}

/// "Tone:    24 dB over its noise, pitch steady to 2.1 cents, level to 0.3 dB; brightness 812 Hz."
fn tone_line(summary: &Summary) -> String {
    let m = &summary.medians;
    let (Some(hnr), Some(pitch), Some(level), Some(bright)) =
        (m.hnr_db, m.pitch_wander_cents, m.level_wander_db, m.brightness_hz)
    else {
        return String::new();
    };
    let (hnr, pitch, level, bright) = (hnr.median, pitch.median, level.median, bright.median);
    format!(
        "Tone:    {hnr:.0} dB over its noise, pitch steady to {pitch:.1} cents, level to {level:.1} dB, brightness {bright:.0} Hz.\n"
    )
}

/// "Breath:  12 heard, 8 a minute; ...".
fn breathing_line(entrances: &[Entrance]) -> String {
    match breathing::words(&Breathing::of_entrances(entrances)) {
        said if said.is_empty() => said,
        said => format!("Breath:  {said}\n"),
    }
}

/// Entrances named first: nobody works on more at once.
const NUM_FIRST: usize = 3;

/// The entrances to listen to first: the most unclear of those that are surely so, then of the others.
pub(crate) fn first_three(entrances: &[Entrance]) -> Vec<&Entrance> {
    first_to_listen_to(entrances, |_| true).into_iter().map(|i| &entrances[i]).collect()
}

/// The same by their places, where only some faults are looked at.
#[must_use]
pub fn first_to_listen_to(entrances: &[Entrance], is_shown: impl Fn(FaultName) -> bool) -> Vec<usize> {
    let sureness = |e: &Entrance| {
        let shown = e.verdict.faults.iter().filter(|fault| is_shown(fault.name));
        shown.map(|fault| fault.sureness).max_by(f64::total_cmp)
    };
    let flagged = entrances.iter().enumerate().filter_map(|(i, e)| Some((i, sureness(e)? >= words::UNSURE)));
    let mut flagged: Vec<(usize, bool)> = flagged.collect();
    let clarity = |i: usize| entrances[i].verdict.clarity;
    flagged.sort_by(|a, b| b.1.cmp(&a.1).then(clarity(a.0).total_cmp(&clarity(b.0))));
    flagged.into_iter().take(NUM_FIRST).map(|(i, _)| i).collect()
}

/// "Listen to these three first", or as many as there are.
#[must_use]
pub fn listen_to(num: usize) -> &'static str {
    match num {
        1 => "Listen to this one",
        2 => "Listen to these two",
        _ => "Listen to these three first",
    }
}

/// What matters first, where more is flagged than that.
fn first_to_hear(entrances: &[Entrance]) -> String {
    let first = first_three(entrances);
    if entrances.iter().filter(|e| e.is_flagged()).count() <= NUM_FIRST {
        return String::new(); // the table says it as shortly
    }
    let mut text = format!("\n{}:\n", listen_to(first.len()));
    for entrance in first {
        let _ =
            writeln!(text, "  {} at {}: {}.", note(entrance), words::clock(entrance.front.speaks_s), worst(entrance));
    }
    text
}

/// The worst fault of an entrance with its numbers, before worse ones that are uncertain.
pub(crate) fn worst(entrance: &Entrance) -> String {
    let faults = words::worst_first(entrance);
    let worst = faults.iter().find(|fault| fault.sureness >= words::UNSURE).or(faults.first());
    worst.map_or_else(String::new, |fault| words::because(entrance, fault.name))
}

/// A line on beats that the player did not give.
pub(crate) fn beats(beats: &Beats) -> Option<String> {
    let from = match beats.origin {
        Origin::Given => return None,
        Origin::Tempo => {
            let first = words::clock(beats.first_beat_s().max(0.0));
            return Some(format!("  Beat: {:.1} a minute as given, one at {first} by the take itself.\n", beats.bpm()));
        }
        Origin::Click => "heard in the click",
        Origin::CountIn => "counted in by clicks",
        Origin::Found => "found in the entrances",
        Origin::Notes => "as written",
    };
    let sure = (100.0 * beats.confidence).min(99.0); // nobody was asked
    Some(format!("  Beat: {:.1} a minute, {from} ({sure:.0} % sure).\n", beats.bpm()))
}

/// Notes listed by name; further ones are counted.
const MAX_LISTED_NOTES: usize = 20;

/// How the written notes were met: "28 right, 1 wrong".
pub(crate) fn counts(reading: &Reading) -> String {
    let verdicts = [
        (Verdict::Right, "right"),
        (Verdict::Wrong, "wrong"),
        (Verdict::Octave, "in another octave"),
        (Verdict::Untold, "without a pitch that can be told"),
        (Verdict::Missed, "missed"),
        (Verdict::Extra, "extra"),
    ];
    let counts = verdicts.map(|(verdict, word)| (reading.count(verdict), word));
    let told: Vec<_> = counts.iter().filter(|(n, _)| *n > 0).map(|(n, word)| format!("{n} {word}")).collect();
    told.join(", ")
}

/// The take against the written notes, as lines.
pub(crate) fn notes(reading: &Reading, entrances: &[Entrance]) -> String {
    let mut text = format!("Notes:   {}.\n", counts(reading));
    for remark in &reading.remarks {
        let _ = writeln!(text, "  Note: {remark}");
    }
    let off: Vec<_> = reading.steps.iter().filter_map(|step| off_note(step, entrances)).collect();
    for line in off.iter().take(MAX_LISTED_NOTES) {
        let _ = writeln!(text, "  {line}");
    }
    if off.len() > MAX_LISTED_NOTES {
        let _ = writeln!(text, "  and {} more (--json lists all)", off.len() - MAX_LISTED_NOTES);
    }
    text
}

/// A note that was not played as written: "0:12.30  bar 5: D3 for C3".
fn off_note(step: &Step, entrances: &[Entrance]) -> Option<String> {
    let entrance = step.entrance.and_then(|index| entrances.iter().find(|e| e.front.index == index));
    let at = entrance.map_or_else(|| "   -   ".into(), |e| words::clock(e.front.speaks_s));
    let played = entrance.map_or_else(String::new, note);
    let written = step.written.as_ref().map_or_else(String::new, |n| units::note_name(n.midi_note));
    let bar = step.written.as_ref().and_then(|n| n.bar.as_ref()).map_or_else(String::new, |bar| format!("bar {bar}: "));
    let what = match step.verdict {
        Verdict::Right | Verdict::Untold => return None,
        Verdict::Wrong | Verdict::Octave => format!("{played} for {written}"),
        Verdict::Missed => format!("{written} missed"),
        Verdict::Extra => format!("{played} is not written"),
    };
    Some(format!("{at}  {bar}{what}"))
}

/// The take's name and what kind of recording it is, on a line of its own where both are too long for one.
fn heading(take: &Take, width: u16) -> String {
    let source = &take.source;
    let channels = match source.num_channels {
        1 => "mono".into(),
        2 => "stereo".into(),
        n => format!("{n} channels"),
    };
    let length = words::clock(source.duration_s);
    let kind = format!("({length}, {} kHz, {channels})", f64::from(source.sample_rate_hz) / 1000.0);
    named(&source.path, &kind, width)
}

/// A file and what is to be said of it, on one line or two: a name is never broken.
pub(crate) fn named(path: &std::path::Path, what: &str, width: u16) -> String {
    let line = format!("{}  {what}", path.display());
    if line.chars().count() <= usize::from(width) { line + "\n" } else { format!("{}\n  {what}\n", path.display()) }
}

fn entrances_to_show(entrances: &[Entrance], style: TableStyle) -> Vec<&Entrance> {
    let mut shown: Vec<_> = entrances.iter().filter(|e| style.all || e.is_flagged()).collect();
    if style.worst_first {
        // A stable sort: equals stay in the order of the sound.
        shown.sort_by(|a, b| a.verdict.clarity.total_cmp(&b.verdict.clarity));
    }
    shown
}

fn entrance_table(shown: &[&Entrance], style: TableStyle) -> String {
    let columns = Columns {
        head: vec!["time", "note", "clarity", "what", "the numbers"],
        wrapped: &[4],
        right: &[2],
        is_styled: style.styled,
    };
    columns.table(shown.iter().flat_map(|entrance| rows(entrance, style)).collect(), style.width)
}

/// One row for each fault; time, note and clarity stand in the first only.
fn rows(entrance: &Entrance, style: TableStyle) -> Vec<Vec<Cell>> {
    let (at, name) = (words::clock(entrance.front.speaks_s), note(entrance));
    if is_by_hand(&entrance.front) {
        return vec![[&at, &name, "", "added", "yours: not measured"].map(Cell::new).to_vec()];
    }
    let faults = words::worst_first(entrance);
    let clarity = format!("{:.0}", entrance.verdict.clarity);
    let mut rows = vec![vec![
        Cell::new(at),
        Cell::new(name),
        Cell::new(clarity),
        what(faults.first(), style),
        columns::words(&faults.first().map_or_else(|| clear_numbers(entrance), |fault| numbers(entrance, fault))),
    ]];
    rows.extend(faults.iter().skip(1).map(|fault| {
        let none = || Cell::new("");
        vec![none(), none(), none(), what(Some(fault), style), columns::words(&numbers(entrance, fault))]
    }));
    rows
}

/// The numbers behind a fault, and how sure it is unless it is sure.
fn numbers(entrance: &Entrance, fault: &Fault) -> String {
    let because = words::because(entrance, fault.name);
    match words::sureness(fault) {
        words::SURELY => because,
        sureness => format!("{because} ({sureness})"),
    }
}

fn what(fault: Option<&Fault>, style: TableStyle) -> Cell {
    match fault {
        Some(fault) if style.styled => Cell::new(words::word(fault.name)).add_attribute(Attribute::Bold),
        Some(fault) => Cell::new(words::word(fault.name)),
        None => Cell::new("clear"),
    }
}

fn note(entrance: &Entrance) -> String {
    entrance.front.midi_note.map_or_else(|| "?".into(), units::note_name)
}

/// What there is to tell of a clear entrance.
fn clear_numbers(entrance: &Entrance) -> String {
    let front = &entrance.front;
    let lean = front.approach_cents.ok().map(|m| match m.value.round() {
        cents if cents.abs() >= 1.0 => {
            format!("{:.0} cents {}", cents.abs(), if cents < 0.0 { "under" } else { "over" })
        }
        _ => "on its pitch".into(),
    });
    let speaks = front.speak_ms.ok().map(|m| format!("spoke in {:.0} ms", m.value));
    lean.into_iter().chain(speaks).collect::<Vec<_>>().join(", ")
}

fn closing(summary: &Summary) -> String {
    let Count { num_entrances, num_flagged } = summary.all;
    if num_entrances == 0 {
        return "No entrances found.\n".into();
    }
    let mut text = match (num_entrances, num_flagged) {
        (1, 0) => "One entrance, and it is clear.\n".into(),
        (n, 0) => format!("{n} entrances, all clear.\n"),
        (1, _) => "One entrance, and it is flagged.\n".into(),
        (n, flagged) => format!("{n} entrances, {flagged} flagged ({:.0} %).\n", 100.0 * flagged as f64 / n as f64),
    };
    if num_flagged > 0 {
        let _ = writeln!(text, "What:    {}", what_went_wrong(summary));
        let _ = writeln!(text, "Where:   {}", where_it_went_wrong(summary));
    }
    if let Some(typical) = typical(summary) {
        let _ = writeln!(text, "Typical: {typical}");
    }
    text
}

/// "from below 3, split 1".
pub(crate) fn what_went_wrong(summary: &Summary) -> String {
    words::counted_with_those_by_ear(&summary.most_frequent_faults(), summary.num_by_ear)
}

/// "low register 2 of 9, middle register 1 of 20".
pub(crate) fn where_it_went_wrong(summary: &Summary) -> String {
    let played = summary.registers.iter().filter(|(_, count)| count.num_entrances > 0);
    let told = played.map(|(register, count)| {
        format!("{} register {} of {}", register.as_str(), count.num_flagged, count.num_entrances)
    });
    let told: Vec<_> = told.collect();
    if told.is_empty() { "no pitch could be told".into() } else { told.join(", ") }
}

/// Medians with the interval they can be trusted to, where five entrances or more tell them.
fn typical(summary: &Summary) -> Option<String> {
    let medians = &summary.medians;
    let told = |m: Option<Median>, what: &str, unit: &str| {
        m.map(|m| format!("{what} {} {unit} ({} to {})", whole(m.median), whole(m.low), whole(m.high)))
    };
    let all = [
        told(medians.settle_ms, "settles in", "ms"),
        told(medians.speak_ms, "speaks in", "ms"),
        told(medians.timing_ms, "speaks off the beat by", "ms"),
    ];
    let all: Vec<_> = all.into_iter().flatten().collect();
    (!all.is_empty())
        .then(|| format!("{}; medians, and in brackets where each lies 9 times out of 10.", all.join(", ")))
}

/// A number without decimals, and without the sign of a zero.
fn whole(value: f64) -> String {
    format!("{:.0}", value.round() + 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixtures;
    use notefront_dsp::FaultName;

    fn text(style: TableStyle) -> String {
        take(&fixtures::take(), style)
    }

    fn line<'a>(text: &'a str, with: &str) -> &'a str {
        text.lines().find(|l| l.contains(with)).unwrap_or_else(|| panic!("no line with {with:?} in\n{text}"))
    }

    #[test]
    fn a_row_tells_time_note_fault_numbers_and_sureness() {
        let text = text(TableStyle::default());
        let row = line(&text, "0:01.01");
        for part in ["Bb2", "58", "from below", "41 cents below"] {
            assert!(row.contains(part), "{part:?} is missing in {row:?}");
        }
        assert!(!row.contains("likely") && !row.contains("uncertain"), "what is sure needs no word: {row:?}");
    }

    #[test]
    fn an_uncertain_fault_is_told_as_uncertain() {
        let text = text(TableStyle { width: 200, ..TableStyle::default() });
        assert!(line(&text, "split").contains("(uncertain)"));
    }

    #[test]
    fn clear_entrances_are_shown_on_request_only() {
        assert!(!text(TableStyle::default()).contains("0:02.00"));
        assert!(text(TableStyle { all: true, ..TableStyle::default() }).contains("0:02.00"));
    }

    #[test]
    fn three_that_matter_are_named_before_all_others() {
        let few = text(TableStyle::default());
        assert!(!few.contains("Listen to"), "the table itself is as short");
        // The worst of all is uncertain: it does not displace what is sure.
        let flagged = |i, clarity, sureness| {
            let entrance = fixtures::with(fixtures::below(i, 1.0 + i as f64), |e| e.verdict.clarity = clarity);
            fixtures::with(entrance, |e| {
                e.verdict.faults.insert(Fault { name: FaultName::Below, severity: 0.5, sureness })
            })
        };
        let entrances =
            vec![flagged(0, 60.0, 0.99), flagged(1, 10.0, 0.3), flagged(2, 40.0, 0.99), flagged(3, 50.0, 0.99)];
        let wide = TableStyle { width: 200, ..TableStyle::default() };
        let many = take(&Take { entrances, ..fixtures::take() }, wide);
        let named: Vec<_> = many.lines().skip_while(|l| !l.contains("Listen to these three")).skip(1).take(3).collect();
        for (line, time) in named.iter().zip(["0:03.00", "0:04.00", "0:01.00"]) {
            assert!(line.contains(&format!("Bb2 at {time}: ")) && line.contains("41 cents below"), "{line:?}");
        }
        assert!(many.find("Listen to").expect("named") < many.find("clarity").expect("the table"));
    }

    #[test]
    fn the_worst_come_first_on_request() {
        let text = text(TableStyle { worst_first: true, ..TableStyle::default() });
        let at = |time: &str| text.find(time).expect("every flagged entrance is shown");
        // Clarity 20, 58; the entrance with two faults has 80 in the fixture.
        assert!(at("0:03.50") < at("0:01.01") && at("0:01.01") < at("0:05.25"));
    }

    #[test]
    fn the_table_keeps_to_the_terminal() {
        for width in [60, 80, 120] {
            let text = text(TableStyle { width, ..TableStyle::default() });
            let longest = text.lines().map(|l| l.chars().count()).max().expect("a table");
            assert!(longest <= usize::from(width), "{longest} columns at {width}:\n{text}");
        }
    }

    #[test]
    fn plain_text_has_no_escapes_and_styled_text_has() {
        assert!(!text(TableStyle::default()).contains('\x1b'));
        assert!(text(TableStyle { styled: true, ..TableStyle::default() }).contains('\x1b'));
    }

    #[test]
    fn the_closing_tells_how_many_what_and_where() {
        let text = text(TableStyle::default());
        assert!(text.contains("5 entrances, 3 flagged (60 %)."));
        assert!(line(&text, "What:").contains("from below 2"));
        assert!(line(&text, "Where:").contains("middle register 3 of 4"));
    }

    #[test]
    fn an_empty_take_says_so() {
        let take = Take { entrances: Vec::new(), ..fixtures::take() };
        assert!(super::take(&take, TableStyle::default()).contains("No entrances found."));
    }
}
