//! Text and tables within so many columns: what fits a terminal, a mail and a printed page.

use comfy_table::presets::NOTHING;
use comfy_table::{Cell, CellAlignment, ColumnConstraint, ContentArrangement, Table, Width};

/// Columns where nobody says how many there are: a terminal as it opens \[P\].
pub const USUAL: u16 = 80;
/// Fewest columns that text is squeezed into; narrower terminals wrap by themselves.
pub const LEAST: u16 = 40;
/// Fewest columns for the words of a table's widest column.
const LEAST_WORDS: u16 = 16;

/// What stands for a blank in a cell of words that is not to be broken there; the table has blanks again.
const GLUE: &str = "\u{a0}";

/// A cell of words that is broken as prose is: units stay with their numbers.
#[must_use]
pub fn words(text: &str) -> Cell {
    let pieces: Vec<String> = unbreakable(text).iter().map(|piece| piece.trim_end().replace(' ', GLUE)).collect();
    Cell::new(pieces.join(" "))
}

/// A table without lines around it.
#[derive(Debug)]
pub struct Columns<'a> {
    /// The header.
    pub head: Vec<&'a str>,
    /// Columns whose words are wrapped where the table would be too wide; the others keep their width.
    pub wrapped: &'a [usize],
    /// Columns of figures, which stand at the right.
    pub right: &'a [usize],
    /// Letters may be bold or dim.
    pub is_styled: bool,
}

impl Columns<'_> {
    /// The table of these rows, line by line with a line feed at each end, without blanks there.
    #[must_use]
    pub fn table(&self, rows: Vec<Vec<Cell>>, width: u16) -> String {
        let mut table = Table::new();
        table.load_style(NOTHING);
        table.force_no_tty();
        if self.is_styled {
            table.enforce_styling();
        }
        table.set_content_arrangement(ContentArrangement::Dynamic).set_width(width.max(LEAST));
        table.set_header(self.head.iter().map(|head| bold(head, self.is_styled)).collect::<Vec<_>>());
        table.add_rows(rows);
        let widths = table.column_max_content_widths();
        for (i, width) in widths.iter().enumerate() {
            let Some(column) = table.column_mut(i) else { continue };
            if self.right.contains(&i) {
                column.set_cell_alignment(CellAlignment::Right);
            }
            column.set_constraint(match self.wrapped.contains(&i) {
                false => ColumnConstraint::ContentWidth,
                // Padding of one column on either side.
                true => ColumnConstraint::LowerBoundary(Width::Fixed((*width).min(LEAST_WORDS) + 2)),
            });
        }
        let lines = table.lines().fold(String::new(), |text, line| text + line.trim_end() + "\n");
        lines.replace(GLUE, " ")
    }
}

/// Columns that a table needs which is not wrapped: each cell with a blank on either side.
#[must_use]
pub fn needed(head: &[&str], rows: &[Vec<String>]) -> usize {
    let longest = |i: usize| rows.iter().filter_map(|row| row.get(i)).map(|cell| cell.chars().count()).max();
    head.iter().enumerate().map(|(i, head)| head.chars().count().max(longest(i).unwrap_or(0)) + 2).sum()
}

/// A name in pieces of at most `width`, one a line, broken after what divides its parts: `_`, `-`, `.`, `/` or a blank.
#[must_use]
pub fn broken(name: &str, width: usize) -> String {
    let (mut text, mut column) = (String::new(), 0);
    for part in name.split_inclusive(['_', '-', '.', '/', '\\', ' ']) {
        let length = part.chars().count();
        if column > 0 && column + length > width {
            text.push('\n');
            column = 0;
        }
        text.push_str(part);
        column += length;
    }
    text
}

/// A table whose columns are figures, as several tables one under the other where it is too wide; the first `num_fixed`
/// columns stand before each.
#[must_use]
pub fn side_by_side(head: &[&str], rows: &[Vec<String>], num_fixed: usize, width: u16) -> String {
    let needs = |range: std::ops::Range<usize>| {
        let part: Vec<Vec<String>> = rows.iter().map(|row| row[range.clone()].to_vec()).collect();
        needed(&head[range], &part)
    };
    let room = usize::from(width.max(LEAST)).saturating_sub(needs(0..num_fixed));
    let (mut texts, mut from) = (Vec::new(), num_fixed);
    while from < head.len() {
        let most = (from + 1..=head.len()).rev().find(|&to| needs(from..to) <= room).unwrap_or(from + 1);
        let pick = |cells: &[String]| [&cells[..num_fixed], &cells[from..most]].concat();
        let names: Vec<&str> = [&head[..num_fixed], &head[from..most]].concat();
        let right: Vec<usize> = (1..names.len()).collect();
        let columns = Columns { head: names, wrapped: &[], right: &right, is_styled: false };
        let cells = rows.iter().map(|row| pick(row).iter().map(Cell::new).collect());
        texts.push(columns.table(cells.collect(), width));
        from = most;
    }
    texts.join("\n")
}

