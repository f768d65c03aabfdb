//! The log in words and tables, for people.

mod horn;

pub use horn::{position_map, signed, slide_move, stamina};

use super::Players;
use super::habits::{Habits, Measure, Row, Standing, Typical};
use super::progress::{Line, Progress, RoomChange, Unusual, What};
use super::when;
use crate::patterns::Facet;
use crate::statistics::LEVEL;
use crate::summary::MIN_VALUES;
use crate::words;
use comfy_table::presets::NOTHING;
use comfy_table::{Cell, CellAlignment, Table};
use std::fmt::Write;

/// Effect sizes by Cohen's usual words \[M\]: medium and large.
const SIZES: [f64; 2] = [0.5, 0.8];

fn table(head: &[&str]) -> Table {
    let mut table = Table::new();
    table.load_style(NOTHING).set_header(head.iter().map(Cell::new).collect::<Vec<_>>());
    table
}

fn right(text: String) -> Cell {
    Cell::new(text).set_alignment(CellAlignment::Right)
}

fn lines(table: &Table) -> String {
    table.lines().fold(String::new(), |text, line| text + line.trim_end() + "\n")
}

/// A number of things: "1 take", "3 takes".
#[must_use]
pub fn counted(num: usize, one: &str) -> String {
    if num == 1 { format!("1 {one}") } else { format!("{num} {one}s") }
}

/// Who is in the log.
#[must_use]
pub fn players(all: &[Players]) -> String {
    let mut table = table(&["player", "sessions", "takes", "entrances", "from", "to"]);
    for player in all {
        let day =
            |of: fn((i64, i64)) -> i64| player.days_s.map_or_else(String::new, |s| when::day(of(s), 0).to_string());
        table.add_row(vec![
            Cell::new(&player.name),
            right(player.num_sessions.to_string()),
            right(player.num_takes.to_string()),
            right(player.num_entrances.to_string()),
            Cell::new(day(|s| s.0)),
            Cell::new(day(|s| s.1)),
        ]);
    }
    if all.is_empty() { "the log is empty\n".into() } else { lines(&table) }
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
    let found: Vec<_> = row.cell.most_frequent().into_iter().take(at_most).collect();
    let told = found
        .iter()
        .map(|&(name, num)| format!("{} in {:.0} %", words::word(name), 100.0 * num as f64 / row.cell.num as f64));
    told.collect::<Vec<_>>().join(", ")
}

fn told(typical: Option<Typical>) -> String {
    typical.map_or_else(String::new, |t| {
        if t.low == t.high {
            format!("{:.0}", t.median)
        } else {
            format!("{:.0} ({:.0} to {:.0})", t.median, t.low, t.high)
        }
    })
}

fn percent(row: &Row) -> String {
    row.unclear.map_or_else(String::new, |share| {
        format!("{:.0} % ({:.0} to {:.0})", 100.0 * share.value, 100.0 * share.low, 100.0 * share.high)
    })
}

/// The habits of a player.
#[must_use]
pub fn habits(habits: &Habits, unusual: &[Unusual]) -> String {
    let (sessions, takes, notes) = habits.counts;
    let mut text =
        format!("{} in {}, {}\n\n", counted(notes, "note"), counted(takes, "take"), counted(sessions, "session"));
    text += &all_text(habits);
    text += &standing_text(habits);
    text += &unusual_text(unusual);
    for facet in Facet::ALL {
        text += &facet_text(habits, facet);
    }
    let _ = writeln!(
        text,
        "After a share or a median, in brackets: where the true one lies 9 times out of 10. Air: of the notes with air."
    );
    text
}

