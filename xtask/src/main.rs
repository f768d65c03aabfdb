//! Project chores: `cargo xtask` with no argument lists them.

mod accuracy;
mod bench;
mod browser;
mod bundle;
mod demo;
mod fit;
mod fronts;
mod licences;
mod make;
mod month;
mod python;
mod shell;
mod test;
mod tidy;
mod years;

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
        Ok(()) => ExitCode::SUCCESS,
        Err(e) => {
            eprintln!("{e}");
            ExitCode::FAILURE
        }
    }
}

fn run(mut args: lexopt::Parser) -> Result<(), String> {
    use lexopt::prelude::{Long, Short, Value};
    match args.next().map_err(said)? {
        Some(Value(chore)) => match chore.to_str() {
            Some("demo") => demo::run(&mut args),
            Some("month") => month::run(&mut args),
            Some("test") => test::all(),
            Some("tidy") => tidy::run(),
            Some("licences") => licences::run(),
            Some("accuracy") => accuracy::run(&mut args),
            Some("make") => make::run(&mut args),
            Some("fit") => fit::run(&mut args),
            Some("fronts") => fronts::run(&mut args),
            Some("bundle") => bundle::run(&std::env::args().skip(2).collect::<Vec<_>>()),
            Some("bench") => bench::run(),
            Some("years") => years::run(&mut args),
            _ => Err(format!("no chore is called {}\n\n{}", chore.display(), help())),
        },
        Some(Long("help") | Short('h')) | None => {
            print!("{}", help());
            Ok(())
        }
        Some(other) => Err(other.unexpected().to_string()),
    }
}

fn help() -> String {
    let lines: String = CHORES.iter().map(|(name, what)| format!("  {name:<9} {what}\n")).collect();
    format!("cargo xtask CHORE\n\n{lines}")
}

/// Any error in words.
fn said(e: impl std::fmt::Display) -> String {
    e.to_string()
}
