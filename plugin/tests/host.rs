//! The built insert in a headless CLAP host.
#![allow(missing_docs)]

mod common;

use clack_host::prelude::StoppedPluginAudioProcessor;
use common::{Insert, Play, TestHost, no_transport, noise, rolling, take, transport};
use notefront::beats::Subdivision;
use notefront::marker_out;
use notefront::passes::{Origin, Pass};
use notefront::timing::{self, Judging};
use notefront_dsp::{Entrance, FaultName, Settings, analyze};
use notefront_takes::mark_note::key_of;
use serde_json::json;
use std::sync::atomic::Ordering;
use std::time::Duration;

/// Settings of the default parameters.
fn judging(subdivision: Option<Subdivision>) -> Judging {
    Judging { settings: Settings::default(), subdivision, offset_ms: 0.0, insists: false, lines: Default::default() }
}

/// What the analysis alone says of a take, judged as the insert judges it without beats.
fn expected(samples: &[f32], rate: f64) -> Vec<Entrance> {
    let fronts = analyze(samples, rate, Settings::default()).expect("a usable rate");
    fronts.into_iter().map(|front| timing::judged(front, &Default::default(), &judging(None))).collect()
}

/// Faults but those of time, which the analysis alone does not know.
fn faults(entrance: &Entrance) -> Vec<FaultName> {
    let is_timing = |f: &FaultName| matches!(f, FaultName::Early | FaultName::Late);
    entrance.verdict.faults.iter().map(|f| f.name).filter(|f| !is_timing(f)).collect()
}

fn assert_same(pass: &Pass, expected: &[Entrance], what: &str) {
    assert_eq!(pass.entrances.len(), expected.len(), "{what}");
    for (a, b) in pass.entrances.iter().zip(expected) {
        // The state rounds instants to a microsecond.
        assert!(
            (a.front.speaks_s - b.front.speaks_s).abs() < 1e-6,
            "{what}: {} against {}",
            a.front.speaks_s,
            b.front.speaks_s
        );
        assert_eq!(faults(a), faults(b), "{what} at {} s", a.front.speaks_s);
    }
}

fn bits(samples: &[f32]) -> Vec<u32> {
    samples.iter().map(|s| s.to_bits()).collect()
}

#[test]
fn the_sound_passes_bit_for_bit() {
    for num_channels in [1, 2] {
        for (rate, block) in
            [(44_100.0, 1), (44_100.0, 512), (48_000.0, 64), (48_000.0, 8192), (96_000.0, 333), (192_000.0, 1024)]
        {
            let input: Vec<Vec<f32>> = (0..num_channels).map(|c| noise(20_000, 7 + c)).collect();
            let mut insert = Insert::new();
            if num_channels == 1 {
                insert.select_mono();
            }
            for offline in [false, true] {
                let play = Play { offline, ..Play::offline(rate, block) };
                let output = insert.play(&play, &input, &rolling(rate, 120.0));
                for (sent, got) in input.iter().zip(&output.channels) {
                    assert!(bits(sent) == bits(got), "{num_channels} channels, {rate} Hz, blocks of {block}");
                }
                assert_eq!(insert.latency(), 0);
            }
        }
    }
}

#[test]
fn entrances_equal_the_analysis_of_the_file_for_every_block_size() {
    let Some((samples, rate)) = take("made-faults.flac") else { return };
    let samples = samples[..(14.0 * rate) as usize].to_vec();
    let expected = expected(&samples, rate);
    assert!(expected.len() > 8, "the take has notes");
    for block in [64, 480, 1024, 8192] {
        let mut insert = Insert::new();
        insert.play(&Play::offline(rate, block), &[samples.clone(), samples.clone()], &rolling(rate, 61.0));
        let passes = insert.passes();
        assert_eq!(passes.len(), 1);
        assert_same(&passes[0], &expected, &format!("blocks of {block}"));
    }
}

#[test]
fn real_time_and_offline_give_the_same_entrances() {
    let Some((samples, rate)) = take("made-soft.flac") else { return };
    let samples = samples[..(8.0 * rate) as usize].to_vec();
    let expected = expected(&samples, rate);
    let mut insert = Insert::new();
    // A quarter of a second of rest for each second: the worker keeps up on a busy machine.
    let play = Play { offline: false, rest: Duration::from_millis(250), ..Play::offline(rate, 256) };
    insert.play(&play, &[samples.clone(), samples], &rolling(rate, 61.0));
    let passes = insert.passes();
    assert_eq!(passes.len(), 1);
    assert_eq!(passes[0].num_lost, 0);
    assert_same(&passes[0], &expected, "real time");
}

