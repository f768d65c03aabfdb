//! `cargo xtask demo`: an invented player practises an invented phrase in an invented room, and the program listens.

use notefront_dsp::units::{midi_to_hz, note_name};
use notefront_takes::remembered::PLACE_VARIABLE;
use notefront_tests::synth::{
    Air, Attack, Dice, Front, Note, Player, Rise, Room, Scene, Start, Stutter, Tone, write_take,
};
use notefront_tests::truth::{NoteTruth, TakeTruth};
use std::path::{Path, PathBuf};
use xtask::shell::{cargo, root, run as run_command};

const BPM: f64 = 72.0;
const FIRST_BEAT_S: f64 = 1.0;
const RATE_HZ: f64 = 48_000.0;
/// Of every take's chance.
const SEED: u64 = 7;
/// The phrase, one note a beat: MIDI notes of an eight-note line that goes up a chord and comes down by steps.
const PHRASE: [u8; 8] = [46, 53, 58, 62, 60, 58, 55, 53];

const STORY: &str = "\
Vesna Quill warms up in a tiled stairwell at 72 beats a minute, with the eight notes of her own
\"Lock-Keeper's Line\": first cold, then again after ten minutes of quiet starts. Player, piece and room
are invented, and every sound is made by this command.
";

pub fn run(args: &mut lexopt::Parser) -> Result<(), String> {
    use lexopt::prelude::Value;
    match args.next().map_err(crate::said)? {
        Some(Value(path)) => scan(&[PathBuf::from(path)], &[]),
        Some(other) => Err(other.unexpected().to_string()),
        None => tell_the_story(),
    }
}

fn tell_the_story() -> Result<(), String> {
    let folder = root().join("target/demo");
    std::fs::create_dir_all(&folder).map_err(|e| format!("{}: {e}", folder.display()))?;
    println!("{STORY}");
    let cold = write(&folder, "lock-keepers-line-1-cold", &cold())?;
    let warm = write(&folder, "lock-keepers-line-2-warm", &warm())?;
    println!("What was put into the first take:\n{}", what_was_made(&cold.1));
    println!("Into the second:\n{}", what_was_made(&warm.1));
    let bpm = BPM.to_string();
    let first_beat = FIRST_BEAT_S.to_string();
    scan(&[cold.0, warm.0], &["--bpm", &bpm, "--first-beat", &first_beat])?;
    println!("{CLOSING}");
    Ok(())
}

const CLOSING: &str = "
How to read it: each row is one attack; the words say what is wrong and the numbers stand behind them.
The made faults above should come back note by note in the first take, and the second take should be
nearly bare. What a number cannot tell is left out rather than guessed. Your own take:
  cargo xtask demo my-take.wav";

/// Scans with the program as a player would.
fn scan(takes: &[PathBuf], options: &[&str]) -> Result<(), String> {
    let here = std::env::current_dir().map_err(crate::said)?;
    let takes = takes.iter().map(|take| here.join(take));
    let what = ["--release", "--package", "notefront-takes", "--bin", "notefront"];
    println!("Building the program; the first time takes some minutes.");
    run_command(cargo().arg("build").args(what))?;
    println!();
    // What whoever looks on has the program remember is not part of the scenario.
    let mut program = cargo();
    program.args(["run", "--quiet"]).args(what).args(["--", "scan"]).env(PLACE_VARIABLE, "");
    run_command(program.args(takes).args(options))
}

fn write(folder: &Path, name: &str, scene: &Scene) -> Result<(PathBuf, TakeTruth), String> {
    let (sound, truth) = scene.make(RATE_HZ, SEED);
    write_take(folder, name, &sound, &truth)?;
    Ok((folder.join(format!("{name}.wav")), truth))
}

/// Off the beat by more than this a note was put there on purpose, ms.
const OFF_BEAT_MS: f64 = 40.0;

fn what_was_made(truth: &TakeTruth) -> String {
    let listed: String = truth.entrances.iter().filter_map(made_of_note).collect();
    if listed.is_empty() { "  nothing but clean attacks\n".into() } else { listed }
}

fn made_of_note(note: &NoteTruth) -> Option<String> {
    let off_ms = note.timing_ms.filter(|ms| ms.abs() > OFF_BEAT_MS);
    let what = match (note.made.as_deref().filter(|made| *made != "none"), off_ms) {
        (Some(made), _) => made.to_owned(),
        (None, Some(ms)) => format!("{:.0} ms {}", ms.abs(), if ms > 0.0 { "late" } else { "early" }),
        (None, None) => return None,
    };
    Some(format!("  {:6.2} s  {:<4} {what}\n", note.speaks_s, note_name(note.midi as u8)))
}

fn cold() -> Scene {
    scene(|i, note, attack| match i {
        1 => note.front = Front::WrongPartial { ratio: 4.0 / 3.0, ms: 75.0 },
        2 => note.front = Front::Approach { cents: -85.0, tau_ms: 55.0 },
        3 => attack.air = Some(Air { ms: 110.0, db: -20.0 }),
        4 => note.front = Front::Slide { cents: -130.0, cents_per_s: 1300.0 },
        6 => attack.stutter = Some(Stutter { dip_after_ms: 68.0, dip_db: 15.0, half_width_ms: 28.0 }),
        7 => note.at_s += 0.07,
        _ => {}
    })
}

