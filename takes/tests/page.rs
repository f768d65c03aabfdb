//! The report in a real browser: Chromium without a window, driven by `tests/page`. Skips aloud without Chromium,
//! Node.js or the two packages of `tests/page` (`cargo xtask test` installs those). `NOTEFRONT_KEEP_PAGES` names an
//! empty folder to look at the pages in afterwards.

mod common;

use common::{notefront, stderr};
use notefront_dsp::Settings;
use notefront_takes::compare::HeardTake;
use notefront_takes::log::{self, LoggedEntrance, LoggedTake, Played};
use notefront_takes::loudness::{self, Loudness};
use notefront_takes::report;
use notefront_takes::take::{ScanOptions, Take, scan};
use notefront_tests::audio::Sound;
use notefront_tests::synth::{self, Attack, Front, Scene, Start};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// Rate of the made takes, Hz.
const RATE_HZ: f64 = 48_000.0;

fn browser_tests() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/page")
}

/// What is missing for a browser, in words.
fn missing() -> Option<&'static str> {
    let answers = |program: &str| Command::new(program).arg("--version").output().is_ok_and(|o| o.status.success());
    let named = std::env::var_os("NOTEFRONT_CHROMIUM");
    let places = ["/usr/bin/chromium", "/usr/bin/chromium-browser", "/usr/bin/google-chrome"];
    let has_browser = named.is_some() || places.iter().any(|place| Path::new(place).exists());
    match () {
        () if !answers("node") => Some("Node.js (Debian: nodejs, npm)"),
        () if !has_browser => Some("Chromium (Debian: chromium; or its path in NOTEFRONT_CHROMIUM)"),
        () if !browser_tests().join("node_modules/playwright-core").exists() => Some("`npm ci` in tests/page"),
        () => None,
    }
}

/// Notes of the clean take that are left as they are.
const NUM_LEFT: usize = 6;

/// A phrase with a fault in most of its notes, and the same phrase played clean and recorded softer.
fn spoilt_and_clean() -> (Scene, Scene) {
    let spoilt = synth::make("faults", 3).expect("a kind that is made");
    let mut clean = spoilt.clone();
    // The first notes stay as they are, so that both takes have a snippet.
    for note in clean.tones.iter_mut().skip(NUM_LEFT).flat_map(|tone| &mut tone.notes) {
        note.start = Start::Attack(Attack::plain(20.0));
        note.front = Front::Steady;
    }
    (spoilt, clean)
}

fn write_take(folder: &Path, name: &str, scene: &Scene, gain: f32) -> PathBuf {
    let (sound, truth) = scene.make(RATE_HZ, 7);
    let samples = sound.samples.iter().map(|x| x * gain).collect();
    synth::write_take(folder, name, &Sound { samples, ..sound }, &truth).expect("room for a take");
    folder.join(format!("{name}.wav"))
}

fn write_report(takes: &[&Path], page: &Path) {
    let mut args = vec!["report", "--force", "-o", page.to_str().expect("a plain name")];
    args.extend(takes.iter().map(|take| take.to_str().expect("a plain name")));
    let output = notefront(&args);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
}

/// The entrances of a take again and again, 1 s apart, as those of an endless one.
fn endless(take: &Path, num_entrances: usize) -> HeardTake {
    let short = scan(take, ScanOptions::default(), |_| {}).expect("a good take");
    let entrances = short.entrances.iter().cycle().take(num_entrances).copied().enumerate();
    let entrances = entrances.map(|(index, mut entrance)| {
        let later_s = index as f64 - entrance.front.speaks_s;
        entrance.front.index = index;
        entrance.front.sound_start_s += later_s;
        entrance.front.onset_s += later_s;
        entrance.front.speaks_s += later_s;
        entrance.front.end_s = entrance.front.end_s.map(|end| end + later_s);
        entrance
    });
    let entrances = entrances.collect();
    let loudness = loudness::of_file(take, ScanOptions::default().channel).expect("a good take");
    HeardTake { take: Take { entrances, ..short }, loudness }
}