/// Sample at which a marker note leaves, and its key.
type Marker = (u64, u16);

/// A take with faults, its rate, and its marker notes.
fn take_with_marker_notes() -> Option<(Vec<f32>, f64, Vec<Marker>)> {
    let (samples, rate) = take("made-faults.flac")?;
    let samples = samples[..(14.0 * rate) as usize].to_vec();
    let delay = (marker_out::LOOK_AHEAD_S * rate) as u64;
    let note = |e: &Entrance| {
        let worst = e.verdict.faults.worst()?;
        Some(((e.front.speaks_s * rate).round() as u64 + delay, u16::from(key_of(worst.name))))
    };
    let notes: Vec<Marker> = expected(&samples, rate).iter().filter_map(note).collect();
    assert!(notes.len() > 2, "the take has faults");
    Some((samples, rate, notes))
}

/// The notes came as expected, and the sound delayed bit for bit.
fn assert_marked(output: &common::Output, sound: &[f32], rate: f64, expected: &[Marker], what: &str) {
    let notes: Vec<Marker> = output.notes.iter().filter(|n| n.on).map(|n| (n.at, n.key)).collect();
    assert_eq!(notes, expected, "{what}");
    let delay = (marker_out::LOOK_AHEAD_S * rate) as usize;
    assert!(bits(&output.channels[0][delay..delay + sound.len()]) == bits(sound), "{what}: delayed bit for bit");
}

/// With the end that the delay holds back.
fn both_channels(sound: &[f32], rate: f64) -> [Vec<f32>; 2] {
    let longer = [sound, &vec![0.0; 2 * rate as usize]].concat();
    [longer.clone(), longer]
}

fn marker_notes_on() -> serde_json::Value {
    json!({ "look_ahead": { "bool": true }, "grid": { "string": "off" } })
}

#[test]
fn marker_notes_leave_at_the_exact_sample_for_every_block_size() {
    let Some((sound, rate, expected)) = take_with_marker_notes() else { return };
    for block in [64, 500, 8192] {
        let mut insert = Insert::with_params(marker_notes_on());
        let output = insert.play(&Play::offline(rate, block), &both_channels(&sound, rate), &rolling(rate, 61.0));
        assert_marked(&output, &sound, rate, &expected, &format!("blocks of {block}"));
    }
}

/// Loads a project that has marker notes on.
fn switch_marker_notes_on(insert: &mut Insert) {
    let state = json!({ "version": "0.1.0", "params": marker_notes_on(), "fields": {} });
    assert!(insert.load(state.to_string().as_bytes()));
}

/// Plays through an activated insert, on a thread of its own.
fn run_active(
    processor: StoppedPluginAudioProcessor<TestHost>,
    play: &Play,
    input: &[Vec<f32>],
) -> (StoppedPluginAudioProcessor<TestHost>, common::Output) {
    let transport = rolling(play.rate, 61.0);
    std::thread::scope(|scope| {
        scope.spawn(|| common::run(processor, play, input, &transport)).join().expect("no panic")
    })
}

#[test]
fn a_project_that_switches_marker_notes_on_in_a_running_insert_asks_for_a_restart() {
    let Some((sound, rate, expected)) = take_with_marker_notes() else { return };
    let play = Play::offline(rate, 480);
    let mut insert = Insert::new();
    let processor = insert.activate(&play);
    switch_marker_notes_on(&mut insert);
    let (processor, output) = run_active(processor, &play, &both_channels(&sound, rate));
    assert!(bits(&output.channels[0][..sound.len()]) == bits(&sound), "until then nothing is delayed");
    assert_eq!((output.notes.len(), insert.latency()), (0, 0));
    insert.serve_main_thread();
    assert!(insert.restart.load(Ordering::Relaxed), "the host is asked");
    insert.deactivate(processor);
    let output = insert.play(&play, &both_channels(&sound, rate), &rolling(rate, 61.0));
    assert_marked(&output, &sound, rate, &expected, "after the restart");
    assert_eq!(insert.latency(), rate as u32);
}

