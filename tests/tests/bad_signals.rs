//! Signals that are no music and samples that are no numbers: never a panic, never nonsense; and the promises of
//! the streaming: any blocks, `reset`, offset.

use notefront_dsp::analyzer::collect;
use notefront_dsp::{Analyzer, Entrance, Settings, analyze_and_judge};
use notefront_tests::audio::Sound;
use notefront_tests::synth::make;
use notefront_tests::trial::white;

const RATE_HZ: f64 = 48_000.0;

fn hear(samples: &[f32]) -> Vec<Entrance> {
    analyze_and_judge(samples, RATE_HZ, Settings::default()).expect("valid settings")
}

/// A few seconds of a made take.
fn excerpt() -> Sound {
    let (mut sound, _) = make("faults", 6).expect("a kind").make(RATE_HZ, 6);
    sound.samples.truncate(6 * RATE_HZ as usize);
    sound
}

/// Everything told, written out to the last bit (NaN in a picture is equal to itself in writing).
fn written(heard: &[Entrance]) -> String {
    format!("{heard:?}")
}

#[test]
fn nothing_is_heard_where_there_is_nothing() {
    let second = RATE_HZ as usize;
    let square: Vec<f32> = (0..2 * second).map(|i| if i / 480 % 2 == 0 { 1.0 } else { -1.0 }).collect();
    for (name, samples) in [
        ("no samples", Vec::new()),
        ("one sample", vec![0.5]),
        ("silence", vec![0.0; 3 * second]),
        ("direct current", vec![0.7; 3 * second]),
        ("denormals", vec![1e-42; 2 * second]),
        ("quiet noise", white(3 * second, -60.0, 1)),
        ("loud noise", white(3 * second, -20.0, 2)),
    ] {
        assert!(hear(&samples).is_empty(), "{name}: {:?}", hear(&samples));
    }
    // A full-scale square of 50 Hz is a pitch; one entrance at most, with finite numbers.
    assert!(hear(&square).len() <= 1, "a square");
}

#[test]
fn values_that_are_no_numbers_count_as_silence_and_are_counted() {
    let clean = excerpt().samples;
    let mut spoilt = clean.clone();
    let places: Vec<usize> = (0..clean.len()).step_by(31_013).collect();
    for (n, &i) in places.iter().enumerate() {
        spoilt[i] = [f32::NAN, f32::INFINITY, f32::NEG_INFINITY][n % 3];
    }
    let mut zeroed = clean;
    places.iter().for_each(|&i| zeroed[i] = 0.0);
    let mut analyzer = Analyzer::new(RATE_HZ, Settings::default()).expect("valid");
    analyzer.push(&spoilt[..]);
    analyzer.finish();
    assert_eq!(analyzer.num_bad_samples(), places.len() as u64);
    assert_eq!(written(&hear(&spoilt)), written(&hear(&zeroed)));
}

#[test]
fn a_take_of_no_numbers_at_all_is_silence() {
    for bad in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY] {
        assert!(hear(&vec![bad; 48_000]).is_empty());
    }
    assert!(hear(&vec![f32::MAX; 48_000]).is_empty(), "direct current beyond any scale");
}

fn in_blocks(samples: &[f32], analyzer: &mut Analyzer, mut next_len: impl FnMut() -> usize) -> Vec<Entrance> {
    let mut heard = Vec::new();
    let mut rest = samples;
    while !rest.is_empty() {
        let (block, after) = rest.split_at(next_len().clamp(1, rest.len()));
        analyzer.push(block);
        collect(analyzer, &mut heard);
        rest = after;
    }
    analyzer.finish();
    collect(analyzer, &mut heard);
    heard.into_iter().map(|front| Entrance::of(front, None, &Settings::default())).collect()
}

#[test]
fn any_partition_into_blocks_gives_the_same_to_the_last_bit() {
    let sound = excerpt();
    let whole = written(&hear(&sound.samples));
    assert!(whole.contains("onset_s"), "there is something to compare");
    for len in [1, 31, 64, 441, 480, 1024, 65_536, usize::MAX] {
        let mut analyzer = Analyzer::new(RATE_HZ, Settings::default()).expect("valid");
        assert_eq!(written(&in_blocks(&sound.samples, &mut analyzer, || len)), whole, "blocks of {len}");
    }
}

#[test]
fn reset_is_as_good_as_new() {
    let sound = excerpt();
    let mut analyzer = Analyzer::new(RATE_HZ, Settings::default()).expect("valid");
    let first = written(&in_blocks(&sound.samples, &mut analyzer, || 500));
    for seconds in [0.3, 2.51] {
        analyzer.reset();
        analyzer.push(&sound.samples[..(seconds * RATE_HZ) as usize]);
        analyzer.reset();
        assert_eq!(written(&in_blocks(&sound.samples, &mut analyzer, || 500)), first, "after {seconds} s");
    }
}

#[test]
fn every_told_number_is_finite_and_in_order() {
    for kind in ["faults", "nuisances", "dynamics"] {
        let (sound, _) = make(kind, 9).expect("a kind").make(RATE_HZ, 9);
        for entrance in hear(&sound.samples) {
            let numbers = [
                entrance.front.sound_start_s,
                entrance.front.onset_s,
                entrance.front.speaks_s,
                entrance.front.level_db,
                entrance.verdict.clarity,
            ];
            assert!(numbers.iter().all(|n| n.is_finite()), "{kind}: {numbers:?}");
            let measures = [
                entrance.front.settled_hz,
                entrance.front.onset_cents,
                entrance.front.settle_ms,
                entrance.front.attack_ms,
            ];
            for measure in measures.into_iter().flatten() {
                assert!(measure.value.is_finite() && measure.uncertainty >= 0.0, "{kind}: {measure:?}");
            }
            assert!(
                entrance.front.sound_start_s <= entrance.front.onset_s
                    && entrance.front.onset_s <= entrance.front.speaks_s,
                "{kind}"
            );
            assert!((0.0..=100.0).contains(&entrance.verdict.clarity), "{kind}: {}", entrance.verdict.clarity);
        }
    }
}

#[test]
fn clipping_is_seen_and_does_not_invent_notes() {
    let sound = excerpt();
    let loudest = sound.samples.iter().fold(0.0f32, |a, s| a.max(s.abs()));
    let clipped: Vec<f32> = sound.samples.iter().map(|s| (s * 2.5 / loudest).clamp(-1.0, 1.0)).collect();
    let mut analyzer = Analyzer::new(RATE_HZ, Settings::default()).expect("valid");
    let heard = in_blocks(&clipped, &mut analyzer, || 512);
    assert!(!analyzer.clipped_at_s().is_empty(), "8 dB over full scale is clipped");
    assert_eq!(heard.len(), hear(&sound.samples).len());
}

#[test]
fn rates_and_settings_outside_their_range_are_refused_with_the_value() {
    for rate_hz in [0.0, 3.0, 7_999.0, 384_000.0, f64::NAN, f64::INFINITY] {
        let refused = analyze_and_judge(&[], rate_hz, Settings::default()).expect_err("refused");
        assert!(refused.to_string().contains(&rate_hz.to_string()), "{refused}");
    }
    assert!(analyze_and_judge(&[], 48_000.0, Settings { a4_hz: 300.0, ..Settings::default() }).is_err());
}
