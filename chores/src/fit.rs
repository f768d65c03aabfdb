//! `cargo xtask fit`: makes `dsp/src/decode/fitted.txt` again from labels, recordings and made takes.
//!
//! Four runs. `cargo xtask fit --playing DIR` gathers the takes and fits where notes begin; the rest is kept. What tells a
//! played note from talk and knocks, air from what else sounds before a note and a slide from other ways in, looks at the notes that the fit finds,
//! and the fit is part of the build: so `cargo xtask fit` with `--notes`, `--air` and `--slides` fits those in runs of their own, on
//! what the first has gathered.

use crate::{make, said};
use notefront_dsp::analyzer::{Looked, looked_at};
use notefront_dsp::decode::{NAMES, NOTE_NAMES, STRUCK_NAMES, StruckEar, candidates, note_features, sounds};
use notefront_dsp::{air, slide};
use notefront_tests::imposed::{self, Before, WayIn};
use notefront_tests::synth::{Dice, KINDS};
use notefront_tests::truth::{NoteTruth, TakeTruth};
use notefront_tests::{audio, shared};
use rayon::prelude::*;
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};
use std::process::Command;
use xtask::python;
use xtask::shell::{answers, root, run as run_command};

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
/// An onset heard within this of a known one is that one, s.
const SAME_ONSET_S: f64 = 0.050;
/// Shorter made air is neither air nor none, ms.
const SHORT_AIR_MS: f64 = 20.0;

#[derive(Default)]
struct Options {
    playing: Option<PathBuf>,
    what: What,
    check: bool,
    only: String,
}

/// What is fitted in a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
enum What {
    /// Where notes begin.
    #[default]
    Onsets,
    /// What tells a played note from talk and knocks.
    Notes,
    /// What tells a struck or beeping thing from a played note.
    Struck,
    /// What tells air from what else sounds before a note.
    Air,
    /// What tells a slide from how notes come in else.
    Slides,
}

impl What {
    /// The folder of what is seen, and the option that asks for it.
    fn folder_and_option(self) -> (&'static str, Option<&'static str>) {
        match self {
            Self::Onsets => ("candidates", None),
            Self::Notes => ("sounds", Some("--notes")),
            Self::Struck => ("strikes", Some("--struck")),
            Self::Air => ("airs", Some("--air")),
            Self::Slides => ("slides", Some("--slides")),
        }
    }
}

pub fn run(args: &mut lexopt::Parser) -> Result<(), String> {
    let options = parse(args)?;
    let python = needs()?;
    let work = root().join(if options.only.is_empty() { WORK } else { TRIAL });
    if let Some(playing) = &options.playing {
        gather(&python, playing, &work, &options.only)?;
    }
    see(&work, options.what)?;
    fit(&python, &work, &options)
}