/// "All notes: 16 % (14 to 18) unclear, clarity 100, settles, ms 0 (0 to 2); mostly split in 9 %."
fn all_text(habits: &Habits) -> String {
    if habits.all.unclear.is_none() {
        return format!("Nothing is said of fewer than {MIN_VALUES} notes.\n\n");
    }
    let measures = Measure::ALL.iter().zip(habits.all.typical).filter(|(_, typical)| typical.is_some());
    let medians: String = measures.map(|(m, typical)| format!(", {} {}", m.title(), told(typical))).collect();
    let faults = most_frequent(&habits.all, 3);
    let mostly = if faults.is_empty() { String::new() } else { format!("; {faults}") };
    format!("All notes: {} unclear{medians}{mostly}.\n\n", percent(&habits.all))
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

fn facet_text(habits: &Habits, facet: Facet) -> String {
    let (rows, num_few) = habits.told(facet);
    // One kind alone compares with nothing.
    if rows.len() < 2 {
        return String::new();
    }
    let measures = told_measures(&rows);
    let mut head = vec![facet.title(), "notes", "unclear"];
    head.extend(measures.iter().map(|&m| Measure::ALL[m].title()));
    head.push("most often");
    let mut table = table(&head);
    for row in rows {
        let mut cells =
            vec![Cell::new(facet.label(row.kind)), right(row.cell.num.to_string()), Cell::new(percent(row))];
        cells.extend(measures.iter().map(|&m| Cell::new(told(row.typical[m]))));
        cells.push(Cell::new(most_frequent(row, 1)));
        table.add_row(cells);
    }
    let few = match num_few {
        0 => String::new(),
        n => format!("({} of fewer than {MIN_VALUES} notes: nothing is said of them)\n", counted(n, "kind")),
    };
    lines(&table) + &few + "\n"
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

/// Whether a line is better, worse, or neither can be told.
#[must_use]
pub fn course(line: &Line) -> &'static str {
    let is_fault = matches!(line.what, What::Fault(_));
    match line.chance < LEVEL {
        false => "no change that chance would not make",
        true if (line.per_week > 0.0) == is_fault => "worse",
        true => "better",
    }
}

fn size(line: &Line) -> String {
    let Some(g) = line.better_by.filter(|_| line.chance < LEVEL) else { return String::new() };
    let word = match g.abs() {
        size if size >= SIZES[1] => "large",
        size if size >= SIZES[0] => "medium",
        _ => "small",
    };
    format!("{word} ({g:+.1})")
}

/// The progress of a player.
#[must_use]
pub fn progress(progress: &Progress) -> String {
    if progress.lines.is_empty() {
        return "Too few sessions to tell a change: six with five notes each are the least.\n".into();
    }
    let mut text = weeks(progress);
    let mut table = table(&["what", "first third", "last third", "a week", "which is", "size"]);
    for line in &progress.lines {
        let unit = unit(line.what);
        table.add_row(vec![
            Cell::new(what(line.what)),
            right(format!("{:.1}{unit}", line.ends.0)),
            right(format!("{:.1}{unit}", line.ends.1)),
            right(format!("{:+.1}{unit}", line.per_week)),
            Cell::new(match line.chance < LEVEL {
                true => format!("{}; {}", course(line), chance(line.chance)),
                false => course(line).into(),
            }),
            Cell::new(size(line)),
        ]);
    }
    text += &lines(&table);
    text += "\nClarity in points, a fault in percent of the notes. Sessions are compared, not notes; what is asked at once is\n\
        paid for (Holm). Size: the difference of the thirds against the spread of sessions (Hedges' g).\n";
    if let Some(room) = &progress.room {
        let _ = writeln!(text, "\nTake care: {}", self::room(room));
    }
    text
}

fn weeks(progress: &Progress) -> String {
    let named: Vec<String> = progress.lines.iter().map(|line| what(line.what)).collect();
    let mut head = vec!["week of", "sessions", "notes"];
    head.extend(named.iter().map(String::as_str));
    let mut table = table(&head);
    for week in &progress.weeks {
        let mut cells =
            vec![Cell::new(week.monday), right(week.num_sessions.to_string()), right(week.num_notes.to_string())];
        let figures = week.means.iter().zip(&progress.lines);
        cells.extend(
            figures.map(|(mean, line)| {
                right(mean.map_or_else(String::new, |mean| format!("{mean:.1}{}", unit(line.what))))
            }),
        );
        table.add_row(cells);
    }
    lines(&table) + "\n"
}

/// A change of room or microphone, as a sentence.
#[must_use]
pub fn room(room: &RoomChange) -> String {
    format!(
        "room or microphone changed more than the playing did (the quiet between the notes by {:+.0} dB, the fall of the \
         sound by {:+.1} dB an octave, first third to last). What seems better or worse may be the recording.",
        room.floor_db, room.tilt_db
    )
}
