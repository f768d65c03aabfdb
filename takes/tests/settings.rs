//! `notefront settings`: what is remembered holds for every command, an option goes before it, and a damaged file stops
//! no take.

mod common;

use common::{RATE, Takes, document, note, stderr, stdout};
use std::fs;
use std::path::Path;
use std::process::{Command, Output};

fn run(takes: &Takes, args: &[&str]) -> Output {
    let mut program = Command::new(env!("CARGO_BIN_EXE_notefront"));
    program.args(args).env("NOTEFRONT_SETTINGS", takes.path("config/settings.json")).current_dir(takes.path("."));
    program.output().expect("the program starts")
}

fn with_take() -> Takes {
    let takes = Takes::new();
    takes.wav("take.wav", 1, RATE, &note(RATE, 1.5));
    takes
}

fn a4(output: &Output) -> f64 {
    assert_eq!(output.status.code(), Some(0), "{}", stderr(output));
    document(output)["settings"]["a4_hz"].as_f64().expect("a number")
}

#[test]
fn what_is_set_holds_and_an_option_goes_before_it() {
    let takes = with_take();
    assert_eq!(a4(&run(&takes, &["scan", "take.wav", "--json"])), 440.0);
    let set = run(&takes, &["settings", "--a4", "442", "--instrument", "tenor", "--strictness", "0.7"]);
    assert_eq!(set.status.code(), Some(0), "{}", stderr(&set));
    assert!(stdout(&set).contains("442 Hz") && stdout(&set).contains("tenor"), "{}", stdout(&set));
    let scan = run(&takes, &["scan", "take.wav", "--json"]);
    assert_eq!(a4(&scan), 442.0);
    let told = document(&scan)["settings"].clone();
    assert_eq!((told["instrument"].as_str(), told["strictness"].as_f64()), (Some("tenor"), Some(0.7)));
    assert_eq!(a4(&run(&takes, &["scan", "take.wav", "--json", "--a4", "415"])), 415.0);
    let text = stdout(&run(&takes, &["scan", "take.wav"]));
    assert!(text.contains("Remembered, where the command said nothing else: a4 442 Hz"), "{text}");
    run(&takes, &["settings", "--forget", "a4,strictness"]);
    let scan = run(&takes, &["scan", "take.wav", "--json"]);
    assert_eq!((a4(&scan), document(&scan)["settings"]["instrument"].as_str()), (440.0, Some("tenor")));
}

#[test]
fn lines_that_an_ear_has_moved_are_remembered_told_in_words_and_put_back() {
    let takes = with_take();
    let lines = |output: &Output| document(output)["settings"]["lines"].clone();
    let usual = lines(&run(&takes, &["scan", "take.wav", "--json"]));
    let set = run(&takes, &["settings", "--lines", "below=1.4,airy=0.8"]);
    assert_eq!(set.status.code(), Some(0), "{}", stderr(&set));
    for told in ["from below 1.40 times (milder)", "air first 0.80 times (stricter)"] {
        assert!(stdout(&set).contains(told), "{}", stdout(&set));
    }
    let scan = run(&takes, &["scan", "take.wav", "--json"]);
    assert_eq!((lines(&scan)["below"].as_f64(), lines(&scan)["airy"].as_f64()), (Some(1.4), Some(0.8)));
    let text = stdout(&run(&takes, &["scan", "take.wav"]));
    let unbroken = text.split_whitespace().collect::<Vec<_>>().join(" ");
    let moved = "air first 0.80 times (stricter), from below 1.40 times (milder)";
    for told in [format!("lines {moved}"), format!("Judged by lines that were moved: {moved}.")] {
        assert!(unbroken.contains(&told), "{text}");
    }
    // An option goes before; an empty one leaves them where they lie.
    let own = run(&takes, &["scan", "take.wav", "--json", "--lines", "slow=2"]);
    assert_eq!((lines(&own)["slow"].as_f64(), lines(&own)["below"].as_f64()), (Some(2.0), None));
    assert_eq!(lines(&run(&takes, &["scan", "take.wav", "--json", "--lines", ""])), usual);
    assert_eq!(run(&takes, &["settings", "--lines", "below=9"]).status.code(), Some(2));
    run(&takes, &["settings", "--forget", "lines"]);
    assert_eq!(lines(&run(&takes, &["scan", "take.wav", "--json"])), usual);
}

#[test]
fn files_go_into_the_folder_that_is_remembered() {
    let takes = with_take();
    assert_eq!(run(&takes, &["settings", "--out", "out/marks"]).status.code(), Some(0));
    for args in [&["mark", "take.wav"][..], &["report", "take.wav"], &["sheet", "scale"]] {
        assert_eq!(run(&takes, args).status.code(), Some(0), "{args:?}");
    }
    for name in ["take.marks.csv", "take.report.html", "sheet.mid"] {
        assert!(takes.path("out/marks").join(name).is_file(), "{name}");
    }
    assert_eq!(run(&takes, &["mark", "take.wav", "--out", "elsewhere"]).status.code(), Some(0));
    assert!(takes.path("elsewhere/take.marks.csv").is_file());
}

#[test]
fn a_damaged_file_is_told_and_the_take_is_scanned_all_the_same() {
    let takes = with_take();
    let path = takes.path("config/settings.json");
    fs::create_dir(takes.path("config")).expect("room");
    let damaged = "{\"format\": \"notefront.settings\", \"version\": 1, \"a4_hz\": 44";
    fs::write(&path, damaged).expect("room");
    let scan = run(&takes, &["scan", "take.wav", "--json"]);
    assert_eq!(a4(&scan), 440.0);
    let said = stderr(&scan);
    assert!(said.contains("settings.json") && said.contains("damaged") && said.contains("--forget all"), "{said}");
    // Nothing is written over it unasked.
    assert_eq!(run(&takes, &["settings", "--a4", "442"]).status.code(), Some(1));
    assert_eq!(fs::read_to_string(&path).expect("there"), damaged);
    assert_eq!(run(&takes, &["settings", "--forget", "all"]).status.code(), Some(0));
    assert_eq!(run(&takes, &["settings", "--a4", "442"]).status.code(), Some(0));
    assert_eq!(a4(&run(&takes, &["scan", "take.wav", "--json"])), 442.0);
}

#[test]
fn values_that_no_take_could_be_judged_by_are_not_remembered() {
    let takes = with_take();
    for args in [&["--a4", "600"][..], &["--bpm", "5"], &["--strictness", "2"], &["--instrument", "kazoo"]] {
        let output = run(&takes, &[&["settings"], args].concat());
        assert_eq!(output.status.code(), Some(2), "{args:?}: {}", stderr(&output));
    }
    assert!(!Path::new(&takes.path("config/settings.json")).exists());
}
