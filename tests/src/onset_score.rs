//! The onset F-measure as mir_eval defines it, and the pairing of notes for comparing their measures.
//!
//! A reference and an estimated onset may be matched when |difference| <= window (inclusive). Each is
//! matched at most once; the number of matches is that of a maximum bipartite matching. With N matches
//! precision = N / estimated, recall = N / references, F = 2PR / (P + R), all 0 when either list is empty.
//! Source: Raffel et al. 2014, mir_eval, ISMIR; `mir_eval.onset.f_measure`.

/// Matches and list lengths; pooled by adding.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct OnsetCounts {
    /// Matched pairs.
    pub num_matched: usize,
    /// Reference onsets.
    pub num_reference: usize,
    /// Estimated onsets.
    pub num_estimated: usize,
}

impl OnsetCounts {
    /// Counts for two lists of times and a window in s. The lists need no order.
    #[must_use]
    pub fn of(reference_s: &[f64], estimated_s: &[f64], window_s: f64) -> Self {
        Self {
            num_matched: maximum_matching(reference_s, estimated_s, window_s).len(),
            num_reference: reference_s.len(),
            num_estimated: estimated_s.len(),
        }
    }

    /// Share of the estimated that is matched.
    #[must_use]
    pub fn precision(self) -> f64 {
        share(self.num_matched, self.num_estimated)
    }

    /// Share of the references that is matched.
    #[must_use]
    pub fn recall(self) -> f64 {
        share(self.num_matched, self.num_reference)
    }

    /// Harmonic mean of precision and recall.
    #[must_use]
    pub fn f_measure(self) -> f64 {
        let (p, r) = (self.precision(), self.recall());
        if p + r > 0.0 { 2.0 * p * r / (p + r) } else { 0.0 }
    }

    /// Both counts together.
    #[must_use]
    pub fn plus(self, other: Self) -> Self {
        Self {
            num_matched: self.num_matched + other.num_matched,
            num_reference: self.num_reference + other.num_reference,
            num_estimated: self.num_estimated + other.num_estimated,
        }
    }
}

fn share(part: usize, whole: usize) -> f64 {
    if whole == 0 { 0.0 } else { part as f64 / whole as f64 }
}

/// Pairs (reference, estimated) of a maximum bipartite matching, by augmenting paths (Kuhn 1955),
/// in the order of the references.
#[must_use]
pub fn maximum_matching(reference_s: &[f64], estimated_s: &[f64], window_s: f64) -> Vec<(usize, usize)> {
    let mut owner: Vec<Option<usize>> = vec![None; estimated_s.len()];
    for r in 0..reference_s.len() {
        let mut seen = vec![false; estimated_s.len()];
        augment(r, reference_s, estimated_s, window_s, &mut owner, &mut seen);
    }
    let mut pairs: Vec<_> = owner.iter().enumerate().filter_map(|(e, r)| r.map(|r| (r, e))).collect();
    pairs.sort_unstable();
    pairs
}

fn augment(
    r: usize,
    reference_s: &[f64],
    estimated_s: &[f64],
    window_s: f64,
    owner: &mut [Option<usize>],
    seen: &mut [bool],
) -> bool {
    for e in 0..estimated_s.len() {
        if seen[e] || (reference_s[r] - estimated_s[e]).abs() > window_s {
            continue;
        }
        seen[e] = true;
        let free = owner[e].is_none_or(|other| augment(other, reference_s, estimated_s, window_s, owner, seen));
        if free {
            owner[e] = Some(r);
            return true;
        }
    }
    false
}

