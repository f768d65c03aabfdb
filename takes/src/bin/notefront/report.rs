//! `notefront report`: a page to look at, listen to and print.

use crate::compare::hear_all;
use crate::judging::JudgingArgs;
use crate::places::{make_folder, page_name};
use crate::{complain, settings};
use clap::Args;
use notefront_takes::report::{self, RefusedPage};
use std::io;
use std::path::{Path, PathBuf};

/// Options of `report`.
#[derive(Debug, Args)]
pub struct ReportArgs {
    /// Takes for the page; those of the same music are compared too
    #[arg(value_name = "TAKE", required = true)]
    pub takes: Vec<PathBuf>,

    /// The page to write [default: the first take's name with .report.html, in the current folder]
    #[arg(short, long, value_name = "FILE.html", value_parser = page_name)]
    pub out: Option<PathBuf>,

    /// Replace the page if it is there already, with all notes written in it
    #[arg(long)]
    pub force: bool,

    /// How takes are judged.
    #[command(flatten)]
    pub judging: JudgingArgs,
}

/// Writes the page; true when every take could be read.
pub fn run(args: &ReportArgs) -> Result<io::Result<bool>, clap::Error> {
    let remembered = settings::remembered();
    let out = match (&args.out, &remembered.out) {
        (Some(out), _) => out.clone(),
        (None, Some(folder)) if !make_folder(folder) => return Ok(Ok(false)),
        (None, Some(folder)) => folder.join(default_out(&args.takes[0])),
        (None, None) => default_out(&args.takes[0]),
    };
    if let Err(e) = report::check_place(&out, args.force) {
        return Ok(refused(&out, &e));
    }
    let Some(judgings) = args.judging.judgings(args.takes.len(), &remembered)? else { return Ok(Ok(false)) };
    let (takes, is_complete) = hear_all(&args.takes, &judgings, true);
    if takes.is_empty() {
        return Ok(Ok(false));
    }
    let page = report::page(&takes);
    if let Err(e) = report::write(&out, &page.html, args.force) {
        return Ok(refused(&out, &e));
    }
    for remark in &page.remarks {
        complain(remark);
    }
    complain(&format!("wrote {} ({:.1} MB)", out.display(), page.html.len() as f64 / 1e6));
    Ok(Ok(is_complete))
}

fn refused(out: &Path, error: &RefusedPage) -> io::Result<bool> {
    match error {
        RefusedPage::Unwritten(e) => complain(&e.to_string()),
        _ => complain(&format!("{}: {error}", out.display())),
    }
    Ok(false)
}

fn default_out(take: &Path) -> PathBuf {
    let mut name = take.file_stem().unwrap_or(take.as_os_str()).to_owned();
    name.push(".report.html");
    PathBuf::from(name)
}
