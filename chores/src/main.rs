//! The chores that need the analysis. `cargo xtask` lists them, and runs this program for them.

mod accuracy;
mod bench;
mod demo;
mod fit;
mod fronts;
mod make;
mod month;
mod years;

use std::process::ExitCode;

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
    let chore = args.value().map_err(|_| "which chore? `cargo xtask` lists them".to_owned())?;
    match chore.to_str() {
        Some("accuracy") => accuracy::run(&mut args),
        Some("bench") => bench::run(),
        Some("demo") => demo::run(&mut args),
        Some("fit") => fit::run(&mut args),
        Some("fronts") => fronts::run(&mut args),
        Some("make") => make::run(&mut args),
        Some("month") => month::run(&mut args),
        Some("years") => years::run(&mut args),
        _ => Err(format!("no chore is called {}", chore.display())),
    }
}

/// Any error in words.
fn said(e: impl std::fmt::Display) -> String {
    e.to_string()
}
