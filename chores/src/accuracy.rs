//! `cargo xtask accuracy`: takes with truth, row by row and in total, and real playing; each figure beside what is to
//! reach, and where it is worst.

mod playing;
mod table;

use crate::said;
use notefront_tests::accuracy::{
    FAULTS, Figures, JudgedTake, MEASURES, Miss, Origin, coverage_rows, judge, lines, takes_in,
};
use notefront_tests::imposed;
use notefront_tests::synth::{KINDS, make};
use notefront_tests::table::{FlagRow, Row};
use rayon::prelude::*;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

#[derive(Default)]
struct Options {
    takes: Option<PathBuf>,
    made: Option<u64>,
    playing: Option<PathBuf>,
    cache: Option<PathBuf>,
    num_worst: usize,
    csv: Option<PathBuf>,
    only: String,
}

/// What stands in the table, and what had to be left out.
#[derive(Default)]
struct Report {
    rows: Vec<Row>,
    flags: Vec<FlagRow>,
    skipped: Vec<String>,
}

pub fn run(args: &mut lexopt::Parser) -> Result<(), String> {
    let options = parse(args)?;
    let start = std::time::Instant::now();
    let mut report = Report::default();
    of_takes(&options, &mut report)?;
    if let Some(folder) = &options.playing {
        of_playing(folder, &options, &mut report)?;
        of_placed(folder, &options, &mut report)?;
    }
    table::print(&report.rows);
    table::print_flags(&report.flags);
    eprintln!("{:.1} s", start.elapsed().as_secs_f64());
    for what in fitted_on()?.into_iter().chain(report.skipped.iter().map(|what| format!("SKIPPED: {what}"))) {
        eprintln!("{what}");
    }
    Ok(())
}

/// What the fitted numbers have seen: a figure on that is not held out, and the table must not hide it.
fn fitted_on() -> Result<Vec<String>, String> {
    let path = xtask::shell::root().join("dsp/src/decode/fitted.txt");
    let text = std::fs::read_to_string(&path).map_err(|e| format!("{}: {e}", path.display()))?;
    let head: Vec<&str> = text.lines().map_while(|line| line.strip_prefix('#')).map(str::trim).collect();
    let seen: Vec<&str> = head.into_iter().skip_while(|line| !line.starts_with("Fitted on")).collect();
    Ok(if seen.is_empty() { Vec::new() } else { vec![format!("NOT HELD OUT: {}", seen.join("; "))] })
}

fn parse(args: &mut lexopt::Parser) -> Result<Options, String> {
    use lexopt::prelude::{Long, Value, ValueExt};
    let mut options = Options::default();
    while let Some(arg) = args.next().map_err(said)? {
        match arg {
            Long("worst") => options.num_worst = args.value().and_then(|v| v.parse()).map_err(said)?,
            Long("csv") => options.csv = Some(args.value().map_err(said)?.into()),
            Long("only") => options.only = args.value().and_then(|v| v.string()).map_err(said)?,
            Long("made") => options.made = Some(args.value().and_then(|v| v.parse()).map_err(said)?),
            Long("playing") => options.playing = Some(args.value().map_err(said)?.into()),
            Long("cache") => options.cache = Some(args.value().map_err(said)?.into()),
            Value(folder) => options.takes = Some(folder.into()),
            other => return Err(other.unexpected().to_string()),
        }
    }
    if options.takes.is_none() && options.playing.is_none() && options.made.is_none() {
        return Err("which folder? cargo xtask accuracy DIR, --made SEED, --playing DIR, or all of them".into());
    }
    Ok(options)
}