fn parse(args: &mut lexopt::Parser) -> Result<Options, String> {
    use lexopt::prelude::{Long, ValueExt};
    let mut options = Options::default();
    while let Some(arg) = args.next().map_err(said)? {
        match arg {
            Long("playing") => options.playing = Some(args.value().map_err(said)?.into()),
            Long("notes") => options.what = What::Notes,
            Long("struck") => options.what = What::Struck,
            Long("air") => options.what = What::Air,
            Long("slides") => options.what = What::Slides,
            Long("check") => options.check = true,
            Long("only") => options.only = args.value().and_then(|v| v.string()).map_err(said)?,
            other => return Err(other.unexpected().to_string()),
        }
    }
    if options.what == What::Notes && options.check {
        return Err("--check is of where notes begin, of --air or of --slides".into());
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
    script.arg("chores/fit/takes.py").args([&playing, shared, Path::new("tests/labels"), &made, work]);
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
fn see(work: &Path, what: What) -> Result<(), String> {
    let list = work.join("paths.txt");
    let list = std::fs::read_to_string(&list)
        .map_err(|e| format!("nothing is gathered yet, begin with --playing DIR: {}: {e}", list.display()))?;
    let place = work.join(what.folder_and_option().0);
    clear(&place)?;
    let names = match what {
        What::Onsets => NAMES.join("\n"),
        What::Notes => NOTE_NAMES.join("\n"),
        What::Struck => STRUCK_NAMES.join("\n"),
        What::Air => air::NAMES.join("\n"),
        What::Slides => slide::NAMES.join("\n"),
    };
    std::fs::write(place.join("names.txt"), names).map_err(said)?;
    let takes: Vec<Gathered> = list.lines().filter_map(Gathered::of).collect();
    eprintln!("Looking at {} takes.", takes.len());
    takes.par_iter().try_for_each(|take| {
        let sound = audio::read(take.path)?;
        let rows = match what {
            What::Onsets => bytes(&candidates(&sound.samples, sound.rate_hz)),
            What::Notes => bytes(&sounds(&sound.samples, sound.rate_hz, note_features)),
            What::Struck => {
                let mut ear = StruckEar::default();
                bytes(&sounds(&sound.samples, sound.rate_hz, |frames, note, until| ear.hear(frames, note, until)))
            }
            What::Air => bytes(&take.airs(&sound)?),
            What::Slides => bytes(&take.slides(&sound)?),
        };
        std::fs::write(place.join(format!("{}.f32", take.name)), rows).map_err(|e| format!("{}: {e}", take.name))
    })
}

/// Onsets, s, and what is known of each.
type Known = Vec<(f64, Option<bool>)>;

/// A take to be fitted to: a line of what was gathered.
struct Gathered<'a> {
    name: &'a str,
    path: &'a Path,
    kind: &'a str,
    onsets_s: Vec<f64>,
}

impl<'a> Gathered<'a> {
    fn of(line: &'a str) -> Option<Self> {
        let mut cells = line.split('\t');
        let (name, path, kind) = (cells.next()?, Path::new(cells.next()?), cells.next()?);
        let onsets_s = cells.next()?.split(' ').filter_map(|s| s.parse().ok()).collect();
        Some(Self { name, path, kind, onsets_s })
    }

    /// What is seen before the notes: made takes have their air, and recordings are heard again with air blown before some.
    fn airs(&self, sound: &audio::Sound) -> Result<Vec<(f64, air::Seen)>, String> {
        let blown = |dice: &mut Dice| {
            let (aired, before) = imposed::aired(sound, &self.onsets_s, dice);
            (aired, self.onsets_s.iter().copied().zip(before.into_iter().map(is_air)).collect())
        };
        self.told(sound, |note| made_air(note.noise_ms), blown, |looked| looked.air.into_iter().flatten().collect())
    }

    /// What is seen of the ways in: made takes have their slides, and slides and leans are laid on some notes of recordings.
    fn slides(&self, sound: &audio::Sound) -> Result<Vec<(f64, slide::Seen)>, String> {
        let slid = |dice: &mut Dice| {
            let (slid, ways) = imposed::slid(sound, &self.onsets_s, dice);
            (slid, ways.into_iter().map(|(onset_s, way)| (onset_s, Some(way == WayIn::Slide))).collect())
        };
        self.told(sound, made_slide, slid, |looked| looked.slide.into_iter().collect())
    }

    /// What is seen of fronts, each row beginning with 1 for one and 0 for none in place of the time. Talk and knocks have none; of made
    /// takes the truth tells; recordings are heard as they are, without, and again with some imposed.
    fn told<S: Clone>(
        &self,
        sound: &audio::Sound,
        made: impl Fn(&NoteTruth) -> Option<bool>,
        impose: impl FnOnce(&mut Dice) -> (audio::Sound, Known),
        seen: impl Fn(&Looked) -> Vec<S>,
    ) -> Result<Vec<(f64, S)>, String> {
        match self.kind {
            "talk" | "knocks" | "ticks" => Ok(Vec::new()),
            "made takes" => {
                let truth = TakeTruth::read(&self.path.with_extension("truth.json"))?;
                let known: Known = truth.entrances.iter().map(|note| (note.onset_s, made(note))).collect();
                labelled(sound, &known, seen)
            }
            _ => {
                let (imposed, known) = impose(&mut self.dice());
                Ok([labelled(sound, &self.natural(), &seen)?, labelled(&imposed, &known, &seen)?].concat())
            }
        }
    }

    /// The onsets as they were played: without fault, as far as anyone knows.
    fn natural(&self) -> Known {
        self.onsets_s.iter().map(|s| (*s, Some(false))).collect()
    }

    /// Chance of this take's own.
    fn dice(&self) -> Dice {
        Dice::new(self.name.bytes().fold(1, |seed: u64, byte| seed.wrapping_mul(31) ^ u64::from(byte)))
    }
}

fn is_air(before: Before) -> Option<bool> {
    match before {
        Before::NoAir => Some(false),
        Before::Air(_) => Some(true),
        Before::Hidden => None,
    }
}

/// Made air under [`SHORT_AIR_MS`] is as good as none to some and air to others.
fn made_air(noise_ms: f64) -> Option<bool> {
    if noise_ms > 0.0 && noise_ms < SHORT_AIR_MS { None } else { Some(noise_ms > 0.0) }
}

/// A slide that was made and is none by its definition is neither.
fn made_slide(note: &NoteTruth) -> Option<bool> {
    let is_slide = note.faults.iter().any(|fault| fault == "smear");
    if note.made.as_deref() == Some("smear") && !is_slide { None } else { Some(is_slide) }
}

/// What is seen of the fronts heard at known onsets, each with 1 or 0 for what is known of it.
fn labelled<S>(sound: &audio::Sound, known: &Known, seen: impl Fn(&Looked) -> Vec<S>) -> Result<Vec<(f64, S)>, String> {
    let fronts = looked_at(&sound.samples, sound.rate_hz).map_err(said)?;
    let label = |onset_s: f64| known.iter().find(|(at_s, _)| (at_s - onset_s).abs() < SAME_ONSET_S)?.1;
    let rows = fronts.iter().filter_map(|front| Some((f64::from(u8::from(label(front.onset_s)?)), seen(front))));
    Ok(rows.flat_map(|(label, seen)| seen.into_iter().map(move |seen| (label, seen))).collect())
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
    let how = [options.what.folder_and_option().1, options.check.then_some("--check")];
    run_command(Command::new(python).arg("chores/fit/fit.py").args([work, &new]).args(how.iter().flatten()))?;
    if options.check {
        return Ok(());
    }
    if !options.only.is_empty() {
        println!("A trial: {FITTED} stays as it is.");
        return Ok(());
    }
    copy(&new, &fitted)?;
    println!("{FITTED} is written.");
    if options.what == What::Onsets {
        println!("Now: cargo xtask fit with --notes, then --air, then --slides");
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
    fn a_gathered_take_has_name_path_kind_and_onsets() {
        let take = Gathered::of("x~room\t/a/x.wav\tphrases, in rooms\t0.5 1.25").expect("whole");
        assert_eq!((take.name, take.path, take.kind), ("x~room", Path::new("/a/x.wav"), "phrases, in rooms"));
        assert_eq!(take.onsets_s, [0.5, 1.25]);
        assert!(Gathered::of("talk\t/a.wav\ttalk\t").is_some_and(|talk| talk.onsets_s.is_empty()));
        assert!(Gathered::of("x").is_none());
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
