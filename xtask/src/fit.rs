//! `cargo xtask fit`: makes `dsp/src/decode/fitted.txt` again from labels, recordings and made takes.
//!
//! Two runs. `cargo xtask fit --playing DIR` gathers the takes and fits where notes begin; what tells a played note from
//! talk is kept. It looks at the notes that the fit finds, and the fit is part of the build: so `cargo xtask fit --notes`
//! fits that in a second run, on what the first has gathered.

use crate::shell::{answers, root, run as run_command};
use crate::{make, python, said};
use notefront_dsp::decode::{NAMES, NOTE_NAMES, candidates, sounds};
use notefront_tests::synth::KINDS;
use notefront_tests::{audio, shared};
use rayon::prelude::*;
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};
use std::process::Command;

/// The fitted scores, and a copy of them that a run writes first.
const FITTED: &str = "dsp/src/decode/fitted.txt";
/// What is gathered lies here; of a trial with `--only` there.
const WORK: &str = "target/fit";
const TRIAL: &str = "target/fit-trial";
/// Made takes: kinds, seeds. No other chore and no test uses these seeds.
const MADE: [(&[&str], RangeInclusive<u64>); 3] = [
    (&KINDS, 101..=103),
    (&["faults", "legato", "repeats", "room", "slurs", "nuisances"], 104..=108),
    (&["nuisances"], 110..=130),
];
const MADE_RATE_HZ: f64 = 48_000.0;

#[derive(Default)]
struct Options {
    playing: Option<PathBuf>,
    notes: bool,
    check: bool,
    only: String,
}

pub fn run(args: &mut lexopt::Parser) -> Result<(), String> {
    let options = parse(args)?;
    let python = needs()?;
    let work = root().join(if options.only.is_empty() { WORK } else { TRIAL });
    if let Some(playing) = &options.playing {
        gather(&python, playing, &work, &options.only)?;
    }
    see(&work, options.notes)?;
    fit(&python, &work, &options)
}

fn parse(args: &mut lexopt::Parser) -> Result<Options, String> {
    use lexopt::prelude::{Long, ValueExt};
    let mut options = Options::default();
    while let Some(arg) = args.next().map_err(said)? {
        match arg {
            Long("playing") => options.playing = Some(args.value().map_err(said)?.into()),
            Long("notes") => options.notes = true,
            Long("check") => options.check = true,
            Long("only") => options.only = args.value().and_then(|v| v.string()).map_err(said)?,
            other => return Err(other.unexpected().to_string()),
        }
    }
    if options.notes && options.check {
        return Err("--check is of where notes begin, --notes of what they are: one at a time".into());
    }
    Ok(options)
}

/// A Python that can fit, once all that is needed is there; else what to install.
fn needs() -> Result<PathBuf, String> {
    if !answers("espeak-ng", &["--version"]) {
        return Err("talk is made by espeak-ng, which is missing: sudo apt-get install espeak-ng".into());
    }
    python::fitter()
}

/// Makes the made takes, and has the recordings chosen and altered.
fn gather(python: &Path, playing: &Path, work: &Path, only: &str) -> Result<(), String> {
    let playing = playing.canonicalize().map_err(|e| format!("{}: {e}", playing.display()))?;
    let shared = shared::folder("takes").ok_or("the shared takes are fitted to as well")?;
    let shared = shared.parent().ok_or("no folder of shared takes")?;
    clear(work)?;
    let made = work.join("made");
    make_takes(&made, only)?;
    let mut script = Command::new(python);
    script.arg("xtask/fit/takes.py").args([&playing, shared, Path::new("tests/labels"), &made, work]);
    run_command(script.args((!only.is_empty()).then_some(only)))
}

fn clear(folder: &Path) -> Result<(), String> {
    let said = |e| format!("{}: {e}", folder.display());
    if folder.is_dir() {
        std::fs::remove_dir_all(folder).map_err(said)?;
    }
    std::fs::create_dir_all(folder).map_err(said)
}