#[test]
fn the_delay_changes_while_the_host_activates_and_at_no_other_time() {
    let play = Play::offline(48_000.0, 480);
    let silence = vec![vec![0.0; 4800]; 2];
    for serves_first in [true, false] {
        let mut insert = Insert::new();
        let processor = insert.activate(&play);
        switch_marker_notes_on(&mut insert);
        let (processor, _) = run_active(processor, &play, &silence);
        // A host may come round to what the insert asked of its main thread before or after it has deactivated it.
        if serves_first {
            insert.serve_main_thread();
        }
        insert.deactivate(processor);
        insert.serve_main_thread();
        assert!(insert.restart.load(Ordering::Relaxed));
        assert_eq!(insert.latency(), 0, "not yet");
        insert.play(&play, &silence, &no_transport);
        insert.serve_main_thread();
        assert_eq!(insert.latency(), 48_000);
        let calls = &insert.latency_calls;
        let (within, outside) = (calls.within.load(Ordering::Relaxed), calls.outside.load(Ordering::Relaxed));
        assert_eq!((within, outside), (1, 0), "served first: {serves_first}");
    }
}

#[test]
fn a_project_with_marker_notes_is_activated_with_its_delay_and_asks_for_no_restart() {
    let play = Play::offline(48_000.0, 480);
    let mut insert = Insert::new();
    switch_marker_notes_on(&mut insert);
    for _ in 0..2 {
        let processor = insert.activate(&play);
        insert.serve_main_thread();
        assert_eq!(insert.latency(), 48_000);
        insert.deactivate(processor);
        insert.serve_main_thread();
    }
    assert!(!insert.restart.load(Ordering::Relaxed));
    let calls = &insert.latency_calls;
    assert_eq!((calls.within.load(Ordering::Relaxed), calls.outside.load(Ordering::Relaxed)), (1, 0));
}

#[test]
fn a_host_that_renders_without_saying_so_gets_every_note_from_the_first_on() {
    let Some((sound, rate, expected)) = take_with_marker_notes() else { return };
    // The take begins a tenth of a second before the first flagged note.
    let skipped = (expected[0].0 as f64 - (marker_out::LOOK_AHEAD_S + 0.1) * rate) as usize;
    let mut insert = Insert::with_params(marker_notes_on());
    let play = Play { offline: false, ..Play::offline(rate, 512) };
    let input = both_channels(&sound[skipped..], rate);
    let said = insert.play(&Play::offline(rate, 512), &input, &rolling(rate, 61.0));
    let mut insert = Insert::with_params(marker_notes_on());
    let unsaid = insert.play(&play, &input, &rolling(rate, 61.0));
    assert!(said.notes.len() >= 4 && said.notes[0].at < 2 * rate as u64, "{:?}", said.notes);
    assert_eq!(unsaid.notes, said.notes);
}

#[test]
fn a_host_that_lets_silent_inserts_sleep_gets_the_delayed_end_and_one_pass() {
    let Some((samples, rate)) = take("made-faults.flac") else { return };
    // A phrase, a rest of three seconds, the phrase again, and silence behind it.
    let phrase = &samples[..(4.0 * rate) as usize];
    let rest = vec![0.0; 3 * rate as usize];
    let sound = [phrase, &rest, phrase, &rest].concat();
    for look_ahead in [false, true] {
        let mut insert = Insert::with_params(json!({ "look_ahead": { "bool": look_ahead } }));
        let play = Play { sleeps: true, ..Play::offline(rate, 480) };
        let output = insert.play(&play, &[sound.clone(), sound.clone()], &rolling(rate, 61.0));
        let delay = if look_ahead { rate as usize } else { 0 };
        assert!(bits(&output.channels[0][delay..]) == bits(&sound[..sound.len() - delay]), "look-ahead: {look_ahead}");
        assert_eq!(insert.passes().len(), 1, "the rest belongs to the pass; look-ahead: {look_ahead}");
    }
    // Where nothing plays, nothing is listened to: the insert may sleep.
    let mut insert = Insert::new();
    let standing = |_: u64| Some(transport(false, 0.0, 0.0, 61.0));
    let play = Play { sleeps: true, ..Play::offline(rate, 480) };
    assert_eq!(insert.play(&play, &[rest.clone(), rest], &standing).num_blocks, 1, "the first block only");
}

