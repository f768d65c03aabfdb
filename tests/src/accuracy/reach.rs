//! The figures beside what they are to reach.

use super::figures::{FAULTS, Figures};

/// One line of the total: a figure and what it is to reach.
pub struct Line {
    /// What is measured.
    pub name: String,
    /// Its value; NaN when there was nothing to measure.
    pub value: f64,
    /// Unit, empty for shares.
    pub unit: &'static str,
    /// What it is to reach.
    pub reach: Option<Reach>,
    /// How many notes stand behind it.
    pub num_notes: usize,
}

/// What a figure is to reach; both are inclusive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reach {
    /// At least this.
    AtLeast(f64),
    /// At most this, in absolute value.
    Within(f64),
    /// From the first to the second.
    Between(f64, f64),
}

impl Reach {
    /// True when a value reaches it.
    #[must_use]
    pub fn is_met(self, value: f64) -> bool {
        match self {
            Self::AtLeast(least) => value >= least,
            Self::Within(most) => value.abs() <= most,
            Self::Between(least, most) => (least..=most).contains(&value),
        }
    }
}

impl Line {
    /// True when the figure is short of what it is to reach. Nothing measured is not a miss.
    #[must_use]
    pub fn misses(&self) -> bool {
        self.reach.is_some_and(|reach| !self.value.is_nan() && !reach.is_met(self.value))
    }
}

/// The total, line by line, with the figures of the issue to reach.
#[must_use]
pub fn lines(figures: &Figures) -> Vec<Line> {
    let mut lines = onset_lines(figures);
    lines.extend(measure_lines(figures));
    lines.extend(fault_lines(figures));
    lines.push(share("flags on clean notes", figures.flagged_clean, Some(Reach::Within(0.03))));
    lines
}

fn onset_lines(figures: &Figures) -> Vec<Line> {
    let n = figures.onsets[0].num_reference;
    let line = |name: &str, value, least| Line {
        name: name.to_owned(),
        value,
        unit: "",
        reach: Some(Reach::AtLeast(least)),
        num_notes: n,
    };
    let f = figures.onsets.map(crate::onset_score::OnsetCounts::f_measure);
    vec![
        line("onset F at 50 ms", f[0], 0.985),
        line("onset F at 25 ms", f[1], 0.97),
        line("onset F at 10 ms", f[2], 0.90),
        line("onset F at 50 ms, worst take", figures.worst_f, 0.95),
    ]
}

enum Of {
    Mean,
    Bias,
    AbsMedian,
    AbsP90,
    Told,
}

/// Measure, statistic, unit, most.
const MEASURE_LINES: [(&str, Of, &str, Option<f64>); 26] = [
    ("onset", Of::Bias, "ms", Some(2.0)),
    ("onset", Of::Mean, "ms", Some(2.0)),
    ("onset", Of::AbsP90, "ms", Some(8.0)),
    ("slur-onset", Of::Bias, "ms", Some(2.0)),
    ("slur-onset", Of::Mean, "ms", Some(2.0)),
    ("slur-onset", Of::AbsP90, "ms", Some(15.0)),
    ("speaks", Of::Bias, "ms", None),
    ("speaks", Of::AbsP90, "ms", None),
    ("speak", Of::AbsMedian, "ms", None),
    ("speak", Of::AbsP90, "ms", None),
    ("approach", Of::AbsMedian, "cents", Some(2.0)),
    ("approach", Of::AbsP90, "cents", Some(5.0)),
    ("settle", Of::AbsMedian, "ms", Some(4.0)),
    ("settle", Of::AbsP90, "ms", Some(12.0)),
    ("settle", Of::Told, "", None),
    ("settle-of-steady", Of::AbsP90, "ms", None),
    ("onset-pitch", Of::AbsP90, "cents", Some(10.0)),
    ("onset-pitch-of-moving", Of::AbsP90, "cents", Some(10.0)),
    ("onset-pitch", Of::Told, "", None),
    ("settled-pitch", Of::AbsP90, "cents", Some(1.5)),
    ("noise", Of::AbsMedian, "ms", Some(5.0)),
    ("noise", Of::AbsP90, "ms", Some(15.0)),
    ("noise-level", Of::AbsMedian, "dB", Some(2.0)),
    ("noise-level", Of::Told, "", None),
    ("noise-of-airless", Of::AbsP90, "ms", None),
    ("timing", Of::AbsP90, "ms", Some(6.0)),
];

fn measure_lines(figures: &Figures) -> Vec<Line> {
    let mut lines: Vec<Line> = MEASURE_LINES.iter().map(|row| measure_line(figures, row)).collect();
    lines.push(share("right note", figures.right_note, Some(Reach::AtLeast(0.995))));
    lines
}

fn measure_line(figures: &Figures, (name, of, unit, most): &(&str, Of, &'static str, Option<f64>)) -> Line {
    let notes = figures.notes(name);
    let (statistic, value) = match of {
        Of::Mean => ("mean error", figures.mean_error(name)),
        Of::Bias => ("median error", figures.median_error(name)),
        Of::AbsMedian => ("abs median", figures.abs_error_percentile(name, 50.0)),
        Of::AbsP90 => ("abs p90", figures.abs_error_percentile(name, 90.0)),
        Of::Told => ("told", figures.errors(name).len() as f64 / notes.len() as f64),
    };
    Line { name: format!("{name} {statistic}"), value, unit, reach: most.map(Reach::Within), num_notes: notes.len() }
}

fn fault_lines(figures: &Figures) -> Vec<Line> {
    let mut lines = Vec::new();
    for (counts, name) in figures.faults.iter().zip(FAULTS) {
        let line = |what: &str, value, num_notes| Line {
            name: format!("{} {what}", name.as_str()),
            value,
            unit: "",
            reach: Some(Reach::AtLeast(0.93)),
            num_notes,
        };
        lines.push(line("precision", counts.precision(), counts.num_right + counts.num_false));
        lines.push(line("recall", counts.recall(), counts.num_right + counts.num_missed));
    }
    lines
}

fn share(name: &str, (part, whole): (usize, usize), reach: Option<Reach>) -> Line {
    Line { name: name.to_owned(), value: part as f64 / whole as f64, unit: "", reach, num_notes: whole }
}
