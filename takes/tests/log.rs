//! The practice log through the program, and writers that are killed.

mod common;

use common::{RATE, Takes, note, notefront, stderr, stdout};
use notefront_dsp::{Settings, analyze_and_judge};
use notefront_takes::log::heard::HeardSound;
use notefront_takes::log::{Log, LoggedEntrance, Span, TakeEntry};
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

/// Names the log to the writer that is to be killed.
const WRITER: &str = "NOTEFRONT_KILLED_WRITER";
/// How often it is killed.
const NUM_KILLS: usize = 200;

fn entry(number: u64, entrances: Vec<LoggedEntrance>) -> TakeEntry {
    let mut fingerprint = [0; 32];
    fingerprint[..8].copy_from_slice(&number.to_le_bytes());
    TakeEntry {
        player: "Vesna".into(),
        name: format!("take-{number}.wav"),
        // A take a day.
        begun_s: 1_600_000_000 + 86_400 * number as i64,
        utc_offset_min: 0,
        is_when_given: true,
        duration_s: 60.0,
        sample_rate_hz: f64::from(RATE),
        settings: Settings::default(),
        warnings: Vec::new(),
        sound: HeardSound { fingerprint, room: None },
        entrances,
        has_all_corrections: false,
        tags: vec!["killed".into()],
        note: String::new(),
    }
}

/// Entrances of one measured note, many times over.
fn entrances(num: usize) -> Vec<LoggedEntrance> {
    let sound = note(RATE, 1.5);
    let heard = analyze_and_judge(&sound, f64::from(RATE), Settings::default()).expect("judged");
    let one = heard[0];
    let at = |i: usize| {
        let mut entrance = one;
        entrance.front.index = i;
        entrance.front.speaks_s += i as f64;
        LoggedEntrance::of(entrance)
    };
    (0..num).map(at).collect()
}

/// The corrected clarities of the entrances of an export, in order; `None` where nothing was corrected.
fn corrected_in(log: &str) -> Vec<Option<f64>> {
    let export = stdout(&notefront(&["log", "export", "--log", log]));
    let lines = export.lines().map(|line| serde_json::from_str::<serde_json::Value>(line).expect("JSON"));
    let entrances = lines.filter_map(|line| line["entrances"].as_array().cloned()).flatten();
    entrances.map(|entrance| entrance["corrected"]["clarity"].as_f64()).collect()
}

#[test]
fn what_the_player_says_of_a_take_goes_into_the_log_and_out_again() {
    let (takes, take, log) = fixture();
    let correct = |words: &[&str]| {
        let all = [&["correct", take.to_str().expect("plain")], words].concat();
        let output = notefront(&all);
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    };
    let scan = |options: &[&str]| assert_eq!(scan_into(&log, &take, options).status.code(), Some(0));
    let measured = common::scanned(&take, &[]);
    let at = |i: usize| measured["entrances"][i]["speaks_s"].as_f64().expect("a time").to_string();
    correct(&["unclear", &at(1), "airy"]);
    scan(&[]);
    let told = corrected_in(&log);
    assert!(told[1].is_some_and(|clarity| clarity < 90.0) && told[0].is_none(), "{told:?}");
    let patterns = stdout(&notefront(&["log", "patterns", "--log", &log]));
    assert!(patterns.contains("air first in 17 %"), "one of six: {patterns}");
    // Judged blind, the log keeps what it knows; undone, it goes.
    scan(&["--blind"]);
    assert!(corrected_in(&log)[1].is_some());
    correct(&["undo"]);
    scan(&[]);
    assert_eq!(corrected_in(&log), vec![None; 6]);
    drop(takes);
}

/// Not a test by itself: keeps takes from a number on, and says which, until it is killed.
#[test]
fn the_writer_that_is_killed() {
    let Ok(log) = std::env::var(WRITER) else { return };
    let folder = Path::new(&log).parent().expect("a folder");
    let kept: Vec<LoggedEntrance> =
        serde_json::from_slice(&std::fs::read(folder.join("entrances.json")).expect("there")).expect("entrances");
    let mut from: u64 = std::fs::read_to_string(folder.join("from")).expect("there").parse().expect("a number");
    let mut log = Log::open(Path::new(&log)).expect("a log after every kill");
    loop {
        log.keep(&entry(from, kept.clone())).expect("room");
        println!("kept {from}");
        from += 1;
    }
}

/// The writer under way.
struct Writer {
    process: Child,
    lines: Receiver<String>,
}

