//! Several takes one after the other, with one summary over all of them, one piece of advice and the cautions at the end.

use super::{TableStyle, closing, take};
use crate::columns::{self, Columns, prose};
use crate::corrections::ear;
use crate::summary::Summary;
use crate::take::Take;
use crate::words;
use comfy_table::Cell;
use std::collections::HashSet;
use std::fmt::Write;
use std::path::Path;

/// All takes as text: each by itself, then what they have in common.
#[must_use]
pub fn takes(takes: &[Take], style: TableStyle) -> String {
    let mut texts: Vec<String> = takes.iter().map(|one| take(one, style)).collect();
    let summary = Summary::of_takes(takes);
    if takes.len() > 1 {
        let said = prose(&closing(&summary), style.width, super::CLOSING_HANG);
        let all = if takes.len() == 2 { "Both takes".into() } else { format!("All {} takes", takes.len()) };
        texts.push(format!("{all}\n\n{}\n{said}", listed(takes, style)));
    }
    let mut advice = ear_advice(takes) + &advice(&summary);
    if !takes.is_empty() {
        let _ = writeln!(advice, "{}", words::CAUTIONS);
        texts.push(prose(&advice, style.width, super::HANG));
    }
    texts.join("\n")
}

/// Where the lines differ from the ear that corrected these takes, and how to move them.
fn ear_advice(takes: &[Take]) -> String {
    let said: Vec<_> = takes.iter().filter_map(|t| t.corrected.as_ref()).flat_map(|c| ear::said(&c.by_ear)).collect();
    let Some(take) = takes.first() else { return String::new() };
    let advice = ear::advice(&ear::lines_of(&said, &take.options.settings), &take.lines);
    if advice.is_empty() { advice } else { advice + "\n" }
}

/// What players usually try against what was heard most often.
fn advice(summary: &Summary) -> String {
    summary.most_frequent_faults().first().map_or_else(String::new, |&(worst, _)| {
        format!("Against \"{}\" players usually try: {}.\n", words::word(worst), words::usual_remedy(worst))
    })
}

/// The cautions within so many columns, for the end of whatever is printed.
#[must_use]
pub fn cautions(width: u16) -> String {
    prose(&format!("{}\n", words::CAUTIONS), width, super::HANG)
}

/// A line for each take.
fn listed(takes: &[Take], style: TableStyle) -> String {
    let head = vec!["take", "entrances", "flagged", "clarity", "most often"];
    let mut rows: Vec<Vec<String>> = takes.iter().zip(names(takes)).map(|(take, name)| row(take, name)).collect();
    let of_others: Vec<Vec<String>> = rows.iter().map(|row| row[1..].to_vec()).collect();
    let room = usize::from(style.width).saturating_sub(columns::needed(&head[1..], &of_others) + 2);
    rows.iter_mut().for_each(|row| row[0] = columns::broken(&row[0], room));
    let columns = Columns { head, wrapped: &[0], right: &[1, 2, 3], is_styled: style.styled };
    columns.table(rows.into_iter().map(|row| row.into_iter().map(Cell::new).collect()).collect(), style.width)
}

fn row(take: &Take, name: String) -> Vec<String> {
    let summary = Summary::of_take(take);
    let clarity = summary.medians.clarity.map_or_else(String::new, |median| format!("{:.0}", median.median));
    let most = summary.most_frequent_faults().first().map(|&(name, num)| format!("{} {num}", words::word(name)));
    let all = summary.all;
    vec![name, all.num_entrances.to_string(), all.num_flagged.to_string(), clarity, most.unwrap_or_default()]
}

/// The names of the takes' files; with their folders where two bear the same.
fn names(takes: &[Take]) -> Vec<String> {
    let name = |path: &Path| path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned();
    let mut seen = HashSet::new();
    let is_clear = takes.iter().all(|take| seen.insert(name(&take.source.path)));
    let shown = |path: &Path| if is_clear { name(path) } else { path.display().to_string() };
    takes.iter().map(|take| shown(&take.source.path)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixtures;
    use notefront_dsp::FaultName;

    #[test]
    fn thirty_takes_end_in_one_summary_with_one_advice_and_the_cautions() {
        let thirty: Vec<Take> = (1..=30)
            .map(|i| {
                let mut take = fixtures::take();
                take.source.path = format!("folder/take-{i:02}.wav").into();
                take
            })
            .collect();
        let text = takes(&thirty, TableStyle::default());
        // Each has 5 entrances, 3 of them flagged; "from below" twice in each.
        assert_eq!(text.matches("150 entrances, 90 flagged (60 %).").count(), 1, "{text}");
        let over_all = text.split("All 30 takes").nth(1).expect("a summary over all");
        assert!(over_all.contains("take-30.wav") && over_all.contains("from below 60"), "{over_all}");
        let one_line = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert_eq!(one_line.matches(words::usual_remedy(FaultName::Below)).count(), 1);
        assert_eq!(one_line.matches(words::CAUTIONS).count(), 1);
        assert!(one_line.ends_with(words::CAUTIONS), "the cautions close it");
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
    }

    #[test]
    fn takes_of_one_name_are_told_apart_by_their_folders() {
        let in_folder = |folder: &str| {
            let mut take = fixtures::take();
            take.source.path = format!("{folder}/take.wav").into();
            take
        };
        let text = takes(&[in_folder("monday"), in_folder("tuesday")], TableStyle::default());
        let over_all = text.split("Both takes").nth(1).expect("a summary over all");
        assert!(over_all.contains("monday/take.wav") && over_all.contains("tuesday/take.wav"), "{over_all}");
    }
}
