//! Against laws and tables from outside: MPEG-7 attack times, equal temperament, harmonics, the slide, another's pitch.

use approx::assert_abs_diff_eq;
use notefront_dsp::units::{cents, hz_to_midi, midi_to_hz};
use notefront_dsp::{Instrument, trombone};
use notefront_tests::synth::{Attack, Note, Rise, Start};
use notefront_tests::trial::{note, one};

/// A B-flat 4 (a period of 2.1 ms, short against every rise here) that grows by `rise` over `length_ms`.
fn grown(rise: Rise, attack_ms: f64) -> Note {
    let attack = Attack { rise, ..Attack::plain(attack_ms) };
    Note { start: Start::Attack(attack), ..note(70, 20.0) }
}

#[test]
fn log_attack_time_has_the_closed_forms_of_mpeg_7() {
    // ISO/IEC 15938-4 LogAttackTime, energy 2 % to maximum [C]: 0.859 D for a linear ramp of amplitude,
    // 0.755 D for a raised cosine. 0.10 in log10 is 26 %: the end of the rise is where noise decides.
    for length_ms in [80.0f64, 150.0] {
        for (rise, attack_share, energy_share) in [(Rise::Linear, 0.7, 0.859), (Rise::RaisedCosine, 0.5, 0.755)] {
            let (_, heard) = one(grown(rise, length_ms * attack_share));
            let told = heard.front.log_attack_time.expect("told").value;
            assert_abs_diff_eq!(told, (energy_share * length_ms / 1e3).log10(), epsilon = 0.10);
        }
    }
}

#[test]
fn attack_time_has_its_closed_forms() {
    // 20 % to 90 % of the amplitude takes 0.700 D of a linear ramp, 0.500 D of a raised cosine [C].
    // 12 %: shimmer of 0.2 dB moves the 90 % point of a ramp by 2 %, the measuring window adds the rest.
    for length_ms in [80.0, 150.0] {
        for (rise, share) in [(Rise::Linear, 0.7), (Rise::RaisedCosine, 0.5)] {
            let (_, heard) = one(grown(rise, length_ms * share));
            let told = heard.front.attack_ms.expect("told").value;
            assert_abs_diff_eq!(told, share * length_ms, epsilon = 0.12 * share * length_ms);
        }
    }
}

#[test]
fn exponential_growth_has_the_rate_of_its_time_constant() {
    // The foot of a logistic rise grows by 8.686 dB per time constant, which is its 20-90 % time / 3.584;
    // above the foot it bends. So the slope lies between half of it and all of it.
    let (_, heard) = one(grown(Rise::Logistic, 60.0));
    let foot = 8.686 * 3.584 / 0.060;
    let told = heard.front.growth_db_per_s.expect("told").value;
    assert!((0.4 * foot..1.1 * foot).contains(&told), "{told} dB/s against a foot of {foot}");
}

#[test]
fn harmonics_lie_where_the_table_says() {
    // Harmonic k against equal temperament, cents: the trombone laws of the measures page, 1200 log2(k) [C].
    let table = [(2, 0.0), (3, 2.0), (4, 0.0), (5, -14.0), (6, 2.0), (7, -31.0), (8, 0.0), (9, 4.0), (10, -14.0)];
    let high = [(11, -49.0), (12, 2.0)];
    for (k, deviation) in table.into_iter().chain(high) {
        let hz = midi_to_hz(34.0, 440.0) * f64::from(k);
        let nearest = hz_to_midi(hz, 440.0).round();
        assert_abs_diff_eq!(cents(hz, midi_to_hz(nearest, 440.0)), deviation, epsilon = 0.5);
        let first = trombone::positions(hz, 440.0, Instrument::Tenor);
        let found = first.iter().find(|p| i32::from(p.partial) == k).expect("in first position");
        assert_abs_diff_eq!(found.position, 1.0, epsilon = 1e-9);
    }
}

#[test]
fn positions_follow_the_slide_law() {
    // ext(p) = L1 (2^((p-1)/12) - 1) / 2, L1 = 343.2 / (2 * 58.27) m: 0, 88, 180, 279, 383, 493, 610 mm [C].
    let tube_m = |hz: f64| 343.2 / (2.0 * hz);
    for (i, mm) in [0.0, 88.0, 180.0, 279.0, 383.0, 493.0, 610.0].into_iter().enumerate() {
        let pedal_hz = midi_to_hz(34.0 - i as f64, 440.0);
        let extension_mm = (tube_m(pedal_hz) - tube_m(midi_to_hz(34.0, 440.0))) / 2.0 * 1e3;
        assert_abs_diff_eq!(extension_mm, mm, epsilon = 0.6);
        let second_partial = trombone::positions(2.0 * pedal_hz, 440.0, Instrument::Tenor);
        let found = second_partial.iter().find(|p| p.partial == 2).expect("on the second partial");
        assert_abs_diff_eq!(found.position, 1.0 + i as f64, epsilon = 1e-6);
    }
}

#[test]
fn notes_are_named_by_equal_temperament() {
    // ISO 16:1975 and f = 440 * 2^((m - 69) / 12).
    for midi in (34..=77).step_by(5) {
        assert_eq!(one(note(midi, 20.0)).1.front.midi_note, Some(midi));
    }
}

#[test]
fn the_pitch_agrees_with_a_general_pitch_method() {
    // McLeod & Wyvill 2005 in the pitch-detection crate, on 171 ms of the same steady tone. 4 cents: what
    // that method is good to on a spectrum like this (it interpolates one peak with a parabola).
    use notefront_tests::trial::{hear_sound, scene};
    use pitch_detection::detector::{PitchDetector, mcleod::McLeodDetector};
    const LEN: usize = 8192;
    for midi in [41, 46, 53, 58, 65, 72] {
        let tone = notefront_tests::synth::Tone::single(note(midi, 20.0), 2.0);
        let (sound, truth) = scene(vec![tone], None).make(48_000.0, 4);
        let window: Vec<f64> = sound.samples[62_400..62_400 + LEN].iter().map(|s| f64::from(*s)).collect();
        let theirs = McLeodDetector::new(LEN, LEN / 2).get_pitch(&window, 48_000, 1e-6, 0.7).expect("a steady note");
        let heard = hear_sound(&sound, truth.settings());
        let ours = heard[0].front.settled_hz.expect("told").value;
        assert_abs_diff_eq!(cents(ours, theirs.frequency), 0.0, epsilon = 4.0);
    }
}