impl Writer {
    fn start(log: &Path) -> Self {
        let mut process = Command::new(std::env::current_exe().expect("this test"))
            .args(["--exact", "the_writer_that_is_killed", "--nocapture", "--test-threads", "1"])
            .env(WRITER, log)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("it starts");
        let out = process.stdout.take().expect("piped");
        let (sender, lines) = channel();
        std::thread::spawn(move || {
            BufReader::new(out).lines().map_while(Result::ok).try_for_each(|line| sender.send(line))
        });
        Self { process, lines }
    }

    /// Kills it; the numbers it said it had kept.
    fn kill(mut self, mut told: Vec<String>) -> Vec<u64> {
        // On Unix this is kill -9.
        self.process.kill().expect("it runs until it is killed");
        self.process.wait().expect("killed");
        told.extend(self.lines);
        // The harness may write before it on the same line.
        told.iter().filter_map(|line| line.split("kept ").nth(1)?.parse().ok()).collect()
    }
}

#[test]
fn kills_in_the_middle_of_writing_lose_and_double_nothing() {
    let takes = Takes::new();
    let path = takes.path("practice.log");
    let num_entrances = 300;
    takes.bytes("entrances.json", serde_json::to_vec(&entrances(num_entrances)).expect("JSON"));
    let mut dice = fastrand::Rng::with_seed(9);
    let (mut acknowledged, mut from) = (Vec::new(), 0);
    let mut pace = Duration::from_millis(20);
    for i in 0..NUM_KILLS {
        takes.bytes("from", from.to_string());
        let writer = Writer::start(&path);
        let mut told = Vec::new();
        // One in four dies while it starts or opens the log; the others in the middle of their second or third take.
        if i % 4 != 3 {
            let keeps = |line: &String| line.contains("kept ");
            while !told.last().is_some_and(keeps) {
                told.push(writer.lines.recv_timeout(Duration::from_secs(60)).expect("it keeps takes"));
            }
            let begun = Instant::now();
            if i == 0 {
                told.push(writer.lines.recv_timeout(Duration::from_secs(60)).expect("and another"));
                pace = begun.elapsed();
            }
        }
        std::thread::sleep(pace.mul_f64(2.0 * dice.f64()));
        let numbers = writer.kill(told);
        from = numbers.last().map_or(from, |last| last + 1);
        acknowledged.extend(numbers);
    }
    let log = Log::open(&path).expect("whole");
    log.check().expect("whole");
    let player = log.player(None).expect("one");
    let kept = log.takes(player, &Span::default()).expect("readable");
    let names: Vec<String> = kept.iter().map(|take| take.name.clone()).collect();
    // What was said to be kept is there once; one more at most was kept and not yet said when the last kill came.
    let mut expected: Vec<String> = acknowledged.iter().map(|number| format!("take-{number}.wav")).collect();
    assert!(expected.len() >= NUM_KILLS / 2, "only {} takes: nothing was under way", expected.len());
    if names.len() > expected.len() {
        expected.push(format!("take-{from}.wav"));
    }
    assert_eq!(names, expected);
    for take in &kept {
        assert_eq!(log.entrances(take).expect("readable").len(), num_entrances, "{}", take.name);
    }
}

/// A take and a log.
fn fixture() -> (Takes, PathBuf, String) {
    let takes = Takes::new();
    let sound: Vec<f32> = (0..6).flat_map(|_| note(RATE, 1.4)).collect();
    let take = takes.wav("take.wav", 1, RATE, &sound);
    let log = takes.path("practice.log");
    let log = log.to_str().expect("plain").to_owned();
    (takes, take, log)
}

fn scan_into(log: &str, take: &Path, options: &[&str]) -> std::process::Output {
    let log = format!("--log={log}");
    notefront(&[&["scan", take.to_str().expect("plain"), &log], options].concat())
}

#[test]
fn a_take_scanned_twice_is_one_entry() {
    let (takes, take, log) = fixture();
    let first = scan_into(&log, &take, &["--player", "Vesna", "--when", "2026-03-04 18:30"]);
    assert_eq!(first.status.code(), Some(0), "{}", stderr(&first));
    assert!(stderr(&first).contains("kept in the log of Vesna"), "{}", stderr(&first));
    let copy = takes.path("copy of it.wav");
    std::fs::copy(&take, &copy).expect("room");
    let second = scan_into(&log, &copy, &["--player", "Vesna"]);
    assert!(stderr(&second).contains("in the log already"), "{}", stderr(&second));
    let players = stdout(&notefront(&["log", "players", "--log", &log]));
    let row = players.lines().nth(1).expect("one player").split_whitespace().collect::<Vec<_>>();
    assert_eq!(row, ["Vesna", "1", "1", "6", "2026-03-04", "2026-03-04"]);
    let plain = stdout(&common::scan(&[&take], &[]));
    assert_eq!(stdout(&first), plain, "the report is the same with and without the log");
}

