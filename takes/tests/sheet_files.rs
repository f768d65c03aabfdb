//! Practice sheets through the program: read by music21 and mido, which know nothing of Notefront, and judged against.

mod common;

use common::{Takes, notefront, stderr, stdout};
use notefront_dsp::units::midi_to_hz;
use notefront_tests::synth::{Attack, Dice, Note, Player, Rise, Scene, Start, Tone, write_take};
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;

fn python() -> Option<String> {
    let ours = Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/python/bin/python");
    let places = [std::env::var("NOTEFRONT_PYTHON").ok(), ours.to_str().map(str::to_owned), Some("python3".into())];
    let has_readers = |python: &String| {
        Command::new(python)
            .args(["-c", "import lxml, mido, music21"])
            .output()
            .is_ok_and(|output| output.status.success())
    };
    let found = places.into_iter().flatten().find(has_readers);
    if found.is_none() {
        notefront_tests::skipped::say("no Python with lxml, mido and music21; `cargo xtask test` installs them");
    }
    found
}

/// A sheet made by hand.
fn sheet(takes: &Takes, name: &str, args: &[&str]) -> PathBuf {
    let folder = takes.path("");
    let place = ["--out", folder.to_str().expect("plain"), "--name", name];
    let output = notefront(&[&["sheet"], args, &place].concat());
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    assert!(stdout(&output).contains("notefront scan TAKE --notes"), "{}", stdout(&output));
    takes.path(&format!("{name}.musicxml"))
}

fn read(python: &str, sheet: &Path) -> Value {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/read_sheet.py");
    let output =
        Command::new(python).arg(script).arg(sheet).arg(sheet.with_extension("mid")).output().expect("Python starts");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).expect("JSON")
}

#[test]
fn outside_readers_find_the_notes_the_positions_and_the_click() {
    let Some(python) = python() else { return };
    let takes = Takes::new();
    let slurred = ["arpeggio", "--position", "3", "--slurred", "--bpm", "90"];
    let read = read(&python, &sheet(&takes, "arpeggio", &slurred));
    // Third position is a whole tone under first: Ab2 Eb3 Ab3 C4 Eb4.
    let pitches = [44, 51, 56, 60, 63, 60, 56, 51, 44];
    let notes = read["notes"].as_array().expect("a list");
    assert_eq!(notes.iter().map(|n| n["midi"].clone()).collect::<Vec<_>>(), pitches.map(Value::from));
    for (i, note) in notes.iter().enumerate() {
        assert_eq!(note["beat"], 4.0 + i as f64, "{note}");
        assert_eq!(note["fingering"], "3", "{note}");
    }
    assert_eq!(read["num_slurred"], 9, "one slur over all of them");
    assert_eq!(read["bpm"], 90.0);
    assert!(read["bars"].as_array().expect("a list").iter().all(|bar| bar == 4.0), "{}", read["bars"]);
    // The MIDI file by mido: seconds at 90 beats a minute; a click on every beat of five bars.
    let seconds = read["midi"].as_array().expect("a list");
    assert_eq!(seconds.len(), 9);
    for (i, note) in seconds.iter().enumerate() {
        assert_eq!(note[0], pitches[i]);
        let expected = (4.0 + i as f64) * 60.0 / 90.0;
        assert!((note[1].as_f64().expect("a time") - expected).abs() < 1e-3, "{note}");
    }
    assert_eq!(read["num_clicks"], 20);
    assert_eq!(read["tracks"], serde_json::json!(["Arpeggio in position 3, slurred", "Trombone", "Click"]));
}

#[test]
fn every_exercise_is_read_by_outside_readers() {
    let Some(python) = python() else { return };
    let takes = Takes::new();
    for (name, args) in [
        ("scale", &["scale", "--note", "F2"][..]),
        ("repeats", &["repeats", "--note", "E2"]),
        ("starts", &["starts", "--register", "top"]),
        ("breath", &["breath", "--register", "pedal"]),
        ("high", &["arpeggio", "--position", "1", "--to-partial", "8"]),
    ] {
        let read = read(&python, &sheet(&takes, name, args));
        assert!(read["bars"].as_array().expect("a list").iter().all(|bar| bar == 4.0), "{name}: {}", read["bars"]);
        assert_eq!(read["notes"].as_array().expect("a list").len(), read["midi"].as_array().expect("a list").len());
        assert!(read["notes"].as_array().expect("a list").iter().all(|n| n["fingering"].is_string()), "{name}");
    }
}

#[test]
fn the_w3c_s_schema_is_content() {
    let Some(folder) = std::env::var_os("NOTEFRONT_MUSICXML_XSD") else {
        notefront_tests::skipped::say("NOTEFRONT_MUSICXML_XSD names no folder with the W3C's musicxml.xsd");
        return;
    };
    let Some(python) = python() else { return };
    let takes = Takes::new();
    let sheets = [
        sheet(&takes, "a", &["arpeggio", "--position", "2", "--slurred"]),
        sheet(&takes, "b", &["scale", "--note", "Eb3"]),
        sheet(&takes, "c", &["repeats", "--note", "F#2"]),
        sheet(&takes, "d", &["starts", "--register", "top"]),
    ];
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/validate_sheet.py");
    let output = Command::new(python).arg(script).arg(folder).args(&sheets).output().expect("Python starts");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    assert_eq!(stdout(&output).trim(), "4");
}

#[test]
fn a_take_of_the_sheet_is_judged_against_it() {
    let takes = Takes::new();
    let path = sheet(&takes, "repeats", &["repeats", "--note", "F3", "--bpm", "72"]);
    let written = notefront_takes::sheet::open(&path, None).expect("written notes");
    let clock = written.clock();
    // The fifth note is played wrong: G3.
    let tones = written.notes.iter().enumerate().map(|(i, note)| {
        let midi = if i == 4 { 55 } else { note.midi_note };
        let at_s = 0.8 + clock.seconds(note.beat);
        let start = Start::Attack(Attack { rise: Rise::Logistic, ..Attack::plain(18.0) });
        let note = Note { start, ..Note::plain(at_s, midi_to_hz(f64::from(midi), 440.0), -16.0) };
        Tone::single(note, at_s + 0.35)
    });
    let tones: Vec<Tone> = tones.collect();
    let scene = Scene {
        kind: "sheet".into(),
        bpm: 72.0,
        grid_start_s: 0.8,
        timed: true,
        duration_s: tones.last().map_or(0.0, |tone| tone.release_s) + 1.0,
        player: Player::any(&mut Dice::new(3)),
        tones,
        nuisances: Vec::new(),
        room: None,
        floor_db: -72.0,
        hum: (50.0, -85.0),
    };
    let (sound, truth) = scene.make(48_000.0, 3);
    write_take(&takes.path(""), "take", &sound, &truth).expect("room");
    let document = common::scanned(&takes.path("take.wav"), &["--notes", path.to_str().expect("plain")]);
    assert_eq!(document["grid"]["from"], "notes", "{}", document["notes"]);
    assert_eq!(document["entrances"].as_array().expect("a list").len(), 24);
    assert_eq!(document["notes"]["num_right"], 23, "{}", document["notes"]);
    assert_eq!(document["notes"]["num_wrong"], 1, "{}", document["notes"]);
}
