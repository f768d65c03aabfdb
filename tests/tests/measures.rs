//! Every measure on made notes, each with a tolerance and the reason for it.

use notefront_dsp::{Articulation, CannotTell, Entrance, FaultName, Told};
use notefront_tests::synth::{Air, Attack, Front, Note, Rise, Room, Start, Stutter, Tone};
use notefront_tests::trial::{hear, note, one, onsets, scene};
use notefront_tests::truth::NoteTruth;

/// Low, middle and high: Bb1, Bb2, F3, Bb3, F4.
const PITCHES: [u8; 5] = [34, 46, 53, 58, 65];

fn value(told: Told, what: &str) -> f64 {
    told.unwrap_or_else(|why| panic!("{what} is not told: {why:?}")).value
}

fn near(got: f64, truth: f64, tolerance: f64, what: &str) {
    assert!((got - truth).abs() <= tolerance, "{what}: {got:.2} against {truth:.2}, tolerance {tolerance}");
}

fn with_attack(midi: u8, change: impl Fn(&mut Attack)) -> Note {
    let mut note = note(midi, 20.0);
    if let Start::Attack(attack) = &mut note.start {
        change(attack);
    }
    note
}

fn has(heard: &Entrance, name: FaultName) -> bool {
    heard.verdict.faults.get(name).is_some()
}

#[test]
fn onset_and_speaking_instants_are_found() {
    // 8 ms: the figure of the issue (p90 of the onset error); a period of Bb1 is 17 ms.
    for midi in PITCHES {
        let (truth, heard) = one(note(midi, 25.0));
        near(heard.front.onset_s * 1e3, truth.onset_s * 1e3, 8.0, &format!("onset of {midi}, ms"));
        near(heard.front.speaks_s * 1e3, truth.speaks_s * 1e3, 8.0, &format!("speaking instant of {midi}, ms"));
        assert!(
            heard.front.sound_start_s <= heard.front.onset_s && heard.front.onset_s <= heard.front.speaks_s,
            "{midi}: in order"
        );
    }
}

#[test]
fn the_stated_uncertainty_covers_the_error_of_most_onsets() {
    // Half widths are to hold about 90 % of cases; of 15 notes at least 11 (binomial, 95 %).
    let notes = PITCHES.into_iter().flat_map(|midi| [12.0, 25.0, 45.0].map(|ms| note(midi, ms)));
    let held = notes
        .map(one)
        .filter(|(truth, heard)| {
            (heard.front.onset_s - truth.onset_s).abs() * 1e3 <= heard.front.instant_uncertainty.onset_ms
        })
        .count();
    assert!(held >= 11, "{held} of 15");
}

#[test]
fn settled_pitch_and_note_name_are_right() {
    // 1.5 cents: the figure of the issue; the made player wanders by 0.5 cents.
    for midi in PITCHES {
        let (truth, heard) = one(note(midi, 25.0));
        assert_eq!(heard.front.midi_note, Some(midi));
        let hz = value(heard.front.settled_hz, "settled pitch");
        near(1200.0 * (hz / truth.settled_hz).log2(), 0.0, 1.5, &format!("settled pitch of {midi}, cents"));
    }
}

#[test]
fn a_note_on_pitch_has_nothing_to_settle() {
    // 10 cents is the band itself: a steady note never leaves it.
    for midi in PITCHES {
        let (_, heard) = one(note(midi, 25.0));
        near(value(heard.front.settle_ms, "settle time"), 0.0, 0.0, &format!("settle time of {midi}, ms"));
        near(value(heard.front.onset_cents, "onset pitch"), 0.0, 10.0, &format!("onset pitch of {midi}, cents"));
    }
}

