//! The figures of one take or of many together.

use super::compare::{Compared, MEASURES};
use super::take::JudgedTake;
use crate::onset_score::OnsetCounts;
use crate::truth::Verdict;
use notefront_dsp::FaultName;

/// Windows of the onset figures, s.
pub const WINDOWS_S: [f64; 3] = [0.050, 0.025, 0.010];

/// Faults whose truth is known.
pub const FAULTS: [FaultName; 9] = [
    FaultName::Split,
    FaultName::Stutter,
    FaultName::Smear,
    FaultName::Airy,
    FaultName::Below,
    FaultName::Above,
    FaultName::Slow,
    FaultName::Hard,
    FaultName::HeldBreath,
];

/// One note's value in a figure, or a miss, with where to find it.
#[derive(Debug, Clone, PartialEq)]
pub struct Miss {
    /// Name of the take.
    pub take: String,
    /// Time in it, s.
    pub at_s: f64,
    /// MIDI note, for finding it in the score.
    pub midi: f64,
    /// True and heard value.
    pub compared: Compared,
    /// What it is about.
    pub what: &'static str,
}

impl std::fmt::Display for Miss {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} at {:.3} s: {}", self.take, self.at_s, self.what)
    }
}

/// Hits and misses of one fault.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct FaultCounts {
    /// There and told.
    pub num_right: usize,
    /// Told but not there.
    pub num_false: usize,
    /// There but not told.
    pub num_missed: usize,
}

impl FaultCounts {
    /// Right among the told; 0 when nothing was told of what was there, NaN when there was nothing to tell.
    #[must_use]
    pub fn precision(self) -> f64 {
        if self.num_right + self.num_false + self.num_missed == 0 {
            return f64::NAN;
        }
        self.num_right as f64 / (self.num_right + self.num_false).max(1) as f64
    }

    /// Told among those there; NaN when none was there.
    #[must_use]
    pub fn recall(self) -> f64 {
        self.num_right as f64 / (self.num_right + self.num_missed) as f64
    }
}

/// All figures.
#[derive(Debug, Clone, Default)]
pub struct Figures {
    /// Onset counts for each of [`WINDOWS_S`].
    pub onsets: [OnsetCounts; 3],
    /// Lowest F-measure of a take at the widest window.
    pub worst_f: f64,
    /// For each of [`MEASURES`], every note it speaks of.
    pub measured: [Vec<Miss>; MEASURES.len()],
    /// Notes with the right name, and notes compared.
    pub right_note: (usize, usize),
    /// For each of [`FAULTS`].
    pub faults: [FaultCounts; FAULTS.len()],
    /// Clean notes with a flag other than timing, and clean notes.
    pub flagged_clean: (usize, usize),
    /// Notes missed, entrances invented, faults told wrongly or not told, clean notes flagged.
    pub misses: Vec<Miss>,
}

