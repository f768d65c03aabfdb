//! `cargo xtask test`: everything that must hold before a change is kept.

use crate::shell::{cargo, output, run};
use crate::{licences, tidy};

/// A step: name, and whether it holds.
type Step = (&'static str, fn() -> Result<(), String>);

const STEPS: [Step; 5] =
    [("format", format), ("tidy", tidy::run), ("licences", licences::run), ("lint", lint), ("tests", tests)];

/// Runs every step, even after one failed, so that one look shows all that is wrong. The tests come last: their own
/// closing lines close the output, but for one line for each step.
pub fn all() -> Result<(), String> {
    needs()?;
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
    let missing: Vec<&str> =
        SYSTEM_LIBRARIES.iter().filter(|(library, _)| !has_library(library)).map(|l| l.1).collect();
    if cfg!(target_os = "linux") && !missing.is_empty() {
        return Err(format!("libraries are missing: sudo apt-get install {}", missing.join(" ")));
    }
    Ok(())
}

/// Libraries the plug-in's window and sound need on Linux: pkg-config name, Debian package.
const SYSTEM_LIBRARIES: [(&str, &str); 0] = [];

fn has_library(name: &str) -> bool {
    std::process::Command::new("pkg-config").args(["--exists", name]).status().is_ok_and(|status| status.success())
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