#[test]
fn a_pitch_that_comes_in_low_or_high_is_measured() {
    // 12 ms and 10 cents: the figures of the issue (p90). Below 1.5 periods pitch is not identifiable (measures
    // page), and in that time the pitch itself has moved on: by a fifth of the way at Bb2.
    const TAU_MS: f64 = 50.0;
    for midi in [46, 53, 58, 65] {
        for cents in [-90.0, -60.0, 60.0, 90.0] {
            let (truth, heard) = one(Note { front: Front::Approach { cents, tau_ms: TAU_MS }, ..note(midi, 25.0) });
            let moved_cents = f64::abs(cents) * (1.0 - (-1.5e3 / truth.settled_hz / TAU_MS).exp());
            let settle_ms = truth.settle_ms.expect("told");
            near(
                value(heard.front.settle_ms, "settle time"),
                settle_ms,
                12.0,
                &format!("settle of {midi} from {cents}, ms"),
            );
            near(
                value(heard.front.onset_cents, "onset pitch"),
                cents,
                moved_cents.max(10.0),
                &format!("onset pitch of {midi}, cents"),
            );
            let (there, other) =
                if cents < 0.0 { (FaultName::Below, FaultName::Above) } else { (FaultName::Above, FaultName::Below) };
            // Over its first 0.1 s such a bend leans by four tenths of its depth in the mean: 90 by 36 cents, 60 by 24,
            // on either side of the line of 27.
            let is_heard = f64::abs(cents) > 75.0;
            assert!(has(&heard, there) == is_heard, "{midi} from {cents}: {:?}", heard.verdict.faults);
            assert!(!has(&heard, other), "{midi} from {cents}: {:?}", heard.verdict.faults);
        }
    }
}

#[test]
fn air_before_the_tone_is_measured_in_length_and_level() {
    // 15 ms and 3 dB: the p90 of the length, and its median level (2 dB) with the spread of noise of
    // 80 ms in a band of 4 kHz (under 0.3 dB) and of the room.
    for midi in PITCHES {
        for (ms, db) in [(80.0, -20.0), (140.0, -26.0)] {
            let (truth, heard) = one(with_attack(midi, |attack| attack.air = Some(Air { ms, db })));
            near(value(heard.front.noise_before_tone_ms, "air"), ms, 15.0, &format!("air before {midi}, ms"));
            let true_db = truth.noise_db.expect("told");
            near(value(heard.front.noise_before_tone_db, "air level"), true_db, 3.0, &format!("air before {midi}, dB"));
            assert!(has(&heard, FaultName::Airy), "{midi} is airy");
        }
    }
}

/// The second of two notes in a room that rings, heard, and the truth of it: a gap of 0.27 s lies between them.
fn after_a_tail(first: u8, second: Note) -> (NoteTruth, Entrance) {
    let room = Room { rt60_s: 0.7, wet_db: -14.0, delay_s: 0.012 };
    let second = Note { at_s: 1.85, ..second };
    let tones = vec![Tone::single(note(first, 20.0), 1.58), Tone::single(second, 2.6)];
    let (mut truth, heard) = hear(&scene(tones, Some(room)));
    assert_eq!(heard.len(), 2, "{first}, then another: heard at {:?}", onsets(&heard));
    (truth.entrances.remove(1), heard[1])
}

#[test]
fn air_under_a_ringing_tail_is_measured_too() {
    // 15 ms: the p90. 4 dB: the 3 dB of air in the clear, and the air's own echo, a fourteenth dB louder.
    let mut num_told = 0;
    for (first, second) in [(46, 53), (58, 62), (53, 53), (62, 48), (58, 46)] {
        let (truth, heard) =
            after_a_tail(first, with_attack(second, |attack| attack.air = Some(Air { ms: 110.0, db: -20.0 })));
        let what = format!("air before {second} after {first}");
        if heard.front.noise_before_tone_ms == Err(CannotTell::NoSilenceBefore) {
            continue; // the note before rings until the next: no silence, and the reason is told
        }
        num_told += 1;
        near(value(heard.front.noise_before_tone_ms, "air"), 110.0, 15.0, &format!("{what}, ms"));
        let true_db = truth.noise_db.expect("told");
        near(value(heard.front.noise_before_tone_db, "air level"), true_db, 4.0, &format!("{what}, dB"));
        assert!(has(&heard, FaultName::Airy), "{what}");
    }
    // Falls short: three of these tails ring until the tone, as far as the end of a note is found.
    assert!(num_told >= 2, "air was told in {num_told} of 5");
}

#[test]
fn a_ringing_tail_is_no_air_and_no_fault() {
    for first in [46, 53, 58, 62] {
        for second in [46, 53, 58, 62] {
            let (_, heard) = after_a_tail(first, note(second, 25.0));
            let faults = heard.verdict.faults;
            assert!(faults.is_empty(), "{second} after {first} is clean: {faults:?}");
        }
    }
}

#[test]
fn a_tongue_click_is_not_air() {
    // The measures page: a click shorter than 10 ms is not air.
    for midi in PITCHES {
        let (_, heard) = one(with_attack(midi, |attack| attack.tongue_db = Some(-22.0)));
        near(value(heard.front.noise_before_tone_ms, "air"), 0.0, 10.0, &format!("air before {midi}, ms"));
        assert!(!has(&heard, FaultName::Airy));
    }
}

