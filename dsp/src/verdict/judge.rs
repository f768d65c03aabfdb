//! Holds the measures of a front against the lines.

use super::{Fault, FaultName, Faults, Verdict, clarity, lines};
use crate::entrance::{CannotTell, Front, Measure, Told};
use crate::grid::Beat;
use crate::parameters::clarity::LOUD_AIR_DB;
use crate::parameters::widths;
use crate::settings::{Settings, Source};
use crate::units::shift_cents;

/// Half width of 90 % over the standard deviation, and logistic over normal \[T\].
const Z_90: f64 = 1.645;
/// See [`Z_90`] \[T\].
const LOGISTIC: f64 = 1.702;

/// A measure and the line it is held against, in the measure's unit.
#[derive(Debug, Clone, Copy)]
struct Held {
    name: FaultName,
    measure: Measure,
    line: f64,
    /// Share of the severity that counts, 0 to 1.
    weight: f64,
    /// How likely what was measured is there at all, 0 to 1.
    probability: f64,
}

impl Held {
    fn new(name: FaultName, measure: Measure, line: f64) -> Self {
        Self { name, measure, line, weight: 1.0, probability: 1.0 }
    }

    /// How near the line it comes, 1 at it.
    fn nearness(&self) -> f64 {
        self.measure.value / self.line
    }

    /// Severity 0 at the line, 1 far beyond it; sureness from the uncertainty. `None` under the line, and where the
    /// measure is less sure than the line is wide: 39 +- 47 cents says nothing of a line at 27.
    fn fault(&self) -> Option<Fault> {
        let (value, line) = (self.measure.value, self.line);
        if value.is_nan() || value < line || self.measure.uncertainty > line {
            return None;
        }
        let sigma = self.measure.uncertainty.max(widths::LEAST_SHARE * line) / Z_90;
        let sureness = self.probability / (1.0 + (-LOGISTIC * (value - line) / sigma).exp());
        Some(Fault { name: self.name, severity: self.weight * (1.0 - line / value), sureness })
    }
}

/// The verdict over a front: `beat` is the one next to where it speaks, without which no timing is told.
#[must_use]
pub fn judge(front: &Front, beat: Option<&Beat>, settings: &Settings) -> Verdict {
    let timing_ms = timing(front, beat);
    let (mut faults, mut nearest) = (Faults::default(), 0.0f64);
    let mut hold = |held: Option<Held>| {
        let fault = held.and_then(|held| held.fault());
        match (held, fault) {
            (_, Some(fault)) => faults.insert(fault),
            (Some(held), None) => nearest = nearest.max(held.nearness()),
            _ => {}
        }
        fault.is_some()
    };
    hold(airy(front, settings));
    let leaps = hold(split(front, settings));
    let slides = hold(smear(front, settings));
    // What leapt or slid in was elsewhere because of that.
    if !leaps && !slides {
        hold(lean(front, settings));
    }
    // The second start of two is the one that speaks.
    if !hold(stutter(front, settings)) {
        hold(slow(front, settings));
    }
    hold(hard(front, settings));
    hold(held_breath(front, settings));
    hold(beat.and_then(|beat| off_beat(timing_ms, beat, settings)));
    Verdict { timing_ms, faults, clarity: clarity(&faults, nearest) }
}

fn timing(front: &Front, beat: Option<&Beat>) -> Told {
    let beat = beat.ok_or(CannotTell::NoGrid)?;
    Ok(Measure { value: (front.speaks_s - beat.at_s) * 1e3, uncertainty: front.instant_uncertainty.speaks_ms })
}

fn airy(front: &Front, settings: &Settings) -> Option<Held> {
    let (level, length) = (front.noise_before_tone_db.ok()?.value, front.noise_before_tone_ms.ok()?);
    let line_db = lines::airy_db(settings);
    let is_heard = level >= line_db;
    let loudness = ((level - line_db) / LOUD_AIR_DB).clamp(0.0, 1.0);
    let line = lines::airy_ms(settings).at(settings.strictness);
    let probability = front.evidence.air_probability.unwrap_or(1.0);
    is_heard.then(|| Held { weight: 0.5 + 0.5 * loudness, probability, ..Held::new(FaultName::Airy, length, line) })
}

