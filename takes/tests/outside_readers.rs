//! Marked files read back by programs that know nothing of Notefront: Python's wave, csv, soundfile (libsndfile),
//! wavinfo and mido, and ffprobe. Each test says so and ends where its reader is missing. `cargo xtask test` puts
//! them below `target`; NOTEFRONT_PYTHON can name another Python that has them.

mod common;

use common::{RATE, Takes, note, notefront, scanned, stderr};
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;

fn python() -> Option<String> {
    let ours = Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/python/bin/python");
    let places = [std::env::var("NOTEFRONT_PYTHON").ok(), ours.to_str().map(str::to_owned), Some("python3".into())];
    let has_readers = |python: &String| {
        let found = Command::new(python).args(["-c", "import soundfile, wavinfo, mido"]).output();
        found.is_ok_and(|output| output.status.success())
    };
    let found = places.into_iter().flatten().find(has_readers);
    if found.is_none() {
        notefront_tests::skipped::say("no Python with soundfile, wavinfo and mido; `cargo xtask test` installs them");
    }
    found
}

/// `bext` by EBU Tech 3285: description of 256 bytes, originator 32, reference 32, date 10, time 8, then the
/// time reference in 64 bits, version, UMID and loudness.
fn bext(time_reference: u64) -> Vec<u8> {
    let mut body = vec![0; 602];
    body[..15].copy_from_slice(b"Long tones, one");
    body[320..338].copy_from_slice(b"2024-05-0410:00:00");
    body[338..346].copy_from_slice(&time_reference.to_le_bytes());
    body[346] = 1;
    body
}

/// The take with a `bext` chunk before everything else.
fn broadcast(take: &Path, to: PathBuf) -> PathBuf {
    let plain = std::fs::read(take).expect("the take");
    let body = bext(1_728_123_456);
    let mut bytes = b"RIFF".to_vec();
    bytes.extend((plain.len() as u32 + body.len() as u32).to_le_bytes());
    bytes.extend(b"WAVEbext");
    bytes.extend((body.len() as u32).to_le_bytes());
    bytes.extend(body);
    bytes.extend(&plain[12..]);
    std::fs::write(&to, bytes).expect("room");
    to
}

/// The same take as RF64 (EBU Tech 3306): `ds64` first, all bits set where the 32-bit sizes were.
fn as_rf64(riff: &[u8]) -> Vec<u8> {
    let data_at = riff.windows(4).position(|w| w == b"data").expect("sound");
    let data_len = (riff.len() - data_at - 8) as u64;
    let mut bytes = b"RF64\xff\xff\xff\xffWAVEds64\x1c\0\0\0".to_vec();
    for field in [riff.len() as u64 + 36 - 8, data_len, data_len / 2] {
        bytes.extend(field.to_le_bytes());
    }
    bytes.extend([0; 4]);
    bytes.extend(&riff[12..data_at]);
    bytes.extend(b"data\xff\xff\xff\xff");
    bytes.extend(&riff[data_at + 8..]);
    bytes
}

/// Six notes, a marked copy of them, and what the document tells of them.
struct Marked {
    takes: Takes,
    take: PathBuf,
    document: Value,
}

impl Marked {
    fn new(options: &[&str]) -> Self {
        let takes = Takes::new();
        let plain = takes.wav("plain.wav", 1, RATE, &(0..6).flat_map(|_| note(RATE, 1.4)).collect::<Vec<_>>());
        let take = broadcast(&plain, takes.path("take.wav"));
        Self::of(takes, take, options)
    }

    /// The same as RF64.
    fn long() -> Self {
        let plain = Self::new(&[]);
        let bytes = as_rf64(&std::fs::read(&plain.take).expect("the take"));
        std::fs::write(&plain.take, bytes).expect("room");
        Self::of(plain.takes, plain.take, &[])
    }

    fn of(takes: Takes, take: PathBuf, options: &[&str]) -> Self {
        let args = [&["mark", take.to_str().expect("plain"), "--which", "all"], options].concat();
        let output = notefront(&args);
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        let document = scanned(&take, options);
        Self { takes, take, document }
    }

    fn file(&self, ending: &str) -> PathBuf {
        self.takes.path(&format!("take.marks.{ending}"))
    }

    fn entrances(&self) -> &Vec<Value> {
        self.document["entrances"].as_array().expect("a list")
    }