#[test]
fn a_reset_or_a_stop_while_a_marker_note_sounds_leaves_none_hanging() {
    let Some((sound, rate, expected)) = take_with_marker_notes() else { return };
    let sounds_at = expected[1].0 as usize + (0.02 * rate) as usize;
    let mut insert = Insert::with_params(marker_notes_on());
    let play = Play { reset_at: Some(sounds_at), ..Play::offline(rate, 64) };
    let output = insert.play(&play, &both_channels(&sound, rate), &rolling(rate, 61.0));
    let (num_on, num_off) = output.num_on_and_off();
    assert!(num_on > 2 && num_on == num_off, "reset: {num_on} on, {num_off} off");

    let mut insert = Insert::with_params(marker_notes_on());
    let cut = [sound[..sounds_at].to_vec(), sound[..sounds_at].to_vec()];
    let first = insert.play(&Play::offline(rate, 64), &cut, &rolling(rate, 61.0)).num_on_and_off();
    let silence = vec![vec![0.0; 6400]; 2];
    let then = insert.play(&Play::offline(rate, 64), &silence, &rolling(rate, 61.0)).num_on_and_off();
    assert_eq!((first, then), ((2, 1), (0, 1)), "stopped, and begun again");
}

#[test]
fn look_ahead_reports_its_delay() {
    let mut insert = Insert::with_params(json!({ "look_ahead": { "bool": true } }));
    insert.play(&Play::offline(48_000.0, 64), &[vec![0.0; 640], vec![0.0; 640]], &no_transport);
    assert_eq!(insert.latency(), 48_000);
}

#[test]
fn a_loop_gives_a_pass_for_each_turn_and_a_stop_ends_it() {
    let Some((samples, rate)) = take("made-faults.flac") else { return };
    let turn = (5.0 * rate) as u64;
    let twice: Vec<f32> = samples[..turn as usize].iter().chain(&samples[..turn as usize]).copied().collect();
    let looped = move |at: u64| {
        let s = (at % turn) as f64 / rate;
        Some(transport(at < 2 * turn - rate as u64, 10.0 + s, 20.0 + 2.0 * s, 120.0))
    };
    let mut insert = Insert::new();
    insert.play(&Play::offline(rate, 480), &[twice.clone(), twice], &looped);
    let passes = insert.passes();
    assert_eq!(passes.len(), 2);
    for pass in &passes {
        assert_eq!(pass.origin, Origin::Played);
        assert_eq!(pass.start_samples, Some((10.0 * rate) as i64));
        assert_eq!(pass.beats.tempo_bpm(), Some(120.0));
    }
    assert!(passes[0].is_same_passage(&passes[1]));
    assert!((passes[0].duration_s - 5.0).abs() < 0.02);
    assert!((passes[1].duration_s - 4.0).abs() < 0.02, "the stop ended the second turn");
    let first: Vec<f64> = passes[0].entrances.iter().map(|e| e.front.speaks_s).collect();
    let second: Vec<f64> = passes[1].entrances.iter().map(|e| e.front.speaks_s).collect();
    assert_eq!(first[..second.len() - 1], second[..second.len() - 1], "the same sound gives the same entrances");
}

#[test]
fn look_ahead_counts_every_entrance_to_its_turn() {
    let Some((samples, rate)) = take("made-faults.flac") else { return };
    let turn = (5.0 * rate) as u64;
    let delay = (marker_out::LOOK_AHEAD_S * rate) as u64;
    let twice: Vec<f32> = samples[..turn as usize].iter().chain(&samples[..turn as usize]).copied().collect();
    let play = |look_ahead: bool| {
        let mut insert = Insert::with_params(json!({ "look_ahead": { "bool": look_ahead } }));
        let behind = if look_ahead { delay } else { 0 };
        let mut input = twice.clone();
        input.extend(vec![0.0; behind as usize]);
        // A host that compensates: its positions are those of the sound that comes out, and the sound goes in
        // before the transport rolls.
        let looped = move |at: u64| {
            let out = at as i64 - behind as i64;
            let s = (out.max(0) as u64 % turn) as f64 / rate;
            Some(transport(out >= 0 && out < 2 * turn as i64, 10.0 + s, 20.0 + 2.0 * s, 120.0))
        };
        insert.play(&Play::offline(rate, 480), &[input.clone(), input], &looped);
        insert.passes()
    };
    let (plain, ahead) = (play(false), play(true));
    assert_eq!((plain.len(), ahead.len()), (2, 2));
    for (a, b) in plain.iter().zip(&ahead) {
        assert_eq!(a.start_samples, b.start_samples);
        let instants = |p: &Pass| p.entrances.iter().map(|e| e.front.speaks_s).collect::<Vec<_>>();
        // The seam of the first turn is cut before its last note is told; every other entrance is the same.
        let (a, b) = (instants(a), instants(b));
        assert!(a.len().abs_diff(b.len()) <= 1, "{a:?} against {b:?}");
        assert!(a.iter().zip(&b).all(|(x, y)| (x - y).abs() < 1e-3), "{a:?} against {b:?}");
    }
}