fn split(front: &Front, settings: &Settings) -> Option<Held> {
    // Buzzing on the mouthpiece there are no partials to split between.
    let split = front.evidence.split.filter(|_| settings.source == Source::Horn)?;
    let wrong_hz = shift_cents(front.settled_hz.ok()?.value, split.interval_cents);
    let measure = Measure { value: split.duration_ms, uncertainty: widths::SPLIT_MS };
    Some(Held::new(FaultName::Split, measure, lines::split_ms(wrong_hz).at(settings.strictness)))
}

fn stutter(front: &Front, settings: &Settings) -> Option<Held> {
    let measure = Measure { value: front.evidence.stutter?.dip_db, uncertainty: widths::STUTTER_DB };
    Some(Held::new(FaultName::Stutter, measure, lines::stutter_db().at(settings.strictness)))
}

fn smear(front: &Front, settings: &Settings) -> Option<Held> {
    let smear = front.evidence.smear?;
    let is_slide = (lines::SMEAR_RATE.0..=lines::SMEAR_RATE.1).contains(&smear.rate_cents_per_s);
    let is_long = smear.duration_ms >= lines::smear_ms(settings);
    let measure = Measure { value: smear.depth_cents.abs(), uncertainty: widths::SLIDE_CENTS };
    let held = Held::new(FaultName::Smear, measure, lines::smear_cents(front.articulation).at(settings.strictness));
    (is_slide && is_long).then_some(Held { probability: smear.probability, ..held })
}

fn lean(front: &Front, settings: &Settings) -> Option<Held> {
    let lean = front.approach_cents.ok()?;
    let name = if lean.value < 0.0 { FaultName::Below } else { FaultName::Above };
    Some(Held::new(name, Measure { value: lean.value.abs(), ..lean }, lines::lean_of(front, settings)?))
}

fn slow(front: &Front, settings: &Settings) -> Option<Held> {
    let line = lines::slow_ms(front.settled_hz.ok()?.value, front.partial);
    Some(Held::new(FaultName::Slow, front.speak_ms.ok()?, line.at(settings.strictness)))
}

fn hard(front: &Front, settings: &Settings) -> Option<Held> {
    Some(Held::new(FaultName::Hard, front.overshoot_db.ok()?, lines::hard_db().at(settings.strictness)))
}

fn held_breath(front: &Front, settings: &Settings) -> Option<Held> {
    let measure = Measure { value: front.evidence.held_breath_ms?, uncertainty: widths::HELD_MS };
    Some(Held::new(FaultName::HeldBreath, measure, lines::held_breath_ms().at(settings.strictness)))
}

