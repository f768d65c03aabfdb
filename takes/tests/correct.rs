//! `notefront correct`: what is said is kept beside the take, followed by every command, and survives renaming,
//! trimming and resampling. Real playing where ../shared is there; skips aloud otherwise.

mod common;

use common::{Takes, notefront, scanned, stderr, stdout};
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;

/// A take of real playing: eight or more entrances, so that its sound can be told from others.
fn real_take() -> Option<PathBuf> {
    let folder = notefront_tests::shared::folder("playing")?;
    let take = folder.join("chamber-horn.flac");
    if !take.is_file() {
        notefront_tests::skipped::say(&format!("no chamber-horn.flac in {}", folder.display()));
    }
    Some(take).filter(|take| take.is_file())
}

/// The take in a folder of its own, or none where it is missing.
fn real(takes: &Takes) -> Option<PathBuf> {
    let from = real_take()?;
    let path = takes.path("take.flac");
    std::fs::copy(from, &path).expect("room for a take");
    Some(path)
}

fn correct(take: &Path, words: &[&str]) -> String {
    let output = notefront(&[&["correct", take.to_str().expect("a plain name")], words].concat());
    assert_eq!(output.status.code(), Some(0), "{words:?}: {}", stderr(&output));
    stdout(&output)
}

fn refused(take: &Path, words: &[&str]) -> String {
    let output = notefront(&[&["correct", take.to_str().expect("a plain name")], words].concat());
    assert_ne!(output.status.code(), Some(0), "{words:?}");
    stderr(&output)
}

fn entrances(document: &Value) -> &Vec<Value> {
    document["entrances"].as_array().expect("a list")
}

fn flagged(document: &Value) -> Vec<f64> {
    let is_flagged = |e: &&Value| !e["faults"].as_array().expect("a list").is_empty();
    entrances(document).iter().filter(is_flagged).map(|e| e["speaks_s"].as_f64().expect("a time")).collect()
}

#[test]
fn a_flag_dismissed_and_an_entrance_added_are_followed_and_undone() {
    let takes = Takes::new();
    let Some(take) = real(&takes) else { return };
    let first = scanned(&take, &["--strictness", "1"]);
    let strict = |more: &[&str]| scanned(&take, &[&["--strictness", "1"], more].concat());
    let worst = flagged(&first)[0];
    let gap = entrances(&first)[1]["speaks_s"].as_f64().expect("a time") + 0.2;
    let said = correct(&take, &["fine", &worst.to_string(), "because", "it is meant so", "--strictness", "1"]);
    assert!(said.contains("fine as it is (it is meant so)"), "{said}");
    correct(&take, &["add", &gap.to_string(), "Bb2"]);
    let corrected = strict(&[]);
    assert!(!flagged(&corrected).contains(&worst));
    assert_eq!(entrances(&corrected).len(), entrances(&first).len() + 1);
    assert_eq!(corrected["corrections"]["num_measured"], entrances(&first).len());
    let said = corrected["corrections"]["said"].as_array().expect("a list");
    let dismissed = said.iter().find(|c| c["what"] == "fine").expect("it was said");
    assert!(
        !dismissed["found"]["faults"].as_array().expect("a list").is_empty(),
        "what was measured stays: {dismissed}"
    );
    assert_eq!(corrected["summary"]["num_flagged"], flagged(&first).len() - 1);
    let blind = strict(&["--blind"]);
    assert_eq!(blind, Value::from_iter(first.as_object().expect("an object").clone()), "--blind is as measured");
    correct(&take, &["undo"]);
    correct(&take, &["undo"]);
    assert_eq!(strict(&[]), first, "undone is the first state");
    assert!(refused(&take, &["undo"]).contains("nothing was said"));
}

