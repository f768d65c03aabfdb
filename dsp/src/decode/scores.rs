//! How likely a candidate is the beginning of a note: boosted trees (Friedman 2001, Annals of Statistics 29:1189 \[M\])
//! fitted to labelled playing. The numbers stand in `fitted.txt` and are made again by `cargo xtask fit`; here they are only
//! read and summed.

use super::features::NUM;
use super::notes::NUM_NOTE;

/// The fitted trees. Its first lines say what they were fitted on.
const FITTED: &str = include_str!("fitted.txt");

/// A node: go to `below` where the feature is at most the threshold, else to the node after; or a leaf.
#[derive(Clone, Copy)]
enum Node {
    Split { feature: usize, threshold: f32, above: usize },
    Leaf(f32),
}

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
}

impl Scores {
    /// The fitted scores.
    ///
    /// # Panics
    /// When `fitted.txt` is not what `cargo xtask fit` writes; a test reads it.
    pub fn fitted() -> Self {
        Self { onset: Trees::of("onset"), place: Trees::of("place"), note: Trees::of("note") }
    }

    /// Probability that a candidate with these features begins a note, 0..1.
    #[must_use]
    pub fn probability(&self, features: &[f32; NUM]) -> f32 {
        1.0 / (1.0 + (-self.onset.sum(features)).exp())
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
}

impl Trees {
    /// The trees of one section.
    fn of(section: &str) -> Self {
        let mut trees = Self::default();
        let head = format!("of {section}");
        let lines = FITTED.lines().skip_while(|line| *line != head).skip(1).take_while(|line| !line.starts_with("of "));
        for line in lines {
            trees.read(line).unwrap_or_else(|| panic!("no line of fitted scores: {line}"));
        }
        trees
    }

    /// A line: `base VALUE`, `tree`, `FEATURE THRESHOLD ABOVE` (nodes of the left branch follow) or `= VALUE`.
    fn read(&mut self, line: &str) -> Option<()> {
        let mut words = line.split(' ');
        match words.next()? {
            "base" => self.base = words.next()?.parse().ok()?,
            "tree" => self.roots.push(self.nodes.len()),
            "=" => self.nodes.push(Node::Leaf(words.next()?.parse().ok()?)),
            feature => {
                let feature = feature.parse().ok().filter(|f| *f < NUM)?;
                let threshold = words.next()?.parse().ok()?;
                let above = self.roots.last()? + words.next()?.parse::<usize>().ok()?;
                self.nodes.push(Node::Split { feature, threshold, above });
            }
        }
        Some(())
    }

    fn sum(&self, features: &[f32]) -> f32 {
        self.base + self.roots.iter().map(|&root| self.leaf(root, features)).sum::<f32>()
    }

    fn leaf(&self, mut at: usize, features: &[f32]) -> f32 {
        loop {
            match self.nodes[at] {
                Node::Leaf(value) => return value,
                Node::Split { feature, threshold, above } => {
                    at = if features[feature] <= threshold { at + 1 } else { above };
                }
            }
        }
    }
}
