//! Takes made for the tests, and the program run on them.
#![allow(dead_code, reason = "every test file uses its own part")]

use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use tempfile::TempDir;

/// Rate of the takes, Hz.
pub const RATE: u32 = 48_000;

/// A folder of takes that goes away with the test.
pub struct Takes {
    folder: TempDir,
}

impl Takes {
    /// An empty folder.
    pub fn new() -> Self {
        Self { folder: tempfile::tempdir().expect("a temporary folder") }
    }

    /// A place in it.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// A file of bytes.
    pub fn bytes(&self, name: &str, bytes: impl AsRef<[u8]>) -> PathBuf {
        let path = self.path(name);
        fs::write(&path, bytes).expect("room for a small file");
        path
    }

    /// A 16-bit WAV file of interleaved samples.
    pub fn wav(&self, name: &str, num_channels: u16, sample_rate: u32, samples: &[f32]) -> PathBuf {
        let path = self.path(name);
        let spec = hound::WavSpec {
            channels: num_channels,
            sample_rate,
            bits_per_sample: 16,
            sample_format: hound::SampleFormat::Int,
        };
        let mut writer = hound::WavWriter::create(&path, spec).expect("room for a small file");
        for sample in samples {
            writer.write_sample((sample.clamp(-1.0, 1.0) * 32767.0).round() as i16).expect("a valid sample");
        }
        writer.finalize().expect("room for a small file");
        path
    }

    /// A take of one note.
    pub fn good(&self, name: &str) -> PathBuf {
        self.wav(name, 1, RATE, &note(RATE, 1.5))
    }
}

/// Half a second of silence, then a steady Bb2 with twelve harmonics that grows in 20 ms and fades at its end.
pub fn note(rate: u32, seconds: f64) -> Vec<f32> {
    const START_S: f64 = 0.5;
    let tone = |t: f64| (1..=12).map(|k| tone_part(k, t)).sum::<f64>();
    let envelope = |t: f64| ((t - START_S) / 0.02).clamp(0.0, 1.0) * ((seconds - 0.1 - t) / 0.05).clamp(0.0, 1.0);
    (0..(seconds * f64::from(rate)) as u32)
        .map(|i| f64::from(i) / f64::from(rate))
        .map(|t| (0.25 * envelope(t) * tone(t)) as f32)
        .collect()
}

fn tone_part(harmonic: u32, t: f64) -> f64 {
    const BB2_HZ: f64 = 116.54;
    (2.0 * std::f64::consts::PI * BB2_HZ * f64::from(harmonic) * t).sin() / f64::from(harmonic)
}

/// Two channels as interleaved frames.
pub fn stereo(left: &[f32], right: &[f32]) -> Vec<f32> {
    left.iter().zip(right).flat_map(|(&l, &r)| [l, r]).collect()
}

/// The program with arguments, outside any terminal.
pub fn notefront(args: &[&str]) -> Output {
    notefront_in(Path::new("."), args)
}

/// The same in a folder. What whoever runs the tests has the program remember stays out of it.
pub fn notefront_in(folder: &Path, args: &[&str]) -> Output {
    let mut program = Command::new(env!("CARGO_BIN_EXE_notefront"));
    program.args(args).current_dir(folder).env("NOTEFRONT_SETTINGS", "").output().expect("the program starts")
}

/// `scan` of takes with options.
pub fn scan(takes: &[&Path], options: &[&str]) -> Output {
    let takes = takes.iter().map(|p| p.to_str().expect("temporary folders have plain names"));
    notefront(&["scan"].into_iter().chain(takes).chain(options.iter().copied()).collect::<Vec<_>>())
}

/// Standard error as text, which never holds a panic.
pub fn stderr(output: &Output) -> String {
    let text = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(!text.contains("panicked"), "{text}");
    text
}

/// Standard output as text.
pub fn stdout(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).expect("UTF-8")
}

/// The one JSON document on standard output.
pub fn document(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout).unwrap_or_else(|e| panic!("{e} in {:?}", stdout(output)))
}

/// The document of a take that can be read.
pub fn scanned(take: &Path, options: &[&str]) -> Value {
    let output = scan(&[take], &[&["--json"], options].concat());
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    document(&output)
}

/// The warnings of a document as one text.
pub fn warnings(document: &Value) -> String {
    let list = document["warnings"].as_array().expect("a list");
    list.iter().map(|w| w.as_str().expect("text")).collect::<Vec<_>>().join("\n")
}
