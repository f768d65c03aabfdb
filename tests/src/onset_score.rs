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
