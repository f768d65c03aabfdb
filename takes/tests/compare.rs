//! Comparing from the sound up: a phrase is played twice, the second time with planted changes, at another tempo, in
//! another key, after a false start; both are rendered, scanned and aligned, and the truth is what was played.

use notefront_dsp::align::{FalseStart, Side};
use notefront_dsp::units::midi_to_hz;
use notefront_takes::compare::{Comparison, HeardTake, choose, compare};
use notefront_takes::loudness;
use notefront_takes::take::{ScanOptions, scan};
use notefront_tests::synth::{self, Air, Attack, Dice, Note, Player, Scene, Start, Tone};
use std::path::Path;

/// Rate of the takes, Hz.
const RATE_HZ: f64 = 44_100.0;
/// A found entrance is a played note when it lies this near to it, s: far under the shortest interval (0.2 s).
const NEAR_S: f64 = 0.08;

/// A note as it is played.
#[derive(Clone, Copy)]
struct Played {
    at_s: f64,
    midi: u8,
    /// Which note of the tune it is; an extra one is none.
    of_tune: Option<usize>,
    /// With air before it, ms.
    air_ms: Option<f64>,
}

/// A tune of quarter and half notes by steps and thirds between Bb2 and Bb3, never the same note twice in a row.
fn tune(num_notes: usize) -> Vec<Played> {
    const SCALE: [u8; 8] = [46, 48, 50, 51, 53, 55, 57, 58];
    let mut dice = Dice::new(42);
    let (mut at_s, mut degree) = (1.0, 3i32);
    let mut note = |i: usize| {
        let played = Played { at_s, midi: SCALE[degree as usize], of_tune: Some(i), air_ms: None };
        at_s += dice.pick(&[0.5, 0.5, 1.0]);
        let step = dice.pick(&[-2, -1, 1, 2]);
        degree = if (0..8).contains(&(degree + step)) { degree + step } else { degree - step };
        played
    };
    (0..num_notes).map(&mut note).collect()
}

/// The tune at another tempo and in another key; of every tenth note one is missed, wrong, or followed by an extra one.
fn another_try(tune: &[Played], tempo: f64, key: i32) -> Vec<Played> {
    let mut played = Vec::new();
    for (i, note) in tune.iter().enumerate() {
        let midi = (i32::from(note.midi) + key) as u8;
        let now = Played { at_s: 1.0 + (note.at_s - 1.0) / tempo, midi, ..*note };
        match (i % 10, i / 10 % 3) {
            (4, 0) => {}
            (4, 1) => played.push(Played { midi: now.midi + 1, ..now }),
            (4, _) => {
                played.extend([now, Played { at_s: now.at_s + 0.25 / tempo, midi: midi + 4, of_tune: None, ..now }])
            }
            _ => played.push(now),
        }
    }
    played
}

/// Renders and scans what was played.
fn heard(folder: &Path, name: &str, played: &[Played]) -> HeardTake {
    let ends = played.iter().skip(1).map(|next| next.at_s).chain([played[played.len() - 1].at_s + 1.0]);
    let tones = played.iter().zip(ends).map(|(note, end_s)| {
        let attack = Attack { air: note.air_ms.map(|ms| Air { ms, db: -15.0 }), ..Attack::plain(18.0) };
        let sound = Note::plain(note.at_s, midi_to_hz(f64::from(note.midi), 440.0), -16.0);
        let sound = Note { start: Start::Attack(attack), ..sound };
        let length_s = (0.6 * (end_s - note.at_s)).min(end_s - note.at_s - 0.08);
        Tone { release_ms: 40.0, ..Tone::single(sound, note.at_s + length_s) }
    });
    let tones: Vec<Tone> = tones.collect();
    let scene = Scene {
        kind: "tune".into(),
        bpm: 120.0,
        grid_start_s: 1.0,
        timed: false,
        duration_s: played[played.len() - 1].at_s + 2.5,
        player: Player::any(&mut Dice::new(5)),
        tones,
        nuisances: Vec::new(),
        room: None,
        floor_db: -74.0,
        hum: (50.0, -84.0),
    };
    let (sound, truth) = scene.make(RATE_HZ, 9);
    synth::write_take(folder, name, &sound, &truth).expect("room for a take");
    let path = folder.join(format!("{name}.wav"));
    let take = scan(&path, ScanOptions::default(), |_| {}).expect("a good take");
    let loudness = loudness::of_file(&path, ScanOptions::default().channel).expect("a good take");
    HeardTake { take, loudness }
}

