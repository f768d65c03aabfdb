//! `notefront mark`: what stands in the files, that the take is never touched, and what happens in bad places.

mod common;

use common::{RATE, Takes, note, notefront, stderr, stdout};
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

const ENDINGS: [&str; 4] = ["wav", "mid", "csv", "json"];

fn mark(take: &Path, options: &[&str]) -> Output {
    notefront(&[&["mark", take.to_str().expect("a plain path")], options].concat())
}

fn marked(takes: &Takes, name: &str, ending: &str) -> PathBuf {
    takes.path(&format!("{name}.marks.{ending}"))
}

/// Three notes, the middle one with a slow start.
fn three_notes() -> Vec<f32> {
    let mut sound = note(RATE, 1.5);
    let slow = note(RATE, 1.5);
    // 120 dB a second: from -20 to -12 dB of its peak it takes 67 ms.
    let swell = |i: usize| 10f32.powf(-1.8 * (1.0 - (i as f32 / RATE as f32 - 0.5) / 0.3).clamp(0.0, 1.0));
    sound.extend(slow.iter().enumerate().map(|(i, x)| x * swell(i)));
    sound.extend(note(RATE, 1.5));
    sound
}

fn names_in(folder: &Path) -> Vec<String> {
    let mut names: Vec<_> = fs::read_dir(folder)
        .expect("a folder")
        .map(|e| e.expect("an entry").file_name().to_string_lossy().into())
        .collect();
    names.sort();
    names
}