fn make_takes(folder: &Path, only: &str) -> Result<(), String> {
    clear(folder)?;
    let of_seeds = |(kinds, seeds): &(&'static [&'static str], RangeInclusive<u64>)| {
        seeds.clone().flat_map(|seed| kinds.iter().map(move |kind| (*kind, seed))).collect::<Vec<_>>()
    };
    let all: Vec<(&str, u64)> = MADE.iter().flat_map(of_seeds).collect();
    let wanted = |(kind, seed): &&(&str, u64)| is_wanted(&format!("{kind}-{seed}"), only);
    let wanted: Vec<_> = all.iter().filter(wanted).collect();
    wanted.par_iter().try_for_each(|(kind, seed)| make::take(folder, kind, *seed, MADE_RATE_HZ).map(|_| ()))
}

/// Whether one of the texts between bars is in a name; none is in every name.
fn is_wanted(name: &str, only: &str) -> bool {
    only.split('|').any(|text| name.contains(text))
}

/// Writes what the analysis sees in every take, and what the numbers are called.
fn see(work: &Path, notes: bool) -> Result<(), String> {
    let list = work.join("paths.txt");
    let list = std::fs::read_to_string(&list)
        .map_err(|e| format!("nothing is gathered yet, begin with --playing DIR: {}: {e}", list.display()))?;
    let place = work.join(if notes { "sounds" } else { "candidates" });
    clear(&place)?;
    let names = if notes { NOTE_NAMES.join("\n") } else { NAMES.join("\n") };
    std::fs::write(place.join("names.txt"), names).map_err(said)?;
    let takes: Vec<(&str, &str)> = list.lines().filter_map(|line| line.split_once('\t')).collect();
    eprintln!("Looking at {} takes.", takes.len());
    takes.par_iter().try_for_each(|(name, path)| {
        let sound = audio::read(Path::new(path))?;
        let rows = if notes {
            bytes(&sounds(&sound.samples, sound.rate_hz))
        } else {
            bytes(&candidates(&sound.samples, sound.rate_hz))
        };
        std::fs::write(place.join(format!("{name}.f32")), rows).map_err(|e| format!("{name}: {e}"))
    })
}

/// Rows of time and features as 32-bit floats.
fn bytes<const N: usize>(rows: &[(f64, [f32; N])]) -> Vec<u8> {
    rows.iter().flat_map(|(s, seen)| std::iter::once(*s as f32).chain(*seen)).flat_map(f32::to_le_bytes).collect()
}

/// Fits; the fitted scores of the build change only when all went well, and never by a trial.
fn fit(python: &Path, work: &Path, options: &Options) -> Result<(), String> {
    let (fitted, new) = (root().join(FITTED), work.join("fitted.txt"));
    let copy =
        |from: &Path, to: &Path| std::fs::copy(from, to).map(|_| ()).map_err(|e| format!("{}: {e}", to.display()));
    copy(&fitted, &new)?;
    let how = [(options.notes, "--notes"), (options.check, "--check")];
    let how = how.iter().filter(|(is_asked, _)| *is_asked).map(|(_, word)| word);
    run_command(Command::new(python).arg("xtask/fit/fit.py").args([work, &new]).args(how))?;
    if options.check {
        return Ok(());
    }
    if !options.only.is_empty() {
        println!("A trial: {FITTED} stays as it is.");
        return Ok(());
    }
    copy(&new, &fitted)?;
    println!("{FITTED} is written.");
    if !options.notes {
        println!("Now: cargo xtask fit --notes");
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_row_is_its_time_and_what_was_seen() {
        let rows = bytes(&[(0.5, [1.0, -2.0]), (1.5, [3.0, f32::NAN])]);
        let values: Vec<f32> = rows.chunks(4).map(|b| f32::from_le_bytes(b.try_into().expect("four bytes"))).collect();
        assert_eq!(values[..5], [0.5, 1.0, -2.0, 1.5, 3.0]);
        assert!(values[5].is_nan() && values.len() == 6);
    }

    #[test]
    fn a_take_is_wanted_by_any_of_the_texts() {
        assert!(is_wanted("faults-101", "") && is_wanted("faults-101", "talk|faults"));
        assert!(!is_wanted("faults-101", "talk|slurs"));
    }

    #[test]
    fn made_takes_are_of_kinds_that_exist_and_none_is_made_twice() {
        let mut all = Vec::new();
        for (kinds, seeds) in MADE {
            assert!(kinds.iter().all(|kind| KINDS.contains(kind)));
            all.extend(seeds.flat_map(|seed| kinds.iter().map(move |kind| (*kind, seed))));
        }
        let num = all.len();
        all.sort_unstable();
        all.dedup();
        assert_eq!(all.len(), num);
    }
}