#[test]
fn a_tempo_change_bends_the_pass_and_does_not_end_it() {
    let Some((samples, rate)) = take("made-faults.flac") else { return };
    let samples = samples[..(8.0 * rate) as usize].to_vec();
    let bent = move |at: u64| {
        let s = at as f64 / rate;
        let (beats, tempo) = if s < 4.0 { (s, 60.0) } else { (4.0 + (s - 4.0) * 1.5, 90.0) };
        Some(transport(true, s, beats, tempo))
    };
    let mut insert = Insert::new();
    insert.play(&Play::offline(rate, 480), &[samples.clone(), samples], &bent);
    let passes = insert.passes();
    assert_eq!(passes.len(), 1);
    assert_eq!(passes[0].beats.bends().len(), 2);
    // Six seconds in: 4 + 2 x 1.5 quarters; a block of rounding at the change.
    assert!((passes[0].beats.beats_at(6.0).unwrap_or(0.0) - 7.0).abs() < 0.01);
}

#[test]
fn negative_positions_and_hosts_without_transport_are_heard() {
    let Some((samples, rate)) = take("made-faults.flac") else { return };
    let samples = samples[..(4.0 * rate) as usize].to_vec();
    let before = move |at: u64| {
        let s = at as f64 / rate - 2.0;
        Some(transport(true, s, s, 60.0))
    };
    let mut insert = Insert::new();
    insert.play(&Play::offline(rate, 480), &[samples.clone(), samples.clone()], &before);
    assert_eq!(insert.passes()[0].start_samples, Some((-2.0 * rate) as i64));
    let mut insert = Insert::new();
    insert.play(&Play::offline(rate, 480), &[samples.clone(), samples], &no_transport);
    let passes = insert.passes();
    assert_eq!((passes.len(), passes[0].origin.clone(), passes[0].start_samples), (1, Origin::Free, None));
}

#[test]
fn timing_is_against_the_hosts_beats() {
    let Some((samples, rate)) = take("made-faults.flac") else { return };
    let samples = samples[..(8.0 * rate) as usize].to_vec();
    // The take's own beats: 61 a minute from 1 s on.
    let beats = move |at: u64| {
        let s = at as f64 / rate;
        Some(transport(true, s, (s - 1.0) * 61.0 / 60.0, 61.0))
    };
    let mut insert = Insert::new();
    insert.play(&Play::offline(rate, 480), &[samples.clone(), samples], &beats);
    for entrance in &insert.passes()[0].entrances {
        let timing = entrance.verdict.timing_ms.expect("there are beats").value;
        let in_beats = (entrance.front.speaks_s - 1.0) * 61.0 / 60.0;
        let from_law = (in_beats - in_beats.round()) * 60e3 / 61.0;
        // CLAP's fixed-point beats and the state's microseconds: 0.01 ms.
        assert!((timing - from_law).abs() < 0.01, "{timing} against {from_law}");
    }
}

#[test]
fn the_state_comes_back_in_another_instance() {
    let Some((samples, rate)) = take("made-faults.flac") else { return };
    let samples = samples[..(6.0 * rate) as usize].to_vec();
    let mut first = Insert::with_params(json!({ "strictness": { "f32": 0.8 } }));
    first.play(&Play::offline(rate, 480), &[samples.clone(), samples], &rolling(rate, 61.0));
    let saved = first.save();
    let mut second = Insert::new();
    assert!(second.load(&saved));
    assert_eq!(String::from_utf8(second.save()), String::from_utf8(saved));
}

