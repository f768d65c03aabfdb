//! `notefront compare`: two takes side by side, or several to choose from.

use crate::judging::{Judging, JudgingArgs};
use crate::{bad_value, complain, report_trouble, scan_all, screen, settings};
use clap::Args;
use notefront_takes::compare::{self, HeardTake};
use notefront_takes::comparison_table::{self, ComparisonStyle};
use notefront_takes::json::comparison::{ChoiceDocument, CompareDocument, ComparisonDocument};
use notefront_takes::loudness;
use notefront_takes::take::Take;
use rayon::prelude::*;
use std::io::{self, Write};
use std::path::PathBuf;

/// Options of `compare`.
#[derive(Debug, Args)]
pub struct CompareArgs {
    /// Two takes of the same music to compare, or more to choose from
    #[arg(value_name = "TAKE", required = true, num_args = 2..)]
    pub takes: Vec<PathBuf>,

    /// Print one JSON document instead of tables
    #[arg(long)]
    pub json: bool,

    /// Beats of a bar (1 to 32), to choose bar by bar; needs --bpm, or a click that begins with beat 1 of bar 1
    /// [default: stretches between rests]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=32))]
    pub beats_per_bar: Option<u32>,

    /// List entrances that are alike too [default: those that differ]
    #[arg(long)]
    pub all: bool,

    /// How takes are judged.
    #[command(flatten)]
    pub judging: JudgingArgs,
}

/// Compares and prints; true when every take could be read.
pub fn run(args: &CompareArgs) -> Result<io::Result<bool>, clap::Error> {
    let remembered = settings::remembered();
    if args.beats_per_bar.is_some() && !args.judging.with(&remembered).has_beats() {
        return Err(bad_value(
            "--beats-per-bar counts beats that you give: add --bpm 72, or a click with --click FILE",
        ));
    }
    let Some(judgings) = args.judging.judgings(args.takes.len(), &remembered)? else { return Ok(Ok(false)) };
    let (takes, is_complete) = hear_all(&args.takes, &judgings, args.json);
    if takes.len() < 2 {
        complain("fewer than two takes could be read: there is nothing to compare");
        return Ok(Ok(false));
    }
    Ok(print(args, &takes).map(|()| is_complete))
}

/// Scans takes and measures their loudness; whether all could be read. Trouble is told.
pub fn hear_all(paths: &[PathBuf], judgings: &[Judging], is_quiet: bool) -> (Vec<HeardTake>, bool) {
    let scanned = scan_all(paths, judgings);
    for (path, result) in paths.iter().zip(&scanned) {
        report_trouble(path, result, is_quiet);
    }
    let takes: Vec<Take> = scanned.into_iter().flatten().collect();
    let is_complete = takes.len() == paths.len();
    (takes.into_par_iter().map(hear).collect(), is_complete)
}

/// A take that was read a moment ago and cannot be read again has no loudness: it is compared without.
fn hear(take: Take) -> HeardTake {
    let loudness = loudness::of_file(&take.source.path, take.options.channel).unwrap_or_default();
    HeardTake { take, loudness }
}

fn print(args: &CompareArgs, takes: &[HeardTake]) -> io::Result<()> {
    let choice = compare::choose(takes, args.beats_per_bar);
    let two = match takes {
        [a, b] if args.takes.len() == 2 => Some((a, b, compare::compare(a, b))),
        _ => None,
    };
    let mut out = io::BufWriter::new(io::stdout().lock());
    if args.json {
        let document = match &two {
            Some((a, b, found)) => CompareDocument::Two(Box::new(ComparisonDocument::new(a, b, found, &choice))),
            None => CompareDocument::More(ChoiceDocument::new(takes, &choice)),
        };
        serde_json::to_writer_pretty(&mut out, &document)?;
        writeln!(out)?;
    } else {
        let style = style(args);
        let text = match &two {
            Some((a, b, found)) => comparison_table::two(a, b, found, &choice, style),
            None => comparison_table::choice(takes, &choice, style),
        };
        out.write_all(text.as_bytes())?;
    }
    out.flush()
}

fn style(args: &CompareArgs) -> ComparisonStyle {
    ComparisonStyle { all: args.all, width: screen::width() }
}