/// Which note of the tune an entrance is, by its time.
fn of_tune(heard: &HeardTake, played: &[Played], entrance: usize) -> Option<usize> {
    let at_s = heard.take.entrances[entrance].front.speaks_s;
    played.iter().find(|note| (note.at_s - at_s).abs() < NEAR_S)?.of_tune
}

/// Pairs that are right, of those there are or should be: a pair too many counts as much as one too few.
fn right_pairs(a: (&HeardTake, &[Played]), b: (&HeardTake, &[Played]), found: &Comparison) -> (usize, usize) {
    let is_right = |pair: &&notefront_dsp::align::Pair| {
        let note = of_tune(a.0, a.1, pair.a);
        note.is_some() && note == of_tune(b.0, b.1, pair.b)
    };
    let num_right = found.alignment.pairs.iter().filter(is_right).count();
    let in_b = |note: &Played| b.1.iter().any(|other| other.of_tune.is_some() && other.of_tune == note.of_tune);
    let num_asked = a.1.iter().filter(|note| in_b(note)).count();
    (num_right, num_asked.max(found.alignment.pairs.len()))
}

#[test]
fn two_tries_with_one_note_in_ten_changed_are_aligned_at_any_tempo() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let tune = tune(60);
    let first = heard(folder.path(), "first", &tune);
    let (mut right, mut all) = (0, 0);
    for tempo in [0.6, 0.8, 1.0, 1.25, 1.6] {
        let played = another_try(&tune, tempo, 0);
        let second = heard(folder.path(), "second", &played);
        let found = compare(&first, &second);
        let (num_right, num_all) = right_pairs((&first, &tune), (&second, &played), &found);
        println!("tempo {tempo}: {num_right} of {num_all} pairs right");
        let ratio = found.alignment.tempo_ratio.expect("dozens of intervals");
        // The median of dozens of intervals whose ends are known to a few ms of 200 to 1700.
        assert!((ratio / tempo - 1.0).abs() < 0.02, "{ratio} for {tempo}");
        (right, all) = (right + num_right, all + num_all);
    }
    // The line of the task: 0.99 of the pairs, over all tempos.
    assert!(right as f64 >= 0.99 * all as f64, "{right} of {all}");
}

#[test]
fn a_transposed_try_and_a_false_start_are_told() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let tune = tune(24);
    let first = heard(folder.path(), "first", &tune);
    let higher = another_try(&tune, 1.0, 2);
    let found = compare(&first, &heard(folder.path(), "higher", &higher));
    assert_eq!(found.alignment.key_offset, 2);

    let (num, pause_s) = (4, 2.0);
    let restart_s = tune[num].at_s - 1.0 + pause_s;
    let failed = tune[..num].iter().map(|note| Played { of_tune: None, ..*note });
    let again = tune.iter().map(|note| Played { at_s: note.at_s + restart_s, ..*note });
    let restarted: Vec<Played> = failed.chain(again).collect();
    let second = heard(folder.path(), "restarted", &restarted);
    let found = compare(&first, &second);
    assert_eq!(found.alignment.false_start, Some(FalseStart { side: Side::B, num_entrances: num }));
    let (right, all) = right_pairs((&first, &tune), (&second, &restarted), &found);
    assert_eq!((right, all), (24, 24));
}

#[test]
fn the_try_without_the_planted_air_is_the_one_to_keep() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut tune = tune(16);
    // Half notes only, so that the air has room after the note before.
    for (i, note) in tune.iter_mut().enumerate() {
        note.at_s = 1.0 + i as f64;
    }
    let mut airy = tune.clone();
    for i in [3, 9, 12] {
        airy[i].air_ms = Some(130.0);
    }
    let takes = [heard(folder.path(), "clean", &tune), heard(folder.path(), "airy", &airy)];
    let found = compare(&takes[0], &takes[1]);
    let clearer: Vec<usize> = found.pairs.iter().filter(|p| p.better == Some(Side::A)).map(|p| p.pair.a).collect();
    assert_eq!(clearer, [3, 9, 12]);
    assert_eq!(found.num_better(Side::B), 0);
    // Air does not change how loud the tones are: levels at one loudness stay within 0.5 dB, the meter's own step.
    assert!(found.pairs.iter().all(|p| p.level_db.is_some_and(|db| db.abs() < 0.5)));

    let third = heard(folder.path(), "third", &another_try(&tune, 0.9, 0));
    let choice = choose(&[takes[1].clone(), takes[0].clone(), third], None);
    let of_clean = |place: usize| choice.places.iter().find(|p| p.entrances[1] == Some(place)).expect("aligned");
    for i in [3, 9, 12] {
        assert_ne!(of_clean(i).keep, 0, "the airy take is not the one to keep at {i}");
        assert!(!of_clean(i).as_good.contains(&0));
    }
}