    fn read_by(&self, python: &str) -> Value {
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/read_marks.py");
        let files = [self.take.clone(), self.file("wav"), self.file("mid"), self.file("csv")];
        let output = Command::new(python).arg(script).args(files).output().expect("Python starts");
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        serde_json::from_slice(&output.stdout).expect("JSON")
    }
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("no number: {value}"))
}

#[test]
fn outside_readers_find_every_mark_on_its_sample() {
    let Some(python) = python() else { return };
    for marked in [Marked::new(&[]), Marked::long()] {
        finds_every_mark_on_its_sample(&marked, &marked.read_by(&python));
    }
}

fn finds_every_mark_on_its_sample(marked: &Marked, read: &Value) {
    assert_eq!((&read["soundfile_equal"], &read["wave_equal"]), (&Value::Bool(true), &Value::Bool(true)));
    assert_eq!(read["time_reference"], 1_728_123_456_u64);
    assert_eq!(read["description"], "Long tones, one");
    assert_eq!(marked.entrances().len(), 6);
    let cues = read["cues"].as_array().expect("a list");
    for (cue, entrance) in cues.iter().zip(marked.entrances()) {
        // The document rounds to a microsecond, a twentieth of a sample.
        let at = number(&entrance["speaks_s"]) * f64::from(RATE);
        assert!((number(&cue[0]) - at).abs() <= 0.6, "{cue} for {at}");
        let note = entrance["note"].as_str().expect("a note");
        assert!(cue[1].as_str().expect("a label").starts_with(&format!("{note} ")), "{cue}");
        assert!(cue[3].as_str().expect("a note").starts_with(&format!("{note}: ")), "{cue}");
        let length = (number(&entrance["end_s"]) - number(&entrance["speaks_s"])) * f64::from(RATE);
        assert!((number(&cue[2]) - length).abs() <= 1.1, "{cue} for {length}");
    }
    assert_eq!(cues.len(), 6);
}

#[test]
fn outside_readers_find_the_midi_markers_in_time() {
    let Some(python) = python() else { return };
    for options in [&[][..], &["--bpm", "61.7", "--first-beat", "0.31"]] {
        let marked = Marked::new(options);
        let read = marked.read_by(&python);
        let markers = read["markers"].as_array().expect("a list");
        assert_eq!(markers.len(), 6);
        for (marker, entrance) in markers.iter().zip(marked.entrances()) {
            // Half a tick at 60 beats a minute is 0.05 ms.
            assert!((number(&marker[0]) - number(&entrance["speaks_s"])).abs() < 1e-4, "{marker}");
            let note = entrance["note"].as_str().expect("a note");
            assert!(marker[1].as_str().is_some_and(|label| label.starts_with(&format!("{note} "))), "{marker}");
            assert!(marker[2].as_str().is_some_and(|said| said.starts_with(&format!("{note}: "))), "{marker}");
        }
    }
}

#[test]
fn outside_readers_find_the_table_s_figures() {
    let Some(python) = python() else { return };
    let marked = Marked::new(&[]);
    let read = marked.read_by(&python);
    let rows = read["rows"].as_array().expect("a list");
    assert_eq!(rows.len(), 6);
    for (row, entrance) in rows.iter().zip(marked.entrances()) {
        for field in ["speaks_s", "settle_ms", "level_db", "clarity"] {
            let told: Option<f64> = row[field].as_str().expect("text").parse().ok();
            assert_eq!(told, entrance[field].as_f64(), "{field}");
        }
    }
}

#[test]
fn ffprobe_finds_sound_and_time_reference() {
    for marked in [Marked::new(&[]), Marked::long()] {
        ffprobe_finds(&marked);
    }
}

fn ffprobe_finds(marked: &Marked) {
    let mut probe = Command::new("ffprobe");
    probe.args(["-v", "error", "-show_entries", "stream=codec_name,duration_ts:format_tags", "-of", "json"]);
    let Ok(output) = probe.arg(marked.file("wav")).output() else {
        notefront_tests::skipped::say("no ffprobe");
        return;
    };
    assert!(output.status.success() && output.stderr.is_empty(), "{}", String::from_utf8_lossy(&output.stderr));
    let found: Value = serde_json::from_slice(&output.stdout).expect("JSON");
    assert_eq!(found["streams"][0]["codec_name"], "pcm_s16le");
    assert_eq!(found["streams"][0]["duration_ts"], 6 * 14 * u64::from(RATE) / 10);
    assert_eq!(found["format"]["tags"]["time_reference"], "1728123456");
}
