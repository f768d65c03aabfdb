//! How likely a candidate is the beginning of a note: boosted trees (Friedman 2001, Annals of Statistics 29:1189 \[M\])
//! fitted to labelled playing. The numbers stand in `fitted.txt` and are made again by `cargo xtask fit`; here they are only
//! read and summed.

use super::features::NUM;
use super::played::NUM_NOTE;
use super::struck::NUM_STRUCK;

/// The fitted trees. Its first lines say what they were fitted on.
const FITTED: &str = include_str!("fitted.txt");

/// A node. A split: on to the next node where the feature is at most the value, else so many nodes on. A leaf, whose feature
/// is [`LEAF`], holds what it adds. Eight bytes, so that the forest fits a core's own memory.
#[derive(Clone, Copy)]
struct Node {
    value: f32,
    feature: u16,
    above: u16,
}

/// No feature has this number \[T\].
const LEAF: u16 = u16::MAX;

/// Trees whose leaves are summed.
#[derive(Default)]
pub struct Trees {
    base: f32,
    nodes: Vec<Node>,
    roots: Vec<usize>,
}

/// Everything fitted.
pub struct Scores {
    onset: Trees,
    place: Trees,
    note: Trees,
    struck: Trees,
}

impl Scores {
    /// The fitted scores.
    ///
    /// # Panics
    /// When `fitted.txt` is not what `cargo xtask fit` writes; a test reads it.
    pub fn fitted() -> Self {
        let [onset, place, note, struck] = ["onset", "place", "note", "struck"].map(Trees::fitted);
        Self { onset, place, note, struck }
    }

    /// Probability that a candidate with these features begins a note, 0..1.
    #[must_use]
    pub fn probability(&self, features: &[f32; NUM]) -> f32 {
        self.onset.probability(features)
    }

    /// From a candidate that begins a note to where it begins, s.
    #[must_use]
    pub fn offset_s(&self, features: &[f32; NUM]) -> f64 {
        f64::from(self.place.sum(features)) * 1e-3
    }
}

impl Scores {
    /// How much a sound looks like a played note, and not like talk: the logarithm of the odds.
    #[must_use]
    pub fn note_odds(&self, features: &[f32; NUM_NOTE]) -> f32 {
        self.note.sum(features)
    }

    /// True for a sound that is likelier struck, or a metronome's, than played.
    #[must_use]
    pub fn is_struck(&self, features: &[f32; NUM_STRUCK]) -> bool {
        self.struck.sum(features) < 0.0
    }
}

impl Trees {
    /// The fitted trees of one section.
    pub(crate) fn fitted(section: &str) -> Self {
        Self::of(FITTED, section)
    }

    /// The trees of one section of a text.
    fn of(text: &str, section: &str) -> Self {
        let mut trees = Self::default();
        let head = format!("of {section}");
        let lines = text.lines().skip_while(|line| *line != head).skip(1).take_while(|line| !line.starts_with("of "));
        for line in lines {
            trees.read(line).unwrap_or_else(|| panic!("no line of fitted scores: {line}"));
        }
        trees
    }

    /// A line: `base VALUE`, `tree`, `FEATURE THRESHOLD ABOVE` (nodes of the left branch follow) or `=VALUE`.
    fn read(&mut self, line: &str) -> Option<()> {
        if let Some(value) = line.strip_prefix('=') {
            self.nodes.push(Node { value: value.parse().ok()?, feature: LEAF, above: 0 });
            return Some(());
        }
        let mut words = line.split(' ');
        match words.next()? {
            "base" => self.base = words.next()?.parse().ok()?,
            "tree" => self.roots.push(self.nodes.len()),
            feature => {
                let feature = feature.parse().ok().filter(|f| usize::from(*f) < NUM)?;
                let value = words.next()?.parse().ok()?;
                let place = (self.nodes.len() - self.roots.last()?) as u16;
                let above = words.next()?.parse::<u16>().ok()?.checked_sub(place)?;
                self.nodes.push(Node { value, feature, above });
            }
        }
        Some(())
    }

    /// The sum of a leaf of each tree.
    pub(crate) fn sum(&self, features: &[f32]) -> f32 {
        self.base + self.roots.iter().map(|&root| self.leaf(root, features)).sum::<f32>()
    }

    /// That sum as the logarithm of odds, in words of probability, 0..1.
    pub(crate) fn probability(&self, features: &[f32]) -> f32 {
        1.0 / (1.0 + (-self.sum(features)).exp())
    }

