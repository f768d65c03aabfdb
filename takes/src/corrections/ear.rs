//! Where an ear draws its lines: estimated from what was said of fronts, beside what was measured of them.
//!
//! A front lies at a multiple of a fault's line. An ear calls it unclear the likelier the further it lies beyond the ear's
//! own line, with lapses; of all such lines, the ones under which the answers are likely are averaged (Bayes, every ratio
//! from 1/4 to 4 as likely beforehand). Lines are offered from it, and moved by the player only.

use super::{ByEar, Heard};
use notefront_dsp::units::shift_cents;
use notefront_dsp::verdict::{clarity, lines};
use notefront_dsp::{Entrance, FaultName, Front, Measure, Settings, Source, judge};
use serde::{Deserialize, Serialize};

/// Ratios to a fault's line that are tried, from 1/4 to 4 in steps of 2 % \[H\].
const RANGE: f64 = 4.0;
const STEP: f64 = 0.02;
/// How sharply an ear tells: slopes of the logistic law over the logarithm of the ratio, all as likely \[H\].
const SLOPES: [f64; 5] = [3.0, 6.0, 12.0, 24.0, 48.0];
/// Share of answers that say nothing of the front: a slip of the key, a thought elsewhere \[H\].
const LAPSES: f64 = 0.04;
/// Answers on one fault before a line is told.
pub const LEAST_ANSWERS: usize = 12;
/// Of each kind, clear and unclear, there must be so many.
pub const LEAST_OF_A_KIND: usize = 3;
/// The interval of a line holds so much of what is likely.
const COVERAGE: f64 = 0.9;

/// One front, one answer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Answer {
    /// The measure as a multiple of the fault's line.
    pub ratio: f64,
    /// Whether the ear calls it unclear by this fault.
    pub is_unclear: bool,
}

/// Where an ear draws the line of a fault.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EarLine {
    /// Of which fault.
    pub fault: FaultName,
    /// As a multiple of the line as it is.
    pub ratio: f64,
    /// Where the true one lies 9 times out of 10.
    pub low: f64,
    /// See `low`.
    pub high: f64,
    /// Answers it stands on.
    pub num: usize,
}

impl EarLine {
    /// Whether the line as it lies now lies outside what the answers make likely.
    #[must_use]
    pub fn differs(&self, now: &Lines) -> bool {
        !(self.low..=self.high).contains(&now.ratio(self.fault))
    }

    /// Where it lies, as a sentence.
    #[must_use]
    pub fn in_words(&self) -> String {
        format!(
            "\"{}\" begins for this ear at {:.2} times its line ({:.2} to {:.2}, 9 times out of 10; {} answers).",
            crate::words::word(self.fault),
            self.ratio,
            self.low,
            self.high,
            self.num
        )
    }
}

/// How far a front lies on the way to a fault's line, 1 = at it; `None` where the measure cannot be told or is none of
/// this fault's. Faults of time have no line of their own here: the beat's window is the tempo's.
#[must_use]
pub fn nearness(front: &Front, fault: FaultName, settings: &Settings) -> Option<f64> {
    let strictness = settings.strictness;
    let hz = || front.settled_hz.ok().map(|m| m.value);
    let ratio = match fault {
        FaultName::Airy => {
            let is_heard = front.noise_before_tone_db.ok().is_some_and(|db| db.value >= lines::airy_db(settings));
            let ms = front.noise_before_tone_ms.ok()?.value;
            if is_heard { ms / lines::airy_ms(settings).at(strictness) } else { 0.0 }
        }
        FaultName::Below | FaultName::Above => {
            let cents = front.approach_cents.ok()?.value * if fault == FaultName::Below { -1.0 } else { 1.0 };
            cents.max(0.0) / lines::lean_of(front, settings)?
        }
        FaultName::Slow => front.speak_ms.ok()?.value / lines::slow_ms(hz()?, front.partial).at(strictness),
        FaultName::Split => {
            let split = front.evidence.split.filter(|_| settings.source == Source::Horn)?;
            split.duration_ms / lines::split_ms(shift_cents(hz()?, split.interval_cents)).at(strictness)
        }
        FaultName::Smear => {
            front.evidence.smear?.depth_cents.abs() / lines::smear_cents(front.articulation).at(strictness)
        }
        FaultName::Stutter => front.evidence.stutter?.dip_db / lines::stutter_db().at(strictness),
        FaultName::Hard => front.overshoot_db.ok()?.value / lines::hard_db().at(strictness),
        FaultName::HeldBreath => front.evidence.held_breath_ms? / lines::held_breath_ms().at(strictness),
        FaultName::Early | FaultName::Late => return None,
    };
    ratio.is_finite().then_some(ratio)
}

