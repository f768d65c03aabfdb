//! `cargo xtask fronts DIR LABELS...`: the percentiles of professional fronts, by an outside tracker.
//!
//! DIR holds decoded recordings of single notes and phrases, LABELS are files of their hand-checked onsets.

use crate::said;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use xtask::python;
use xtask::shell::{output, root};

const SCRIPT: &str = "chores/fronts.py";
const TABLE: &str = "dsp/src/professionals.md";

pub fn run(args: &mut lexopt::Parser) -> Result<(), String> {
    use lexopt::prelude::Value;
    let mut paths = Vec::new();
    while let Some(arg) = args.next().map_err(said)? {
        match arg {
            Value(path) => paths.push(absolute(Path::new(&path))?),
            other => return Err(other.unexpected().to_string()),
        }
    }
    if paths.len() < 2 {
        return Err("which recordings and labels? cargo xtask fronts DIR LABELS...".into());
    }
    eprintln!("Measuring; this takes some minutes.");
    let table = output(Command::new(python::tracker()?).arg(SCRIPT).args(&paths).stderr(Stdio::inherit()))?;
    let place = root().join(TABLE);
    std::fs::write(&place, table).map_err(|e| format!("{TABLE}: {e}"))?;
    println!("{TABLE} is written.");
    Ok(())
}

/// Chores run in the root of the project, wherever they were started.
fn absolute(path: &Path) -> Result<PathBuf, String> {
    path.canonicalize().map_err(|e| format!("{}: {e}", path.display()))
}
