//! The log in words and tables, for people.

mod horn;
mod tone;

pub use horn::{alternates, lasting, position_map, signed, slide_move, stamina};
pub use tone::{strain, tones, typical as tone_typical};

use super::Players;
use super::habits::{Habits, Measure, Row, Standing, Typical};
use super::progress::{Course, Line, Progress, RoomChange, Unusual, What};
use super::when;
use crate::columns::{self, Columns, prose};
use crate::patterns::Facet;
use crate::summary::MIN_VALUES;
use crate::words;
use comfy_table::{Cell, CellAlignment};
use std::fmt::Write;

/// Effect sizes by Cohen's usual words \[M\]: medium and large.
const SIZES: [f64; 2] = [0.5, 0.8];

/// How far a sentence that goes on stands in.
const HANG: usize = 2;

/// A table within so many columns; the words of the `wrapped` columns give way.
fn table(head: &[&str], rows: Vec<Vec<Cell>>, wrapped: &[usize], width: u16) -> String {
    Columns { head: head.to_vec(), wrapped, right: &[], is_styled: false }.table(rows, width)
}

fn right(text: String) -> Cell {
    Cell::new(text).set_alignment(CellAlignment::Right)
}

/// A number of things: "1 take", "3 takes".
#[must_use]
pub fn counted(num: usize, one: &str) -> String {
    if num == 1 { format!("1 {one}") } else { format!("{num} {one}s") }
}

/// Who is in the log.
#[must_use]
pub fn players(all: &[Players], width: u16) -> String {
    let row = |player: &Players| {
        let day =
            |of: fn((i64, i64)) -> i64| player.days_s.map_or_else(String::new, |s| when::day(of(s), 0).to_string());
        vec![
            Cell::new(&player.name),
            right(player.num_sessions.to_string()),
            right(player.num_takes.to_string()),
            right(player.num_entrances.to_string()),
            Cell::new(day(|s| s.0)),
            Cell::new(day(|s| s.1)),
        ]
    };
    let head = ["player", "sessions", "takes", "entrances", "from", "to"];
    if all.is_empty() { "the log is empty\n".into() } else { table(&head, all.iter().map(row).collect(), &[0], width) }
}

/// A small chance in words: "under 1 in 1000".
#[must_use]
pub fn chance(chance: f64) -> String {
    match chance {
        c if c < 0.001 => "chance does that less than once in 1000 times".into(),
        c => format!("chance does that about once in {:.0} times", 1.0 / c),
    }
}

/// One thing that stands out, as a sentence.
#[must_use]
pub fn standing(standing: &Standing, habits: &Habits) -> String {
    let label = standing.facet.label(standing.kind);
    let row = habits.rows.iter().find(|row| row.facet == standing.facet && row.kind == standing.kind);
    let faults = row.map(|row| most_frequent(row, 2)).filter(|text| !text.is_empty());
    let mostly = faults.map_or_else(String::new, |faults| format!("; mostly {faults}"));
    format!(
        "{label}: {:.0} points of clarity (\u{b1}{:.0}) under your other notes of the same takes, {} in {}{mostly}. {}.",
        standing.points_lower,
        standing.uncertainty.max(1.0),
        counted(standing.num, "note"),
        counted(standing.num_sessions, "session"),
        sentence(&chance(standing.chance)),
    )
}

fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

fn most_frequent(row: &Row, at_most: usize) -> String {
    let mut found: Vec<_> = row.cell.most_frequent().into_iter().map(|(name, num)| (words::word(name), num)).collect();
    found.extend(Some((words::BY_EAR, row.cell.num_by_ear)).filter(|by_ear| by_ear.1 > 0));
    found.sort_by_key(|&(_, num)| std::cmp::Reverse(num));
    let in_percent =
        |(word, num): (&str, usize)| format!("{word} in {:.0} %", 100.0 * num as f64 / row.cell.num as f64);
    found.into_iter().take(at_most).map(in_percent).collect::<Vec<_>>().join(", ")
}

fn told(typical: Option<Typical>) -> String {
    typical.map_or_else(String::new, |t| {
        if t.low == t.high {
            format!("{:.0}", t.median)
        } else {
            format!("{:.0} ({:.0}\u{2013}{:.0})", t.median, t.low, t.high)
        }
    })
}

fn percent(row: &Row) -> String {
    row.unclear.map_or_else(String::new, |share| {
        format!("{:.0} % ({:.0}\u{2013}{:.0})", 100.0 * share.value, 100.0 * share.low, 100.0 * share.high)
    })
}

