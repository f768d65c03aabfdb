//! The VST3 in general hosts from Python. Needs the packages `pedalboard` and `dawdreamer`, which `cargo xtask test`
//! puts into `target/python`; another Python can be named by `NOTEFRONT_PYTHON`.
#![cfg(target_os = "linux")]
#![allow(missing_docs)]

mod common;

use notefront_dsp::{Settings, analyze};
use std::path::{Path, PathBuf};
use std::process::Command;

/// Exit status of the script when its packages are not installed.
const NOT_INSTALLED: i32 = 77;
/// Tempo of the take, quarter notes per minute.
const BPM: f64 = 61.0;

/// A VST3 bundle is a folder: the library that cargo built beside this test, at the place the format asks for
/// (VST 3 SDK, "VST 3 Plug-in Format Structure").
fn bundle(folder: &Path) -> PathBuf {
    let bundle = folder.join("Notefront.vst3");
    let binaries = bundle.join(format!("Contents/{}-linux", std::env::consts::ARCH));
    std::fs::create_dir_all(&binaries).expect("target can be written");
    let library = binaries.join("Notefront.so");
    std::fs::copy(common::library(), library).expect("the insert is built");
    bundle
}

fn python() -> PathBuf {
    let installed = Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/python/bin/python");
    let named = std::env::var_os("NOTEFRONT_PYTHON").map(PathBuf::from);
    named.unwrap_or_else(|| if installed.exists() { installed } else { "python3".into() })
}

#[test]
fn the_vst3_passes_sound_transport_and_state_in_general_hosts() {
    let Some((samples, rate)) = common::take("made-faults.flac") else { return };
    let samples = &samples[..(14.0 * rate) as usize];
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("vst3");
    let bundle = bundle(&folder);
    let entrances = analyze(samples, rate, Settings::default()).expect("a usable rate");
    let expected: Vec<f64> = entrances.iter().map(|e| e.speaks_s).collect();
    let bytes: Vec<u8> = samples.iter().flat_map(|s| s.to_le_bytes()).collect();
    let (sound, truth) = (folder.join("take.f32"), folder.join("expected.json"));
    std::fs::write(&sound, bytes).expect("target can be written");
    std::fs::write(&truth, serde_json::to_vec(&expected).expect("plain data")).expect("target can be written");
    let mut script = Command::new(python());
    script.arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/vst3.py"));
    script.arg(&bundle).arg(&sound).arg(rate.to_string()).arg(BPM.to_string()).arg(&truth);
    let Ok(output) = script.output() else {
        notefront_tests::skipped::say("there is no Python to run general hosts from");
        return;
    };
    let said = format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    if output.status.code() == Some(NOT_INSTALLED) {
        eprintln!("{said}");
        return;
    }
    println!("{said}");
    assert!(output.status.success(), "{said}");
}