#[test]
fn all_four_files_are_written_beside_the_take() {
    let takes = Takes::new();
    let take = takes.wav("take.wav", 1, RATE, &three_notes());
    let before = fs::read(&take).expect("the take");
    let output = mark(&take, &["--which", "all"]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    assert!(stdout(&output).contains("3 entrances of 3"), "{}", stdout(&output));
    for ending in ENDINGS {
        assert!(marked(&takes, "take", ending).is_file(), "{ending}");
    }
    assert!(before == fs::read(&take).expect("the take"), "the take is as it was");
    // hound writes the sound from byte 44 on.
    let copy = fs::read(marked(&takes, "take", "wav")).expect("a copy");
    assert!(copy[44..before.len()] == before[44..], "the samples are as they were");
}

#[test]
fn the_choice_holds_for_every_file() {
    let takes = Takes::new();
    let take = takes.wav("take.wav", 1, RATE, &three_notes());
    for (which, expected) in [("all", 3), ("flagged", 1), ("slow", 1), ("late", 0)] {
        assert_eq!(mark(&take, &["--which", which]).status.code(), Some(0));
        let csv = fs::read_to_string(marked(&takes, "take", "csv")).expect("a table");
        assert_eq!(csv::Reader::from_reader(csv.as_bytes()).records().count(), expected, "{which}: {csv}");
        let json: Value =
            serde_json::from_slice(&fs::read(marked(&takes, "take", "json")).expect("a file")).expect("JSON");
        assert_eq!(json["marks"].as_array().map(Vec::len), Some(expected), "{which}");
        let midi = fs::read(marked(&takes, "take", "mid")).expect("a file");
        let smf = midly::Smf::parse(&midi).expect("MIDI");
        let is_marker =
            |e: &&midly::TrackEvent| matches!(e.kind, midly::TrackEventKind::Meta(midly::MetaMessage::Marker(_)));
        assert_eq!(smf.tracks[0].iter().filter(is_marker).count(), expected, "{which}");
        let wav = fs::read(marked(&takes, "take", "wav")).expect("a copy");
        assert_eq!(wav.windows(4).filter(|w| w == b"labl").count(), expected, "{which}");
    }
}

#[test]
fn a_second_run_gives_the_same_bytes() {
    let takes = Takes::new();
    let take = takes.wav("take.wav", 1, RATE, &three_notes());
    let run = || {
        assert_eq!(mark(&take, &["--which", "all", "--bpm", "61", "--first-beat", "0.5"]).status.code(), Some(0));
        ENDINGS.map(|ending| fs::read(marked(&takes, "take", ending)).expect("a file"))
    };
    assert!(run() == run());
}

#[test]
fn other_formats_get_the_other_files_and_it_is_said() {
    let takes = Takes::new();
    let wav = takes.wav("take.wav", 1, RATE, &three_notes());
    // AIFF counts from the high byte.
    let sound: Vec<u8> = fs::read(wav).expect("the take")[44..].chunks(2).flat_map(|pair| [pair[1], pair[0]]).collect();
    let take = takes.bytes("other.aiff", aiff(&sound));
    let output = mark(&take, &["--which", "all"]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    assert!(stderr(&output).contains("only WAV files hold cue points"));
    assert!(!marked(&takes, "other", "wav").exists());
    assert!(ENDINGS[1..].iter().all(|ending| marked(&takes, "other", ending).is_file()));
}

/// An AIFF file of 16-bit mono sound at 48 kHz (AIFF 1.3; the rate is an 80-bit float).
fn aiff(sound: &[u8]) -> Vec<u8> {
    let mut comm = [0, 1].to_vec();
    comm.extend((sound.len() as u32 / 2).to_be_bytes());
    comm.extend([0, 16, 0x40, 0x0E, 0xBB, 0x80, 0, 0, 0, 0, 0, 0]);
    let mut bytes = b"FORM".to_vec();
    bytes.extend((4 + 8 + comm.len() as u32 + 16 + sound.len() as u32).to_be_bytes());
    bytes.extend(b"AIFFCOMM");
    bytes.extend((comm.len() as u32).to_be_bytes());
    bytes.extend(comm);
    bytes.extend(b"SSND");
    bytes.extend((8 + sound.len() as u32).to_be_bytes());
    bytes.extend([0; 8]);
    bytes.extend(sound);
    bytes
}

#[test]
fn names_with_blanks_accents_and_quotes_are_no_trouble() {
    let takes = Takes::new();
    let take = takes.wav("prise n\u{b0} 1 \u{e9}t\u{e9}, \"d\u{e9}but\" l'un.wav", 1, RATE, &three_notes());
    let output = mark(&take, &["--which", "all"]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    assert!(marked(&takes, "prise n\u{b0} 1 \u{e9}t\u{e9}, \"d\u{e9}but\" l'un", "wav").is_file());
}

#[test]
fn silence_gives_files_without_marks() {
    let takes = Takes::new();
    let take = takes.wav("silence.wav", 1, RATE, &vec![0.0; RATE as usize]);
    let output = mark(&take, &[]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let csv = fs::read_to_string(marked(&takes, "silence", "csv")).expect("a table");
    assert_eq!(csv.lines().count(), 1, "a header");
    assert_eq!(fs::read(marked(&takes, "silence", "wav")).expect("a copy"), fs::read(take).expect("the take"));
}

#[test]
fn another_folder_is_kept_to() {
    let takes = Takes::new();
    let take = takes.wav("take.wav", 1, RATE, &three_notes());
    fs::create_dir(takes.path("out")).expect("a folder");
    let out = takes.path("out");
    let output = mark(&take, &["--out", out.to_str().expect("a plain path")]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    assert_eq!(names_in(&out), ["take.marks.csv", "take.marks.json", "take.marks.mid", "take.marks.wav"]);
    assert_eq!(names_in(take.parent().expect("a folder")), ["out", "take.wav"]);
}

#[test]
fn a_missing_folder_is_made_with_those_above_it() {
    let takes = Takes::new();
    let take = takes.wav("take.wav", 1, RATE, &three_notes());
    let out = takes.path("new/sub");
    let output = mark(&take, &["--out", out.to_str().expect("a plain path")]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    assert_eq!(names_in(&out).len(), ENDINGS.len());
}

#[test]
fn a_folder_that_cannot_be_made_is_refused_in_words() {
    let takes = Takes::new();
    let take = takes.wav("take.wav", 1, RATE, &three_notes());
    for (out, said) in [("take.wav", "has that name"), ("take.wav/sub", "a file stands where a folder is named")] {
        let output = mark(&take, &["--out", takes.path(out).to_str().expect("a plain path")]);
        assert_eq!(output.status.code(), Some(1));
        assert!(stderr(&output).contains(said), "{}", stderr(&output));
    }
    assert_eq!(names_in(take.parent().expect("a folder")), ["take.wav"]);
}

#[test]
fn marking_a_whole_folder_again_leaves_its_own_copies_alone() {
    let takes = Takes::new();
    let take = takes.wav("take.wav", 1, RATE, &three_notes());
    assert_eq!(mark(&take, &["--which", "all"]).status.code(), Some(0));
    let before = names_in(take.parent().expect("a folder"));
    // As `mark *.wav` names them.
    let copy = marked(&takes, "take", "wav");
    let both = [&copy, &take].map(|path| path.to_str().expect("plain"));
    let output = notefront(&["mark", both[0], both[1], "--which", "all"]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    assert!(stderr(&output).contains("left out") && stderr(&output).contains("take.marks.wav"));
    assert_eq!(names_in(take.parent().expect("a folder")), before);
    let output = notefront(&["mark", both[0]]);
    assert_eq!(output.status.code(), Some(1), "nothing is left to mark");
}

#[test]
fn a_file_that_cannot_take_its_place_leaves_none() {
    let takes = Takes::new();
    let take = takes.wav("take.wav", 1, RATE, &three_notes());
    fs::create_dir(takes.path("take.marks.csv")).expect("a folder in the way");
    let output = mark(&take, &[]);
    assert_eq!(output.status.code(), Some(1));
    assert!(stderr(&output).contains("move it away"), "{}", stderr(&output));
    assert_eq!(names_in(take.parent().expect("a folder")), ["take.marks.csv", "take.wav"]);
}

#[test]
fn a_link_in_the_copy_s_place_does_not_lead_to_the_take() {
    let takes = Takes::new();
    let take = takes.wav("take.wav", 1, RATE, &three_notes());
    let before = fs::read(&take).expect("the take");
    #[cfg(unix)]
    std::os::unix::fs::symlink(&take, marked(&takes, "take", "wav")).expect("a link");
    let _ = mark(&take, &["--which", "all"]);
    assert!(before == fs::read(&take).expect("the take"));
}

#[test]
fn takes_that_share_a_name_are_refused() {
    let takes = Takes::new();
    let (a, b) = (takes.good("take.wav"), takes.bytes("take.flac", "x"));
    let output = notefront(&["mark", a.to_str().expect("plain"), b.to_str().expect("plain")]);
    assert_eq!(output.status.code(), Some(1));
    assert!(stderr(&output).contains("same name"), "{}", stderr(&output));
    assert_eq!(names_in(a.parent().expect("a folder")), ["take.flac", "take.wav"]);
}

#[test]
fn an_unknown_choice_is_bad_usage() {
    let takes = Takes::new();
    let output = mark(&takes.good("take.wav"), &["--which", "loud"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(stderr(&output).contains("held-breath"), "{}", stderr(&output));
}

/// Runs the program on a take with `--out` into a file system of its own, mounted with options in a name space of
/// its own. Gives its exit status, what it said, and what it left there; or nothing, aloud, where none may be mounted.
#[cfg(target_os = "linux")]
fn marked_on_a_disk(mount_options: &str, take: &Path) -> Option<(Option<i32>, String, String)> {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let run = |script: &str| {
        let mut unshare = Command::new("unshare");
        unshare.args(["-rm", "sh", "-c", script, env!("CARGO_BIN_EXE_notefront")]);
        unshare.arg(take).arg(folder.path()).arg(mount_options).output()
    };
    let mount = r#"mount -t tmpfs -o "$3" tmpfs "$2" 2>/dev/null"#;
    if !run(mount).is_ok_and(|output| output.status.success()) {
        notefront_tests::skipped::say("this user may not mount a file system in a name space of its own");
        return None;
    }
    let script = format!(r#"{mount} && "$0" mark "$1" --which all --out "$2"; status=$?; ls -A "$2"; exit $status"#);
    let output = run(&script).expect("unshare started before");
    Some((output.status.code(), stderr(&output), stdout(&output)))
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_leaves_nothing_behind() {
    let takes = Takes::new();
    let take = takes.wav("take.wav", 1, RATE, &vec![0.1; 2 << 20]);
    let Some((status, said, left)) = marked_on_a_disk("size=1m", &take) else { return };
    assert_eq!((status, left.as_str()), (Some(1), ""), "{said}");
    assert!(said.contains("disk is full"), "{said}");
}

#[cfg(target_os = "linux")]
#[test]
fn a_read_only_disk_is_refused_with_a_remedy() {
    let takes = Takes::new();
    let take = takes.wav("take.wav", 1, RATE, &three_notes());
    let Some((status, said, left)) = marked_on_a_disk("ro", &take) else { return };
    assert_eq!((status, left.as_str()), (Some(1), ""), "{said}");
    assert!(said.contains("cannot be written to"), "{said}");
}

/// What any user may do to the same end: a limit on the length of files that the copy does not keep.
#[cfg(target_os = "linux")]
#[test]
fn a_copy_that_fails_half_way_leaves_nothing_behind() {
    let takes = Takes::new();
    let take = takes.wav("take.wav", 1, RATE, &three_notes());
    fs::create_dir(takes.path("out")).expect("a folder");
    // 100 blocks of 512 or 1024 bytes; the take has 400 000 bytes. The signal ignored, writing fails with an error.
    let script = r#"trap '' XFSZ; ulimit -f 100; exec "$0" mark "$1" --which all --out "$2""#;
    let exe = env!("CARGO_BIN_EXE_notefront");
    let output = Command::new("sh").args(["-c", script, exe]).arg(&take).arg(takes.path("out")).output().expect("sh");
    assert_eq!(output.status.code(), Some(1), "{}", stderr(&output));
    let said = stderr(&output);
    assert!(said.contains("could not be written"), "{said}");
    assert!(!said.contains("os error") && !said.contains(".notefront-"), "{said}");
    assert!(names_in(&takes.path("out")).is_empty());
}