/// The answers on one fault among what was said. A front that is unclear by another fault says nothing of this one, and
/// one far under the line says nothing new.
#[must_use]
pub fn answers(said: &[(Front, Heard)], fault: FaultName, settings: &Settings) -> Vec<Answer> {
    let answer = |(front, heard): &(Front, Heard)| {
        let ratio = nearness(front, fault, settings).filter(|ratio| *ratio >= 1.0 / RANGE)?;
        match heard {
            Heard::Fine(_) => Some(Answer { ratio, is_unclear: false }),
            Heard::Unclear(named) => {
                (named.unwrap_or(nearest(front, settings)?) == fault).then_some(Answer { ratio, is_unclear: true })
            }
        }
    };
    said.iter().filter_map(answer).collect()
}

/// The fault whose line a front comes nearest to or goes furthest over.
#[must_use]
pub fn nearest(front: &Front, settings: &Settings) -> Option<FaultName> {
    let near = FaultName::ALL.into_iter().filter_map(|fault| Some((fault, nearness(front, fault, settings)?)));
    near.filter(|(_, ratio)| *ratio > 0.0).max_by(|a, b| a.1.total_cmp(&b.1)).map(|(fault, _)| fault)
}

/// The line that an ear draws; `None` where the answers are too few or of one kind.
#[must_use]
pub fn line(fault: FaultName, answers: &[Answer]) -> Option<EarLine> {
    let num_unclear = answers.iter().filter(|a| a.is_unclear).count();
    if answers.len() < LEAST_ANSWERS || num_unclear.min(answers.len() - num_unclear) < LEAST_OF_A_KIND {
        return None;
    }
    let num_steps = (RANGE.ln() / STEP).round() as i32;
    let tried: Vec<f64> = (-num_steps..=num_steps).map(|k| f64::from(k) * STEP).collect();
    let likelihood = |at: f64| SLOPES.iter().map(|slope| log_likelihood(answers, at, *slope)).collect::<Vec<_>>();
    let logs: Vec<Vec<f64>> = tried.iter().map(|&at| likelihood(at)).collect();
    let most = logs.iter().flatten().copied().fold(f64::NEG_INFINITY, f64::max);
    let weights: Vec<f64> = logs.iter().map(|slopes| slopes.iter().map(|log| (log - most).exp()).sum()).collect();
    let total: f64 = weights.iter().sum();
    let quantile = |share: f64| {
        let mut left = share * total;
        let at = weights
            .iter()
            .position(|w| {
                left -= w;
                left <= 0.0
            })
            .unwrap_or(weights.len() - 1);
        tried[at].exp()
    };
    let tail = (1.0 - COVERAGE) / 2.0;
    Some(EarLine { fault, ratio: quantile(0.5), low: quantile(tail), high: quantile(1.0 - tail), num: answers.len() })
}

fn log_likelihood(answers: &[Answer], at: f64, slope: f64) -> f64 {
    let of = |answer: &Answer| {
        let unclear = 1.0 / (1.0 + (-slope * (answer.ratio.ln() - at)).exp());
        let said = if answer.is_unclear { unclear } else { 1.0 - unclear };
        (LAPSES / 2.0 + (1.0 - LAPSES) * said).ln()
    };
    answers.iter().map(of).sum()
}

/// The lines of an ear, of every fault that enough was said of.
#[must_use]
pub fn lines_of(said: &[(Front, Heard)], settings: &Settings) -> Vec<EarLine> {
    FaultName::ALL.into_iter().filter_map(|fault| line(fault, &answers(said, fault, settings))).collect()
}

/// What the ear said of the fronts of a take that were measured.
#[must_use]
pub fn said(by_ear: &[ByEar]) -> Vec<(Front, Heard)> {
    by_ear.iter().filter_map(|one| Some((one.found?.front, one.heard.clone()?))).collect()
}

/// What the tool says of the lines as they lie now, and how to move them; empty where nothing differs.
#[must_use]
pub fn advice(ear: &[EarLine], now: &Lines) -> String {
    let Some(moved) = now.moved_to(ear) else { return String::new() };
    let each = ear.iter().filter(|line| line.differs(now)).map(|line| format!("  {}\n", line.in_words()));
    let option = String::from(moved);
    format!(
        "Lines and ear differ:\n{}To judge by this ear, add: --lines {option}\nTo do so from now on: notefront settings --lines \
         {option}\n",
        each.collect::<String>(),
    )
}

