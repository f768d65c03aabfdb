//! A take is in time to the sample whatever its container: what an encoder puts before the sound is taken off again.
//!
//! Encoded by ffmpeg, a general tool from outside; without it, or without one of its encoders, this skips aloud.

mod common;

use common::{RATE, Takes, note, scanned};
use notefront_takes::audio_file::{AudioFile, ChannelChoice};
use notefront_tests::{shared, skipped};
use std::path::{Path, PathBuf};
use std::process::Command;

/// Container or codec, the options that make it, and its rate: Opus knows 48 kHz only.
const KINDS: [(&str, &[&str]); 9] = [
    ("m4a", &["-c:a", "aac", "-b:a", "128k"]),
    ("mp4", &["-c:a", "aac", "-b:a", "96k"]),
    ("mov", &["-c:a", "aac", "-b:a", "96k"]),
    ("aac", &["-c:a", "aac", "-b:a", "128k"]),
    ("mp3", &["-c:a", "libmp3lame", "-b:a", "128k"]),
    ("ogg", &["-c:a", "libvorbis", "-q:a", "5"]),
    ("opus", &["-c:a", "libopus", "-b:a", "96k"]),
    ("flac", &["-c:a", "flac"]),
    ("aiff", &["-c:a", "pcm_s16be"]),
];
/// Entrances of a made take keep their place within this, s.
const PLACE_S: f64 = 0.002;
/// On a recording a codec smears the noise around a front, and what is nearly an entrance may be none: so many of them are
/// within [`PLACE_S`] (Vorbis keeps 0.72 of them, the others 0.92 and more), half within this, s, and so many come or go.
const RECORDED_SHARE: f64 = 0.70;
const RECORDED_MEDIAN_S: f64 = 0.001;
const RECORDED_CHANGED: usize = 2;
/// Opus decoded by us and by the reference decoder differ by less than this, rms over rms: -60 dB, under any codec's noise.
const OPUS_DIFFERENCE: f64 = 1e-3;
/// Farthest that lags are tried, samples: over any encoder's priming.
const MAX_LAG: usize = 3_000;

fn has(command: &str, args: &[&str], what: &str) -> bool {
    let output = Command::new(command).args(args).output();
    output.is_ok_and(|output| String::from_utf8_lossy(&output.stdout).contains(what))
}

fn encoded(takes: &Takes, wav: &Path, extension: &str, options: &[&str]) -> Option<PathBuf> {
    let name = options[1];
    if !has("ffmpeg", &["-hide_banner", "-encoders"], name) {
        skipped::say(&format!("{extension}, for want of ffmpeg with {name}"));
        return None;
    }
    let path = takes.path(&format!("take.{extension}"));
    ffmpeg(&[], wav, options, &path);
    Some(path)
}

fn ffmpeg(how_read: &[&str], from: &Path, how_written: &[&str], to: &Path) {
    let mut command = Command::new("ffmpeg");
    command.args(["-v", "error", "-y"]).args(how_read).arg("-i").arg(from).args(how_written).arg(to);
    assert!(command.status().is_ok_and(|status| status.success()), "{command:?}");
}

fn onsets_s(path: &Path) -> Vec<f64> {
    let document = scanned(path, &[]);
    let entrances = document["entrances"].as_array().expect("entrances");
    entrances.iter().map(|entrance| entrance["onset_s"].as_f64().expect("a number")).collect()
}

fn read(path: &Path) -> Vec<f32> {
    let mut file = AudioFile::open(path, ChannelChoice::Mix).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let mut samples = Vec::new();
    while let Some(block) = file.next_block().expect("a readable disk") {
        samples.extend_from_slice(block);
    }
    samples
}

/// By how many samples `late` is later than `first`, by the largest correlation of a stretch; negative: earlier.
fn lag(first: &[f32], late: &[f32]) -> i64 {
    // The first note begins in it: a steady tone alone would fit at every period.
    let (from, len) = (RATE as usize * 11 / 20, RATE as usize / 4);
    let alike = |shift: i64| -> f64 {
        let begin = (from as i64 + shift) as usize;
        first[from..from + len].iter().zip(&late[begin..begin + len]).map(|(a, b)| f64::from(a * b)).sum()
    };
    let reach = MAX_LAG as i64;
    (-reach..=reach).max_by(|a, b| alike(*a).total_cmp(&alike(*b))).expect("lags")
}

/// Notes of different pitch: one lag alone explains them.
fn take() -> Vec<f32> {
    let mut samples = vec![0.0; RATE as usize / 10];
    samples.extend(note(RATE, 0.8));
    samples.extend(vec![0.0; RATE as usize / 5]);
    samples.extend(note(RATE, 0.8));
    samples
}

