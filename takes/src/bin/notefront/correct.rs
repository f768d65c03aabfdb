//! `notefront correct`: what a player says of a take, kept beside it.

use crate::judging::{Judging, JudgingArgs};
use crate::{bad_value, complain, report_trouble, scan_all, settings};
use clap::Args;
use notefront_dsp::{Entrance, units};
use notefront_takes::corrections::words::{self, Asked};
use notefront_takes::corrections::{By, Correction, Corrections, What, agreement, amend, ear, file, find};
use notefront_takes::take::Take;
use notefront_takes::words::clock;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// An entrance is meant where it lies within this of the time that was said, s: typed times are rounded.
const MEANT_S: f64 = 0.25;

/// Options of `correct`.
#[derive(Debug, Args)]
pub struct CorrectArgs {
    /// The recording that is corrected; the take itself is only read
    #[arg(value_name = "TAKE")]
    pub take: PathBuf,

    /// What to say, such as: fine 0:03.50 because it is meant so [default: list what was said]
    #[arg(value_name = "WORDS")]
    pub words: Vec<String>,

    /// Take in corrections made elsewhere: a file the page saved, or the page itself
    #[arg(long, value_name = "FILE", conflicts_with = "words")]
    pub from: Option<PathBuf>,

    /// How the take is judged
    #[command(flatten)]
    pub judging: JudgingArgs,
}

/// What follows the options in the help.
pub fn help() -> String {
    format!(
        "What can be said:\n{}\n\nCorrections are kept in NAME.corrections.json beside the take; scan, report, compare, \
         mark and the log follow them, and show them as yours. --blind leaves them out.",
        words::HELP
    )
}

/// Corrects, or lists; true when all could be read and written.
pub fn run(args: &CorrectArgs) -> Result<io::Result<bool>, clap::Error> {
    let asked = if args.words.is_empty() { None } else { Some(words::read(&args.words).map_err(|e| bad_value(&e))?) };
    let Some(judgings) = args.judging.judgings(1, &settings::remembered())? else { return Ok(Ok(false)) };
    let mut scanned = scan_all(std::slice::from_ref(&args.take), &judgings);
    report_trouble(&args.take, &scanned[0], true);
    let Ok(take) = scanned.remove(0) else { return Ok(Ok(false)) };
    let done = match (asked, &args.from) {
        (Some(Asked::Say(at_s, what)), _) => say(&take, at_s, what),
        (Some(Asked::Undo(at_s)), _) => undo(&take, at_s),
        (None, Some(from)) => take_in(&take, from),
        (None, None) => Ok(String::new()),
    };
    Ok(match done {
        Ok(told) => print(&take, &told, &judgings[0]).map(|()| true),
        Err(why) => {
            complain(&why);
            Ok(false)
        }
    })
}

fn say(take: &Take, at_s: f64, what: What) -> Result<String, String> {
    let at_s = if matches!(what, What::Added { .. }) { within(take, at_s)? } else { meant(take, at_s)? };
    if let What::Moved { to_s } | What::Split { second_s: to_s } = what {
        within(take, to_s)?;
    }
    let said = amend(&take.source.path, &take.sound, |kept, later_s| {
        let shifted = Correction { id: String::new(), made_ms: 0, by: By::Command, at_s, what }.shifted(-later_s);
        kept.say(By::Command, shifted.at_s, shifted.what).shifted(later_s)
    });
    said.map(|(said, _)| format!("Kept: {}\n", words::line(&said))).map_err(|e| e.to_string())
}

/// A time in the take.
fn within(take: &Take, at_s: f64) -> Result<f64, String> {
    let end_s = take.source.duration_s;
    if at_s <= end_s { Ok(at_s) } else { Err(format!("{} is past the end of the take, {}", clock(at_s), clock(end_s))) }
}

/// When the entrance speaks that is meant by a time.
fn meant(take: &Take, at_s: f64) -> Result<f64, String> {
    let off = |e: &&Entrance| (e.front.speaks_s - at_s).abs();
    let mut near: Vec<&Entrance> = take.entrances.iter().collect();
    near.sort_by(|a, b| off(a).total_cmp(&off(b)));
    match near.first() {
        Some(entrance) if off(entrance) <= MEANT_S => Ok(entrance.front.speaks_s),
        Some(_) => {
            let names: Vec<_> =
                near.iter().take(3).map(|e| format!("{} at {}", name(e), clock(e.front.speaks_s))).collect();
            Err(format!("no entrance lies at {}. The nearest: {}", clock(at_s), names.join(", ")))
        }
        None => Err("the take has no entrance".into()),
    }
}

fn name(entrance: &Entrance) -> String {
    entrance.front.midi_note.map_or_else(|| "?".into(), units::note_name)
}

fn undo(take: &Take, at_s: Option<f64>) -> Result<String, String> {
    let is_meant = |c: &Correction, later_s: f64| at_s.is_none_or(|at_s| (c.at_s + later_s - at_s).abs() <= MEANT_S);
    let last = |kept: &Corrections, later_s: f64| kept.active().into_iter().rev().find(|c| is_meant(c, later_s));
    let found = find(&take.source.path, &take.sound).map_err(|e| e.to_string())?;
    if found.and_then(|found| last(&found.corrections, found.later_s)).is_none() {
        return Err("nothing was said that could be undone there".into());
    }
    let undone = amend(&take.source.path, &take.sound, |kept, later_s| {
        let last = last(kept, later_s)?;
        kept.undo(&last.id).map(|undone| undone.shifted(later_s))
    });
    match undone.map_err(|e| e.to_string())?.0 {
        Some(undone) => Ok(format!("Undone: {}\n", words::line(&undone))),
        None => Err("another program undid it first".into()),
    }
}

fn take_in(take: &Take, from: &Path) -> Result<String, String> {
    let (num, path) = file::take_in(&take.source.path, &take.sound, from).map_err(|e| e.to_string())?;
    let new = match num {
        0 => "nothing new".to_owned(),
        1 => "1 correction".into(),
        n => format!("{n} corrections"),
    };
    Ok(format!("Taken in from {}: {new}, kept in {}\n", from.display(), path.display()))
}

fn print(take: &Take, told: &str, judging: &Judging) -> io::Result<()> {
    let found = find(&take.source.path, &take.sound).ok().flatten();
    let said: Vec<_> =
        found.iter().flat_map(|f| f.corrections.active().into_iter().map(|c| c.shifted(f.later_s))).collect();
    let mut out = io::stdout().lock();
    write!(out, "{told}")?;
    match (&found, said.is_empty()) {
        (Some(found), false) => {
            writeln!(out, "What holds, kept in {}:", found.path.display())?;
            for correction in &said {
                writeln!(out, "  {}", words::line(correction))?;
            }
        }
        _ => writeln!(out, "Nothing is said of this take: it is judged as it was measured.")?,
    }
    if let Some(corrected) = &take.corrected {
        if let Some(agreement) = agreement::blind(&corrected.by_ear) {
            writeln!(out, "{}", agreement.in_words())?;
        }
        let lines = ear::lines_of(&ear::said(&corrected.by_ear), &judging.options.settings);
        write!(out, "{}", ear::advice(&lines, &take.lines))?;
    }
    out.flush()
}