/// The habits of a player.
#[must_use]
pub fn habits(habits: &Habits, unusual: &[Unusual], width: u16) -> String {
    let (sessions, takes, notes) = habits.counts;
    let mut text =
        format!("{} in {}, {}\n\n", counted(notes, "note"), counted(takes, "take"), counted(sessions, "session"));
    text += &all_text(habits);
    text += &standing_text(habits);
    text += &unusual_text(unusual);
    let mut text = prose(&text, width, HANG);
    let mut is_whole = true;
    for facet in Facet::ALL {
        let (table, has_all) = facet_text(habits, facet, width);
        text += &table;
        is_whole &= has_all;
    }
    let brackets = "After a share or a median, in brackets: where the true one lies 9 times out of 10. Air: of the notes \
        with air.\n";
    text += &prose(brackets, width, HANG);
    if !is_whole {
        let rest = "Medians that have no room here stand on the page (notefront log page), and in a wider window.\n";
        text += &prose(rest, width, HANG);
    }
    text
}

/// "All notes: 16 % (14–18) unclear, clarity 100, settles in 1 ms (0–2); mostly split in 9 %."
fn all_text(habits: &Habits) -> String {
    if habits.all.unclear.is_none() {
        return format!("Nothing is said of fewer than {MIN_VALUES} notes.\n\n");
    }
    let measures = Measure::ALL.iter().zip(habits.all.typical).filter(|(_, typical)| typical.is_some());
    let medians: String = measures.map(|(m, typical)| median(*m, typical)).collect();
    let faults = most_frequent(&habits.all, 3);
    let mostly = if faults.is_empty() { String::new() } else { format!("; {faults}") };
    format!("All notes: {} unclear{medians}{mostly}.\n\n", percent(&habits.all))
}

/// ", settles in 65 ms (43–89)".
fn median(measure: Measure, typical: Option<Typical>) -> String {
    let (title, told) = (measure.title(), told(typical));
    let Some(title) = title.strip_suffix(", ms") else { return format!(", {title} {told}") };
    match told.split_once(' ') {
        Some((value, range)) => format!(", {title} {value} ms {range}"),
        None => format!(", {title} {told} ms"),
    }
}

fn standing_text(habits: &Habits) -> String {
    if habits.standing.is_empty() {
        return "Nothing stands out beyond what chance would do.\n\n".into();
    }
    let all = habits.standing.iter().map(|s| format!("  {}\n", standing(s, habits)));
    format!("What stands out:\n{}\n", all.collect::<String>())
}

fn unusual_text(all: &[Unusual]) -> String {
    if all.is_empty() {
        return String::new();
    }
    let told = all.iter().map(|u| {
        let unit = if u.what == What::Clarity { "" } else { " %" };
        format!(
            "  {}: {:.0}{unit}, usually {:.0}{unit} (\u{b1}{:.0}). {}.\n",
            what(u.what),
            u.value,
            u.usual,
            u.range,
            sentence(&chance(u.chance))
        )
    });
    format!("The last session was not your usual:\n{}\n", told.collect::<String>())
}

/// The measures that any of these rows tells, by their place in [`Measure::ALL`].
#[must_use]
pub fn told_measures(rows: &[&Row]) -> Vec<usize> {
    (0..Measure::ALL.len()).filter(|&m| rows.iter().any(|row| row.typical[m].is_some())).collect()
}

/// One way of sorting the notes as a table, and whether all medians had room in it.
fn facet_text(habits: &Habits, facet: Facet, width: u16) -> (String, bool) {
    let (rows, num_few) = habits.told(facet);
    // One kind alone compares with nothing.
    if rows.len() < 2 {
        return (String::new(), true);
    }
    let told = told_measures(&rows);
    let few = match num_few {
        0 => String::new(),
        n => format!("({} of fewer than {MIN_VALUES} notes: nothing is said of them)\n", counted(n, "kind")),
    };
    // As many medians as there is room for, the first before the others.
    let tries = (0..=told.len()).rev().map(|num| facet_table(facet, &rows, &told[..num]));
    let fits = |(head, cells): &(Vec<&str>, Vec<Vec<String>>)| {
        // The title gives way, the labels do not.
        let head: Vec<&str> = std::iter::once("").chain(head[1..].iter().copied()).collect();
        columns::needed(&head, cells) <= usize::from(width)
    };
    let (head, cells) = tries.clone().find(fits).unwrap_or_else(|| facet_table(facet, &rows, &[]));
    let has_all = head.len() == FACET_COLUMNS + told.len();
    let text = table_of(&head, &cells, &[0, head.len() - 1], width);
    (prose(&format!("{text}{few}\n"), width, HANG), has_all)
}

/// Columns of such a table beside the medians.
const FACET_COLUMNS: usize = 4;

