//! Two passes aligned note by note, by the analysis' own aligner.

use crate::passes::Pass;
use notefront_dsp::align::{Alignment, Step, align, align_on_line};

/// Most entrances of two passes, multiplied, whose tempo and key are looked for: on a thread of its own.
/// Larger ones, and passes that still grow, are held against each other from their first notes.
const MAX_SEARCHED: usize = 1_000_000;

/// Which entrance of one pass is which of another, and where the second pass stands beside the first.
#[derive(Debug, Clone, PartialEq)]
pub struct Aligned {
    /// Note by note.
    pub alignment: Alignment,
    /// What to add to a time of the second pass to stand beside the first, seconds.
    pub shift_s: f64,
}

/// Aligns two passes: on the host's time line where both stand on it, otherwise by their notes and rhythm.
#[must_use]
pub fn align_passes(a: &Pass, b: &Pass) -> Aligned {
    if let (true, Some((a0, _)), Some((b0, _))) = (a.is_same_passage(b), a.span_s(), b.span_s()) {
        return on_line(a, b, b0 - a0);
    }
    let size = a.entrances.len().saturating_mul(b.entrances.len());
    if a.live || b.live || size > MAX_SEARCHED {
        return on_line(a, b, between(a, b, (0, 0)));
    }
    let alignment = align(&steps(a, 0.0), &steps(b, 0.0));
    let first = alignment.pairs.first().map_or((0, 0), |pair| (pair.a, pair.b));
    Aligned { alignment, shift_s: between(a, b, first) }
}

fn on_line(a: &Pass, b: &Pass, shift_s: f64) -> Aligned {
    Aligned { alignment: align_on_line(&steps(a, 0.0), &steps(b, shift_s)), shift_s }
}

/// From an entrance of the second pass to one of the first, seconds; 0 where either is missing.
fn between(a: &Pass, b: &Pass, (i, j): (usize, usize)) -> f64 {
    let both = a.entrances.get(i).zip(b.entrances.get(j));
    both.map_or(0.0, |(a, b)| a.front.speaks_s - b.front.speaks_s)
}

fn steps(pass: &Pass, shift_s: f64) -> Vec<Step> {
    let step = |e| Step { at_s: Step::from(e).at_s + shift_s, ..Step::from(e) };
    pass.entrances.iter().map(step).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;

    fn pairs(a: &Pass, b: &Pass) -> Vec<(usize, usize)> {
        align_passes(a, b).alignment.pairs.iter().map(|pair| (pair.a, pair.b)).collect()
    }

    fn free(pass: &Pass) -> Pass {
        Pass { start_samples: None, ..pass.clone() }
    }

    #[test]
    fn a_pass_aligns_with_itself() {
        let pass = fixture::mixed_pass(50, 1);
        let all: Vec<_> = (0..50).map(|i| (i, i)).collect();
        assert_eq!(pairs(&pass, &pass), all);
        assert_eq!(pairs(&free(&pass), &free(&pass)), all);
    }

    #[test]
    fn a_missing_note_stays_alone_and_the_rest_pair() {
        let a = fixture::mixed_pass(20, 1);
        let mut b = a.clone();
        b.entrances.remove(7);
        for (a, b) in [(&a, &b), (&free(&a), &free(&b))] {
            let there = align_passes(a, b).alignment;
            assert_eq!((there.pairs.len(), there.only_in_a, there.only_in_b), (19, vec![7], vec![]));
            assert_eq!(align_passes(b, a).alignment.only_in_b, [7]);
        }
    }

    #[test]
    fn a_wrong_note_still_pairs() {
        let a = fixture::pass_at_60(&[1.0, 2.0, 3.0]);
        let mut b = a.clone();
        b.entrances[1].front.midi_note = Some(70);
        assert_eq!(pairs(&a, &b)[1], (1, 1));
    }

    #[test]
    fn a_punch_in_lies_where_the_host_says() {
        // Sixteen notes, and their second half played again, on one pitch: only the time line tells which are which.
        let mut a = fixture::mixed_pass(16, 1);
        a.entrances.iter_mut().for_each(|e| e.front.midi_note = Some(46));
        let mut b = a.clone();
        b.entrances.drain(..8);
        b.entrances.iter_mut().for_each(|e| e.front.speaks_s -= 8.0);
        b.start_samples = Some(8 * 48_000);
        b.duration_s -= 8.0;
        assert!((align_passes(&a, &b).shift_s - 8.0).abs() < 1e-9);
        assert_eq!(pairs(&a, &b), (8..16).map(|i| (i, i - 8)).collect::<Vec<_>>());
    }

    #[test]
    fn passes_without_a_time_line_align_from_their_first_notes() {
        let a = free(&fixture::pass_at_60(&[1.0, 2.0, 3.0]));
        let b = free(&fixture::pass_at_60(&[11.0, 12.0, 13.0]));
        for b in [b.clone(), Pass { live: true, ..b }] {
            let aligned = align_passes(&a, &b);
            assert!((aligned.shift_s + 10.0).abs() < 1e-9);
            assert_eq!(aligned.alignment.pairs.len(), 3);
        }
    }

    #[test]
    fn passes_without_a_time_line_may_differ_in_tempo() {
        let a = free(&fixture::mixed_pass(60, 1));
        let mut b = a.clone();
        // 20 % slower: 10 s behind at the end.
        b.entrances.iter_mut().for_each(|e| e.front.speaks_s *= 1.2);
        assert_eq!(pairs(&a, &b), (0..60).map(|i| (i, i)).collect::<Vec<_>>());
    }

    #[test]
    fn empty_and_very_unequal_passes_align() {
        let (none, many) = (fixture::pass_at_60(&[]), fixture::mixed_pass(300, 2));
        assert_eq!(align_passes(&none, &none).alignment, Alignment::default());
        assert_eq!(align_passes(&none, &many).alignment.only_in_b.len(), 300);
        let found = align_passes(&many, &fixture::pass_at_60(&[5.0])).alignment;
        assert_eq!((found.pairs.len(), found.only_in_a.len()), (1, 299));
    }

    #[test]
    fn long_passes_align() {
        let on_line = (fixture::mixed_pass(4_000, 3), fixture::mixed_pass(4_000, 4));
        let alone = (free(&on_line.0), free(&on_line.1));
        let short = (free(&fixture::mixed_pass(200, 3)), free(&fixture::mixed_pass(200, 4)));
        for (what, (a, b)) in [("on the time line", on_line), ("free", alone), ("free, searched", short)] {
            let began = std::time::Instant::now();
            let num_pairs = align_passes(&a, &b).alignment.pairs.len();
            println!("{} against {} {what}: {:?}", a.entrances.len(), b.entrances.len(), began.elapsed());
            assert_eq!(num_pairs, a.entrances.len(), "{what}");
        }
    }
}