/// Pairs (reference, estimated) within the window, nearest first, each used once: for comparing the
/// measures of one note with one note, where a maximum matching may cross pairs. Sorted by reference.
#[must_use]
pub fn nearest_pairs(reference_s: &[f64], estimated_s: &[f64], window_s: f64) -> Vec<(usize, usize)> {
    let mut near: Vec<(f64, usize, usize)> = Vec::new();
    for (r, &reference) in reference_s.iter().enumerate() {
        for (e, &estimated) in estimated_s.iter().enumerate() {
            let distance = (reference - estimated).abs();
            if distance <= window_s {
                near.push((distance, r, e));
            }
        }
    }
    near.sort_by(|a, b| a.partial_cmp(b).unwrap_or(std::cmp::Ordering::Equal));
    let (mut used_r, mut used_e) = (vec![false; reference_s.len()], vec![false; estimated_s.len()]);
    let mut pairs = Vec::new();
    for (_, r, e) in near {
        if !used_r[r] && !used_e[e] {
            (used_r[r], used_e[e]) = (true, true);
            pairs.push((r, e));
        }
    }
    pairs.sort_unstable();
    pairs
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    fn scores(reference_s: &[f64], estimated_s: &[f64], window_s: f64) -> (f64, f64, f64) {
        let counts = OnsetCounts::of(reference_s, estimated_s, window_s);
        (counts.f_measure(), counts.precision(), counts.recall())
    }

    #[test]
    fn the_published_worked_case_of_four_notes_holds() {
        // mir_eval tests/test_transcription.py, REF and EST: onset precision 0.8, recall 1.0, F 0.888888888888889.
        let (f, p, r) = scores(&[0.100, 0.300, 0.500, 0.550], &[0.120, 0.300, 0.500, 0.550, 0.560], 0.050);
        assert_abs_diff_eq!(p, 0.8);
        assert_abs_diff_eq!(r, 1.0);
        assert_abs_diff_eq!(f, 0.888_888_888_888_889, epsilon = 1e-15);
    }

    #[test]
    fn the_published_worked_case_of_event_matching_holds() {
        // mir_eval tests/test_util.py, match_events: references 0 and 1 go to estimates 0 and 2.
        let pairs = maximum_matching(&[1.0, 2.0, 3.0], &[1.1, 0.6, 1.9, 5.0, 10.0], 0.5);
        assert_eq!(pairs, [(0, 0), (1, 2)]);
    }

    #[test]
    fn scores_agree_with_mir_eval_0_8_2() {
        // (reference, estimated, window) -> (F, P, R), each computed by mir_eval.onset.f_measure 0.8.2.
        type Case<'a> = (&'a [f64], &'a [f64], f64, (f64, f64, f64));
        let cases: [Case; 6] = [
            (&[1.0, 2.0, 3.0], &[1.05, 2.05, 3.05], 0.05, (1.0, 1.0, 1.0)),
            (&[0.0, 0.04, 0.08], &[0.03, 0.07], 0.05, (0.8, 1.0, 2.0 / 3.0)),
            (&[0.0, 0.09, 0.1], &[0.05, 0.06, 0.14], 0.05, (1.0, 1.0, 1.0)),
            (&[0.25, 0.5, 0.75, 1.0], &[0.25, 0.3, 0.5, 0.55, 0.8, 1.5], 0.05, (0.6, 0.5, 0.75)),
            (&[0.5, 0.5625], &[0.53125], 0.03125, (2.0 / 3.0, 1.0, 0.5)),
            (&[1.0, 2.0], &[5.0, 6.0], 0.05, (0.0, 0.0, 0.0)),
        ];
        for (reference_s, estimated_s, window_s, (f, p, r)) in cases {
            // mir_eval rounds nothing either, so 1.05 - 1 = 0.050000000000000044 is its question as well as ours:
            // it is asked the same way here, with a window one part in 1e12 wider where its answer says "within".
            let got = scores(reference_s, estimated_s, window_s + 1e-12);
            assert_abs_diff_eq!(got.0, f, epsilon = 1e-12);
            assert_abs_diff_eq!(got.1, p, epsilon = 1e-12);
            assert_abs_diff_eq!(got.2, r, epsilon = 1e-12);
        }
    }

    #[test]
    fn the_window_is_inclusive() {
        // Exact in binary: 0.53125 - 0.5 = 0.03125.
        assert_eq!(maximum_matching(&[0.5], &[0.531_25], 0.031_25), [(0, 0)]);
        assert!(maximum_matching(&[0.5], &[0.531_26], 0.031_25).is_empty());
    }

    #[test]
    fn nothing_against_something_scores_zero() {
        // mir_eval: 0 with a warning when either list is empty.
        assert_eq!(scores(&[], &[], 0.05), (0.0, 0.0, 0.0));
        assert_eq!(scores(&[1.0], &[], 0.05), (0.0, 0.0, 0.0));
        assert_eq!(scores(&[], &[1.0], 0.05), (0.0, 0.0, 0.0));
    }

    #[test]
    fn a_maximum_matching_beats_a_greedy_one_and_the_nearest_pairs_do_not_cross() {
        // 0.10 is nearer to 0.06 than 0.02 is, but must leave it so that both are matched.
        let (reference_s, estimated_s) = ([0.02, 0.10], [0.06, 0.14]);
        assert_eq!(maximum_matching(&reference_s, &estimated_s, 0.05), [(0, 0), (1, 1)]);
        assert_eq!(nearest_pairs(&[0.0, 0.03], &[0.031], 0.05), [(1, 0)]);
    }
}
