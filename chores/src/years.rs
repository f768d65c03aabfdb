//! `cargo xtask years`: five years of daily half-hours, two million entrances, in a practice log: how large it is, and how long
//! its questions take. With `--keep` the log stays, and is only asked the next time.

use crate::said;
use notefront_dsp::{Entrance, Settings, analyze_and_judge};
use notefront_takes::exercise::plan;
use notefront_takes::log::alternates::Alternates;
use notefront_takes::log::habits::Habits;
use notefront_takes::log::heard::{HeardSound, Room};
use notefront_takes::log::position_map::PositionMap;
use notefront_takes::log::progress::{Progress, unusual};
use notefront_takes::log::stamina::Stamina;
use notefront_takes::log::tone::Tones;
use notefront_takes::log::{Log, LoggedEntrance, Span, TakeEntry, page};
use notefront_tests::synth::{Dice, make};
use std::hint::black_box;
use std::time::Instant;
use xtask::shell::root;

const NUM_DAYS: usize = 5 * 365;
const NOTES_A_DAY: usize = 1096;
/// 2021-03-01, 18:00 UTC.
const FIRST_DAY_S: i64 = 1_614_621_600;
/// Each time is the least of this many; beside it the most of them, for what the machine did meanwhile.
const NUM_RUNS: usize = 5;

pub fn run(args: &mut lexopt::Parser) -> Result<(), String> {
    let mut is_kept = false;
    while let Some(arg) = args.next().map_err(said)? {
        match arg {
            lexopt::Arg::Long("keep") => is_kept = true,
            other => return Err(other.unexpected().to_string()),
        }
    }
    let path = root().join("target/years.log");
    if is_kept && path.exists() {
        return ask(&path);
    }
    let _ = std::fs::remove_file(&path);
    let begun = Instant::now();
    let num = fill(&path)?;
    let size_mb = std::fs::metadata(&path).map_err(said)?.len() as f64 / 1e6;
    let profile = if cfg!(debug_assertions) { "dev" } else { "release" };
    println!("{num} entrances of {NUM_DAYS} days kept in {:.0} s ({profile} profile)", begun.elapsed().as_secs_f64());
    println!("the file: {size_mb:.0} MB, {:.0} bytes an entrance", size_mb * 1e6 / num as f64);
    ask(&path)?;
    if is_kept {
        return Ok(());
    }
    std::fs::remove_file(&path).map_err(said)
}

/// Entrances of a made take, measured and judged, to be played on and on with a little difference.
fn played() -> Result<Vec<Entrance>, String> {
    let scene = make("faults", 1).ok_or("no such kind")?;
    let (sound, _) = scene.make(48_000.0, 1);
    analyze_and_judge(&sound.samples, 48_000.0, Settings::default()).map_err(said)
}

fn fill(path: &std::path::Path) -> Result<usize, String> {
    let played = played()?;
    let mut log = Log::open(path).map_err(said)?;
    let mut dice = Dice::new(1);
    for day in 0..NUM_DAYS {
        let mut fingerprint = [0; 32];
        fingerprint[..8].copy_from_slice(&(day as u64).to_le_bytes());
        let one = |i| LoggedEntrance::of(note(&played, i, &mut dice));
        let entrances: Vec<LoggedEntrance> = (0..NOTES_A_DAY).map(one).collect();
        let room = Room {
            floor_db: -62.0 + dice.normal(),
            floor_tilt_db: Some(-4.0 + 0.3 * dice.normal()),
            tone_tilt_db: Some(-7.0 + 0.3 * dice.normal()),
        };
        let entry = TakeEntry {
            player: "Vesna".into(),
            name: format!("day-{day}.wav"),
            begun_s: FIRST_DAY_S + 86_400 * day as i64,
            utc_offset_min: 60,
            is_when_given: true,
            duration_s: 1800.0,
            sample_rate_hz: 48_000.0,
            settings: Settings::default(),
            warnings: Vec::new(),
            sound: HeardSound { fingerprint, room: Some(room) },
            entrances,
            has_all_corrections: false,
            tags: vec!["daily".into()],
            note: String::new(),
        };
        log.keep(&entry).map_err(said)?;
    }
    Ok(NUM_DAYS * NOTES_A_DAY)
}

/// The `i`-th note of a day: one of those there are, its measures moved a little, so that no two rows are the same.
fn note(played: &[Entrance], i: usize, dice: &mut Dice) -> Entrance {
    let mut note = played[(dice.within(0.0, played.len() as f64) as usize).min(played.len() - 1)];
    let at_s = 1.0 + i as f64 * 1.64;
    let move_s = at_s - note.front.speaks_s;
    note.front.index = i;
    for instant in [&mut note.front.sound_start_s, &mut note.front.onset_s, &mut note.front.speaks_s] {
        *instant += move_s;
    }
    note.front.end_s = note.front.end_s.map(|end_s| end_s + move_s);
    let front = &mut note.front;
    let measures = [
        &mut front.tuning_cents,
        &mut front.settle_ms,
        &mut front.approach_cents,
        &mut front.onset_cents,
        &mut front.speak_ms,
        &mut front.attack_ms,
        &mut front.growth_db_per_s,
        &mut note.verdict.timing_ms,
    ];
    for measure in measures.into_iter().flatten() {
        measure.value *= 1.0 + 0.1 * dice.normal();
    }
    note
}

/// The least time of a question, printed.
fn timed<T>(what: &str, mut question: impl FnMut() -> Result<T, String>) -> Result<(), String> {
    let (mut least_ms, mut most_ms) = (f64::INFINITY, 0.0_f64);
    for _ in 0..NUM_RUNS {
        let begun = Instant::now();
        black_box(question()?);
        let took_ms = begun.elapsed().as_secs_f64() * 1e3;
        (least_ms, most_ms) = (least_ms.min(took_ms), most_ms.max(took_ms));
    }
    println!("{what:<40} {least_ms:>7.0} ms  (to {most_ms:.0})");
    Ok(())
}

fn ask(path: &std::path::Path) -> Result<(), String> {
    let log = Log::open(path).map_err(said)?;
    let player = log.player(None).map_err(said)?;
    let all = Span::default();
    let year = Span { from_s: Some(FIRST_DAY_S + 86_400 * (NUM_DAYS as i64 - 365)), ..Span::default() };
    let played = |span: &Span| log.played(player, span).map_err(said);
    timed("opening it", || Log::open(path).map_err(said))?;
    timed("who is in it", || log.players().map_err(said))?;
    timed("all takes", || log.takes(player, &all).map_err(said))?;
    timed("all takes and notes", || played(&all))?;
    timed("patterns, the last year", || Ok(Habits::of(&played(&year)?)))?;
    timed("patterns, five years", || Ok(Habits::of(&played(&all)?)))?;
    timed("progress, five years", || Ok(Progress::of(&played(&all)?)))?;
    timed("the last session against the usual", || Ok(unusual(&played(&all)?)))?;
    timed("a sheet, five years", || Ok(plan::of(&Habits::of(&played(&all)?))))?;
    timed("the tone, five years", || Ok(Tones::of(&played(&all)?)))?;
    timed("positions, five years", || {
        let played = played(&all)?;
        Ok((PositionMap::of(&played, &[]), Alternates::of(&played)))
    })?;
    timed("stamina, five years", || Ok(Stamina::of(&played(&all)?)))?;
    timed("the whole page, five years", || Ok(page::page(None, &played(&all)?)))?;
    let takes = log.takes(player, &all).map_err(said)?;
    let last = takes.last().ok_or("no takes")?;
    timed("every measure of one take", || log.entrances(last).map_err(said))
}
