//! Project chores: `cargo xtask` with no argument lists them.

mod browser;
mod bundle;
mod licences;
mod test;
mod tidy;

use std::process::ExitCode;

/// Every chore: name, what it does.
const CHORES: [(&str, &str); 12] = [
    ("demo", "[TAKE]             makes the takes of a small scenario and scans them, or scans your own take"),
    ("month", "                  makes five weeks of practice with a weakness that fades, and asks the practice log"),
    ("test", "                   everything that must hold: format, tidy, licences, lint, tests"),
    ("tidy", "                   the rules of the house: purposes, lengths, flow, documents"),
    ("licences", "                   every dependency may be used"),
    (
        "accuracy",
        "[DIR] [--made SEED] [--playing DIR [--cache DIR]] [--worst N] [--csv FILE] [--only TEXT]\n                              figures of the analysis over a folder of takes with truth beside them, takes made\n                              now, recordings of professionals, and their notes with faults imposed",
    ),
    (
        "make",
        "DIR [--seed N] [--rate HZ] [--kind KIND]\n                              writes made takes with their truth, one of each kind",
    ),
    (
        "fronts",
        "DIR LABELS...\n                              percentiles of professional fronts over decoded recordings: dsp/src/professionals.md",
    ),
    (
        "fit",
        "[--playing DIR] [--check] [--notes] [--only TEXT]\n                              fits where notes begin to recordings and made takes: dsp/src/decode/fitted.txt;\n                              then, with --notes and without DIR, what tells a note from talk; --check only\n                              prints figures of takes left out; --only tries it on some, target/fit-trial",
    ),
    ("bench", "                   speed against a reference in the same run, and memory (with --release)"),
    ("years", "                  five years of entrances in a practice log: its size, and how long its questions take"),
    ("bundle", "[--debug]          the insert as CLAP and VST3 folders, with instructions"),
];

fn main() -> ExitCode {
    match run(lexopt::Parser::from_env()) {
        Ok(how_it_ended) => how_it_ended,
        Err(e) => {
            eprintln!("{e}");
            ExitCode::FAILURE
        }
    }
}

fn run(mut args: lexopt::Parser) -> Result<ExitCode, String> {
    use lexopt::prelude::{Long, Short, Value};
    match args.next().map_err(said)? {
        Some(Value(chore)) => match chore.to_str() {
            Some("test") => test::all().map(|()| ExitCode::SUCCESS),
            Some("tidy") => tidy::run().map(|()| ExitCode::SUCCESS),
            Some("licences") => licences::run().map(|()| ExitCode::SUCCESS),
            Some("bundle") => bundle::run(&std::env::args().skip(2).collect::<Vec<_>>()).map(|()| ExitCode::SUCCESS),
            Some(named) if CHORES.iter().any(|(name, _)| *name == named) => with_the_analysis(),
            _ => Err(format!("no chore is called {}\n\n{}", chore.display(), help())),
        },
        Some(Long("help") | Short('h')) | None => {
            print!("{}", help());
            Ok(ExitCode::SUCCESS)
        }
        Some(other) => Err(other.unexpected().to_string()),
    }
}

/// A chore that needs the analysis: a program of its own, built when one is asked for, as this one is built. It says itself
/// what went wrong.
fn with_the_analysis() -> Result<ExitCode, String> {
    let mut command = xtask::shell::cargo();
    command.args(["run", "--package", "notefront-chores"]);
    if !cfg!(debug_assertions) {
        command.arg("--release");
    }
    // In the folder one stands in: takes are named from there.
    let status = command.arg("--").args(std::env::args_os().skip(1)).status().map_err(said)?;
    Ok(if status.success() { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}

fn help() -> String {
    let lines: String = CHORES.iter().map(|(name, what)| format!("  {name:<9} {what}\n")).collect();
    format!("cargo xtask CHORE\n\n{lines}")
}

/// Any error in words.
fn said(e: impl std::fmt::Display) -> String {
    e.to_string()
}
