//! Packages from PyPI that tests use as outside readers, in an environment of their own below `target`. Where they
//! cannot be had, the tests that want them skip aloud; nothing else waits for them.

use crate::shell::{output, root, run};
use std::path::PathBuf;
use std::process::Command;

/// Readers of marked files, as they are imported.
const READERS: &str = "import mido, soundfile, wavinfo";
/// Their packages and versions.
const REQUIREMENTS: &str = "takes/tests/outside/requirements.txt";

/// Puts the readers of marked files in place, and says what is missing.
pub fn prepare() {
    if let Err(why) = with(READERS, &["-r", REQUIREMENTS]) {
        eprintln!("Marked files are not read back by Python: {why}");
    }
    if Command::new("ffprobe").arg("-version").output().is_err() {
        eprintln!("Marked files are not read back by ffprobe: sudo apt-get install ffmpeg");
    }
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