/// Lines moved by the player: multiples of where they lie. Kept as it is written; what cannot be read moves none.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(into = "String", from = "String")]
pub struct Lines([f64; FaultName::ALL.len()]);

impl Default for Lines {
    fn default() -> Self {
        Self([1.0; FaultName::ALL.len()])
    }
}

impl From<String> for Lines {
    fn from(text: String) -> Self {
        Self::read(&text).unwrap_or_default()
    }
}

impl From<Lines> for String {
    fn from(lines: Lines) -> Self {
        lines.moved().map(|(fault, ratio)| format!("{}={ratio:.2}", fault.as_str())).collect::<Vec<_>>().join(",")
    }
}

impl Lines {
    /// These with those moved to where an ear draws them that surely lie elsewhere for it; `None` where none does. What it
    /// is moved to is told to two places.
    #[must_use]
    pub fn moved_to(&self, ear: &[EarLine]) -> Option<Self> {
        let mut moved = *self;
        for line in ear.iter().filter(|line| line.differs(self)) {
            moved.0[line.fault as usize] = (line.ratio.clamp(1.0 / RANGE, RANGE) * 100.0).round() / 100.0;
        }
        (moved != *self).then_some(moved)
    }

    /// Lines at these multiples of their usual places.
    #[must_use]
    pub fn at(ratio: impl Fn(FaultName) -> f64) -> Self {
        Self(FaultName::ALL.map(ratio))
    }

    /// Where the line of a fault lies, as a multiple of its usual place.
    #[must_use]
    pub fn ratio(&self, fault: FaultName) -> f64 {
        self.0[fault as usize]
    }

    /// What is to be known where verdicts are told: "Judged by lines that were moved: from below 1.40 times (milder)."; `None` where
    /// none was.
    #[must_use]
    pub fn notice(&self) -> Option<String> {
        (!self.are_usual()).then(|| format!("Judged by lines that were moved: {}.", self.in_words()))
    }

    /// Those that were moved, in words: "from below 1.40 times (milder), air first 0.80 times (stricter)"; empty where none was.
    #[must_use]
    pub fn in_words(&self) -> String {
        let way = |ratio: f64| if ratio > 1.0 { "milder" } else { "stricter" };
        let told = |(fault, ratio)| format!("{} {ratio:.2} times ({})", crate::words::word(fault), way(ratio));
        let all = self.moved().map(told);
        all.collect::<Vec<_>>().join(", ")
    }

    /// Reads "below=1.4,airy=0.8".
    ///
    /// # Errors
    /// What could not be read, in a sentence.
    pub fn read(text: &str) -> Result<Self, String> {
        let mut lines = Self::default();
        for part in text.split(',').filter(|part| !part.trim().is_empty()) {
            let wrong = || format!("\"{part}\" moves no line: write a fault and by how much, such as below=1.4");
            let (key, ratio) = part.split_once('=').ok_or_else(wrong)?;
            let fault = notefront_dsp::verdict::table::named(key.trim()).ok_or_else(wrong)?;
            if matches!(fault, FaultName::Early | FaultName::Late) {
                return Err("lines of timing follow the tempo and --strictness".into());
            }
            let ratio: f64 = ratio.trim().parse().map_err(|_| wrong())?;
            if !(1.0 / RANGE..=RANGE).contains(&ratio) {
                return Err(format!("\"{part}\": a line can be moved to between a quarter and four times its place"));
            }
            lines.0[fault as usize] = ratio;
        }
        Ok(lines)
    }

    /// True when every line is where it usually lies.
    #[must_use]
    pub fn are_usual(&self) -> bool {
        *self == Self::default()
    }

    /// Those that were moved.
    pub fn moved(&self) -> impl Iterator<Item = (FaultName, f64)> {
        FaultName::ALL.into_iter().map(|fault| (fault, self.0[fault as usize])).filter(|(_, ratio)| *ratio != 1.0)
    }

    /// Judges an entrance anew by these lines; its timing stays as it was judged. What was measured does not change: a
    /// line at k times its place flags what a k-th of the measure is flagged for at its usual place.
    pub fn judge(&self, entrance: &mut Entrance, settings: &Settings) {
        if self.are_usual() {
            return;
        }
        let verdict = judge(&self.seen(&entrance.front), None, settings);
        let timing =
            [FaultName::Early, FaultName::Late].into_iter().filter_map(|n| entrance.verdict.faults.get(n).copied());
        let mut faults = verdict.faults;
        timing.for_each(|fault| faults.insert(fault));
        let costs_more = faults != verdict.faults;
        entrance.verdict.clarity = if costs_more { clarity(&faults, 1.0) } else { verdict.clarity };
        entrance.verdict.faults = faults;
    }