#[test]
fn garbage_state_is_refused_or_read_as_far_as_it_goes() {
    let mut insert = Insert::new();
    for garbage in [&b""[..], b"{", b"\0\xff\xfe", b"[1,2,3]", b"null"] {
        assert!(!insert.load(garbage));
        assert!(!insert.load_raw(garbage));
    }
    let damaged = json!({ "version": "9.9.9", "params": { "strictness": { "f32": 0.9 }, "unknown": { "f32": 1.0 } },
        "fields": { "session": "not json", "looks": "7", "unknown": "x" } });
    assert!(insert.load(damaged.to_string().as_bytes()));
    let state: serde_json::Value = serde_json::from_slice(&insert.save()).expect("JSON");
    assert!((state["params"]["strictness"]["f32"].as_f64().unwrap_or(0.0) - 0.9).abs() < 1e-6);
    assert!(insert.passes().is_empty());
}

#[test]
fn a_state_of_five_megabytes_loads_while_audio_runs() {
    let mut passes = Vec::new();
    for id in 1..=8u64 {
        passes.push(Pass { id, kept: true, ..notefront::fixture::mixed_pass(400, id as u32) });
    }
    let saved = notefront::state::SavedSession { passes, reference: Some(3), damage: Vec::new() };
    let mut field = serde_json::to_value(&saved).expect("plain data");
    field["padding"] = json!("x".repeat(5_000_000));
    let state = json!({ "version": "0.1.0", "params": {}, "fields": { "session": field.to_string() } }).to_string();
    assert!(state.len() > 5_000_000);
    let input = [noise(96_000, 1), noise(96_000, 2)];
    let mut insert = Insert::new();
    let play = Play { offline: false, ..Play::offline(48_000.0, 64) };
    let processor = insert.activate(&play);
    let (processor, output) = std::thread::scope(|scope| {
        let audio = scope.spawn(|| common::run(processor, &play, &input, &rolling(48_000.0, 120.0)));
        assert!(insert.load(state.as_bytes()));
        audio.join().expect("the audio side does not panic")
    });
    insert.deactivate(processor);
    assert!(bits(&output.channels[0]) == bits(&input[0]));
    assert_eq!(insert.passes().iter().filter(|p| p.kept).count(), 8);
}

#[test]
fn two_instances_do_not_know_each_other() {
    let Some((samples, rate)) = take("made-faults.flac") else { return };
    let samples = samples[..(4.0 * rate) as usize].to_vec();
    let (mut first, mut second) = (Insert::new(), Insert::new());
    first.play(&Play::offline(rate, 480), &[samples.clone(), samples], &rolling(rate, 61.0));
    second.play(&Play::offline(rate, 480), &[vec![0.0; 48_000], vec![0.0; 48_000]], &rolling(rate, 61.0));
    assert_eq!((first.passes().len(), second.passes().len()), (1, 0));
}

#[test]
fn storms_of_activation_and_reset_leave_nothing_behind() {
    let mut insert = Insert::new();
    let threads = || std::fs::read_dir("/proc/self/task").map(Iterator::count).unwrap_or(0);
    let before = threads();
    for round in 0..40 {
        let play = Play { offline: round % 2 == 0, ..Play::offline([44_100.0, 48_000.0, 96_000.0][round % 3], 64) };
        let mut processor = insert.activate(&play);
        for _ in 0..5 {
            processor.reset();
        }
        let input = [noise(200, 3), noise(200, 4)];
        let (processor, _) = std::thread::scope(|scope| {
            scope.spawn(|| common::run(processor, &play, &input, &rolling(play.rate, 120.0))).join().expect("no panic")
        });
        insert.deactivate(processor);
    }
    // Other tests of this file run beside it, so only growth in step with the rounds counts.
    assert!(threads() < before + 20, "{} threads before, {} after", before, threads());
}

#[test]
fn nothing_silence_and_one_sample_make_no_pass_and_do_no_harm() {
    for input in [vec![0.7], vec![0.0; 96_000], vec![1.0; 48_000], vec![f32::NAN; 48_000], vec![f32::INFINITY; 48_000]]
    {
        let mut insert = Insert::new();
        let output =
            insert.play(&Play::offline(48_000.0, 480), &[input.clone(), input.clone()], &rolling(48_000.0, 120.0));
        assert!(bits(&output.channels[0]) == bits(&input), "{:?}...", input[0]);
        assert_eq!(insert.passes().len(), 0, "{:?}...", input[0]);
    }
}

