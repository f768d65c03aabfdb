//! The tool that measures accuracy is itself measured: the truth scores perfect, known errors come out as known.

use approx::assert_abs_diff_eq;
use notefront_dsp::{
    Articulation, CannotTell, Entrance, Evidence, Fault, FaultName, Faults, Front, FrontPicture, Measure, Positions,
    entrance::InstantUncertainty,
};
use notefront_tests::accuracy::{Figures, JudgedTake, lines};
use notefront_tests::onset_score::nearest_pairs;
use notefront_tests::synth::make;
use notefront_tests::truth::{NoteTruth, TakeTruth, Verdict};

fn exactly(value: f64) -> Result<Measure, CannotTell> {
    Ok(Measure { value, uncertainty: 0.0 })
}

/// What a perfect ear would say of a note.
fn perfect(i: usize, truth: &TakeTruth) -> Entrance {
    let note = &truth.entrances[i];
    let front = Front {
        index: i,
        sound_start_s: note.sound_start_s,
        onset_s: note.onset_s,
        speaks_s: note.speaks_s,
        instant_uncertainty: InstantUncertainty { sound_start_ms: 0.0, onset_ms: 0.0, speaks_ms: 0.0 },
        end_s: Some(note.end_s),
        midi_note: Some(note.midi as u8),
        settled_hz: exactly(note.settled_hz),
        tuning_cents: exactly(0.0),
        partial: None,
        positions: Positions::default(),
        articulation: Articulation::Tongued,
        noise_before_tone_ms: exactly(note.noise_ms),
        noise_before_tone_db: note.noise_db.map_or(Err(CannotTell::NoAir), exactly),
        approach_cents: note.approach_cents.map_or(Err(CannotTell::Slurred), exactly),
        onset_cents: note.onset_cents.map_or(Err(CannotTell::Slurred), exactly),
        speak_ms: exactly((note.speaks_s - note.onset_s) * 1e3),
        settle_ms: note.settle_ms.map_or(Err(CannotTell::Slurred), exactly),
        attack_ms: Err(CannotTell::TooShort),
        log_attack_time: Err(CannotTell::TooShort),
        growth_db_per_s: Err(CannotTell::TooShort),
        overshoot_db: Err(CannotTell::NoBody),
        level_db: -20.0,
        evidence: Evidence::default(),
        picture: FrontPicture::empty(),
    };
    let timing_ms = note.timing_ms.map_or(Err(CannotTell::NoGrid), exactly);
    let verdict = notefront_dsp::Verdict { timing_ms, faults: Faults::default(), clarity: 100.0 };
    let mut entrance = Entrance { front, verdict };
    for name in FaultName::ALL {
        if truth.verdict(i, name.as_str()) == Verdict::Has {
            entrance.verdict.faults.insert(Fault { name, severity: 0.5, sureness: 1.0 });
        }
    }
    entrance
}

fn truth_of(kind: &str) -> TakeTruth {
    make(kind, 3).expect("a kind").make(8_000.0, 3).1
}

fn judged(truth: TakeTruth, spoil: impl Fn(usize, &NoteTruth, &mut Entrance)) -> JudgedTake {
    let heard: Vec<Entrance> = (0..truth.entrances.len())
        .map(|i| {
            let mut entrance = perfect(i, &truth);
            spoil(i, &truth.entrances[i], &mut entrance);
            entrance
        })
        .collect();
    let times = |of: &dyn Fn(usize) -> f64| (0..heard.len()).map(of).collect::<Vec<f64>>();
    let pairs = nearest_pairs(&times(&|i| truth.entrances[i].onset_s), &times(&|i| heard[i].front.onset_s), 0.05);
    JudgedTake { name: "made".into(), truth, heard, pairs, duration_s: 30.0 }
}

#[test]
fn the_truth_itself_reaches_every_figure() {
    for kind in ["faults", "legato", "slurs", "pedal", "held"] {
        let figures = Figures::of(&[judged(truth_of(kind), |_, _, _| {})]);
        for line in lines(&figures) {
            assert!(!line.misses(), "{kind}: {} is {}", line.name, line.value);
        }
        assert_abs_diff_eq!(figures.onsets[2].f_measure(), 1.0);
        assert!(figures.misses.is_empty(), "{kind}: {:?}", figures.misses);
    }
}

#[test]
fn a_known_bias_comes_out_as_it_went_in() {
    let figures = Figures::of(&[judged(truth_of("faults"), |_, _, heard| heard.front.onset_s += 0.012)]);
    assert_abs_diff_eq!(figures.mean_error("onset"), 12.0, epsilon = 1e-6);
    assert_abs_diff_eq!(figures.abs_error_percentile("onset", 90.0), 12.0, epsilon = 1e-6);
    assert_abs_diff_eq!(figures.onsets[1].f_measure(), 1.0);
    assert_abs_diff_eq!(figures.onsets[2].f_measure(), 0.0);
}

#[test]
fn a_flag_on_every_note_costs_precision_and_clean_notes() {
    let take = judged(truth_of("faults"), |_, _, heard| {
        heard.verdict.faults.insert(Fault { name: FaultName::Split, severity: 1.0, sureness: 1.0 });
    });
    let num_split = take.truth.entrances.iter().filter(|note| note.faults.iter().any(|f| f == "split")).count();
    let figures = Figures::of(&[take]);
    assert_abs_diff_eq!(figures.faults[0].recall(), 1.0);
    assert_abs_diff_eq!(figures.faults[0].precision(), num_split as f64 / 24.0);
    assert_eq!(figures.flagged_clean.0, figures.flagged_clean.1, "every clean note is flagged");
}

#[test]
fn hearing_nothing_reaches_nothing() {
    let truth = truth_of("faults");
    let take = JudgedTake { name: "deaf".into(), truth, heard: Vec::new(), pairs: Vec::new(), duration_s: 30.0 };
    let figures = Figures::of(&[take]);
    for name in ["onset F at 50 ms", "split recall", "split precision", "stutter recall", "airy recall"] {
        let all = lines(&figures);
        let line = all.iter().find(|line| line.name == name).expect("a line of that name");
        assert!(line.misses(), "{name} is {}", line.value);
    }
}

#[test]
fn percentiles_interpolate_between_ranks() {
    // numpy.percentile([1, 2, 3, 4], 90) = 3.7, its default (linear) method.
    assert_abs_diff_eq!(notefront_tests::accuracy::percentile(&[4.0, 1.0, 3.0, 2.0], 90.0), 3.7, epsilon = 1e-12);
}
