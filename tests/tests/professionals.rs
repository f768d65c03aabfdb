//! The percentiles of professional fronts against those measured independently on the same recordings.

use notefront_dsp::professionals::{self, Kind, PITCH_MS, Percentiles};
use notefront_tests::shared;

/// Cells may differ by this much: two programs, one tracker. Half of it is what a millisecond makes of the way in.
const CENTS: f64 = 5.0;
/// ... and this much: the level is read at steps of 1 ms over windows of one period, up to 24 ms long.
const MS: f64 = 3.0;
/// The outermost percentiles of a kind of 40 to 110 fronts are one or two fronts of it: two trackers' settings differ
/// by more there. So many of all cells may lie farther off.
const SHARE_FARTHER: f64 = 0.02;

/// Heads there, and what is told here.
type Column = (&'static str, f64, fn(&Kind) -> Option<Percentiles>);
const COLUMNS: [Column; 6] = [
    ("approach, cents", CENTS, |kind| kind.approach_cents),
    ("20 ms later", CENTS, |kind| at(kind, 20.0)),
    ("40 ms", CENTS, |kind| at(kind, 40.0)),
    ("60 ms", CENTS, |kind| at(kind, 60.0)),
    ("80 ms", CENTS, |kind| at(kind, 80.0)),
    ("onset to speaks, ms", MS, |kind| kind.speak_ms),
];

fn at(kind: &Kind, ms: f64) -> Option<Percentiles> {
    PITCH_MS.iter().position(|t| *t == ms).and_then(|i| kind.pitch_cents[i])
}

fn cells(line: &str) -> Vec<&str> {
    line.trim().trim_matches('|').split('|').map(str::trim).collect()
}

fn five(p: Percentiles) -> [f64; 5] {
    [p.low, p.tenth, p.median, p.ninetieth, p.high]
}

#[test]
fn percentiles_are_those_measured_independently() {
    let Some(folder) = shared::folder("playing") else { return };
    let text = std::fs::read_to_string(folder.join("professional-fronts.md")).expect("the table beside the checkout");
    let mut rows = text.lines().filter(|line| line.starts_with('|'));
    let heads = cells(rows.next().expect("heads"));
    let (mut num_cells, mut farther) = (0, Vec::new());
    for row in rows.skip(1).map(cells) {
        let kind = professionals::named(row[0]).unwrap_or_else(|| panic!("no kind is called {}", row[0]));
        for (head, tolerance, here) in COLUMNS {
            let column = heads.iter().position(|h| *h == head).unwrap_or_else(|| panic!("no column {head}"));
            let there = row[column].split(' ').map(|n| n.parse::<f64>().expect("a number"));
            let here = five(here(kind).unwrap_or_else(|| panic!("{}: {head} is not told", row[0])));
            for (i, (a, b)) in there.zip(here).enumerate() {
                num_cells += 1;
                if (a - b).abs() > tolerance {
                    farther.push((i, format!("{}, {head}, {i}: {a} there, {b} here", row[0])));
                }
            }
        }
    }
    println!("{} of {num_cells} cells farther off:\n{farther:#?}", farther.len());
    assert_eq!(num_cells, 22 * COLUMNS.len() * 5);
    assert!(farther.iter().all(|(i, _)| [0, 4].contains(i)), "10 to 90 percentile: {farther:#?}");
    assert!(farther.len() as f64 <= SHARE_FARTHER * num_cells as f64, "{farther:#?}");
}
