//! The `notefront` program: scans takes on all cores and prints what was found. Glue around the library.
#![forbid(unsafe_code)]

mod cli;
mod progress;
mod places;
mod screen;
mod settings;
mod judging;
mod compare;
mod correct;
mod report;
mod mark;
mod logging;
mod log;
mod sheet;

use clap::{CommandFactory, Parser, error::ErrorKind};
use cli::{Cli, Command, ScanArgs};
use judging::Judging;
use notefront_takes::audio_file::ReadError;
use notefront_takes::json::{ScanDocument, TakeDocument};
use notefront_takes::remembered::Remembered;
use notefront_takes::system_error;
use notefront_takes::table::{self, TableStyle};
use notefront_takes::take::{self, ScanError, Take};
use progress::Progressing;
use rayon::prelude::*;
use std::any::Any;
use std::io::{self, Write};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// A take could not be read, or the result not be written.
const FAILED: u8 = 1;
/// The command line cannot be used.
const BAD_USAGE: u8 = 2;

fn main() -> ExitCode {
    quiet_worker_panics();
    let result = Cli::try_parse().and_then(|cli| match cli.command {
        Command::Scan(args) => {
            args.logging.belong_together().map_err(|e| bad_value(&e))?;
            let remembered = settings::remembered();
            Ok(scan(&args, args.judging.judgings(args.takes.len(), &remembered)?, &remembered))
        }
        Command::Compare(args) => compare::run(&args),
        Command::Report(args) => report::run(&args),
        Command::Mark(args) => mark::run(&args),
        Command::Correct(args) => correct::run(&args),
        Command::Log(args) => Ok(log::run(&args)),
        Command::Settings(args) => settings::run(&args),
        Command::Sheet(args) => Ok(sheet::run(&args)),
    });
    match result {
        Ok(printed) => exit_status(printed),
        Err(usage) => {
            let _ = usage.print();
            ExitCode::from(if usage.use_stderr() { BAD_USAGE } else { 0 })
        }
    }
}

/// The status for takes that were all read (true) or not, or for a result that could not be written.
fn exit_status(printed: io::Result<bool>) -> ExitCode {
    match printed {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::from(FAILED),
        // Whoever reads the output has had enough of it, as `head` does.
        Err(e) if e.kind() == io::ErrorKind::BrokenPipe => ExitCode::SUCCESS,
        Err(e) => {
            let why = system_error::in_words(&e);
            complain(&format!("the result could not be written ({why}). Free some space or choose another place."));
            ExitCode::from(FAILED)
        }
    }
}

fn bad_value(reason: &str) -> clap::Error {
    Cli::command().error(ErrorKind::ValueValidation, reason)
}

/// Scans and prints; true when every take could be read.
fn scan(args: &ScanArgs, judgings: Option<Vec<Judging>>, remembered: &Remembered) -> io::Result<bool> {
    let Some(judgings) = judgings else {
        if args.json {
            print_json(&[], args.takes.len())?;
        }
        return Ok(false);
    };
    let scanned = scan_all(&args.takes, &judgings);
    for (path, result) in args.takes.iter().zip(&scanned) {
        report_trouble(path, result, args.json);
    }
    let is_complete = scanned.iter().all(Result::is_ok);
    let takes: Vec<Take> = scanned.into_iter().flatten().collect();
    let printed = if args.json { print_json(&takes, args.takes.len()) } else { print_tables(&takes, args, remembered) };
    // Reported first, whatever is wrong with the log; and kept, whatever became of the output.
    let is_kept = logging::keep(&args.logging, &takes, args.judging.blind);
    printed?;
    Ok(is_complete && is_kept)
}

/// All takes at once on all cores, each judged in its way; results in the order given.
fn scan_all(takes: &[PathBuf], judgings: &[Judging]) -> Vec<Result<Take, ScanError>> {
    let progressing = Progressing::new(takes.len());
    let scanned = takes
        .par_iter()
        .zip(judgings)
        .map(|(path, judging)| {
            let mut bar = progressing.bar(path);
            let scanned = scan_one(path, judging, |progress| bar.update(progress));
            progressing.take_done();
            scanned
        })
        .collect();
    progressing.finish();
    scanned
}

/// Decoders meet hostile files; should one break down, the other takes are still reported.
fn scan_one(path: &Path, judging: &Judging, progress: impl FnMut(take::Progress)) -> Result<Take, ScanError> {
    catch_unwind(AssertUnwindSafe(|| take::scan_against(path, judging.options, &judging.reference, progress)))
        .unwrap_or_else(|panic| Err(ScanError::Read(ReadError::BrokenDecoder(panic_message(&*panic)))))
}

fn panic_message(panic: &(dyn Any + Send)) -> String {
    let text = panic.downcast_ref::<String>().map(String::as_str);
    text.or_else(|| panic.downcast_ref::<&str>().copied()).unwrap_or("no reason given").to_owned()
}

/// Takes are scanned on worker threads, where a panic becomes that take's error: it is told once, not twice.
fn quiet_worker_panics() {
    let usual = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |info| {
        if std::thread::current().name() == Some("main") {
            usual(info);
        }
    }));
}

/// Errors always go to standard error; warnings too when standard output holds JSON.
fn report_trouble(path: &Path, result: &Result<Take, ScanError>, is_json: bool) {
    match result {
        Err(e) => complain(&format!("{}: {e}", path.display())),
        Ok(take) if is_json => {
            for warning in &take.warnings {
                complain(&format!("{}: {warning}", path.display()));
            }
        }
        Ok(_) => {}
    }
}

fn complain(message: &str) {
    // When even standard error is closed there is nobody left to tell.
    let _ = writeln!(io::stderr(), "notefront: {message}");
}

fn print_json(takes: &[Take], num_asked: usize) -> io::Result<()> {
    let mut documents: Vec<_> = takes.iter().map(TakeDocument::from).collect();
    let document = match (num_asked, documents.pop()) {
        (1, Some(only)) => ScanDocument::One(Box::new(only)),
        (_, last) => {
            documents.extend(last);
            ScanDocument::Many(documents)
        }
    };
    let mut out = io::BufWriter::new(io::stdout().lock());
    serde_json::to_writer_pretty(&mut out, &document)?;
    writeln!(out)?;
    out.flush()
}

fn print_tables(takes: &[Take], args: &ScanArgs, remembered: &Remembered) -> io::Result<()> {
    let mut out = io::stdout().lock();
    out.write_all(table::takes(takes, style(args)).as_bytes())?;
    let yours = settings::in_words(remembered);
    if !yours.is_empty() && !takes.is_empty() {
        writeln!(out, "Remembered, where the command said nothing else: {yours}.")?;
    }
    out.flush()
}

fn style(args: &ScanArgs) -> TableStyle {
    let (width, styled) = (screen::width(), screen::is_styled());
    TableStyle { worst_first: args.worst_first, all: args.all, width, styled }
}
