//! `cargo xtask month`: five weeks of an invented player's practice, with a weakness planted that fades; the practice log
//! finds it, a sheet is made after it, and it is seen to mend. Every command is one of a player's own.

use crate::said;
use notefront_dsp::units::midi_to_hz;
use notefront_takes::remembered::PLACE_VARIABLE;
use notefront_takes::sheet;
use notefront_tests::synth::{Attack, Dice, Front, Note, Player, Rise, Scene, Start, Tone, write_take};
use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, SystemTime};
use xtask::shell::{cargo, root};

/// Enough for a trombone's harmonics, and quick to make, Hz.
const RATE_HZ: f64 = 24_000.0;
const BPM: f64 = 80.0;
const FIRST_BEAT_S: f64 = 1.0;
/// Monday, 2026-03-02, 18:00 UTC, in seconds since 1970-01-01.
const MONDAY_S: u64 = 1_772_474_400;
const DAY_S: u64 = 86_400;
const NUM_WEEKS: usize = 5;
const DAYS_A_WEEK: usize = 5;
/// Weeks after which the sheet is made.
const WEEKS_BEFORE: usize = 2;
/// The line that is practised, over and over: B-flat major with a turn at its top, Eb4 twice.
const LINE: [u8; 12] = [46, 50, 53, 58, 60, 62, 63, 62, 65, 63, 58, 53];
const TIMES: usize = 6;
/// Eb4: the sixth partial in third position.
const WEAK: u8 = 63;
/// Share of the weak notes that go wrong in each week, and of all others.
const WEAK_SHARE: [f64; NUM_WEEKS] = [0.70, 0.60, 0.40, 0.22, 0.10];
const OTHER_SHARE: f64 = 0.07;

const STORY: &str = "\
Vesna Quill practises her \"Lock-Keeper's Line\" five days a week for five weeks. In the first week seven of ten of her
Eb4 (the sixth partial in third position) begin on the partial below; in the last it is one of ten. Of all other notes
one in fourteen goes wrong, at random. Player, line and room are invented, every sound is made by this command.
";

pub fn run(args: &mut lexopt::Parser) -> Result<(), String> {
    if let Some(other) = args.next().map_err(said)? {
        return Err(other.unexpected().to_string());
    }
    let folder = root().join("target/month");
    let _ = std::fs::remove_dir_all(&folder);
    std::fs::create_dir_all(&folder).map_err(|e| format!("{}: {e}", folder.display()))?;
    println!("{STORY}");
    let takes = make_takes(&folder)?;
    let (before, after) = takes.split_at(WEEKS_BEFORE * DAYS_A_WEEK);
    println!("The first {WEEKS_BEFORE} weeks, {} takes, into the log:", before.len());
    keep(&folder, before)?;
    println!("\nWhere does it go wrong?");
    notefront(&folder, &["log", "patterns", "--log", LOG])?;
    println!("\nWhat to work on tomorrow:");
    notefront(&folder, &["sheet", "--log", LOG, "--out", ".", "--name", "tomorrow"])?;
    println!("\nThe sheet as Vesna plays it, judged against it:");
    let played = play_sheet(&folder)?;
    notefront(&folder, &["scan", &played, "--notes", "tomorrow.musicxml"])?;
    println!("\nThe weeks after, {} takes:", after.len());
    keep(&folder, after)?;
    println!("\nIs it getting better?");
    notefront(&folder, &["log", "progress", "--log", LOG])?;
    notefront(&folder, &["log", "page", "--log", LOG, "--player", PLAYER, "--out", "practice.html"])?;
    println!("\nThe page: {}", folder.join("practice.html").display());
    Ok(())
}

const LOG: &str = "practice.log";
const PLAYER: &str = "Vesna";

/// The program as a player runs it, in the folder of the takes.
fn program() -> Command {
    let Some(built) = std::env::var_os("NOTEFRONT_PROGRAM") else {
        let mut command = cargo();
        let manifest = root().join("Cargo.toml");
        command.args(["run", "--quiet", "--release", "--package", "notefront-takes", "--bin", "notefront"]);
        command.arg("--manifest-path").arg(manifest).arg("--").env(PLACE_VARIABLE, "");
        return command;
    };
    let mut command = Command::new(built);
    command.env(PLACE_VARIABLE, "");
    command
}

fn notefront(folder: &Path, args: &[&str]) -> Result<(), String> {
    println!("$ notefront {}\n", args.join(" "));
    let status = program().args(args).current_dir(folder).status().map_err(said)?;
    if status.success() { Ok(()) } else { Err(format!("notefront {}: {status}", args.join(" "))) }
}