#[test]
fn a_take_is_in_time_in_every_format() {
    let takes = Takes::new();
    let wav = takes.wav("take.wav", 1, RATE, &take());
    let first = read(&wav);
    let expected = onsets_s(&wav);
    assert!(!expected.is_empty());
    for (extension, options) in KINDS {
        let Some(path) = encoded(&takes, &wav, extension, options) else { continue };
        let found = onsets_s(&path);
        assert_eq!(found.len(), expected.len(), "{extension}");
        for (a, b) in found.iter().zip(&expected) {
            assert!((a - b).abs() <= PLACE_S, "{extension}: an entrance at {a} s, in the WAV at {b} s");
        }
        if extension != "opus" {
            let late = lag(&first, &read(&path));
            assert!(late.abs() <= 1, "{extension}: {late} samples late");
        }
    }
}

/// A recorded trombone of the shared folder as WAV.
fn recorded(takes: &Takes) -> Option<PathBuf> {
    let flac = shared::folder("playing")?.join("chamber-trombone.flac");
    if !has("ffmpeg", &["-hide_banner", "-encoders"], "flac") {
        skipped::say("a recording in every format, for want of ffmpeg");
        return None;
    }
    let wav = takes.path("recorded.wav");
    ffmpeg(&[], &flac, &["-ac", "1"], &wav);
    Some(wav)
}

#[test]
fn a_recording_is_in_time_in_every_format() {
    let takes = Takes::new();
    let Some(wav) = recorded(&takes) else { return };
    let expected = onsets_s(&wav);
    for (extension, options) in KINDS {
        let Some(path) = encoded(&takes, &wav, extension, options) else { continue };
        let found = onsets_s(&path);
        let nearest = |s: &f64| found.iter().map(|other| (other - s).abs()).min_by(f64::total_cmp).unwrap_or(f64::MAX);
        let mut off_s: Vec<f64> = expected.iter().map(nearest).collect();
        off_s.sort_by(f64::total_cmp);
        let share = off_s.iter().filter(|s| **s <= PLACE_S).count() as f64 / off_s.len() as f64;
        println!("{extension}: {} of {} entrances, {share:.2} within 2 ms", found.len(), expected.len());
        assert!(
            found.len().abs_diff(expected.len()) <= RECORDED_CHANGED,
            "{extension}: {found:?}, in the WAV {expected:?}"
        );
        assert!(share >= RECORDED_SHARE, "{extension}: {share} of {off_s:?}");
        assert!(off_s[off_s.len() / 2] <= RECORDED_MEDIAN_S, "{extension}: {off_s:?}");
    }
}

/// Against libopus, the reference decoder of RFC 6716, through ffmpeg: speech and music modes, both channel counts, and the
/// packet lengths in common use.
#[test]
fn opus_sounds_as_its_reference_decoder_has_it() {
    let takes = Takes::new();
    let Some(wav) = recorded(&takes) else { return };
    if !has("ffmpeg", &["-hide_banner", "-decoders"], "libopus") {
        skipped::say("Opus against its reference decoder, for want of ffmpeg with libopus");
        return;
    }
    for (rate, channels, packet_ms) in [
        ("12k", "1", "20"),
        ("24k", "2", "20"),
        ("64k", "1", "10"),
        ("128k", "1", "20"),
        ("160k", "2", "60"),
        ("96k", "1", "2.5"),
    ] {
        let how = ["-ac", channels, "-c:a", "libopus", "-b:a", rate, "-frame_duration", packet_ms];
        let opus = takes.path("take.opus");
        ffmpeg(&[], &wav, &how, &opus);
        let reference = takes.path("reference.wav");
        ffmpeg(&["-c:a", "libopus"], &opus, &["-c:a", "pcm_f32le"], &reference);
        let (ours, theirs) = (read(&opus), read(&reference));
        assert!(ours.len().abs_diff(theirs.len()) <= 1, "{how:?}: {} samples, not {}", ours.len(), theirs.len());
        let power = |values: &mut dyn Iterator<Item = f32>| values.map(|x| f64::from(x).powi(2)).sum::<f64>();
        let off = power(&mut ours.iter().zip(&theirs).map(|(a, b)| a - b));
        let relative = (off / power(&mut theirs.iter().copied())).sqrt();
        println!("{how:?}: {relative:.1e}");
        assert!(relative < OPUS_DIFFERENCE, "{how:?}: {relative}");
    }
}

/// The formats a text lists: what stands before "; 8 to 768 kHz", from WAV on, in one line.
fn formats_in(text: &str) -> String {
    let one_line = text.split_whitespace().collect::<Vec<_>>().join(" ");
    let end = one_line.find("; 8 to 768 kHz").expect("rates after the formats");
    let begin = one_line[..end].rfind("WAV (also").expect("WAV first");
    one_line[begin..end].to_owned()
}

#[test]
fn the_readme_and_the_help_list_the_same_formats() {
    let readme = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/../README.md")).expect("a README");
    let help = common::stdout(&common::notefront(&["scan", "--help"]));
    assert_eq!(formats_in(&readme), formats_in(&help));
}
