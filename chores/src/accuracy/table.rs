//! The one table, printed: section by section, each row with what it stands on.

use crate::accuracy::{number, share};
use notefront_tests::accuracy::{FAULTS, Reach};
use notefront_tests::table::{FlagRow, Row};

pub fn print(rows: &[Row]) {
    let mut section = "";
    for row in rows {
        if row.section != section {
            section = row.section;
            println!("\n{section:<52} {:>10} {:>12}    stands on", "reach", "now");
        }
        let reach = row.reach.map(said).unwrap_or_default();
        println!("  {:<50} {reach:>10} {:>12}    {}", row.name, cell(row), row.stands_on);
    }
    let num_asked = rows.iter().filter(|row| row.reach.is_some() && !row.value.is_nan()).count();
    let num_missed = rows.iter().filter(|row| row.misses()).count();
    println!("\n* short of what is to reach: {num_missed} of {num_asked}");
}

pub fn said(reach: Reach) -> String {
    match reach {
        Reach::AtLeast(least) => format!(">= {least}"),
        Reach::Within(most) => format!("<= {most}"),
        Reach::Between(least, most) => format!("{least}..{most}"),
    }
}

fn cell(row: &Row) -> String {
    let value = if row.unit.is_empty() { share(row.value) } else { format!("{} {}", number(row.value), row.unit) };
    format!("{value}{}", if row.misses() { " *" } else { "  " })
}

/// Who is flagged with what, in entrances.
pub fn print_flags(rows: &[FlagRow]) {
    let mut section = "";
    for row in rows {
        if row.section != section {
            section = row.section;
            println!("\nflagged: {section:<27}{:>7}{:>8}{:>8}{}", "heard", "flagged", "share", heads());
        }
        let counts: String = row.num_of_fault.iter().map(|num| format!("{:>9}", shown(*num))).collect();
        println!("  {:<34}{:>7}{:>8}{:>8}{counts}", row.of, row.num_entrances, row.num_flagged, share(row.share()));
    }
}

fn heads() -> String {
    FAULTS.iter().map(|name| format!("{:>9}", &name.as_str()[..name.as_str().len().min(8)])).collect()
}

fn shown(num: usize) -> String {
    if num == 0 { ".".into() } else { num.to_string() }
}
