//! `cargo xtask accuracy`: takes with truth, row by row and in total, and real playing; each figure beside what is to
//! reach, and where it is worst.

mod playing;
mod table;

use crate::said;
use notefront_tests::accuracy::{FAULTS, Figures, JudgedTake, Line, MEASURES, Miss, judge, lines, takes_in};
use rayon::prelude::*;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

#[derive(Default)]
struct Options {
    takes: Option<PathBuf>,
    playing: Option<PathBuf>,
    num_worst: usize,
    csv: Option<PathBuf>,
    only: String,
}

pub fn run(args: &mut lexopt::Parser) -> Result<(), String> {
    let options = parse(args)?;
    let start = std::time::Instant::now();
    if let Some(folder) = &options.takes {
        of_takes(folder, &options)?;
    }
    if let Some(folder) = &options.playing {
        of_playing(folder, &options)?;
    }
    eprintln!("{:.1} s", start.elapsed().as_secs_f64());
    Ok(())
}

fn parse(args: &mut lexopt::Parser) -> Result<Options, String> {
    use lexopt::prelude::{Long, Value, ValueExt};
    let mut options = Options::default();
    while let Some(arg) = args.next().map_err(said)? {
        match arg {
            Long("worst") => options.num_worst = args.value().and_then(|v| v.parse()).map_err(said)?,
            Long("csv") => options.csv = Some(args.value().map_err(said)?.into()),
            Long("only") => options.only = args.value().and_then(|v| v.string()).map_err(said)?,
            Long("playing") => options.playing = Some(args.value().map_err(said)?.into()),
            Value(folder) => options.takes = Some(folder.into()),
            other => return Err(other.unexpected().to_string()),
        }
    }
    if options.takes.is_none() && options.playing.is_none() {
        return Err("which folder? cargo xtask accuracy DIR, or --playing DIR for recordings, or both".into());
    }
    Ok(options)
}

fn of_takes(folder: &Path, options: &Options) -> Result<(), String> {
    let takes = judge_all(folder, &options.only)?;
    print_rows(&takes);
    print_totals(&takes);
    if options.num_worst > 0 {
        print_worst(&Figures::of(&takes), options.num_worst);
    }
    if let Some(path) = &options.csv {
        write(path, &csv(&takes))?;
    }
    let sound_s: f64 = takes.iter().map(|take| take.duration_s).sum();
    eprintln!("{} takes, {sound_s:.0} s of sound", takes.len());
    Ok(())
}

fn of_playing(folder: &Path, options: &Options) -> Result<(), String> {
    let playing = playing::judge_all(folder, &options.only)?;
    table::print(&notefront_tests::playing::rows(&playing.judged));
    table::print_flags(&notefront_tests::playing::flag_rows(&playing.judged));
    if options.num_worst > 0 {
        playing::print_worst(&playing.judged, options.num_worst);
    }
    if let Some(path) = &options.csv {
        write(&path.with_extension("playing.csv"), &playing::csv(&playing.judged))?;
    }
    let sound_s: f64 = playing.judged.iter().map(|judged| judged.duration_s).sum();
    eprintln!("{} recordings, {sound_s:.0} s of sound", playing.judged.len());
    for what in &playing.left_out {
        eprintln!("SKIPPED: {what}");
    }
    Ok(())
}

fn write(path: &Path, text: &str) -> Result<(), String> {
    std::fs::write(path, text).map_err(|e| format!("{}: {e}", path.display()))
}

/// Judges the takes on all cores, in the order of their names.
fn judge_all(folder: &Path, only: &str) -> Result<Vec<JudgedTake>, String> {
    let mut paths = takes_in(folder)?;
    paths.retain(|(sound, _)| sound.to_string_lossy().contains(only));
    paths.par_iter().map(|(sound, truth)| judge(sound, truth)).collect()
}

