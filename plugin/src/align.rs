//! Two passes aligned note by note.
//!
//! The cheapest way through both lists of entrances (dynamic programming, as for edit distance): a pair
//! costs its distance in time and in pitch, an entrance without a partner costs [`LONE_COST`].

use crate::passes::Pass;

/// Cost of an entrance without a partner.
const LONE_COST: f64 = 1.0;
/// Distance in time that costs as much as a lone entrance, seconds \[H\].
const TIME_SCALE_S: f64 = 0.5;
/// Cost of a pair on different notes \[H\]: two lone entrances are dearer, so a wrong note still pairs.
const WRONG_NOTE_COST: f64 = 0.8;
/// Most entrances of a pass that are aligned; the table grows with the product.
pub const MAX_ALIGNED: usize = 4000;
/// How far apart two partners can be in their lists, entrances.
const BAND: usize = 60;

/// One step of the alignment: indexes into the two passes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    /// Both have it.
    Pair(usize, usize),
    /// In the first pass only.
    OnlyA(usize),
    /// In the second pass only.
    OnlyB(usize),
}

/// What an alignment looks at: time on a common line, and the note.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Spot {
    s: f64,
    midi: Option<u8>,
}

/// Aligns two passes: on the host's time line where both stand on it, otherwise from their first entrances.
#[must_use]
pub fn align(a: &Pass, b: &Pass) -> Vec<Step> {
    let on_time_line = a.is_same_passage(b);
    align_spots(&spots(a, on_time_line), &spots(b, on_time_line))
}

/// What to add to a time of `b` to stand beside `a`, seconds.
#[must_use]
pub fn shift_s(a: &Pass, b: &Pass) -> f64 {
    match (a.is_same_passage(b), a.span_s(), b.span_s()) {
        (true, Some((a0, _)), Some((b0, _))) => b0 - a0,
        _ => first_s(a) - first_s(b),
    }
}

fn first_s(pass: &Pass) -> f64 {
    pass.entrances.first().map_or(0.0, |e| e.speaks_s)
}

fn spots(pass: &Pass, on_time_line: bool) -> Vec<Spot> {
    let start_s = if on_time_line { pass.span_s().map_or(0.0, |s| s.0) } else { -first_s(pass) };
    let spot = |e: &notefront_dsp::Entrance| Spot { s: e.speaks_s + start_s, midi: e.midi_note };
    pass.entrances.iter().take(MAX_ALIGNED).map(spot).collect()
}

fn pair_cost(a: Spot, b: Spot) -> f64 {
    let time = (a.s - b.s).abs() / TIME_SCALE_S;
    let note = if a.midi == b.midi { 0.0 } else { WRONG_NOTE_COST };
    time + note
}

/// Row `i` of the table covers these columns: a band around the diagonal, wide enough for both lengths.
fn band(i: usize, num_a: usize, num_b: usize) -> std::ops::RangeInclusive<usize> {
    let middle = (i * num_b).checked_div(num_a).unwrap_or(0);
    let reach = BAND + num_a.abs_diff(num_b);
    middle.saturating_sub(reach)..=(middle + reach).min(num_b)
}

fn align_spots(a: &[Spot], b: &[Spot]) -> Vec<Step> {
    let width = b.len() + 1;
    let mut cost = vec![f64::INFINITY; (a.len() + 1) * width];
    for i in 0..=a.len() {
        for j in band(i, a.len(), b.len()) {
            cost[i * width + j] = match (i, j) {
                (0, 0) => 0.0,
                _ => cheapest(&cost, a, b, i, j).0,
            };
        }
    }
    walk_back(&cost, a, b)
}

/// The cheapest way to cell (i, j), not (0, 0), and its last step.
fn cheapest(cost: &[f64], a: &[Spot], b: &[Spot], i: usize, j: usize) -> (f64, Step) {
    let width = b.len() + 1;
    let mut best = (f64::INFINITY, if i > 0 { Step::OnlyA(i - 1) } else { Step::OnlyB(j.saturating_sub(1)) });
    let mut offer = |value: f64, step: Step| {
        if value < best.0 {
            best = (value, step);
        }
    };
    if i > 0 && j > 0 {
        offer(cost[(i - 1) * width + j - 1] + pair_cost(a[i - 1], b[j - 1]), Step::Pair(i - 1, j - 1));
    }
    if i > 0 {
        offer(cost[(i - 1) * width + j] + LONE_COST, Step::OnlyA(i - 1));
    }
    if j > 0 {
        offer(cost[i * width + j - 1] + LONE_COST, Step::OnlyB(j - 1));
    }
    best
}

fn walk_back(cost: &[f64], a: &[Spot], b: &[Spot]) -> Vec<Step> {
    let (mut i, mut j) = (a.len(), b.len());
    let mut steps = Vec::with_capacity(i.max(j));
    while i > 0 || j > 0 {
        let (_, step) = cheapest(cost, a, b, i, j);
        steps.push(step);
        match step {
            Step::Pair(..) => (i, j) = (i - 1, j - 1),
            Step::OnlyA(_) => i -= 1,
            Step::OnlyB(_) => j -= 1,
        }
    }
    steps.reverse();
    steps
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;

    #[test]
    fn a_pass_aligns_with_itself() {
        let pass = fixture::mixed_pass(50, 1);
        let steps = align(&pass, &pass);
        assert_eq!(steps, (0..50).map(|i| Step::Pair(i, i)).collect::<Vec<_>>());
    }

    #[test]
    fn a_missing_note_stays_alone_and_the_rest_pair() {
        let a = fixture::mixed_pass(20, 1);
        let mut b = a.clone();
        b.entrances.remove(7);
        let steps = align(&a, &b);
        assert_eq!(steps[7], Step::OnlyA(7));
        assert_eq!(steps.iter().filter(|s| matches!(s, Step::Pair(..))).count(), 19);
        assert_eq!(align(&b, &a)[7], Step::OnlyB(7));
    }

    #[test]
    fn a_wrong_note_still_pairs() {
        let a = fixture::pass_at_60(&[1.0, 2.0, 3.0]);
        let mut b = a.clone();
        b.entrances[1].midi_note = Some(70);
        assert_eq!(align(&a, &b)[1], Step::Pair(1, 1));
    }

    #[test]
    fn passes_without_a_time_line_align_from_their_first_notes() {
        let mut a = fixture::pass_at_60(&[1.0, 2.0, 3.0]);
        let mut b = fixture::pass_at_60(&[11.0, 12.0, 13.0]);
        a.start_samples = None;
        b.start_samples = None;
        assert!((shift_s(&a, &b) - -10.0).abs() < 1e-9);
        assert!(align(&a, &b).iter().all(|s| matches!(s, Step::Pair(..))));
    }

    #[test]
    fn empty_and_very_unequal_passes_align() {
        let (none, many) = (fixture::pass_at_60(&[]), fixture::mixed_pass(300, 2));
        assert!(align(&none, &none).is_empty());
        assert_eq!(align(&none, &many).len(), 300);
        assert_eq!(align(&many, &fixture::pass_at_60(&[5.0])).len(), 300);
    }
}