#[test]
fn the_attack_time_is_that_of_the_level_curve() {
    // A quarter of the time, or half a period: the level of a note is known over periods only.
    for (midi, attack_ms) in [(46, 40.0), (53, 40.0), (58, 25.0), (58, 60.0), (65, 25.0)] {
        let (truth, heard) = one(note(midi, attack_ms));
        let true_ms = truth.rise_ms.expect("told");
        let tolerance = (0.25 * true_ms).max(500.0 / truth.settled_hz);
        near(value(heard.front.attack_ms, "attack time"), true_ms, tolerance, &format!("attack of {midi}, ms"));
    }
}

#[test]
fn a_tone_that_takes_long_to_grow_is_slow_and_a_quick_one_is_not() {
    for midi in PITCHES {
        let (_, slow) = one(note(midi, 180.0));
        assert!(has(&slow, FaultName::Slow), "{midi} takes 180 ms to grow");
        // However it ends: the rise counts to its peak, not to where it has become gentle.
        for rise in [Rise::Logistic, Rise::RaisedCosine, Rise::Linear] {
            let (truth, heard) = one(with_attack(midi, |attack| (attack.attack_ms, attack.rise) = (150.0, rise)));
            let true_ms = truth.rise_ms.expect("told");
            let what = format!("attack of {midi}, {rise:?}, ms");
            // Falls short: of a rise that ends as slowly as it begins the gentle end is not always counted in.
            let tolerance = if rise == Rise::Logistic { 0.45 } else { 0.15 };
            near(value(heard.front.attack_ms, "attack time"), true_ms, tolerance * true_ms, &what);
        }
        let (_, quick) = one(note(midi, 30.0));
        assert!(quick.verdict.faults.is_empty(), "{midi} is clean: {:?}", quick.verdict.faults);
    }
}

#[test]
fn a_start_on_another_partial_is_split() {
    // Partials of the usual position: 2 against 3, 3 against 4, 4 against 5 and 3, 6 against 5.
    for (midi, ratio) in [(46, 1.5), (53, 4.0 / 3.0), (58, 1.25), (58, 0.75), (65, 5.0 / 6.0)] {
        let (_, heard) = one(Note { front: Front::WrongPartial { ratio, ms: 70.0 }, ..note(midi, 20.0) });
        assert!(has(&heard, FaultName::Split), "{midi} from {ratio}: {:?}", heard.verdict.faults);
        assert!(!has(&heard, FaultName::Smear), "{midi}: a jump is no slide");
        let split = heard.front.evidence.split.expect("evidence of a split");
        near(split.interval_cents, 1200.0 * f64::log2(ratio), 30.0, &format!("interval of {midi}, cents"));
        near(split.duration_ms, 70.0, 20.0, &format!("wrong partial of {midi}, ms"));
    }
}

#[test]
fn a_late_slide_is_a_smear() {
    for midi in [46, 53, 58, 62] {
        for cents in [-120.0, 120.0] {
            let front = Front::Slide { cents, cents_per_s: 1300.0 };
            let (_, heard) = one(Note { front, ..note(midi, 20.0) });
            assert!(has(&heard, FaultName::Smear), "{midi} from {cents}: {:?}", heard.verdict.faults);
            assert!(!has(&heard, FaultName::Split), "{midi}: a slide is no jump");
        }
    }
}

#[test]
fn two_starts_are_one_entrance_that_stutters() {
    for midi in [46, 53, 58, 65] {
        let stutter = Stutter { dip_after_ms: 65.0, dip_db: 15.0, half_width_ms: 28.0 };
        let (_, heard) = one(with_attack(midi, |attack| attack.stutter = Some(stutter)));
        assert!(has(&heard, FaultName::Stutter), "{midi}: {:?}", heard.verdict.faults);
    }
}

#[test]
fn an_overshoot_with_a_burst_is_hard() {
    for midi in PITCHES {
        let hard = with_attack(midi, |attack| {
            attack.overshoot_db = 10.0;
            attack.tongue_db = Some(-12.0);
        });
        assert!(has(&one(hard).1, FaultName::Hard), "{midi}");
    }
}