    fn seen(&self, front: &Front) -> Front {
        let by = |fault: FaultName| 1.0 / self.0[fault as usize];
        let scaled = |told: notefront_dsp::Told, by: f64| {
            told.map(|m| Measure { value: m.value * by, uncertainty: m.uncertainty * by })
        };
        let mut seen = *front;
        let leans = front
            .approach_cents
            .ok()
            .map_or(FaultName::Below, |m| if m.value < 0.0 { FaultName::Below } else { FaultName::Above });
        seen.noise_before_tone_ms = scaled(front.noise_before_tone_ms, by(FaultName::Airy));
        seen.approach_cents = scaled(front.approach_cents, by(leans));
        seen.speak_ms = scaled(front.speak_ms, by(FaultName::Slow));
        seen.overshoot_db = scaled(front.overshoot_db, by(FaultName::Hard));
        if let Some(split) = &mut seen.evidence.split {
            split.duration_ms *= by(FaultName::Split);
        }
        if let Some(smear) = &mut seen.evidence.smear {
            smear.depth_cents *= by(FaultName::Smear);
        }
        if let Some(stutter) = &mut seen.evidence.stutter {
            stutter.dip_db *= by(FaultName::Stutter);
        }
        seen.evidence.held_breath_ms = front.evidence.held_breath_ms.map(|ms| ms * by(FaultName::HeldBreath));
        seen
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixtures::{clear, told, with};

    /// Numbers from 0 to 1, the same for the same seed (xorshift; Marsaglia 2003 \[M\]).
    fn dice(seed: u64) -> impl FnMut() -> f64 {
        let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
        move || {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            (state >> 11) as f64 / (1u64 << 53) as f64
        }
    }

    /// Fronts that lean by every share of the line from a quarter to four times, and what a listener says whose own line
    /// is known, and who now and then slips.
    fn listened(own: f64, num: usize, slips: f64, draw: &mut impl FnMut() -> f64) -> Vec<(Front, Heard)> {
        let settings = Settings::default();
        (0..num)
            .map(|i| {
                let ratio = own * (4.0 * (draw() - 0.5)).exp2();
                let line = lines::lean_of(&clear(i, 58, 1.0).front, &settings).expect("a pitch");
                let front = with(clear(i, 58, 1.0), |e| e.front.approach_cents = told(-ratio * line, 2.0)).front;
                let is_unclear = (ratio > own) != (draw() < slips);
                (front, if is_unclear { Heard::Unclear(Some(FaultName::Below)) } else { Heard::Fine(None) })
            })
            .collect()
    }

    #[test]
    fn a_listener_with_a_known_line_is_found_again_within_ten_percent() {
        let settings = Settings::default();
        let mut num_within = 0;
        for seed in 1..=40 {
            let mut draw = dice(seed);
            for own in [0.6, 1.0, 1.5, 2.2] {
                let said = listened(own, 120, 0.0, &mut draw);
                let line =
                    line(FaultName::Below, &answers(&said, FaultName::Below, &settings)).expect("enough was said");
                assert!((line.ratio / own).ln().abs() < 0.10, "seed {seed}: {own} found at {}", line.ratio);
                num_within += usize::from((line.low..=line.high).contains(&own));
            }
        }
        assert!(num_within >= 144, "the interval holds it nine times out of ten: {num_within} of 160");
    }

    #[test]
    fn a_listener_who_slips_is_found_again_in_the_middle() {
        let settings = Settings::default();
        let mut off: Vec<f64> = (1..=60)
            .map(|seed| {
                let said = listened(1.5, 80, 0.05, &mut dice(seed));
                let line =
                    line(FaultName::Below, &answers(&said, FaultName::Below, &settings)).expect("enough was said");
                (line.ratio / 1.5).ln().abs()
            })
            .collect();
        off.sort_by(f64::total_cmp);
        assert!(off[30] < 0.10, "half of all sittings: {}", off[30]);
    }

    #[test]
    fn few_answers_or_answers_of_one_kind_tell_no_line() {
        let settings = Settings::default();
        let mut draw = dice(3);
        let said = listened(1.0, 80, 0.0, &mut draw);
        let all = answers(&said, FaultName::Below, &settings);
        assert_eq!(line(FaultName::Below, &all[..LEAST_ANSWERS - 1]), None);
        let clear: Vec<_> = all.iter().map(|a| Answer { is_unclear: false, ..*a }).collect();
        assert_eq!(line(FaultName::Below, &clear), None);
    }

    #[test]
    fn an_ear_that_agrees_is_offered_nothing_and_another_its_own_line() {
        let settings = Settings::default();
        let same = lines_of(&listened(1.0, 120, 0.0, &mut dice(5)), &settings);
        assert_eq!((same.len(), advice(&same, &Lines::default())), (1, String::new()));
        let milder = lines_of(&listened(1.8, 120, 0.0, &mut dice(6)), &settings);
        let said = advice(&milder, &Lines::default());
        assert!(said.contains("\"from below\"") && said.contains("--lines below=1."), "{said}");
        assert!(said.contains("notefront settings --lines below=1."), "{said}");
        let moved = Lines::default().moved_to(&milder).expect("it lies elsewhere");
        assert_eq!(advice(&milder, &moved), "", "there it lies now");
    }

    #[test]
    fn lines_move_to_where_the_ear_draws_them_once_and_are_kept_as_they_are_written() {
        let ear = lines_of(&listened(1.8, 120, 0.0, &mut dice(6)), &Settings::default());
        let moved = Lines::default().moved_to(&ear).expect("it lies elsewhere");
        let (fault, ratio) = moved.moved().next().expect("one");
        assert!(fault == FaultName::Below && (ratio / 1.8 - 1.0).abs() < 0.1, "{ratio}");
        assert_eq!(moved.moved_to(&ear), None, "there it lies now");
        let text = serde_json::to_string(&moved).expect("text");
        assert_eq!(text, format!("\"below={ratio:.2}\""));
        assert_eq!(serde_json::from_str::<Lines>(&text).expect("lines"), moved);
        assert!(serde_json::from_str::<Lines>("\"below=99\"").expect("text").are_usual(), "what is damaged moves none");
        assert_eq!(
            (moved.in_words(), Lines::default().in_words()),
            (format!("from below {ratio:.2} times (milder)"), "".into())
        );
    }

    #[test]
    fn nearness_is_one_where_the_judge_begins_to_flag() {
        let settings = Settings::default();
        for share in [0.5, 0.99, 1.01, 2.0] {
            let front = with(clear(0, 58, 1.0), |e| {
                e.front.approach_cents = told(share * lines::lean_of(&e.front, &settings).expect("a pitch"), 1.0);
                e.front.overshoot_db = told(share * lines::hard_db().at(settings.strictness), 0.5);
                let line = lines::slow_ms(e.front.settled_hz.expect("a pitch").value, e.front.partial);
                e.front.speak_ms = told(share * line.at(settings.strictness), 1.0);
                e.front.evidence.held_breath_ms = Some(share * lines::held_breath_ms().at(settings.strictness));
            })
            .front;
            let flagged = judge(&front, None, &settings).faults;
            for fault in [FaultName::Above, FaultName::Hard, FaultName::Slow, FaultName::HeldBreath] {
                let near = nearness(&front, fault, &settings).expect("measured");
                assert!((near - share).abs() < 1e-9, "{fault:?}: {near} at {share}");
                assert_eq!(flagged.get(fault).is_some(), share >= 1.0, "{fault:?} at {share}");
            }
        }
    }

    #[test]
    fn moved_lines_flag_from_where_they_lie_and_change_no_measure() {
        let settings = Settings::default();
        let leaning = |share: f64| {
            with(clear(0, 58, 1.0), |e| {
                e.front.approach_cents = told(-share * lines::lean_of(&e.front, &settings).expect("a pitch"), 1.0);
            })
        };
        let lines = Lines::read("below=1.5, hard=0.5").expect("readable");
        for (share, flagged) in [(1.2, false), (1.45, false), (1.55, true)] {
            let mut entrance = leaning(share);
            let front = entrance.front;
            lines.judge(&mut entrance, &settings);
            assert_eq!(entrance.is_flagged(), flagged, "{share}");
            assert_eq!(entrance.front.approach_cents, front.approach_cents);
        }
        assert!(Lines::default().are_usual() && !lines.are_usual());
        for wrong in ["below", "below=x", "below=9", "loud=1", "late=2"] {
            assert!(Lines::read(wrong).is_err(), "{wrong}");
        }
    }
}