/// Takes of a folder, and takes made now.
fn of_takes(options: &Options, report: &mut Report) -> Result<(), String> {
    let mut takes = options.takes.as_ref().map_or(Ok(Vec::new()), |folder| judge_all(folder, &options.only))?;
    if let Some(seed) = options.made {
        takes.extend(judge_made(seed, &options.only)?);
    }
    if takes.is_empty() {
        return Ok(());
    }
    print_rows(&takes);
    report.rows.extend(total_rows(&takes));
    let made: Vec<JudgedTake> = takes.iter().filter(|take| !take.truth.is_recorded()).cloned().collect();
    report.rows.extend(coverage_rows(&made, Origin::Made));
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

/// One take of every kind.
fn judge_made(seed: u64, only: &str) -> Result<Vec<JudgedTake>, String> {
    let kinds: Vec<&str> = KINDS.into_iter().filter(|kind| kind.contains(only)).collect();
    kinds
        .into_par_iter()
        .map(|kind| {
            let scene = make(kind, seed).ok_or_else(|| format!("no kind is called {kind}"))?;
            let (sound, truth) = scene.make(48_000.0, seed);
            JudgedTake::new(format!("{kind}-{seed}"), &sound, truth)
        })
        .collect()
}

fn of_playing(folder: &Path, options: &Options, report: &mut Report) -> Result<(), String> {
    let playing = playing::judge_all(folder, &options.only)?;
    report.rows.extend(notefront_tests::playing::rows(&playing.judged));
    let again = playing::hear_all_again(&playing.judged)?;
    report.rows.extend(notefront_tests::playing::steadiness_rows(&again));
    report.flags.extend(notefront_tests::playing::flag_rows(&playing.judged));
    if options.num_worst > 0 {
        playing::print_worst(&playing.judged, options.num_worst);
        playing::print_unsteady(&again);
    }
    if let Some(path) = &options.csv {
        write(&path.with_extension("playing.csv"), &playing::csv(&playing.judged))?;
    }
    let sound_s: f64 = playing.judged.iter().map(|judged| judged.duration_s).sum();
    eprintln!("{} recordings, {sound_s:.0} s of sound", playing.judged.len());
    report.skipped.extend(playing.left_out);
    Ok(())
}

/// Recorded notes on a click, with faults imposed.
fn of_placed(folder: &Path, options: &Options, report: &mut Report) -> Result<(), String> {
    let Some(cache) = &options.cache else {
        report
            .skipped
            .push("recorded notes with imposed faults: name a folder for their fronts with --cache DIR".into());
        return Ok(());
    };
    let sources = imposed::sources(folder)?;
    let placed = imposed::placed_takes(&sources, &imposed::measured_fronts(&sources, cache)?)?;
    let takes: Vec<JudgedTake> = placed
        .into_par_iter()
        .filter(|placed| placed.name.contains(&options.only))
        .map(|placed| JudgedTake::new(placed.name, &placed.sound, placed.truth))
        .collect::<Result<_, _>>()?;
    report.rows.extend(imposed::placed_rows(&takes));
    report.rows.extend(coverage_rows(&takes, Origin::Recorded));
    report.flags.extend(imposed::placed_flags(&takes));
    if options.num_worst > 0 {
        print_worst(&Figures::of(&takes), options.num_worst);
    }
    if let Some(path) = &options.csv {
        write(&path.with_extension("placed.csv"), &csv(&takes))?;
    }
    eprintln!(
        "{} takes of recorded notes, {:.0} s of sound",
        takes.len(),
        takes.iter().map(|t| t.duration_s).sum::<f64>()
    );
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

/// The totals as rows of the table: made takes are what the figures to reach speak of; recorded notes have measured truth.
fn total_rows(takes: &[JudgedTake]) -> Vec<Row> {
    let (recorded, made): (Vec<_>, Vec<_>) = takes.iter().partition(|take| take.truth.is_recorded());
    let mut rows = Vec::new();
    for (section, takes, whose) in [
        ("made takes", made, "by construction"),
        ("recorded notes on a click, as they are", recorded, "by another tracker, to about 10 ms"),
    ] {
        if takes.is_empty() {
            continue;
        }
        let lines = lines(&Figures::of(takes));
        rows.extend(lines.into_iter().filter(|line| line.num_notes > 0).map(|line| {
            let on = format!("{} notes, {whose}", line.num_notes);
            Row { reach: line.reach, ..Row::value(section, &line.name, line.value, line.unit, on) }
        }));
    }
    rows
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
        "\"{}\",{},{},{},{},{},{},{},{}",
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