/// Heading and content of one column of the rows.
type Column = (&'static str, fn(&Figures) -> String);

const COLUMNS: [Column; 16] = [
    ("true", |f| f.onsets[0].num_reference.to_string()),
    ("heard", |f| f.onsets[0].num_estimated.to_string()),
    ("F50", |f| share(f.onsets[0].f_measure())),
    ("F25", |f| share(f.onsets[1].f_measure())),
    ("F10", |f| share(f.onsets[2].f_measure())),
    ("bias", |f| number(f.median_error("onset"))),
    ("on.90", |f| number(f.abs_error_percentile("onset", 90.0))),
    ("slur.90", |f| number(f.abs_error_percentile("slur-onset", 90.0))),
    ("set.50", |f| number(f.abs_error_percentile("settle", 50.0))),
    ("set.90", |f| number(f.abs_error_percentile("settle", 90.0))),
    ("oc.90", |f| number(f.abs_error_percentile("onset-pitch", 90.0))),
    ("sp.90", |f| number(f.abs_error_percentile("settled-pitch", 90.0))),
    ("air.50", |f| number(f.abs_error_percentile("noise", 50.0))),
    ("dB.50", |f| number(f.abs_error_percentile("noise-level", 50.0))),
    ("tim.90", |f| number(f.abs_error_percentile("timing", 90.0))),
    ("flags", |f| format!("{}/{}", f.flagged_clean.0, f.flagged_clean.1)),
];

fn print_rows(takes: &[JudgedTake]) {
    let mut heads: Vec<String> = COLUMNS.iter().map(|(name, _)| (*name).to_owned()).collect();
    heads.extend(FAULTS.iter().map(|name| name.as_str().to_owned()));
    print_row("take", &heads);
    for take in takes {
        let figures = Figures::of([take]);
        let mut cells: Vec<String> = COLUMNS.iter().map(|(_, content)| content(&figures)).collect();
        cells.extend(figures.faults.iter().map(|c| format!("{}-{}+{}", c.num_right, c.num_missed, c.num_false)));
        print_row(&take.name, &cells);
    }
    println!("  ms, cents, dB; .50 .90 = percentile of the absolute error; faults: right-missed+false\n");
}

fn print_row(name: &str, cells: &[String]) {
    let cells: String = cells.iter().fold(String::new(), |mut row, cell| {
        let _ = write!(row, " {cell:>7}");
        row
    });
    println!("{name:<20}{cells}");
}

fn share(value: f64) -> String {
    if value.is_nan() { "-".into() } else { format!("{value:.3}") }
}

fn number(value: f64) -> String {
    if value.is_nan() { "-".into() } else { format!("{value:.1}") }
}

/// Made takes are what the figures to reach speak of; recorded notes have measured truth, and stand beside.
fn print_totals(takes: &[JudgedTake]) {
    let (recorded, made): (Vec<_>, Vec<_>) = takes.iter().partition(|take| take.truth.is_recorded());
    let all = lines(&Figures::of(takes));
    let made = lines(&Figures::of(made));
    let recorded = lines(&Figures::of(recorded));
    println!("{:<36} {:>10} {:>12} {:>12} {:>12} {:>7}", "total", "reach", "all", "made", "recorded", "notes");
    for ((line, made), recorded) in all.iter().zip(&made).zip(&recorded) {
        println!(
            "{:<36} {:>10} {:>12} {:>12} {:>12} {:>7}",
            line.name,
            line.reach.map(table::said).unwrap_or_default(),
            cell(line),
            cell(made),
            cell(recorded),
            line.num_notes
        );
    }
    let num_missed = all.iter().filter(|line| line.misses()).count();
    println!(
        "* short of what is to reach: {num_missed} of {} over all",
        all.iter().filter(|l| l.reach.is_some()).count()
    );
}

fn cell(line: &Line) -> String {
    let value = if line.unit.is_empty() { share(line.value) } else { format!("{} {}", number(line.value), line.unit) };
    format!("{value}{}", if line.misses() { " *" } else { "  " })
}

fn print_worst(figures: &Figures, num_worst: usize) {
    for (measure, notes) in MEASURES.iter().zip(&figures.measured) {
        let mut notes: Vec<&Miss> = notes.iter().collect();
        notes.sort_by(|a, b| badness(b).total_cmp(&badness(a)));
        println!("\nworst {} ({}): heard against true", measure.name, measure.unit);
        for note in notes.iter().take(num_worst) {
            println!("  {}", value_line(note));
        }
    }
    print_misses(figures, num_worst);
}

/// A value that could not be told counts as worse than any error.
fn badness(note: &Miss) -> f64 {
    note.compared.error().map_or(f64::INFINITY, f64::abs)
}

fn value_line(note: &Miss) -> String {
    let place = format!("{:<20} {:>8.3} s  midi {:>2}", note.take, note.at_s, note.midi);
    match (note.compared.heard, note.compared.error()) {
        (Some(heard), Some(error)) => {
            format!("{place}  {heard:>10.2} against {:>10.2}: {error:+.2}", note.compared.truth)
        }
        _ => format!("{place}  cannot tell against {:>10.2}", note.compared.truth),
    }
}

fn print_misses(figures: &Figures, num_worst: usize) {
    let mut kinds: Vec<&str> = figures.misses.iter().map(|miss| miss.what).collect();
    kinds.sort_unstable();
    kinds.dedup();
    for kind in kinds {
        let of_kind: Vec<&Miss> = figures.misses.iter().filter(|miss| miss.what == kind).collect();
        println!("\n{kind}: {}", of_kind.len());
        for miss in of_kind.iter().take(num_worst) {
            println!("  {:<20} {:>8.3} s  midi {}", miss.take, miss.at_s, miss.midi);
        }
    }
}

/// One line per true or invented note, with the truth and what was heard of every measure.
fn csv(takes: &[JudgedTake]) -> String {
    let mut out = String::from("take,onset_s,heard_onset_s,midi,heard_midi,made,true_faults,heard_faults,clarity");
    for measure in &MEASURES {
        let _ = write!(out, ",{0}_true,{0}_heard", measure.name);
    }
    out.push('\n');
    for take in takes {
        for t in 0..take.truth.entrances.len() {
            let heard = take.pairs.iter().find(|pair| pair.0 == t).map(|pair| pair.1);
            csv_line(&mut out, take, Some(t), heard);
        }
        for h in take.invented() {
            csv_line(&mut out, take, None, Some(h));
        }
    }
    out
}

fn csv_line(out: &mut String, take: &JudgedTake, t: Option<usize>, h: Option<usize>) {
    let note = t.map(|t| &take.truth.entrances[t]);
    let heard = h.map(|h| &take.heard[h]);
    let faults: Vec<&str> =
        heard.iter().flat_map(|e| e.verdict.faults.iter()).map(|fault| fault.name.as_str()).collect();
    let _ = write!(
        out,
        "{},{},{},{},{},{},{},{},{}",
        take.name,
        told(note.map(|n| n.onset_s)),
        told(heard.map(|e| e.front.onset_s)),
        told(note.map(|n| n.midi)),
        told(heard.and_then(|e| e.front.midi_note).map(f64::from)),
        note.and_then(|n| n.made.as_deref()).unwrap_or(""),
        note.map(|n| n.faults.join(" ")).unwrap_or_default(),
        faults.join(" "),
        told(heard.map(|e| e.verdict.clarity)),
    );
    for measure in &MEASURES {
        let compared = note.zip(heard).and_then(|(note, heard)| (measure.compare)(note, heard));
        let _ = write!(out, ",{},{}", told(compared.map(|c| c.truth)), told(compared.and_then(|c| c.heard)));
    }
    out.push('\n');
}

fn told(value: Option<f64>) -> String {
    value.map(|v| format!("{v:.4}")).unwrap_or_default()
}
