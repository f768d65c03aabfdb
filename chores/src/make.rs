//! `cargo xtask make DIR`: a folder of made takes with their truth, which `accuracy` can read.

use crate::said;
use notefront_tests::synth::{KINDS, make, write_take};
use std::path::{Path, PathBuf};

pub fn run(args: &mut lexopt::Parser) -> Result<(), String> {
    use lexopt::prelude::{Long, Value, ValueExt};
    let (mut folder, mut seed, mut rate_hz, mut only) = (None, 1u64, 48_000.0f64, None);
    while let Some(arg) = args.next().map_err(said)? {
        match arg {
            Long("seed") => seed = args.value().and_then(|v| v.parse()).map_err(said)?,
            Long("rate") => rate_hz = args.value().and_then(|v| v.parse()).map_err(said)?,
            Long("kind") => only = Some(args.value().and_then(|v| v.string()).map_err(said)?),
            Value(path) => folder = Some(PathBuf::from(path)),
            other => return Err(other.unexpected().to_string()),
        }
    }
    let folder = folder.ok_or("which folder? cargo xtask make DIR")?;
    if !(8_000.0..=192_000.0).contains(&rate_hz) {
        return Err(format!("a rate of {rate_hz} Hz is outside 8000 to 192000 Hz"));
    }
    std::fs::create_dir_all(&folder).map_err(|e| format!("{}: {e}", folder.display()))?;
    let kinds: Vec<&str> = KINDS.into_iter().filter(|kind| only.as_deref().is_none_or(|o| o == *kind)).collect();
    if kinds.is_empty() {
        return Err(format!("no such kind; there are {}", KINDS.join(", ")));
    }
    for kind in kinds {
        let (num_notes, duration_s) = take(&folder, kind, seed, rate_hz)?;
        println!("{kind}-{seed}: {num_notes} notes, {duration_s:.1} s");
    }
    Ok(())
}

/// Makes one take into a folder; its number of notes and its length in s.
pub fn take(folder: &Path, kind: &str, seed: u64, rate_hz: f64) -> Result<(usize, f64), String> {
    let scene = make(kind, seed).ok_or_else(|| format!("no kind is called {kind}"))?;
    let (sound, truth) = scene.make(rate_hz, seed);
    write_take(folder, &format!("{kind}-{seed}"), &sound, &truth)?;
    Ok((truth.entrances.len(), sound.samples.len() as f64 / rate_hz))
}
