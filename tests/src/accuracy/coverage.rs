//! Whether every stated +- is honest: the share of truths inside value +- uncertainty.
//!
//! About nine of ten are promised. More than that is a +- too wide to be of use, less one that misleads.

use super::reach::Reach;
use super::take::JudgedTake;
use crate::playing::register;
use crate::table::Row;
use crate::truth::NoteTruth;
use notefront_dsp::{Entrance, Told};
use std::collections::BTreeMap;

/// A measure with a stated +-: error and half width; `None` for notes it does not speak of.
struct Stated {
    name: &'static str,
    of: fn(&NoteTruth, &Entrance) -> Option<(f64, f64)>,
}

const STATED: [Stated; 6] = [
    Stated {
        name: "onset",
        of: |t, e| attack(t).then(|| (ms(e.front.onset_s, t.onset_s), e.front.instant_uncertainty.onset_ms)),
    },
    Stated {
        name: "speaks",
        of: |t, e| attack(t).then(|| (ms(e.front.speaks_s, t.speaks_s), e.front.instant_uncertainty.speaks_ms)),
    },
    Stated { name: "settle", of: |t, e| told(t.settle_ms, e.front.settle_ms) },
    Stated { name: "approach", of: |t, e| told(t.approach_cents.filter(|_| !t.is_split()), e.front.approach_cents) },
    Stated { name: "first pitch", of: |t, e| told(t.onset_cents, e.front.onset_cents) },
    Stated {
        name: "air length",
        of: |t, e| told(Some(t.noise_ms).filter(|ms| *ms > 0.0), e.front.noise_before_tone_ms),
    },
];

fn attack(truth: &NoteTruth) -> bool {
    truth.articulation != "slurred"
}

fn ms(heard_s: f64, true_s: f64) -> f64 {
    (heard_s - true_s) * 1e3
}

fn told(truth: Option<f64>, heard: Told) -> Option<(f64, f64)> {
    let (truth, heard) = (truth?, heard.ok()?);
    Some((heard.value - truth, heard.uncertainty))
}

/// What is to be reached: nine of ten, give or take.
const NINE_OF_TEN: Reach = Reach::Between(0.85, 0.97);

/// Whose truths these are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Origin {
    /// Made: known by construction.
    Made,
    /// Recorded notes on a click: measured by another tracker.
    Recorded,
}

impl Origin {
    fn section(self) -> &'static str {
        match self {
            Self::Made => "coverage: truth inside the stated +-, made takes",
            Self::Recorded => "coverage: truth inside the stated +-, recorded notes",
        }
    }
}

/// One row for each measure, then by kind of take, then by register.
#[must_use]
pub fn coverage_rows(takes: &[JudgedTake], origin: Origin) -> Vec<Row> {
    let section = origin.section();
    let by_kind = counts(takes, |take, _| take.truth.kind.clone());
    let by_register = counts(takes, |_, note| register(note.midi as u8).to_owned());
    let mut rows: Vec<Row> = counts(takes, |_, _| String::new())
        .into_iter()
        .map(|((i, _), count)| row(section, STATED[i].name, count).reaching(NINE_OF_TEN))
        .collect();
    let parts = by_kind.into_iter().chain(by_register);
    rows.extend(parts.map(|((i, of), count)| row(section, &format!("  {}, {of}", STATED[i].name), count)));
    rows
}

fn row(section: &'static str, name: &str, (inside, all): (usize, usize)) -> Row {
    Row::share(section, name, (inside, all), format!("{all} notes told"))
}

/// (measure, part) -> (inside, told).
fn counts(
    takes: &[JudgedTake],
    part: impl Fn(&JudgedTake, &NoteTruth) -> String,
) -> BTreeMap<(usize, String), (usize, usize)> {
    let mut counts = BTreeMap::new();
    for take in takes {
        for (t, h) in &take.pairs {
            let (note, heard) = (&take.truth.entrances[*t], &take.heard[*h]);
            for (i, stated) in STATED.iter().enumerate() {
                let Some((error, half_width)) = (stated.of)(note, heard) else { continue };
                let count: &mut (usize, usize) = counts.entry((i, part(take, note))).or_default();
                count.0 += usize::from(error.abs() <= half_width);
                count.1 += 1;
            }
        }
    }
    counts
}