fn off_beat(timing_ms: Told, beat: &Beat, settings: &Settings) -> Option<Held> {
    let off = timing_ms.ok()?;
    let name = if off.value < 0.0 { FaultName::Early } else { FaultName::Late };
    Some(Held::new(name, Measure { value: off.value.abs(), ..off }, lines::timing_ms(beat, settings)))
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::entrance::{Smear, Split, Stutter};
    use crate::settings::Strictness;
    use crate::test_sounds::{clear_front, told};

    /// Puts a fault's measure at a multiple of its line on a clear front: what is judged and by which beat.
    pub fn at(name: FaultName, share: f64, settings: &Settings) -> (Front, Option<Beat>) {
        let (mut front, strictness) = (clear_front(), settings.strictness);
        let lean = share * lines::lean_cents(233.08).at(strictness);
        let beat_at = |off_ms: f64| Beat { at_s: 1.01 - off_ms / 1e3, length_s: 0.5, spread_s: None };
        let off_ms = share * lines::timing_ms(&beat_at(0.0), settings);
        let mut beat = None;
        match name {
            FaultName::Airy => {
                front.noise_before_tone_ms = told(share * lines::airy_ms(settings).at(strictness));
                front.noise_before_tone_db = told(lines::airy_db(settings) + 1.0);
            }
            FaultName::Below => front.approach_cents = told(-lean),
            FaultName::Above => front.approach_cents = told(lean),
            FaultName::Slow => front.speak_ms = told(share * lines::slow_ms(233.08, Some(4)).at(strictness)),
            FaultName::Split => {
                let line = lines::split_ms(shift_cents(233.08, -702.0)).at(strictness);
                front.evidence.split = Some(Split { interval_cents: -702.0, duration_ms: share * line });
            }
            FaultName::Smear => {
                let depth_cents = -share * lines::smear_cents(front.articulation).at(strictness);
                front.evidence.smear =
                    Some(Smear { rate_cents_per_s: 900.0, depth_cents, duration_ms: 90.0, probability: 1.0 });
            }
            FaultName::Stutter => {
                let dip_db = share * lines::stutter_db().at(strictness);
                front.evidence.stutter = Some(Stutter { gap_ms: 80.0, dip_db });
            }
            FaultName::Hard => front.overshoot_db = told(share * lines::hard_db().at(strictness)),
            FaultName::Early => beat = Some(beat_at(-off_ms)),
            FaultName::Late => beat = Some(beat_at(off_ms)),
            FaultName::HeldBreath => {
                front.evidence.held_breath_ms = Some(share * lines::held_breath_ms().at(strictness));
            }
        }
        (front, beat)
    }

    fn names(verdict: &Verdict) -> Vec<FaultName> {
        verdict.faults.iter().map(|fault| fault.name).collect()
    }

    #[test]
    fn each_fault_is_flagged_from_its_line_on_at_every_strictness() {
        for strictness in [0.0, 0.5, 1.0] {
            let settings = Settings { strictness: Strictness::new(strictness), ..Settings::default() };
            for name in FaultName::ALL {
                // A millionth each way: the line itself counts, and rounding is finer than that.
                for (share, flagged) in [(1.0 - 1e-6, false), (1.0 + 1e-6, true), (3.0, true)] {
                    let (front, beat) = at(name, share, &settings);
                    let verdict = judge(&front, beat.as_ref(), &settings);
                    let expected = if flagged { vec![name] } else { Vec::new() };
                    assert_eq!(names(&verdict), expected, "{name:?} at {share} of its line, strictness {strictness}");
                    match (flagged, share > 2.0) {
                        (false, _) => assert!(verdict.clarity >= 95.0, "{name:?}: {}", verdict.clarity),
                        (true, true) => assert!(verdict.clarity < 60.0, "{name:?}: {}", verdict.clarity),
                        // At its line it may as well not be there.
                        (true, false) => assert!(verdict.clarity < 95.0, "{name:?}: {}", verdict.clarity),
                    }
                }
            }
        }
    }

    #[test]
    fn severity_and_sureness_grow_with_the_distance_from_the_line() {
        let settings = Settings::default();
        for name in FaultName::ALL {
            let fault = |share| {
                let (front, beat) = at(name, share, &settings);
                *judge(&front, beat.as_ref(), &settings).faults.get(name).expect("over its line")
            };
            let (near, far) = (fault(1.001), fault(3.0));
            assert!(near.severity < 0.01 && far.severity > near.severity && far.severity <= 1.0, "{name:?}");
            assert!(near.sureness < 0.6 && far.sureness > 0.9, "{name:?}: {near:?} {far:?}");
        }
    }

    #[test]
    fn what_cannot_be_told_is_never_a_fault() {
        use CannotTell::{CutOff, Masked, NoBody, NoPitch, NoSilenceBefore, NotMeasured, Slurred, TooShort, TooSoft};
        let settings = Settings::default();
        type TakeAway = fn(&mut Front, CannotTell);
        let take_away: [(FaultName, TakeAway); 6] = [
            (FaultName::Airy, |front, why| front.noise_before_tone_ms = Err(why)),
            (FaultName::Airy, |front, why| front.noise_before_tone_db = Err(why)),
            (FaultName::Below, |front, why| front.approach_cents = Err(why)),
            (FaultName::Above, |front, why| front.settled_hz = Err(why)),
            (FaultName::Slow, |front, why| front.speak_ms = Err(why)),
            (FaultName::Hard, |front, why| front.overshoot_db = Err(why)),
        ];
        for why in [CutOff, Masked, NoBody, NoPitch, NoSilenceBefore, NotMeasured, Slurred, TooShort, TooSoft] {
            for (name, take_away) in take_away {
                let (mut front, _) = at(name, 3.0, &settings);
                assert!(judge(&front, None, &settings).faults.get(name).is_some());
                take_away(&mut front, why);
                let verdict = judge(&front, None, &settings);
                assert!(verdict.faults.is_empty() && verdict.clarity > 99.0, "{name:?} {why:?}: {verdict:?}");
            }
        }
    }

    #[test]
    fn what_may_not_be_there_is_no_surer_than_that() {
        let settings = Settings::default();
        let (mut front, _) = at(FaultName::Smear, 2.0, &settings);
        let surely = |front: &Front| judge(front, None, &settings).faults.get(FaultName::Smear).map(|f| f.sureness);
        let before = surely(&front).expect("far beyond its line");
        front.evidence.smear.as_mut().expect("a slide").probability = 0.6;
        assert!((surely(&front).expect("told all the same") - 0.6 * before).abs() < 1e-12 && before > 0.99);
    }

    #[test]
    fn without_a_beat_no_timing_is_told() {
        let verdict = judge(&clear_front(), None, &Settings::default());
        assert_eq!((verdict.timing_ms, verdict.faults.is_empty()), (Err(CannotTell::NoGrid), true));
        let beat = Beat { at_s: 1.0, length_s: 1.0, spread_s: None };
        let timing = judge(&clear_front(), Some(&beat), &Settings::default()).timing_ms.expect("there is a beat");
        assert!((timing.value - 10.0).abs() < 1e-9);
    }

    #[test]
    fn the_first_pitch_and_the_rise_are_told_and_never_judged() {
        let front = Front { onset_cents: told(180.0), attack_ms: told(400.0), settle_ms: told(300.0), ..clear_front() };
        let verdict = judge(&front, None, &Settings::default());
        assert!(verdict.faults.is_empty() && verdict.clarity > 99.0);
    }

    #[test]
    fn one_cause_is_one_fault() {
        let settings = Settings::default();
        let judged = |front: &Front| names(&judge(front, None, &settings));
        for name in [FaultName::Split, FaultName::Smear] {
            let front = Front { approach_cents: told(-90.0), ..at(name, 2.0, &settings).0 };
            assert_eq!(judged(&front), [name]);
        }
        let front = Front { speak_ms: told(120.0), ..at(FaultName::Stutter, 2.0, &settings).0 };
        assert_eq!(judged(&front), [FaultName::Stutter]);
    }

    #[test]
    fn a_measure_less_sure_than_its_line_is_wide_is_not_held_against_it() {
        let with = |uncertainty| {
            let front = Front { approach_cents: Ok(Measure { value: -60.0, uncertainty }), ..clear_front() };
            judge(&front, None, &Settings::default()).faults.get(FaultName::Below).is_some()
        };
        assert!(with(26.9) && !with(27.1));
    }

    #[test]
    fn soft_air_and_a_mouthpiece_are_let_be() {
        let settings = Settings::default();
        let airy = |db: f64, settings: &Settings| {
            let front = Front { noise_before_tone_ms: told(50.0), noise_before_tone_db: told(db), ..clear_front() };
            judge(&front, None, settings).faults.get(FaultName::Airy).is_some()
        };
        assert!(airy(-31.9, &settings) && !airy(-32.1, &settings));
        let mouthpiece = Settings { source: Source::Mouthpiece, ..settings };
        assert!(!airy(-20.0, &mouthpiece), "50 ms are under twice the line");
        let (front, _) = at(FaultName::Split, 3.0, &settings);
        assert!(judge(&front, None, &mouthpiece).faults.is_empty(), "no partials to split between");
    }

    #[test]
    fn a_verdict_follows_from_its_arguments_alone() {
        let settings = Settings::default();
        let (front, beat) = at(FaultName::Late, 2.0, &settings);
        let kept = front;
        assert_eq!(judge(&front, beat.as_ref(), &settings), judge(&front, beat.as_ref(), &settings));
        assert!(front.approach_cents == kept.approach_cents && front.evidence == kept.evidence);
    }
}