#[test]
fn whatever_is_wrong_with_the_log_the_take_is_reported() {
    let (takes, take, _) = fixture();
    let report = stdout(&common::scan(&[&take], &[]));
    let no_log = takes.bytes("no.log", "no database at all, and long enough to be looked at as one, is it not?");
    let folder = takes.path("");
    for (log, told) in [(no_log.as_path(), "not a practice log"), (folder.as_path(), "the log cannot be used")] {
        let output = scan_into(log.to_str().expect("plain"), &take, &[]);
        assert_eq!(output.status.code(), Some(1), "{}", stderr(&output));
        assert!(stderr(&output).contains(told), "{}", stderr(&output));
        assert_eq!(stdout(&output), report);
    }
    let document = scan_into(no_log.to_str().expect("plain"), &take, &["--json"]);
    assert!(common::document(&document)["entrances"].as_array().is_some_and(|e| e.len() == 6));
}

#[test]
fn a_log_that_may_not_be_written_is_told() {
    let Some(place) = std::env::var_os("NOTEFRONT_READ_ONLY") else {
        notefront_tests::skipped::say("NOTEFRONT_READ_ONLY names no folder on a read-only file system");
        return;
    };
    let (_takes, take, _) = fixture();
    let log = Path::new(&place).join("practice.log");
    let output = scan_into(log.to_str().expect("plain"), &take, &[]);
    assert_eq!(output.status.code(), Some(1));
    assert!(stderr(&output).contains("The takes are not in the log"), "{}", stderr(&output));
    assert_eq!(stdout(&output), stdout(&common::scan(&[&take], &[])));
}

#[test]
fn the_log_answers_and_a_missing_one_is_told() {
    let (takes, take, log) = fixture();
    let ask = |args: &[&str]| notefront(&[&["log"], args, &["--log", &log]].concat());
    let missing = ask(&["patterns"]);
    assert_eq!(missing.status.code(), Some(1));
    assert!(stderr(&missing).contains("there is no practice log"), "{}", stderr(&missing));
    assert_eq!(scan_into(&log, &take, &["--player", "Vesna"]).status.code(), Some(0));
    let patterns = stdout(&ask(&["patterns"]));
    assert!(patterns.contains("6 notes in 1 take, 1 session"), "{patterns}");
    assert!(patterns.contains("All notes: 0 % (0\u{2013}31) unclear, clarity 100"), "{patterns}");
    assert!(stdout(&ask(&["progress"])).contains("Too few sessions"));
    assert_eq!(ask(&["check"]).status.code(), Some(0));
    assert_eq!(ask(&["note", "the hall was cold"]).status.code(), Some(0));
    let export = ask(&["export"]);
    assert!(stdout(&export).contains("the hall was cold") && stdout(&export).lines().count() == 4);
    let lines = takes.bytes("log.jsonl", export.stdout);
    let other = takes.path("other.log");
    let import = notefront(&["log", "import", lines.to_str().expect("plain"), "--log", other.to_str().expect("plain")]);
    assert_eq!(stdout(&import), "1 take new, 0 takes in the log already\n");
    let page = takes.path("practice.html");
    let page = page.to_str().expect("plain");
    assert_eq!(ask(&["page", "--out", page]).status.code(), Some(0));
    let again = ask(&["page", "--out", page]);
    assert!(stderr(&again).contains("there already"), "{}", stderr(&again));
    let html = std::fs::read_to_string(page).expect("written");
    assert!(!html.contains("http://") && !html.contains("https://"), "it asks nothing of any network");
    assert!(html.contains("6 notes in 1 take, 1 session"));
    assert_eq!(ask(&["forget", "Vesna"]).status.code(), Some(2), "it asks to be meant");
    assert_eq!(stdout(&ask(&["forget", "Vesna", "--for-good"])), "Vesna and 1 take are gone\n");
    assert_eq!(stdout(&ask(&["players"])), "the log is empty\n");
}