    fn leaf(&self, mut at: usize, features: &[f32]) -> f32 {
        loop {
            let node = self.nodes[at];
            if node.feature == LEAF {
                return node.value;
            }
            at += if features[usize::from(node.feature)] <= node.value { 1 } else { usize::from(node.above) };
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Most bytes of `fitted.txt`: a change of it can still be read in a summary.
    const MOST_BYTES: usize = 200_000;

    /// Two trees by hand. The first: under 1 in feature 0, -1; else, under 5 in feature 2, 2; else 4. The second:
    /// always 0.25.
    const BY_HAND: &str = "# a forest\nof other\nbase 9\nof onset\nbase 0.5\ntree\n0 1 2\n=-1\n2 5 4\n=2\n=4\ntree\n=0.25\nof place\nbase 7\n";

    #[test]
    fn a_forest_is_the_sum_of_its_base_and_of_one_leaf_of_each_tree() {
        let trees = Trees::of(BY_HAND, "onset");
        assert_eq!(trees.sum(&[0.0, 0.0, 9.0]), 0.5 - 1.0 + 0.25);
        assert_eq!(trees.sum(&[1.0, 0.0, 9.0]), 0.5 - 1.0 + 0.25, "at the threshold the branch below is taken");
        assert_eq!(trees.sum(&[1.5, 0.0, 5.0]), 0.5 + 2.0 + 0.25);
        assert_eq!(trees.sum(&[1.5, 0.0, 5.1]), 0.5 + 4.0 + 0.25);
        assert_eq!(trees.sum(&[f32::NAN, 0.0, 5.1]), 0.5 + 4.0 + 0.25, "what is no number is at most nothing");
    }

    #[test]
    fn a_section_ends_where_the_next_begins() {
        assert_eq!(Trees::of(BY_HAND, "other").sum(&[0.0; NUM]), 9.0);
        assert_eq!(Trees::of(BY_HAND, "place").sum(&[0.0; NUM]), 7.0);
    }

    #[test]
    #[should_panic(expected = "no line of fitted scores")]
    fn a_feature_that_does_not_exist_is_refused() {
        let _ = Trees::of(&format!("of onset\nbase 0\ntree\n{NUM} 1 2\n=1\n=2\n"), "onset");
    }

    /// Every split names a feature there is, and a branch further down in its own tree; every tree is whole.
    fn assert_sound(trees: &Trees, num_features: usize) {
        assert!(trees.base.is_finite() && !trees.roots.is_empty());
        let ends = trees.roots.iter().skip(1).copied().chain([trees.nodes.len()]);
        for (&root, end) in trees.roots.iter().zip(ends) {
            let num_splits = trees.nodes[root..end].iter().filter(|n| n.feature != LEAF).count();
            assert_eq!(end - root, 2 * num_splits + 1, "a tree of {num_splits} splits has one leaf more");
            for (i, node) in trees.nodes[root..end].iter().enumerate() {
                assert!(node.value.is_finite());
                if node.feature != LEAF {
                    assert!(usize::from(node.feature) < num_features, "feature {} of {num_features}", node.feature);
                    assert!(node.above > 1 && root + i + usize::from(node.above) < end);
                }
            }
        }
    }

    #[test]
    fn what_is_fitted_is_whole_and_small_enough_to_look_at() {
        let fitted = Scores::fitted();
        assert_sound(&fitted.onset, NUM);
        assert_sound(&fitted.place, NUM);
        assert_sound(&fitted.note, NUM_NOTE);
        assert_sound(&fitted.struck, NUM_STRUCK);
        assert_sound(&Trees::fitted("air"), crate::air::NUM);
        assert_sound(&Trees::fitted("slide"), crate::slide::NUM);
        assert!(FITTED.len() <= MOST_BYTES, "{} bytes", FITTED.len());
    }

    #[test]
    fn what_is_fitted_says_what_it_was_fitted_on_and_what_has_to_be_fetched() {
        let head: Vec<&str> = FITTED.lines().take_while(|line| line.starts_with('#')).collect();
        let says = |what: &str| head.iter().any(|line| line.contains(what));
        assert!(says("Fitted on") && says("trombone phrases: ") && says("onsets"), "{head:?}");
        assert!(says("To be fetched"), "{head:?}");
    }

    #[test]
    fn a_probability_is_one_and_the_place_is_near() {
        let scores = Scores::fitted();
        for seen in [[0.0; NUM], [1e6; NUM], [-1e6; NUM], [f32::NAN; NUM]] {
            assert!((0.0..=1.0).contains(&scores.probability(&seen)));
            // Nothing is fitted to onsets over 45 ms away.
            assert!(scores.offset_s(&seen).abs() <= 0.045, "{} s", scores.offset_s(&seen));
        }
    }
}