fn facet_table(facet: Facet, rows: &[&Row], measures: &[usize]) -> (Vec<&'static str>, Vec<Vec<String>>) {
    let mut head = vec![facet.title(), "notes", "unclear"];
    head.extend(measures.iter().map(|&m| Measure::ALL[m].title()));
    head.push("most often");
    let cells = rows.iter().map(|row| {
        let mut cells = vec![facet.label(row.kind), row.cell.num.to_string(), percent(row)];
        cells.extend(measures.iter().map(|&m| told(row.typical[m])));
        cells.push(most_frequent(row, 1));
        cells
    });
    (head, cells.collect())
}

/// A table of texts; the second column counts, and stands at the right.
fn table_of(head: &[&str], rows: &[Vec<String>], wrapped: &[usize], width: u16) -> String {
    let columns = Columns { head: head.to_vec(), wrapped, right: &[1], is_styled: false };
    columns.table(rows.iter().map(|row| row.iter().map(Cell::new).collect()).collect(), width)
}

/// What is followed, in words.
#[must_use]
pub fn what(what: What) -> String {
    match what {
        What::Clarity => "clarity, all notes".into(),
        What::Fault(name) => words::word(name).into(),
        What::Kind(facet, kind) => format!("{}, against the others", facet.label(kind)),
    }
}

fn unit(what: What) -> &'static str {
    if matches!(what, What::Fault(_)) { " %" } else { "" }
}

/// What may be said of a line, in words.
#[must_use]
pub fn course(course: Course) -> &'static str {
    match course {
        Course::Better => "better",
        Course::Worse => "worse",
        Course::Chance => "no change that chance would not make",
        Course::PlayerOrRoom => "changed, not told apart from the room",
    }
}

/// How large a claimed change is; a room's is no size of the playing's.
fn size(line: &Line, course: Course) -> String {
    let Some(g) = line.better_by.filter(|_| course.is_claimed()) else { return String::new() };
    let word = match g.abs() {
        size if size >= SIZES[1] => "large",
        size if size >= SIZES[0] => "medium",
        _ => "small",
    };
    format!("{word} ({g:+.1})")
}

/// The progress of a player.
#[must_use]
pub fn progress(progress: &Progress, width: u16) -> String {
    if progress.lines.is_empty() {
        let few = "Too few sessions to tell a change: six with five notes each are the least.\n";
        return prose(few, width, HANG);
    }
    let row = |line: &Line| {
        let (unit, course) = (unit(line.what), progress.course(line));
        vec![
            Cell::new(what(line.what)),
            right(format!("{:.1}{unit}", line.ends.0)),
            right(format!("{:.1}{unit}", line.ends.1)),
            right(format!("{:+.1}{unit}", line.per_week)),
            Cell::new(match course {
                Course::Chance => "no clear change".to_owned(),
                Course::PlayerOrRoom => self::course(course).to_owned(),
                Course::Better | Course::Worse => format!("{}; {}", self::course(course), chance(line.chance)),
            }),
            Cell::new(size(line, course)),
        ]
    };
    let head = ["what", "first third", "last third", "a week", "which is", "size"];
    let lines = table(&head, progress.lines.iter().map(row).collect(), &[0, 4], width);
    let mut said =
        "\nNo clear change: none that chance would not make. Clarity in points, a fault in percent of the notes. Sessions are compared, not notes; what is asked at \
        once is paid for (Holm). Size: the difference of the thirds against the spread of sessions (Hedges' g).\n"
            .to_owned();
    if let Some(room) = &progress.room {
        let _ = writeln!(said, "\nTake care: {}", self::room(room));
    }
    weeks(progress, width) + &lines + &prose(&said, width, 0)
}

/// The weeks, in as many tables beside one another's columns as the width asks for.
fn weeks(progress: &Progress, width: u16) -> String {
    let named: Vec<String> = progress.lines.iter().map(|line| what(line.what)).collect();
    let row = |week: &super::progress::Week| {
        let mut cells = vec![week.monday.to_string(), week.num_sessions.to_string(), week.num_notes.to_string()];
        let figures = week.means.iter().zip(&progress.lines);
        cells.extend(
            figures.map(|(mean, line)| mean.map_or_else(String::new, |mean| format!("{mean:.1}{}", unit(line.what)))),
        );
        cells
    };
    let mut head = vec!["week of", "sessions", "notes"];
    head.extend(named.iter().map(String::as_str));
    columns::side_by_side(&head, &progress.weeks.iter().map(row).collect::<Vec<_>>(), 3, width) + "\n"
}

/// A change of room or microphone, as a sentence.
#[must_use]
pub fn room(room: &RoomChange) -> String {
    format!(
        "room or microphone changed more than the playing did (the quiet between the notes by {:+.0} dB, the fall of the \
         sound by {:+.1} dB an octave, first third to last). What changed beside it may be the recording, and is claimed of nobody.",
        room.floor_db, room.tilt_db
    )
}
