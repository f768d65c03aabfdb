//! Project chores: `cargo xtask` with no argument lists them.

mod accuracy;
mod make;

use std::process::ExitCode;

const HELP: &str = "\
cargo xtask CHORE

  accuracy DIR [--worst N] [--csv FILE] [--only TEXT]
              figures of the analysis over a folder of takes with truth beside them
  make DIR [--seed N] [--rate HZ] [--kind KIND]
              writes made takes with their truth, one of each kind
";

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
    use lexopt::prelude::{Long, Value};
    match args.next().map_err(said)? {
        Some(Value(chore)) => match chore.to_str() {
            Some("accuracy") => accuracy::run(&mut args),
            Some("make") => make::run(&mut args),
            _ => Err(format!("no chore is called {}\n\n{HELP}", chore.display())),
        },
        Some(Long("help")) | None => {
            print!("{HELP}");
            Ok(())
        }
        Some(other) => Err(other.unexpected().to_string()),
    }
}

/// Any error in words.
fn said(e: impl std::fmt::Display) -> String {
    e.to_string()
}
