//! Files that are no takes, or damaged ones: named, with the reason and what to do, and never a panic.

mod common;

use common::{RATE, Takes, document, note, notefront, scan, scanned, stderr, stdout, stereo, warnings};
use std::path::Path;

/// The program refuses the take with status 1, names it, and says why and what to do.
fn is_refused(take: &Path, reason: &str, remedy: &str) {
    let output = scan(&[take], &[]);
    let said = stderr(&output);
    assert_eq!(output.status.code(), Some(1), "{said}");
    for part in [take.to_str().expect("a plain name"), reason, remedy] {
        assert!(said.contains(part), "{part:?} is missing in {said:?}");
    }
    let output = scan(&[take], &["--json"]);
    assert_eq!(output.status.code(), Some(1));
    assert_eq!(document(&output), serde_json::json!([]), "still one JSON document");
}

/// Bytes of a WAV file with a header of our choice over the sound of one note.
fn wav_with_header(patch: impl Fn(&mut [u8])) -> (Takes, Vec<u8>) {
    let takes = Takes::new();
    let mut bytes = std::fs::read(takes.good("good.wav")).expect("just written");
    patch(&mut bytes);
    (takes, bytes)
}

/// Where the sample rate stands in a plain WAV header (RIFF/WAVE 1991): after RIFF, size, WAVE, fmt, size, tag, channels.
const RATE_AT: usize = 24;
/// Where the length of the sound stands in a plain 16-bit WAV header.
const DATA_LEN_AT: usize = 40;

fn with_rate(hz: u32) -> (Takes, Vec<u8>) {
    wav_with_header(|bytes| bytes[RATE_AT..RATE_AT + 4].copy_from_slice(&hz.to_le_bytes()))
}

#[test]
fn an_empty_file() {
    is_refused(&Takes::new().bytes("empty.wav", []), "empty", "export it again");
}

#[test]
fn a_text_file() {
    let text = "Long tones, ten minutes.\n".repeat(500);
    is_refused(&Takes::new().bytes("notes.wav", text), "not an audio file", "Export it as WAV");
}

#[test]
fn noise_that_is_no_format() {
    let bytes: Vec<u8> = (0..100_000u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 24) as u8).collect();
    for name in ["noise.wav", "noise.mp3", "noise.ogg", "noise.flac", "noise.m4a", "noise"] {
        let takes = Takes::new();
        let output = scan(&[&takes.bytes(name, &bytes)], &[]);
        assert_eq!(output.status.code(), Some(1), "{name}: {}", stderr(&output));
    }
}

#[test]
fn a_missing_file() {
    is_refused(&Takes::new().path("gone.wav"), "no such file", "Check the name");
}

#[test]
fn a_folder() {
    let takes = Takes::new();
    std::fs::create_dir(takes.path("folder.wav")).expect("a folder");
    is_refused(&takes.path("folder.wav"), "folder", "Name the takes in it");
}

#[cfg(unix)]
#[test]
fn a_device_that_never_ends() {
    is_refused(Path::new("/dev/zero"), "not a regular file", "Save the sound");
}

#[test]
fn no_samples() {
    let takes = Takes::new();
    is_refused(&takes.wav("short.wav", 1, RATE, &[]), "no sound", "record it again");
}

#[test]
fn a_header_alone() {
    let (takes, bytes) = wav_with_header(|_| {});
    for len in [4, 11, 12, 20, 36, 40] {
        let output = scan(&[&takes.bytes("cut.wav", &bytes[..len])], &[]);
        assert_eq!(output.status.code(), Some(1), "{len} bytes: {}", stderr(&output));
    }
}

#[test]
fn rates_that_cannot_be() {
    for hz in [0, 3, 7_999, 768_001, u32::MAX] {
        let (takes, bytes) = with_rate(hz);
        let take = takes.bytes("rate.wav", bytes);
        let output = scan(&[&take], &[]);
        assert_eq!(output.status.code(), Some(1), "{hz} Hz: {}", stderr(&output));
    }
    let (takes, bytes) = with_rate(3);
    is_refused(&takes.bytes("three.wav", bytes), "3 Hz", "8 to 768 kHz");
}