#[test]
fn what_cannot_be_done_is_said_and_changes_nothing() {
    let takes = Takes::new();
    let take = takes.good("a.wav");
    assert!(refused(&take, &["dance", "1"]).contains("What can be said"));
    assert!(refused(&take, &["fine", "0:01.20"]).contains("The nearest: Bb2 at 0:00.5"));
    assert!(refused(&take, &["add", "5:00"]).contains("past the end"));
    assert!(refused(&take, &["--from", "/gone.json"]).contains("is not there"));
    assert!(correct(&take, &[]).contains("Nothing is said"));
    let other = takes.wav("other.wav", 1, common::RATE, &common::note(common::RATE, 3.0));
    correct(&other, &["fine", "0.5"]);
    let kept = takes.path("other.corrections.json");
    assert!(refused(&take, &["--from", kept.to_str().expect("plain")]).contains("another recording"));
    assert!(!takes.path("a.corrections.json").exists());
    // The same name, another recording: told, and left as it is.
    std::fs::copy(takes.path("a.wav"), &other).expect("room");
    let output = common::scan(&[&other], &[]);
    assert!(stdout(&output).contains("corrections were not applied"), "{}", stdout(&output));
    let before = std::fs::read(&kept).expect("there");
    assert!(refused(&other, &["fine", "0.5"]).contains("another recording"));
    assert_eq!(std::fs::read(&kept).expect("there"), before);
}

#[test]
fn programs_that_correct_one_take_at_once_lose_nothing() {
    let takes = Takes::new();
    let take = takes.good("a.wav");
    let start = |k: u32| {
        let at = format!("{}", 0.6 + 0.1 * f64::from(k));
        Command::new(env!("CARGO_BIN_EXE_notefront"))
            .args(["correct"])
            .arg(&take)
            .args(["add", &at])
            .spawn()
            .expect("it starts")
    };
    let mut programs: Vec<_> = (0..6).map(start).collect();
    assert!(programs.iter_mut().all(|p| p.wait().expect("it ends").success()));
    assert_eq!(entrances(&scanned(&take, &[])).len(), 7);
}

/// The samples of a take, mono.
fn samples(take: &Path) -> Option<(u32, Vec<f32>)> {
    let wav = take.with_extension("decoded.wav");
    let done = Command::new("ffmpeg")
        .args(["-v", "error", "-y", "-i"])
        .arg(take)
        .args(["-ac", "1", "-c:a", "pcm_s16le"])
        .arg(&wav)
        .status();
    if !done.is_ok_and(|status| status.success()) {
        notefront_tests::skipped::say("corrections of a trimmed take, for want of ffmpeg");
        return None;
    }
    let mut reader = hound::WavReader::open(&wav).expect("just written");
    let rate = reader.spec().sample_rate;
    Some((rate, reader.samples::<i16>().map(|s| f32::from(s.expect("a sample")) / 32768.0).collect()))
}

#[test]
fn corrections_survive_renaming_trimming_and_resampling() {
    let takes = Takes::new();
    let Some(take) = real(&takes) else { return };
    let first = scanned(&take, &[]);
    let third = entrances(&first)[3]["speaks_s"].as_f64().expect("a time");
    correct(&take, &["note", &third.to_string(), "C1"]);
    let Some((rate, sound)) = samples(&take) else { return };
    let cut_s = entrances(&first)[1]["speaks_s"].as_f64().expect("a time") - 0.1;
    let trimmed = takes.wav("later.wav", 1, rate, &sound[(cut_s * f64::from(rate)) as usize..]);
    let low = takes.path("low.mp3");
    let resampled = Command::new("ffmpeg")
        .args(["-v", "error", "-y", "-i"])
        .arg(&trimmed)
        .args(["-ar", "22050", "-b:a", "96k"])
        .arg(&low)
        .status();
    assert!(resampled.is_ok_and(|status| status.success()));
    for (path, cut_s) in [(takes.path("renamed.flac"), 0.0), (trimmed, cut_s), (low, cut_s)] {
        if !path.exists() {
            std::fs::copy(&take, &path).expect("room");
        }
        let found = scanned(&path, &[]);
        let renamed: Vec<_> = entrances(&found).iter().filter(|e| e["note"] == "C1").collect();
        assert_eq!(renamed.len(), 1, "{}", path.display());
        let at_s = renamed[0]["speaks_s"].as_f64().expect("a time");
        // An encoder may delay by some 50 ms (its priming); the analysis places an entrance to 15 ms.
        assert!((at_s - (third - cut_s)).abs() < 0.07, "{}: {at_s} for {}", path.display(), third - cut_s);
    }
}

#[test]
fn a_read_only_folder_is_said() {
    let Some(folder) = std::env::var_os("NOTEFRONT_READ_ONLY").map(PathBuf::from) else {
        notefront_tests::skipped::say("a read-only folder, for want of NOTEFRONT_READ_ONLY");
        return;
    };
    let take = folder.join("take.wav");
    if take.exists() {
        assert!(refused(&take, &["add", "0.1"]).contains("cannot be written"));
    }
}