fn bold(text: &str, is_styled: bool) -> Cell {
    let cell = Cell::new(text);
    if is_styled { cell.add_attribute(comfy_table::Attribute::Bold) } else { cell }
}

/// Lines of text, each wrapped between words where it is longer than `width`; what goes on stands `hang` further in than
/// the line begins. A word longer than that, such as a path, is left whole.
#[must_use]
pub fn prose(text: &str, width: u16, hang: usize) -> String {
    let width = usize::from(width.max(LEAST));
    text.split_inclusive('\n').map(|line| wrapped(line, width, hang)).collect()
}

fn wrapped(line: &str, width: usize, hang: usize) -> String {
    if line.trim_end().chars().count() <= width {
        return line.to_owned();
    }
    let indent = line.len() - line.trim_start_matches(' ').len();
    let (mut text, mut column) = (String::with_capacity(line.len() + 16), 0);
    for word in unbreakable(line[indent..].trim_end()) {
        let bare = word.trim_end_matches(' ');
        let is_first = column == 0;
        if is_first || column + bare.chars().count() > width {
            text.truncate(text.trim_end_matches(' ').len());
            text.push_str(if is_first { "" } else { "\n" });
            column = indent + if is_first { 0 } else { hang };
            text.extend(std::iter::repeat_n(' ', column));
        }
        text.push_str(word);
        column += word.chars().count();
    }
    text + if line.ends_with('\n') { "\n" } else { "" }
}

/// Fewest letters of a word that may begin a line: a unit or a letter stays with what it belongs to, as in "19 %".
const LEAST_LETTERS: usize = 3;

/// The pieces of a line between which it may be broken.
fn unbreakable(line: &str) -> Vec<&str> {
    let mut pieces: Vec<&str> = Vec::new();
    let mut begin = 0;
    let ends = line.match_indices(' ').map(|(at, _)| at + 1).chain([line.len()]);
    for end in ends {
        let next = line[end..].split(' ').next().unwrap_or("");
        let num_letters = next.chars().filter(|c| c.is_alphanumeric()).count();
        if end == line.len() || num_letters >= LEAST_LETTERS {
            pieces.push(&line[begin..end]);
            begin = end;
        }
    }
    pieces
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn prose_is_wrapped_between_words_and_hangs() {
        let text = "  Note: it begins inside a note: leave a second of silence before you play\nshort\n";
        let told = prose(text, 40, 2);
        assert_eq!(told, "  Note: it begins inside a note: leave a\n    second of silence before you play\nshort\n");
        assert_eq!(prose(text, 80, 2), text);
        let share = "split in fourteen of them, mostly with 19 % more\n";
        assert_eq!(prose(share, 40, 0), "split in fourteen of them, mostly\nwith 19 % more\n", "a unit stays");
        let path = format!("in {}/take.wav, or elsewhere\n", "folder/".repeat(8));
        assert!(prose(&path, 40, 2).lines().any(|line| line.contains("/take.wav,")), "a path stays whole");
    }

    #[test]
    fn a_name_is_broken_between_its_parts() {
        assert_eq!(broken("take_two-again.wav", 12), "take_two-\nagain.wav");
        assert_eq!(broken("take.wav", 12), "take.wav");
    }

    #[test]
    fn a_table_too_wide_goes_on_under_itself() {
        let head = ["week", "notes", "clarity of all", "clarity of some"];
        let rows = vec![["1", "20", "98.1", "97.0"].map(String::from).to_vec()];
        let wide = side_by_side(&head, &rows, 2, 80);
        assert_eq!(wide.lines().count(), 2, "{wide}");
        let narrow = side_by_side(&head, &rows, 2, 40);
        assert_eq!(narrow.matches("week").count(), 2, "{narrow}");
        assert!(narrow.lines().all(|line| line.chars().count() <= 40), "{narrow}");
    }

    #[test]
    fn only_the_column_of_words_gives_way() {
        let columns = Columns { head: vec!["time", "what", "n"], wrapped: &[1], right: &[2], is_styled: false };
        let rows = || vec![vec![Cell::new("0:01.01"), Cell::new("one two three four ".repeat(5)), Cell::new(5)]];
        let cell = vec![vec![Cell::new(""), words("air for a hundred, or about 109 ms"), Cell::new("")]];
        let units = columns.table(cell, 48);
        assert!(units.lines().all(|line| !line.trim().starts_with("ms")) && !units.contains(GLUE), "{units}");
        let wide = columns.table(rows(), 200);
        assert_eq!(wide.lines().count(), 2, "{wide}");
        for width in [40, 60, 80] {
            let text = columns.table(rows(), width);
            assert!(text.lines().all(|line| line.chars().count() <= usize::from(width)), "{text}");
            assert!(text.contains("0:01.01") && text.lines().count() > 2, "{text}");
        }
    }
}