#[test]
fn rates_at_the_edges_are_read() {
    for hz in [8_000, 192_000, 192_001, 384_000, 768_000] {
        let (takes, bytes) = with_rate(hz);
        let document = scanned(&takes.bytes("rate.wav", bytes), &[]);
        assert_eq!(document["source"]["sample_rate_hz"], hz);
        assert_eq!(warnings(&document).contains("brought down"), hz > 192_000, "{hz} Hz");
    }
}

#[test]
fn a_truncated_take_is_judged_as_far_as_it_goes() {
    let (takes, bytes) = wav_with_header(|_| {});
    // 44 bytes of header, then exactly one second of 16-bit mono, and an odd byte of the next sample.
    let cut = 44 + 2 * RATE as usize + 1;
    let document = scanned(&takes.bytes("cut.wav", &bytes[..cut]), &[]);
    assert_eq!(document["source"]["duration_s"], 1.0);
    assert!(warnings(&document).contains("cut short: the sound ends at 1.00 s, its header promises 1.50 s"));
}

#[test]
fn a_recording_whose_size_was_never_filled_in_is_read_to_its_end() {
    for len in [0, u32::MAX] {
        let (takes, bytes) = wav_with_header(|b| {
            b[4..8].copy_from_slice(&len.to_le_bytes());
            b[DATA_LEN_AT..DATA_LEN_AT + 4].copy_from_slice(&len.to_le_bytes());
        });
        let document = scanned(&takes.bytes("crashed.wav", bytes), &[]);
        assert_eq!(document["source"]["duration_s"], 1.5, "size {len}");
    }
}

#[test]
fn a_sample_is_a_take() {
    let takes = Takes::new();
    for rate in [RATE, 384_000] {
        let document = scanned(&takes.wav("one.wav", 1, rate, &[0.5]), &[]);
        assert_eq!(document["entrances"], serde_json::json!([]));
    }
}

#[test]
fn silence_is_told() {
    let takes = Takes::new();
    let document = scanned(&takes.wav("silent.wav", 1, RATE, &[0.0; 96_000]), &[]);
    assert_eq!(document["entrances"], serde_json::json!([]));
    assert!(warnings(&document).contains("silent"));
}

#[test]
fn clipping_is_told_with_its_time() {
    let takes = Takes::new();
    let loud: Vec<f32> = note(RATE, 1.5).iter().map(|x| 8.0 * x).collect();
    // The note starts at 0.50 s and is over full scale within its first period.
    assert!(warnings(&scanned(&takes.wav("loud.wav", 1, RATE, &loud), &[])).contains("clipped at 0.5"));
    assert_eq!(warnings(&scanned(&takes.good("good.wav"), &[])), "");
}

#[test]
fn a_dead_channel_changes_nothing_but_the_warnings() {
    let takes = Takes::new();
    let (mono, silent) = (note(RATE, 1.5), vec![0.0; RATE as usize * 3 / 2]);
    let alone = scanned(&takes.wav("mono.wav", 1, RATE, &mono), &[]);
    let beside = scanned(&takes.wav("dead.wav", 2, RATE, &stereo(&silent, &mono)), &[]);
    assert!(warnings(&beside).contains("channel 1 of 2 is silent"));
    assert_eq!(alone["entrances"], beside["entrances"], "neither level nor anything else");
}

#[test]
fn channels_upside_down_are_told_and_one_can_be_chosen() {
    let takes = Takes::new();
    let mono = note(RATE, 1.5);
    let inverted: Vec<f32> = mono.iter().map(|x| -x).collect();
    let take = takes.wav("inverted.wav", 2, RATE, &stereo(&mono, &inverted));
    assert!(warnings(&scanned(&take, &[])).contains("cancel"));
    assert_eq!(warnings(&scanned(&take, &["--channel", "1"])), "");
}

#[test]
fn a_channel_it_has_not() {
    let takes = Takes::new();
    let output = scan(&[&takes.good("good.wav")], &["--channel", "2"]);
    assert_eq!(output.status.code(), Some(1));
    assert!(stderr(&output).contains("no channel 2"));
}

#[test]
fn samples_that_are_no_numbers_do_not_break_it() {
    let takes = Takes::new();
    let path = takes.path("nan.wav");
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: RATE,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(&path, spec).expect("room");
    for i in 0..RATE {
        let bad = [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, 1e-42];
        writer.write_sample(bad[i as usize % 4]).expect("a sample");
    }
    writer.finalize().expect("room");
    // Three of every four are NaN or infinite.
    assert!(warnings(&scanned(&path, &[])).contains("36000 samples are not numbers"));
}

