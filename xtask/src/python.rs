//! Packages from PyPI that tests use as outside readers and hosts, in an environment of their own below `target`. Where they
//! cannot be had, the tests that want them skip aloud; nothing else waits for them.

use crate::shell::{output, root, run};
use std::path::PathBuf;
use std::process::Command;

/// Readers of marked files and practice sheets, as they are imported.
const READERS: &str = "import lxml, mido, music21, soundfile, wavinfo";
/// Their packages and versions.
const REQUIREMENTS: &str = "takes/tests/outside/requirements.txt";
/// General hosts for the VST3, as they are imported.
const HOSTS: &str = "import pedalboard, dawdreamer, numpy";
/// Their packages and versions.
const HOST_REQUIREMENTS: &str = "plugin/tests/requirements.txt";
/// The outside tracker of `cargo xtask fronts`, as it is imported.
const TRACKER: &str = "import numpy, parselmouth, soundfile";
/// Its packages and versions.
const TRACKER_REQUIREMENTS: &str = "chores/requirements.txt";
/// What `cargo xtask fit` fits with, as it is imported.
const FITTER: &str = "import numpy, scipy, soundfile, sklearn";
/// Its packages and versions.
const FITTER_REQUIREMENTS: &str = "chores/fit/requirements.txt";

/// Puts readers and hosts in place, and says what is missing.
pub fn prepare() {
    if let Err(why) = with(READERS, &["-r", REQUIREMENTS]) {
        eprintln!("Marked files and sheets are not read back by Python: {why}");
    }
    if let Err(why) = with(HOSTS, &["-r", HOST_REQUIREMENTS]) {
        eprintln!("The VST3 is not tested in general hosts: {why}");
    }
    if cfg!(target_os = "linux") && std::env::var_os("DISPLAY").is_none() && !is_there("Xvfb", "-help") {
        eprintln!("The insert's window is not tested: sudo apt-get install xvfb libgl1-mesa-dri");
    }
    if !is_there("ffprobe", "-version") {
        eprintln!("Marked files are not read back by ffprobe: sudo apt-get install ffmpeg");
    }
}

/// A Python with the outside tracker.
///
/// # Errors
/// Why there is none, with what to do.
pub fn tracker() -> Result<PathBuf, String> {
    with(TRACKER, &["-r", TRACKER_REQUIREMENTS])
}

/// A Python that can fit.
///
/// # Errors
/// Why there is none, with what to do.
pub fn fitter() -> Result<PathBuf, String> {
    with(FITTER, &["-r", FITTER_REQUIREMENTS])
}

fn is_there(program: &str, arg: &str) -> bool {
    Command::new(program).arg(arg).output().is_ok()
}

/// A Python that runs `imports`, after asking pip for `packages` where it does not yet.
///
/// # Errors
/// Why there is none, with what to do.
fn with(imports: &str, packages: &[&str]) -> Result<PathBuf, String> {
    let place = root().join("target/python");
    let python = place.join("bin/python");
    let answers = || output(Command::new(&python).args(["-c", imports])).is_ok();
    if !answers() {
        run(Command::new("python3").args(["-m", "venv"]).arg(&place))
            .map_err(|e| format!("{e}: sudo apt-get install python3-venv"))?;
        let pip = ["-m", "pip", "install", "--quiet", "--disable-pip-version-check"];
        run(Command::new(&python).args(pip).args(packages))?;
    }
    if answers() { Ok(python) } else { Err(format!("{imports} fails in {}", place.display())) }
}
