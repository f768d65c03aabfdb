//! `cargo xtask test`: everything that must hold before a change is kept.

use crate::shell::{answers, cargo, output, run};
use crate::{browser, licences, python, tidy};

/// A step: name, and whether it holds.
type Step = (&'static str, fn() -> Result<(), String>);

const STEPS: [Step; 5] =
    [("format", format), ("tidy", tidy::run), ("licences", licences::run), ("lint", lint), ("tests", tests)];

/// Runs every step, even after one failed, so that one look shows all that is wrong. The tests come last: their own
/// closing lines close the output, but for one line for each step.
pub fn all() -> Result<(), String> {
    needs()?;
    browser::bring();
    python::prepare();
    let results: Vec<(&str, Result<(), String>)> = STEPS.iter().map(|(name, step)| (*name, step())).collect();
    for (name, result) in &results {
        println!("{name}: {}", result.as_ref().map_or_else(|e| format!("FAILED\n{e}"), |()| "holds".into()));
    }
    let failed: Vec<&str> = results.iter().filter(|(_, result)| result.is_err()).map(|(name, _)| *name).collect();
    if failed.is_empty() { Ok(()) } else { Err(format!("failed: {}", failed.join(", "))) }
}

/// Names what a fresh machine lacks, with the command that brings it.
fn needs() -> Result<(), String> {
    for (component, subcommand) in [("rustfmt", "fmt"), ("clippy", "clippy")] {
        output(cargo().args([subcommand, "--version"]))
            .map_err(|_| format!("cargo {subcommand} is missing: rustup component add {component}"))?;
    }
    if cfg!(target_os = "linux") { needs_libraries() } else { Ok(()) }
}

/// Crates that link a library of the system on Linux: the crate, its pkg-config name, its Debian package.
const LINKED: [(&str, &str, &str); 2] =
    [("alsa-sys", "alsa", "libasound2-dev"), ("jack-sys", "jack", "libjack-jackd2-dev")];

/// Only what the workspace as it stands pulls in is asked for.
fn needs_libraries() -> Result<(), String> {
    let tree = output(cargo().args(["tree", "--workspace", "--prefix", "none", "--edges", "normal,build,dev"]))?;
    let used = |name: &str| tree.lines().any(|line| line.split_whitespace().next() == Some(name));
    let mut missing: Vec<&str> = LINKED
        .iter()
        .filter(|(name, library, _)| used(name) && !answers("pkg-config", &["--exists", library]))
        .map(|(_, _, package)| *package)
        .collect();
    if !missing.is_empty() && !answers("pkg-config", &["--version"]) {
        missing.push("pkg-config");
    }
    if !answers("cc", &["--version"]) {
        missing.push("build-essential");
    }
    if missing.is_empty() { Ok(()) } else { Err(format!("missing: sudo apt-get install {}", missing.join(" "))) }
}

fn format() -> Result<(), String> {
    run(cargo().args(["fmt", "--all", "--check"]))
}

fn lint() -> Result<(), String> {
    run(cargo().args(["clippy", "--workspace", "--all-targets", "--", "-D", "warnings"]))
}

/// Everything is run to the end, with nextest where it is installed.
fn tests() -> Result<(), String> {
    if output(cargo().args(["nextest", "--version"])).is_ok() {
        run(cargo().args(["nextest", "run", "--workspace", "--no-fail-fast"]))?;
        return run(cargo().args(["test", "--workspace", "--doc"]));
    }
    run(cargo().args(["test", "--workspace", "--no-fail-fast"]))
}
