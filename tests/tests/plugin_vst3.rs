//! The VST3 bundle in general hosts from Python. Needs the bundle (`cargo xtask bundle`) and the packages
//! `pedalboard` and `dawdreamer` for the Python named by `NOTEFRONT_PYTHON` (default `python3`).

use std::path::{Path, PathBuf};
use std::process::Command;

/// Exit status of the script when its packages are not installed.
const NOT_INSTALLED: i32 = 77;

fn bundle() -> Option<PathBuf> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).parent()?;
    let bundle = root.join("target/insert/bundled/Notefront.vst3");
    bundle.exists().then_some(bundle)
}

#[test]
fn the_vst3_passes_sound_and_state_in_general_hosts() {
    let Some(bundle) = bundle() else {
        eprintln!("SKIPPED: no bundle; make it with `cargo xtask bundle`");
        return;
    };
    let python = std::env::var("NOTEFRONT_PYTHON").unwrap_or_else(|_| "python3".into());
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/plugin_vst3.py");
    let Ok(output) = Command::new(&python).arg(script).arg(bundle).output() else {
        eprintln!("SKIPPED: no {python}");
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