impl Figures {
    /// Figures of several takes together: counts are pooled, so each note weighs the same.
    #[must_use]
    pub fn of<'a>(takes: impl IntoIterator<Item = &'a JudgedTake>) -> Self {
        let mut figures = Self { worst_f: 1.0, ..Self::default() };
        for take in takes {
            figures.add_onsets(take);
            figures.add_measures(take);
            figures.add_faults(take);
        }
        figures
    }

    fn add_onsets(&mut self, take: &JudgedTake) {
        let (reference_s, estimated_s) = (take.reference_s(), take.estimated_s());
        for (counts, window_s) in self.onsets.iter_mut().zip(WINDOWS_S) {
            let here = OnsetCounts::of(&reference_s, &estimated_s, window_s);
            if window_s == WINDOWS_S[0] {
                self.worst_f = self.worst_f.min(f_or_silence(here));
            }
            *counts = counts.plus(here);
        }
        for i in take.missed() {
            self.misses.push(miss(take, Some(i), reference_s[i], "note not found"));
        }
        for i in take.invented() {
            self.misses.push(miss(take, None, estimated_s[i], "entrance invented"));
        }
    }

    fn add_measures(&mut self, take: &JudgedTake) {
        for &(t, h) in &take.pairs {
            let (note, heard) = (&take.truth.entrances[t], &take.heard[h]);
            for (list, measure) in self.measured.iter_mut().zip(&MEASURES) {
                if let Some(compared) = (measure.compare)(note, heard) {
                    list.push(Miss { compared, ..miss(take, Some(t), note.onset_s, measure.name) });
                }
            }
            let right = heard.front.midi_note.is_some_and(|midi| f64::from(midi) == note.midi.round());
            self.right_note.0 += usize::from(right);
            self.right_note.1 += 1;
            if !right {
                self.misses.push(miss(take, Some(t), note.onset_s, "wrong note"));
            }
        }
    }

    fn add_faults(&mut self, take: &JudgedTake) {
        for &(t, h) in &take.pairs {
            self.count_faults_of_pair(take, t, h);
        }
        for t in take.missed() {
            for (counts, name) in self.faults.iter_mut().zip(FAULTS) {
                counts.num_missed += usize::from(take.truth.verdict(t, name.as_str()) == Verdict::Has);
            }
        }
        for h in take.invented() {
            for (counts, name) in self.faults.iter_mut().zip(FAULTS) {
                let judged = take.truth.judged.iter().any(|judged| judged == name.as_str());
                counts.num_false += usize::from(judged && take.heard[h].verdict.faults.get(name).is_some());
            }
        }
    }

    fn count_faults_of_pair(&mut self, take: &JudgedTake, t: usize, h: usize) {
        let (note, faults) = (&take.truth.entrances[t], &take.heard[h].verdict.faults);
        for (counts, name) in self.faults.iter_mut().zip(FAULTS) {
            match (take.truth.verdict(t, name.as_str()), faults.get(name).is_some()) {
                (Verdict::Has, true) => counts.num_right += 1,
                (Verdict::Has, false) => {
                    counts.num_missed += 1;
                    self.misses.push(miss(take, Some(t), note.onset_s, missed_fault(name)));
                }
                (Verdict::HasNot, true) => {
                    counts.num_false += 1;
                    self.misses.push(miss(take, Some(t), note.onset_s, false_fault(name)));
                }
                _ => {}
            }
        }
        if take.truth.is_clean(t) {
            let timing = [FaultName::Early, FaultName::Late];
            let flag = faults.iter().find(|fault| !timing.contains(&fault.name));
            self.flagged_clean.1 += 1;
            if let Some(flag) = flag {
                self.flagged_clean.0 += 1;
                self.misses.push(miss(take, Some(t), note.onset_s, flagged_clean(flag.name)));
            }
        }
    }

    /// Signed errors of a measure, by name; notes it could not tell of are left out.
    #[must_use]
    pub fn errors(&self, name: &str) -> Vec<f64> {
        self.notes(name).iter().filter_map(|miss| miss.compared.error()).collect()
    }

    /// Every note a measure speaks of.
    ///
    /// # Panics
    /// When there is no measure of that name.
    #[must_use]
    pub fn notes(&self, name: &str) -> &[Miss] {
        let i = MEASURES.iter().position(|measure| measure.name == name);
        &self.measured[i.unwrap_or_else(|| panic!("no measure is called {name}"))]
    }

    /// Percentile `p` (0 to 100) of the absolute error of a measure; NaN when nothing was told.
    #[must_use]
    pub fn abs_error_percentile(&self, name: &str, p: f64) -> f64 {
        percentile(&self.errors(name).iter().map(|e| e.abs()).collect::<Vec<_>>(), p)
    }

    /// Median signed error of a measure; NaN when nothing was told.
    #[must_use]
    pub fn median_error(&self, name: &str) -> f64 {
        percentile(&self.errors(name), 50.0)
    }

    /// Mean signed error of a measure; NaN when nothing was told.
    #[must_use]
    pub fn mean_error(&self, name: &str) -> f64 {
        let errors = self.errors(name);
        errors.iter().sum::<f64>() / errors.len() as f64
    }
}

/// A take without notes in which none was heard is right.
fn f_or_silence(counts: OnsetCounts) -> f64 {
    if counts.num_reference + counts.num_estimated == 0 { 1.0 } else { counts.f_measure() }
}

fn miss(take: &JudgedTake, note: Option<usize>, at_s: f64, what: &'static str) -> Miss {
    let midi = note.map_or(f64::NAN, |i| take.truth.entrances[i].midi);
    Miss { take: take.name.clone(), at_s, midi, compared: Compared { truth: f64::NAN, heard: None }, what }
}

fn missed_fault(name: FaultName) -> &'static str {
    match name {
        FaultName::Split => "split not told",
        FaultName::Stutter => "stutter not told",
        FaultName::Smear => "smear not told",
        FaultName::Airy => "airy not told",
        FaultName::Below => "below not told",
        FaultName::Above => "above not told",
        FaultName::Slow => "slow not told",
        FaultName::Hard => "hard not told",
        _ => "held-breath not told",
    }
}

fn false_fault(name: FaultName) -> &'static str {
    match name {
        FaultName::Split => "split told wrongly",
        FaultName::Stutter => "stutter told wrongly",
        FaultName::Smear => "smear told wrongly",
        FaultName::Airy => "airy told wrongly",
        FaultName::Below => "below told wrongly",
        FaultName::Above => "above told wrongly",
        FaultName::Slow => "slow told wrongly",
        FaultName::Hard => "hard told wrongly",
        _ => "held-breath told wrongly",
    }
}

fn flagged_clean(name: FaultName) -> &'static str {
    match name {
        FaultName::Split => "clean note flagged split",
        FaultName::Stutter => "clean note flagged stutter",
        FaultName::Smear => "clean note flagged smear",
        FaultName::Airy => "clean note flagged airy",
        FaultName::Below => "clean note flagged below",
        FaultName::Above => "clean note flagged above",
        FaultName::Slow => "clean note flagged slow",
        FaultName::Hard => "clean note flagged hard",
        _ => "clean note flagged held-breath",
    }
}

/// Percentile `p` (0 to 100) with linear interpolation between ranks; NaN for an empty list.
#[must_use]
pub fn percentile(values: &[f64], p: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let Some(last) = sorted.len().checked_sub(1) else { return f64::NAN };
    let rank = p / 100.0 * last as f64;
    let below = sorted[rank.floor() as usize];
    let above = sorted[rank.ceil() as usize];
    below + (above - below) * rank.fract()
}
