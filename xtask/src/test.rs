//! `cargo xtask test`: everything that must hold before a change is kept.

use crate::{browser, licences, tidy};
use std::io::Write;
use std::path::PathBuf;
use xtask::python;
use xtask::shell::{answers, cargo, output, root, run};

/// Names the file that tests write what they skip into: `notefront_tests::skipped::GATHERED_IN`.
const GATHERED_IN: &str = "NOTEFRONT_SKIPPED";
/// Names the file of what the player chose once and for all: `notefront_takes::remembered::PLACE_VARIABLE`. Tests see none.
const PLACE_VARIABLE: &str = "NOTEFRONT_SETTINGS";

/// A step: name, and whether it holds.
type Step = (&'static str, fn() -> Result<(), String>);

const STEPS: [Step; 5] =
    [("format", format), ("tidy", tidy::run), ("licences", licences::run), ("lint", lint), ("tests", tests)];

/// Runs every step, even after one failed, so that one look shows all that is wrong. The tests come last: their own
/// closing lines close the output, but for one line for each step and for what was skipped.
pub fn all() -> Result<(), String> {
    needs()?;
    browser::bring();
    python::prepare();
    let _ = std::fs::remove_file(gathered());
    let results: Vec<(&str, Result<(), String>)> = STEPS.iter().map(|(name, step)| (*name, step())).collect();
    for (name, result) in &results {
        println!("{name}: {}", result.as_ref().map_or_else(|e| format!("FAILED\n{e}"), |()| "holds".into()));
    }
    println!("{}", skipped(&std::fs::read_to_string(gathered()).unwrap_or_default()));
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
const LINKED: [(&str, &str, &str); 1] = [("alsa-sys", "alsa", "libasound2-dev")];

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

/// The workspace with all that is built by a feature of its own only, where it can be built.
fn lint() -> Result<(), String> {
    let features = if can_build_standalone() { "notefront/fixture,notefront/standalone" } else { "notefront/fixture" };
    run(cargo().args(["clippy", "--workspace", "--all-targets", "--features", features, "--", "-D", "warnings"]))?;
    if can_build_standalone() {
        return Ok(());
    }
    gather("lint of the standalone", "the headers of ALSA (sudo apt-get install pkg-config libasound2-dev)")
}

/// Adds a step that was not done, and what it wants, to what tests say that they skipped.
fn gather(what: &str, why: &str) -> Result<(), String> {
    let opened = std::fs::File::options().create(true).append(true).open(gathered());
    opened
        .and_then(|mut file| writeln!(file, "{what}\tfor want of {why}"))
        .map_err(|e| format!("target/skipped.txt: {e}"))
}

/// Where what is skipped is gathered.
fn gathered() -> PathBuf {
    root().join("target/skipped.txt")
}

/// On Linux the standalone alone needs a library's headers: without them everything else is still tested.
fn can_build_standalone() -> bool {
    !cfg!(target_os = "linux") || answers("pkg-config", &["--exists", "alsa"])
}

/// Everything is run to the end, with nextest where it is installed.
fn tests() -> Result<(), String> {
    let gathering = || {
        let mut command = cargo();
        command.env(GATHERED_IN, gathered()).env(PLACE_VARIABLE, "");
        command
    };
    if output(cargo().args(["nextest", "--version"])).is_ok() {
        run(gathering().args(["nextest", "run", "--workspace", "--no-fail-fast"]))?;
        return run(gathering().args(["test", "--workspace", "--doc"]));
    }
    run(gathering().args(["test", "--workspace", "--no-fail-fast"]))
}

/// What tests said that they skipped, by reasons: "skipped: 3 tests", and a line for each reason with how many it kept from
/// running and the first of them.
fn skipped(gathered: &str) -> String {
    let mut reasons: Vec<(&str, Vec<&str>)> = Vec::new();
    for (test, why) in gathered.lines().filter_map(|line| line.split_once('\t')) {
        match reasons.iter_mut().find(|(reason, _)| *reason == why) {
            Some((_, tests)) if tests.contains(&test) => {}
            Some((_, tests)) => tests.push(test),
            None => reasons.push((why, vec![test])),
        }
    }
    let counted = |num: usize| if num == 1 { "1 test".to_owned() } else { format!("{num} tests") };
    let num: usize = reasons.iter().map(|(_, tests)| tests.len()).sum();
    if num == 0 {
        return "skipped: nothing".into();
    }
    let lines = reasons.iter().map(|(why, tests)| {
        let more = if tests.len() > 1 { format!(" and {} more", tests.len() - 1) } else { String::new() };
        format!("\n  {why}: {}{more}", tests[0])
    });
    format!("SKIPPED, in whole or in part: {}{}", counted(num), lines.collect::<String>())
}

#[cfg(test)]
mod tests {
    use super::{GATHERED_IN, PLACE_VARIABLE, skipped};

    #[test]
    fn names_are_those_that_tests_and_programs_look_for() {
        assert_eq!(GATHERED_IN, notefront_tests::skipped::GATHERED_IN);
        assert_eq!(PLACE_VARIABLE, notefront_takes::remembered::PLACE_VARIABLE);
    }

    #[test]
    fn what_was_skipped_is_told_by_reasons_and_tests_once() {
        assert_eq!(skipped(""), "skipped: nothing");
        let gathered = "a::one\tno ffmpeg\na::two\tno shared folder\na::one\tno ffmpeg\na::three\tno ffmpeg\n";
        let told = "SKIPPED, in whole or in part: 3 tests\n  no ffmpeg: a::one and 1 more\n  no shared folder: a::two";
        assert_eq!(skipped(gathered), told);
    }
}