/// Takes into the log; their tables are not what this is about.
fn keep(folder: &Path, takes: &[PathBuf]) -> Result<(), String> {
    println!("$ notefront scan TAKE... --log={LOG} --player {PLAYER} --bpm {BPM} --first-beat {FIRST_BEAT_S}");
    let mut command = program();
    command.arg("scan").args(takes).arg(format!("--log={LOG}"));
    command.args(["--player", PLAYER, "--bpm", &BPM.to_string(), "--first-beat", &FIRST_BEAT_S.to_string()]);
    let output = command.current_dir(folder).stderr(Stdio::piped()).output().map_err(said)?;
    let told = String::from_utf8_lossy(&output.stderr);
    if !output.status.success() {
        return Err(told.into_owned());
    }
    println!("{} takes kept", told.lines().filter(|line| line.contains("kept in the log")).count());
    Ok(())
}

fn make_takes(folder: &Path) -> Result<Vec<PathBuf>, String> {
    let days = (0..NUM_WEEKS).flat_map(|week| (0..DAYS_A_WEEK).map(move |day| (week, day)));
    days.map(|(week, day)| {
        let seed = (7 * week + day) as u64;
        let scene = practice(week, seed);
        let name = format!("week-{}-day-{}", week + 1, day + 1);
        let (sound, truth) = scene.make(RATE_HZ, seed);
        write_take(folder, &name, &sound, &truth)?;
        let path = folder.join(format!("{name}.wav"));
        // A recording's file is last written when the take ends; so is this one.
        let ended = MONDAY_S + DAY_S * seed + scene.duration_s.ceil() as u64;
        let when = SystemTime::UNIX_EPOCH + Duration::from_secs(ended);
        File::options().write(true).open(&path).and_then(|file| file.set_modified(when)).map_err(said)?;
        Ok(path)
    })
    .collect()
}

fn scene(tones: Vec<Tone>, bpm: f64, dice: &mut Dice) -> Scene {
    let duration_s = tones.last().map_or(0.0, |tone| tone.release_s) + 1.5;
    Scene {
        kind: "month".into(),
        bpm,
        grid_start_s: FIRST_BEAT_S,
        timed: true,
        duration_s,
        player: Player { breath_db: -46.0, jitter_cents: 0.5, ..Player::any(dice) },
        tones,
        nuisances: Vec::new(),
        room: None,
        floor_db: -72.0 + 2.0 * dice.normal(),
        hum: (50.0, -82.0),
    }
}

fn practice(week: usize, seed: u64) -> Scene {
    let mut dice = Dice::new(1000 + seed);
    let beat_s = 60.0 / BPM;
    let mut tones = Vec::new();
    for (i, &midi) in LINE.iter().cycle().take(TIMES * LINE.len()).enumerate() {
        let at_s = FIRST_BEAT_S + i as f64 * beat_s + (0.004 * dice.normal()).clamp(-0.01, 0.01);
        let share = if midi == WEAK { WEAK_SHARE[week] } else { OTHER_SHARE };
        let front = if dice.within(0.0, 1.0) >= share {
            Front::Steady
        } else if midi == WEAK {
            Front::WrongPartial { ratio: 5.0 / 6.0, ms: dice.within(60.0, 90.0) }
        } else {
            Front::Approach { cents: -dice.within(75.0, 110.0), tau_ms: 55.0 }
        };
        tones.push(tone(midi, at_s, 0.68 * beat_s, front));
    }
    scene(tones, BPM, &mut dice)
}

fn tone(midi: u8, at_s: f64, length_s: f64, front: Front) -> Tone {
    let attack = Attack { rise: Rise::Logistic, tongue_db: Some(-28.0), ..Attack::plain(20.0) };
    let plain = Note::plain(at_s, midi_to_hz(f64::from(midi), 440.0), -17.0);
    let note = Note { front, start: Start::Attack(attack), ..plain };
    Tone { release_ms: 80.0, ..Tone::single(note, at_s + length_s) }
}

/// A take of the sheet, every note as it is written and each tongued; its name.
fn play_sheet(folder: &Path) -> Result<String, String> {
    let written = sheet::open(&folder.join("tomorrow.musicxml"), None).map_err(said)?;
    let clock = written.clock();
    let tones = written.notes.iter().map(|note| {
        let (from, to) = (clock.seconds(note.beat), clock.seconds(note.beat + note.length_beats));
        tone(note.midi_note, FIRST_BEAT_S + from, 0.7 * (to - from), Front::Steady)
    });
    let bpm = written.tempi.first().map_or(BPM, |&(_, bpm)| bpm);
    let (sound, truth) = scene(tones.collect(), bpm, &mut Dice::new(99)).make(RATE_HZ, 99);
    write_take(folder, "sheet-played", &sound, &truth)?;
    Ok("sheet-played.wav".into())
}