#[test]
fn the_good_takes_are_still_reported() {
    let takes = Takes::new();
    let (good, bad, other) = (takes.good("a.wav"), takes.bytes("b.wav", []), takes.good("c.wav"));
    let output = scan(&[&good, &bad, &other], &["--json"]);
    assert_eq!(output.status.code(), Some(1));
    assert!(stderr(&output).contains("b.wav"));
    let paths: Vec<_> =
        document(&output).as_array().expect("several takes").iter().map(|d| d["source"]["path"].clone()).collect();
    assert_eq!(paths, [good.to_str().expect("plain"), other.to_str().expect("plain")], "in the order given");

    let output = scan(&[&good, &bad, &other], &[]);
    assert_eq!(output.status.code(), Some(1));
    assert!(stdout(&output).contains("a.wav") && stdout(&output).contains("c.wav"));
}

/// Where the tests run as the superuser, who may read everything, the program is run as somebody else.
#[cfg(unix)]
#[test]
fn no_permission() {
    use std::os::unix::fs::PermissionsExt;
    use std::os::unix::process::CommandExt;
    const NOBODY: u32 = 65_534;
    let takes = Takes::new();
    let take = takes.good("locked.wav");
    let set = |path: &Path, mode| std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).expect("ours");
    set(&take, 0o000);
    let mut program = std::process::Command::new(env!("CARGO_BIN_EXE_notefront"));
    if std::fs::read(&take).is_ok() {
        // The other user must reach the program and the folder.
        let copy = takes.path("notefront");
        std::fs::copy(env!("CARGO_BIN_EXE_notefront"), &copy).expect("room");
        set(&copy, 0o755);
        set(take.parent().expect("a folder"), 0o755);
        program = std::process::Command::new(copy);
        program.uid(NOBODY);
    }
    let output = program.arg("scan").arg(&take).output().expect("the program starts");
    assert_eq!(output.status.code(), Some(1));
    assert!(stderr(&output).contains("no permission"), "{}", stderr(&output));
}

#[test]
fn bad_usage_is_status_2() {
    let takes = Takes::new();
    let take = takes.good("good.wav");
    for options in [
        &["--first-beat", "0"][..],
        &["--bpm", "72", "--first-beat", "nan"],
        &["--bpm", "5", "--first-beat", "0"],
        &["--bpm", "72", "--first-beat", "0", "--per-beat", "0"],
        &["--a4", "500"],
        &["--strictness", "2"],
        &["--instrument", "kazoo"],
        &["--channel", "0"],
        &["--no-such-option"],
    ] {
        let output = scan(&[&take], options);
        assert_eq!(output.status.code(), Some(2), "{options:?}: {}", stderr(&output));
        assert!(output.stdout.is_empty(), "{options:?}");
    }
    assert_eq!(notefront(&["scan"]).status.code(), Some(2));
    assert_eq!(notefront(&[]).status.code(), Some(2));
}

#[test]
fn help_and_version_are_status_0() {
    for args in [&["--help"][..], &["scan", "--help"], &["--version"]] {
        let output = notefront(args);
        assert_eq!(output.status.code(), Some(0), "{args:?}");
        assert!(!output.stdout.is_empty());
    }
}

/// Headers of every format with bytes turned over: any answer but a panic or a hang.
#[test]
fn damaged_headers_never_panic() {
    let takes = Takes::new();
    let good = std::fs::read(takes.good("good.wav")).expect("just written");
    let damaged: Vec<_> = (0..44)
        .flat_map(|at| [0x00, 0x7f, 0xff].map(|value| (at, value)))
        .map(|(at, value)| {
            let mut bytes = good[..4_044].to_vec();
            bytes[at] = value;
            takes.bytes(&format!("{at}-{value}.wav"), bytes)
        })
        .collect();
    let output = scan(&damaged.iter().map(AsRef::as_ref).collect::<Vec<_>>(), &["--json"]);
    assert!(matches!(output.status.code(), Some(0 | 1)), "{}", stderr(&output));
    stderr(&output);
}
