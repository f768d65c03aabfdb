//! Isolated recorded notes, and their fronts as an outside tracker sees them.

use crate::playing::Name;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// The front of an isolated note: tracks of pitch and level, and what follows from them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Natural {
    /// Time of the first point of the tracks in the file, s.
    pub start_s: f64,
    /// Distance of the points, s.
    pub step_s: f64,
    /// Cents from the settled pitch.
    pub cents: Vec<Option<f64>>,
    /// Root mean square over one period, full scale = 1.
    pub level: Vec<f64>,
    /// Settled pitch, Hz.
    pub settled_hz: f64,
    /// -20 dB of the attack peak, s in the file.
    pub onset_s: f64,
    /// -12 dB of the attack peak, s in the file.
    pub speaks_s: f64,
}

/// A recorded note: where it lies, what it sounds, who plays.
#[derive(Debug, Clone, PartialEq)]
pub struct Source {
    /// The file.
    pub path: PathBuf,
    /// The note.
    pub midi: u8,
    /// The player, or the collection where nobody told.
    pub player: &'static str,
}

/// Single trombone notes of a folder of recordings that are long enough to stand on a click, and the recorded notes of
/// the shared folder.
///
/// # Errors
/// A folder that cannot be read.
pub fn sources(folder: &Path) -> Result<Vec<Source>, String> {
    let entries = std::fs::read_dir(folder).map_err(|e| format!("{}: {e}", folder.display()))?;
    let mut found: Vec<Source> = entries.flatten().filter_map(|entry| single_trombone_note(entry.path())).collect();
    if let Some(shared) = crate::shared::folder("real") {
        found.extend(shared_notes(&shared)?);
    }
    found.sort_by(|a, b| a.path.cmp(&b.path));
    Ok(found)
}

fn single_trombone_note(path: PathBuf) -> Option<Source> {
    let stem = path.file_stem()?.to_string_lossy().into_owned();
    let name = Name::of(&stem)?;
    let is_long_enough = name.is_single() && name.length != "025";
    if name.instrument != "trombone" || !is_long_enough {
        return None;
    }
    Some(Source { midi: name.sounding_midi(&stem)?, path, player: "an orchestra's trombones" })
}

/// The notes of `notes.csv` that begin with their onset.
fn shared_notes(folder: &Path) -> Result<Vec<Source>, String> {
    let path = folder.join("notes.csv");
    let csv = std::fs::read_to_string(&path).map_err(|e| format!("{}: {e}", path.display()))?;
    let rows = csv.lines().skip(1).filter(|row| !row.contains("starts inside the sound"));
    Ok(rows
        .filter_map(|row| {
            let mut cells = row.split(',');
            let (file, _, midi) = (cells.next()?, cells.next()?, cells.next()?.parse().ok()?);
            let player = if file.starts_with("vsco") { "VSCO 2" } else { "Scratch" };
            Some(Source { path: folder.join(file), midi, player })
        })
        .collect())
}

/// The fronts by file name, from the cache folder, or measured now and kept there.
///
/// # Errors
/// What it takes is not there (Python with numpy, soundfile and praat-parselmouth), in words.
pub fn measured_fronts(sources: &[Source], cache: &Path) -> Result<BTreeMap<String, Natural>, String> {
    std::fs::create_dir_all(cache).map_err(|e| format!("{}: {e}", cache.display()))?;
    // The measuring script is part of the name: another way of measuring is another cache.
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tools/natural_fronts.py");
    let text = std::fs::read(&script).map_err(|e| format!("{}: {e}", script.display()))?;
    let list: String = sources.iter().map(|s| format!("{}\t{}\n", s.midi, s.path.display())).collect();
    let kept = cache.join(format!("natural-fronts-{:016x}.json", mixed(&[&text, list.as_bytes()])));
    if !kept.is_file() {
        let json = measure(&script, &list)?;
        std::fs::write(&kept, json).map_err(|e| format!("{}: {e}", kept.display()))?;
    }
    let json = std::fs::read_to_string(&kept).map_err(|e| format!("{}: {e}", kept.display()))?;
    serde_json::from_str(&json).map_err(|e| format!("{}: {e}", kept.display()))
}

/// FNV-1a over the bytes.
fn mixed(parts: &[&[u8]]) -> u64 {
    parts
        .iter()
        .flat_map(|part| part.iter())
        .fold(0xcbf2_9ce4_8422_2325, |hash, byte| (hash ^ u64::from(*byte)).wrapping_mul(0x0000_0100_0000_01b3))
}

fn measure(script: &Path, list: &str) -> Result<Vec<u8>, String> {
    let python = std::env::var("NOTEFRONT_PYTHON").unwrap_or_else(|_| "python3".into());
    let mut child = Command::new(&python)
        .arg(script)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .map_err(|e| format!("{python}: {e}"))?;
    // The script reads all of its input before it writes.
    child.stdin.take().ok_or("no input to write to")?.write_all(list.as_bytes()).map_err(|e| e.to_string())?;
    let done = child.wait_with_output().map_err(|e| e.to_string())?;
    if done.status.success() { Ok(done.stdout) } else { Err("the outside tracker failed: see above".into()) }
}
