//! The made takes are what they say: their sound is checked against their truth by other means than the analysis.

use approx::assert_abs_diff_eq;
use notefront_dsp::units::{cents, midi_to_hz};
use notefront_tests::synth::{Attack, Dice, Front, KINDS, Note, Player, Rise, Start, Tone, make, note_truths, plan};
use pitch_detection::detector::{PitchDetector, mcleod::McLeodDetector};

/// A player without chance in pitch or level, for closed forms.
fn steady_player() -> Player {
    Player { jitter_cents: 0.0, shimmer_db: 0.0, ..Player::any(&mut Dice::new(1)) }
}

fn truth_with(front: Front, attack: Attack) -> notefront_tests::truth::NoteTruth {
    let note = Note { front, start: Start::Attack(attack), ..Note::plain(1.0, midi_to_hz(58.0, 440.0), -15.0) };
    let tone = Tone::single(note, 2.0);
    let plan = plan(&tone, &steady_player(), &mut Dice::new(1));
    note_truths(&tone, &plan).remove(0)
}

#[test]
fn an_exponential_approach_settles_when_it_is_10_cents_away() {
    // -100 cents with a time constant of 50 ms: 50 ln(100 / 10) = 115.13 ms, to two points of the curve.
    let truth = truth_with(Front::Approach { cents: -100.0, tau_ms: 50.0 }, Attack::plain(20.0));
    assert_abs_diff_eq!(truth.settle_ms.unwrap_or(f64::NAN), 50.0 * 10f64.ln(), epsilon = 0.5);
    assert_abs_diff_eq!(truth.onset_cents.unwrap_or(f64::NAN), -100.0, epsilon = 0.5);
}

#[test]
fn a_slide_at_a_constant_rate_settles_when_10_cents_are_left() {
    let truth = truth_with(Front::Slide { cents: 130.0, cents_per_s: 1000.0 }, Attack::plain(20.0));
    assert_abs_diff_eq!(truth.settle_ms.unwrap_or(f64::NAN), 120.0, epsilon = 0.5);
}

#[test]
fn a_straight_rise_has_the_closed_forms_of_the_measures_page() {
    // Linear amplitude of length D = 100 ms: 20 % to 90 % takes 70 ms, -20 dB is at 10 ms, -12 dB at 25.1 ms.
    let truth = truth_with(Front::Steady, Attack { rise: Rise::Linear, ..Attack::plain(70.0) });
    assert_abs_diff_eq!(truth.rise_ms.unwrap_or(f64::NAN), 70.0, epsilon = 0.5);
    assert_abs_diff_eq!((truth.speaks_s - truth.onset_s) * 1e3, 15.1, epsilon = 0.5);
}

#[test]
fn a_raised_cosine_rise_has_its_closed_form() {
    let truth = truth_with(Front::Steady, Attack { rise: Rise::RaisedCosine, ..Attack::plain(40.0) });
    assert_abs_diff_eq!(truth.rise_ms.unwrap_or(f64::NAN), 40.0, epsilon = 0.5);
}

#[test]
fn a_general_pitch_method_hears_the_pitch_that_was_made() {
    // McLeod & Wyvill 2005, A smarter way to find pitch, as in the pitch-detection crate. 5 cents: its own
    // resolution on a window of 85 ms with the player's jitter of up to 1 cent.
    const LEN: usize = 4096;
    let (sound, truth) = make("dynamics", 5).expect("a kind").make(48_000.0, 5);
    let mut num_heard = 0;
    for note in &truth.entrances {
        let from = ((note.onset_s + 0.2) * sound.rate_hz) as usize;
        let window: Vec<f64> = sound.samples[from..from + LEN].iter().map(|s| f64::from(*s)).collect();
        let Some(pitch) = McLeodDetector::new(LEN, LEN / 2).get_pitch(&window, 48_000, 1e-6, 0.8) else { continue };
        num_heard += 1;
        let off_cents = cents(pitch.frequency, note.settled_hz);
        assert!(off_cents.abs() < 5.0, "{off_cents} cents at {} s", note.onset_s);
    }
    assert!(num_heard >= 22, "the method heard {num_heard} of 24 notes");
}

#[test]
fn before_the_air_there_is_only_the_floor_and_after_the_onset_there_is_tone() {
    let (sound, truth) = make("faults", 2).expect("a kind").make(44_100.0, 2);
    let rms_db = |from_s: f64, to_s: f64| {
        let part = &sound.samples[(from_s * 44_100.0) as usize..(to_s * 44_100.0) as usize];
        10.0 * (part.iter().map(|s| f64::from(*s).powi(2)).sum::<f64>() / part.len() as f64).log10()
    };
    for note in truth.entrances.iter().filter(|note| note.noise_ms > 0.0) {
        let before = rms_db(note.sound_start_s - 0.03, note.sound_start_s - 0.005);
        let after = rms_db(note.onset_s + 0.15, note.onset_s + 0.25);
        assert!(before < -60.0, "{before} dB before {} s; the floor is at -66 dB or lower", note.onset_s);
        assert!(after > -30.0, "{after} dB after {} s", note.onset_s);
    }
}

#[test]
fn the_same_seed_makes_the_same_take_and_another_does_not() {
    let scene = |seed| make("faults", seed).expect("a kind").make(16_000.0, seed);
    assert_eq!(scene(7), scene(7));
    assert_ne!(scene(7).0.samples, scene(8).0.samples);
}

#[test]
fn truth_does_not_depend_on_the_sample_rate() {
    let truth = |rate_hz| make("faults", 4).expect("a kind").make(rate_hz, 4).1.entrances;
    assert_eq!(truth(8_000.0), truth(96_000.0));
}

#[test]
fn every_kind_is_made_unclipped_with_its_notes_in_order() {
    for kind in KINDS {
        let (sound, truth) = make(kind, 1).expect("a kind").make(16_000.0, 1);
        assert!(sound.samples.iter().all(|s| s.abs() <= 0.951), "{kind} stays under full scale");
        assert!(truth.entrances.windows(2).all(|n| n[0].onset_s < n[1].onset_s), "{kind} in order");
        assert!(truth.entrances.len() >= 8, "{kind}");
    }
}

#[test]
fn a_take_of_faults_holds_every_fault() {
    let truths: Vec<_> = (1..=2).map(|seed| make("faults", seed).expect("a kind").make(8_000.0, seed).1).collect();
    for name in ["split", "stutter", "smear", "airy", "slow", "hard"] {
        assert!(truths.iter().flat_map(|t| &t.entrances).any(|n| n.faults.iter().any(|f| f == name)), "{name}");
    }
}