#[test]
fn silence_after_the_inhalation_is_a_held_breath() {
    let held = |ms| {
        let breathed = with_attack(53, |attack| attack.inhaled_before_ms = Some(ms));
        // A second of room before the breath.
        one(Note { at_s: 2.0, ..breathed }).1
    };
    assert!(has(&held(350.0), FaultName::HeldBreath));
    assert!(!has(&held(80.0), FaultName::HeldBreath));
}

#[test]
fn a_breath_is_no_air_before_the_tone() {
    let (_, heard) = one(with_attack(53, |attack| attack.inhaled_before_ms = Some(90.0)));
    near(value(heard.front.noise_before_tone_ms, "air"), 0.0, 10.0, "air after a breath, ms");
}

#[test]
fn notes_off_the_beat_are_early_or_late_by_the_right_amount() {
    // 6 ms: the figure of the issue.
    for off_ms in [-60.0, 60.0] {
        let mut off = note(53, 20.0);
        off.at_s += off_ms / 1e3;
        let mut scene = scene(vec![Tone::single(off, 2.0)], None);
        scene.timed = true;
        let (truth, heard) = hear(&scene);
        let true_ms = truth.entrances[0].timing_ms.expect("timed");
        near(value(heard[0].verdict.timing_ms, "timing"), true_ms, 6.0, "timing, ms");
        assert_eq!(has(&heard[0], FaultName::Early), off_ms < 0.0);
        assert_eq!(has(&heard[0], FaultName::Late), off_ms > 0.0);
    }
}

#[test]
fn slurs_and_soft_tonguing_are_told_from_attacks() {
    let joined = |start| {
        let next = Note { at_s: 1.8, start, ..note(58, 20.0) };
        let tone = Tone { notes: vec![note(53, 20.0), next], release_s: 2.6, release_ms: 60.0 };
        hear(&scene(vec![tone], None))
    };
    let cases = [
        (Start::Slur { glide_ms: 30.0 }, Articulation::Slurred, 15.0),
        (Start::Dip { depth_db: 12.0, width_ms: 60.0, glide_ms: 10.0 }, Articulation::Legato, 16.0),
    ];
    // 15 ms: the figure for slurs. 16 ms for a dip: the old note's tail covers the new one's -20 dB, and where
    // hand-checked phrases begin a joined note lies a third of the way up out of the dip, not at its lowest point.
    for (start, articulation, tolerance_ms) in cases {
        let (truth, heard) = joined(start);
        assert_eq!(heard.len(), 2, "{articulation:?}");
        assert_eq!(heard[1].front.articulation, articulation);
        near(heard[1].front.onset_s * 1e3, truth.entrances[1].onset_s * 1e3, tolerance_ms, "joined onset, ms");
        assert!(heard[1].verdict.faults.is_empty(), "{articulation:?}: {:?}", heard[1].verdict.faults);
    }
}

#[test]
fn strictness_moves_the_lines() {
    use notefront_dsp::{Settings, Strictness, analyze_and_judge};
    // It leans by 0.38 of its depth in the mean: 38 cents.
    let front = Front::Approach { cents: -100.0, tau_ms: 45.0 };
    let (sound, _) = scene(vec![Tone::single(Note { front, ..note(53, 20.0) }, 2.0)], None).make(48_000.0, 1);
    let flagged = |strictness| {
        let settings = Settings { strictness, ..Settings::default() };
        has(&analyze_and_judge(&sound.samples, 48_000.0, settings).expect("valid")[0], FaultName::Below)
    };
    assert!(flagged(Strictness::STRICT) && flagged(Strictness::NORMAL), "38 cents against lines of 15 and 27");
    assert!(!flagged(Strictness::RELAXED), "38 cents against a line of 54");
}

#[test]
fn clarity_falls_with_the_fault() {
    let depth =
        |cents| one(Note { front: Front::Approach { cents, tau_ms: 60.0 }, ..note(53, 20.0) }).1.verdict.clarity;
    let (clean, some, much) = (depth(0.0), depth(-60.0), depth(-150.0));
    assert!((0.0..=100.0).contains(&much) && much < some && some < clean && clean <= 100.0, "{clean} {some} {much}");
    assert!(clean >= 90.0, "a clean note is clear: {clean}");
}

#[test]
fn the_shape_of_the_rise_does_not_matter_to_the_onset() {
    for rise in [Rise::Logistic, Rise::RaisedCosine, Rise::Linear] {
        let (truth, heard) = one(with_attack(58, |attack| attack.rise = rise));
        near(heard.front.onset_s * 1e3, truth.onset_s * 1e3, 8.0, &format!("onset of {rise:?}, ms"));
    }
}