fn warm() -> Scene {
    scene(|i, note, _| {
        if i == 2 {
            note.front = Front::Approach { cents: -48.0, tau_ms: 30.0 };
        }
    })
}

fn scene(spoil: impl Fn(usize, &mut Note, &mut Attack)) -> Scene {
    let mut dice = Dice::new(SEED);
    let player = Player { breath_db: -46.0, jitter_cents: 0.5, ..Player::any(&mut dice) };
    let beat_s = 60.0 / BPM;
    let tones = PHRASE.iter().enumerate().map(|(i, midi)| tone(i, *midi, beat_s, &spoil)).collect();
    Scene {
        kind: "demo".into(),
        bpm: BPM,
        grid_start_s: FIRST_BEAT_S,
        timed: true,
        duration_s: FIRST_BEAT_S + beat_s * PHRASE.len() as f64 + 1.5,
        player,
        tones,
        nuisances: Vec::new(),
        room: Some(Room { rt60_s: 0.7, wet_db: -14.0, delay_s: 0.012 }),
        floor_db: -72.0,
        hum: (50.0, -82.0),
    }
}

fn tone(i: usize, midi: u8, beat_s: f64, spoil: &impl Fn(usize, &mut Note, &mut Attack)) -> Tone {
    let at_s = FIRST_BEAT_S + i as f64 * beat_s;
    let mut attack = Attack { rise: Rise::Logistic, tongue_db: Some(-28.0), ..Attack::plain(24.0) };
    let mut note = Note::plain(at_s, midi_to_hz(f64::from(midi), 440.0), -17.0);
    spoil(i, &mut note, &mut attack);
    note.start = Start::Attack(attack);
    let release_s = at_s + 0.68 * beat_s;
    Tone { release_ms: 80.0, ..Tone::single(note, release_s) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use notefront_dsp::{Entrance, FaultName, Grid, Settings, analyze_and_judge};

    fn heard(scene: &Scene) -> Vec<Entrance> {
        let (sound, _) = scene.make(RATE_HZ, SEED);
        let grid = Some(Grid { bpm: BPM, first_beat_s: FIRST_BEAT_S, per_beat: 1 });
        analyze_and_judge(&sound.samples, RATE_HZ, Settings { grid, ..Settings::default() }).expect("judged")
    }

    fn faults(scene: &Scene) -> Vec<Vec<FaultName>> {
        heard(scene).iter().map(|entrance| entrance.verdict.faults.iter().map(|fault| fault.name).collect()).collect()
    }

    #[test]
    fn the_readme_shows_what_the_program_prints_of_these_takes() {
        use notefront_takes::comparison_table::{self, ComparisonStyle};
        use notefront_takes::table::{self, TableStyle};
        use notefront_takes::take::{ScanOptions, scan};
        use notefront_takes::{compare, loudness};
        let folder = tempfile::tempdir().expect("a temporary folder");
        let grid = Some(Grid { bpm: BPM, first_beat_s: FIRST_BEAT_S, per_beat: 1 });
        let options = ScanOptions { settings: Settings { grid, ..Settings::default() }, ..ScanOptions::default() };
        let heard = |name: &str, scene: &Scene| {
            let (path, _) = write(folder.path(), name, scene).expect("room");
            let mut take = scan(&path, options, |_| {}).expect("a take");
            notefront_takes::beats::Beats::given(options.settings.grid.expect("given"))
                .time(&mut take.entrances, &options.settings);
            let loudness = loudness::of_file(&path, options.channel).expect("a take");
            compare::HeardTake { take, loudness }
        };
        let (a, b) = (heard("cold", &cold()), heard("warm", &warm()));
        let choice = compare::choose(&[a.clone(), b.clone()], None);
        let two = comparison_table::two(&a, &b, &compare::compare(&a, &b), &choice, ComparisonStyle::default());
        let printed = table::take(&a.take, TableStyle::default()) + &two;
        let readme = include_str!("../../README.md");
        let blocks = readme.split("```\n").skip(1).step_by(2).filter(|block| block.contains("0:02.67"));
        let shown: Vec<&str> = blocks.flat_map(str::lines).collect();
        assert!(shown.len() > 15, "both examples are there");
        for line in shown {
            assert!(printed.lines().any(|printed| printed == line), "README shows {line:?}, but printed is\n{printed}");
        }
    }

    #[test]
    fn every_fault_of_the_first_take_comes_back_and_no_other() {
        use FaultName::{Airy, Below, Late, Smear, Split, Stutter};
        let wanted = [vec![], vec![Split], vec![Below], vec![Airy], vec![Smear], vec![], vec![Stutter], vec![Late]];
        assert_eq!(faults(&cold()), wanted);
    }

    #[test]
    fn the_second_take_is_nearly_bare() {
        // Its third front leans by less than the line of 27 cents: told as numbers, not flagged.
        let wanted: Vec<Vec<FaultName>> = vec![vec![]; PHRASE.len()];
        assert_eq!(faults(&warm()), wanted);
    }
}