/// The page of eight evenings with the notes of a take, every one of which names a position.
fn practice_log(take: &Path) -> String {
    let entrances = endless(take, 150).take.entrances;
    let logged: Vec<_> = entrances.into_iter().map(LoggedEntrance::of).collect();
    let evening = |day: i64| {
        let begun_s = 1_772_474_400 + 86_400 * day;
        let take = LoggedTake {
            id: day,
            session: day,
            session_begun_s: begun_s,
            name: format!("evening-{day}.wav"),
            begun_s,
            utc_offset_min: 60,
            duration_s: 150.0,
            settings: Settings::default(),
            room: None,
            loud_db: None,
            said: vec![if day % 2 == 0 { "F3=1" } else { "F3=6" }.to_owned()],
        };
        Played::of(take, &logged)
    };
    log::page::page(Some("Vesna"), &(0..8).map(evening).collect::<Vec<_>>())
}

fn write_pages(folder: &Path) {
    let (spoilt, clean) = spoilt_and_clean();
    let spoilt = write_take(folder, "spoilt", &spoilt, 1.0);
    let clean = write_take(folder, "clean", &clean, 0.25);
    write_report(&[&spoilt], &folder.join("one.html"));
    write_report(&[&spoilt, &clean], &folder.join("two.html"));
    write_report(&[&spoilt, &clean, &spoilt], &folder.join("three.html"));
    if let Some(playing) = notefront_tests::shared::folder("playing") {
        write_report(&[&playing.join("chamber-trombone.flac")], &folder.join("real.html"));
    }
    let empty = HeardTake {
        take: Take { entrances: Vec::new(), ..scan(&spoilt, ScanOptions::default(), |_| {}).expect("a good take") },
        loudness: Loudness::default(),
    };
    fs::write(folder.join("empty.html"), report::page(&[empty]).html).expect("room for a page");
    fs::write(folder.join("log.html"), practice_log(&spoilt)).expect("room for a page");
    let endless = endless(&spoilt, 20_000);
    fs::write(folder.join("long.html"), report::page(&[endless]).html).expect("room for a page");
}

fn said(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

#[test]
fn the_page_holds_in_a_browser() {
    if let Some(what) = missing() {
        notefront_tests::skipped::say(&format!("the page was not looked at in a browser for want of {what}"));
        return;
    }
    let temporary = tempfile::tempdir().expect("a temporary folder");
    let kept = std::env::var_os("NOTEFRONT_KEEP_PAGES").map(PathBuf::from);
    let folder = kept.unwrap_or_else(|| temporary.path().to_owned());
    write_pages(&folder);
    let scripts = ["page.test.mjs", "listen.test.mjs"].map(|name| browser_tests().join(name));
    let output = Command::new("node")
        .args(["--test", "--test-reporter=spec"])
        .args(scripts)
        .env("NOTEFRONT_PAGES", &folder)
        .output()
        .expect("Node.js starts");
    println!("{}", said(&output));
    assert!(output.status.success(), "{}", said(&output));
    corrections_of_the_page_are_followed(&folder);
}

/// What was said on the page is taken in, from its file or from the page itself, and followed by the next scan.
fn corrections_of_the_page_are_followed(folder: &Path) {
    let take = folder.join("spoilt.wav");
    let take = take.to_str().expect("a plain name");
    let scanned = |how: &[&str]| -> serde_json::Value {
        serde_json::from_slice(&notefront(&[&["scan", "--json", take], how].concat()).stdout).expect("a document")
    };
    // What the page saved lies in the same folder, and would be found by its sound.
    let first = scanned(&["--blind"]);
    for (from, num) in [("from-page.corrections.json", "2 corrections"), ("from-page.html", "nothing new")] {
        let output = notefront(&["correct", take, "--from", folder.join(from).to_str().expect("a plain name")]);
        let told = common::stdout(&output);
        assert!(output.status.success() && told.contains(num), "{told} {}", stderr(&output));
    }
    let corrected = scanned(&[]);
    let num = |document: &serde_json::Value, field: &str| document["summary"][field].as_u64().expect("a number");
    assert_eq!(num(&corrected, "num_flagged") + 1, num(&first, "num_flagged"));
    assert_eq!(num(&corrected, "num_entrances"), num(&first, "num_entrances") + 1);
    fs::remove_file(folder.join("spoilt.corrections.json")).expect("it was written");
}
