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
use notefront_tests::audio::{self, Sound};
use notefront_tests::playing::Again;
use notefront_tests::synth::{self, Attack, Front, Scene, Start};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use tempfile::TempDir;

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

/// Where the pages of a test go: into a folder that goes with it, or that somebody wants to look into.
fn folder_of(temporary: &TempDir) -> PathBuf {
    std::env::var_os("NOTEFRONT_KEEP_PAGES").map_or_else(|| temporary.path().to_owned(), PathBuf::from)
}

/// Runs a file of `tests/page` over the pages of a folder.
fn in_the_browser(folder: &Path, scripts: &[&str], options: &[&str]) {
    let output = Command::new("node")
        .args(["--test", "--test-reporter=spec"])
        .args(options)
        .args(scripts.iter().map(|name| browser_tests().join(name)))
        .env("NOTEFRONT_PAGES", folder)
        .output()
        .expect("Node.js starts");
    println!("{}", said(&output));
    assert!(output.status.success(), "{}", said(&output));
}

#[test]
fn the_page_holds_in_a_browser() {
    if let Some(what) = missing() {
        notefront_tests::skipped::say(&format!("the page was not looked at in a browser for want of {what}"));
        return;
    }
    let temporary = tempfile::tempdir().expect("a temporary folder");
    let folder = folder_of(&temporary);
    write_pages(&folder);
    in_the_browser(&folder, &["page.test.mjs", "listen.test.mjs"], &[]);
    corrections_of_the_page_are_followed(&folder);
}

/// A chamber trombonist as a phone in a seminar room records one: through the room, and as AAC at 64 kb/s in an M4A. Beside
/// it the onset that a scan misses farthest from all it finds, s, by the labels of the recording.
fn phone_take(playing: &Path, folder: &Path) -> Result<(PathBuf, f64), String> {
    let dry = audio::read(&playing.join("chamber-trombone.flac"))?;
    let (in_room, _) = Again::InRoom.of(&dry)?;
    let (wav, take) = (folder.join("as-recorded.wav"), folder.join("lesson.m4a"));
    synth::write_wav(&wav, &in_room).map_err(|e| e.to_string())?;
    let mut ffmpeg = Command::new("ffmpeg");
    ffmpeg.args(["-v", "error", "-y", "-i"]).arg(&wav).args(["-c:a", "aac", "-b:a", "64k"]).arg(&take);
    if !ffmpeg.status().is_ok_and(|status| status.success()) {
        return Err("ffmpeg with AAC".into());
    }
    fs::remove_file(wav).map_err(|e| e.to_string())?;
    let labels = fs::read(playing.join("phrases.json")).map_err(|e| e.to_string())?;
    let labels: serde_json::Value = serde_json::from_slice(&labels).map_err(|e| e.to_string())?;
    let labels = labels["takes_here"]["chamber-trombone.flac"]["onsets_s"].as_array().ok_or("labels")?;
    let found = onsets_s(&take);
    let off = |label: f64| found.iter().map(|at| (at - label).abs()).fold(f64::INFINITY, f64::min);
    let missed_s = labels.iter().filter_map(serde_json::Value::as_f64).max_by(|a, b| off(*a).total_cmp(&off(*b)));
    Ok((take, missed_s.ok_or("labels")?))
}

fn onsets_s(take: &Path) -> Vec<f64> {
    let document = common::scanned(take, &[]);
    let all = document["entrances"].as_array().expect("entrances").iter();
    all.map(|entrance| entrance["onset_s"].as_f64().expect("a number")).collect()
}

/// A teacher takes a phone recording, opens the page on a phone, loops the worst front at half speed, dismisses one flag,
/// adds a missed entrance and sends the page back; the next scan respects it. README tells it step by step.
#[test]
fn from_a_phone_and_back() {
    let want = |what: &str| notefront_tests::skipped::say(&format!("from a phone and back, for want of {what}"));
    let Some(playing) = notefront_tests::shared::folder("playing") else { return };
    if let Some(what) = missing() {
        return want(what);
    }
    let temporary = tempfile::tempdir().expect("a temporary folder");
    let folder = folder_of(&temporary);
    let (take, missed_s) = match phone_take(&playing, &folder) {
        Ok(made) => made,
        Err(what) => return want(&what),
    };
    let first = common::scanned(&take, &[]);
    assert!(onsets_s(&take).iter().all(|at| (at - missed_s).abs() > 0.1), "the take misses one: {missed_s}");
    fs::write(folder.join("phone.json"), format!("{{\"missed_s\": {missed_s}}}\n")).expect("room for a number");
    write_report(&[&take], &folder.join("phone.html"));
    in_the_browser(&folder, &["phone.test.mjs"], &["--test-name-pattern=from a phone"]);

    let (path, back) = (take.to_str().expect("a plain name"), folder.join("phone-back.html"));
    let output = notefront(&["correct", path, "--from", back.to_str().expect("a plain name")]);
    assert!(output.status.success() && common::stdout(&output).contains("2 corrections"), "{}", said(&output));
    the_next_scan_respects(&take, &first, missed_s);
    write_report(&[&take], &folder.join("phone-next.html"));
    in_the_browser(&folder, &["phone.test.mjs"], &["--test-name-pattern=the next page"]);
}

/// One flag fewer, one entrance more where it was missed, and all else as it was.
fn the_next_scan_respects(take: &Path, first: &serde_json::Value, missed_s: f64) {
    let (next, blind) = (common::scanned(take, &[]), common::scanned(take, &["--blind"]));
    let num = |document: &serde_json::Value, field: &str| document["summary"][field].as_u64().expect("a number");
    assert_eq!(num(&next, "num_flagged") + 1, num(first, "num_flagged"));
    assert_eq!(num(&next, "num_entrances"), num(first, "num_entrances") + 1);
    assert_eq!(blind["entrances"], first["entrances"], "what was measured stays");
    // A finger on the lane, and the rise of the sound near it: within what a beat may be off, 37 ms.
    assert!(onsets_s(take).iter().any(|at| (at - missed_s).abs() < 0.037), "{missed_s} in {:?}", onsets_s(take));
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