#[test]
fn a_clipped_take_is_told_as_clipped_and_passes_bit_for_bit() {
    let Some((samples, rate)) = take("made-faults.flac") else { return };
    let clipped: Vec<f32> = samples[..(4.0 * rate) as usize].iter().map(|s| (s * 20.0).clamp(-1.0, 1.0)).collect();
    let mut insert = Insert::new();
    let input = [clipped.clone(), clipped.clone()];
    let output = insert.play(&Play::offline(rate, 480), &input, &rolling(rate, 61.0));
    assert!(bits(&output.channels[0]) == bits(&clipped));
    assert!(!insert.passes()[0].clipped_at_s.is_empty());
}

#[test]
fn a_rate_that_cannot_be_analysed_still_passes_the_sound() {
    let input = [noise(8_000, 1), noise(8_000, 2)];
    for rate in [4_000.0, 1_000.0] {
        let mut insert = Insert::new();
        let output = insert.play(&Play::offline(rate, 64), &input, &rolling(rate, 120.0));
        assert!(bits(&output.channels[0]) == bits(&input[0]), "{rate} Hz");
        assert_eq!(insert.passes().len(), 0);
    }
}

/// Longest from a sound to its place on the lane, seconds of sound: 0.56 s of the note, the look-ahead of the coarse
/// search, and some. Marker notes need this below their delay of 1 s.
const MAX_DELAY_S: f64 = 0.8;

#[test]
fn every_entrance_is_on_the_lane_within_its_delay() {
    let Some((samples, rate)) = take("made-faults.flac") else { return };
    let mut analyzer = notefront_dsp::Analyzer::new(rate, Settings::default()).expect("a usable rate");
    let (mut delays, mut at) = (Vec::new(), 0);
    for block in samples.chunks(64) {
        analyzer.push(block);
        at += block.len();
        while let Some(event) = analyzer.next_event() {
            if let notefront_dsp::Event::Front(front) = event {
                delays.push(at as f64 / rate - front.speaks_s);
            }
        }
    }
    delays.sort_by(f64::total_cmp);
    let (median, most) = (delays[delays.len() / 2], delays[delays.len() - 1]);
    println!("from a sound to its place on the lane: median {median:.3} s, at most {most:.3} s of {}", delays.len());
    assert!(delays.len() > 25 && most < MAX_DELAY_S, "{most} s");
    assert!(most < marker_out::LOOK_AHEAD_S, "marker notes would come too late");
}

/// By hand: `cargo test -p notefront --test host six_hours -- --ignored --nocapture` (minutes).
#[test]
#[ignore = "six hours of sound take minutes"]
fn six_hours_without_a_transport_stay_within_bounds() {
    let Some((samples, rate)) = take("made-faults.flac") else { return };
    let resident_mb = || {
        let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
        let line = status.lines().find(|l| l.starts_with("VmRSS")).unwrap_or_default().to_owned();
        line.split_whitespace().nth(1).and_then(|kb| kb.parse::<f64>().ok()).unwrap_or(0.0) / 1e3
    };
    let mut insert = Insert::new();
    let play = Play::offline(rate, 4096);
    let mut processor = insert.activate(&play);
    let num_turns = (6.0 * 3600.0 * rate / samples.len() as f64).ceil() as usize;
    let input = [samples.clone(), samples.clone()];
    let before = resident_mb();
    for turn in 0..num_turns {
        let (back, output) = std::thread::scope(|scope| {
            scope.spawn(|| common::run(processor, &play, &input, &no_transport)).join().expect("no panic")
        });
        processor = back;
        assert!(bits(&output.channels[1]) == bits(&samples));
        if turn % 100 == 0 {
            println!("{:.1} h: {:.0} MB", turn as f64 * samples.len() as f64 / rate / 3600.0, resident_mb() - before);
        }
    }
    insert.deactivate(processor);
    let size = insert.save().len();
    println!(
        "6 h: {:.0} MB more, a state of {:.2} MB, {} passes",
        resident_mb() - before,
        size as f64 / 1e6,
        insert.passes().len()
    );
    // 20 000 entrances of 2 kB, the outline and the analysis: bounded by the caps, not by the time.
    assert!(resident_mb() - before < 200.0);
    // The state's bound, and the escapes of JSON within JSON.
    assert!(size < 6_000_000, "{size} bytes");
}
