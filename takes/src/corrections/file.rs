//! The file of corrections beside a take: found, read, and written whole or not at all. Two programs that correct one
//! take at once wait for each other, and each begins from what the other wrote.

use super::{Corrections, FORMAT, Fingerprint, VERSION};
use crate::atomic_file::{Prepared, WriteError};
use std::ffi::OsStr;
use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

/// What stands between a take's name and nothing: the ending of its file of corrections.
pub const SUFFIX: &str = ".corrections.json";
/// Most files of a folder that are looked through for the sound of a take that has another name now.
const MAX_LOOKED_THROUGH: usize = 500;
/// Largest file that is read, bytes: a million corrections, or something else by that name.
const MAX_BYTES: u64 = 200_000_000;

/// Why corrections were not read or not written.
#[derive(Debug)]
pub enum CorrectionsError {
    /// The file cannot be read.
    Unreadable(PathBuf, io::Error),
    /// What it holds is not corrections, with what is wrong.
    NotCorrections(PathBuf, String),
    /// A newer program wrote it.
    Newer(PathBuf, u32),
    /// It belongs to another recording.
    OtherSound(PathBuf),
    /// The file cannot be written.
    Unwritten(WriteError),
}

impl std::fmt::Display for CorrectionsError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Unreadable(path, e) if e.kind() == io::ErrorKind::NotFound => {
                write!(f, "{} is not there", path.display())
            }
            Self::Unreadable(path, _) => write!(f, "{} cannot be read", path.display()),
            Self::NotCorrections(path, why) => {
                write!(f, "{} holds no corrections ({why}); it is left as it is", path.display())
            }
            Self::Newer(path, version) => {
                write!(f, "{} is of version {version}, newer than this program: it is left as it is", path.display())
            }
            Self::OtherSound(path) => {
                write!(f, "{} belongs to another recording: it is left as it is. Rename or move it", path.display())
            }
            Self::Unwritten(e) => e.fmt(f),
        }
    }
}

impl std::error::Error for CorrectionsError {}

/// Corrections that belong to a sound.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// Where they are kept.
    pub path: PathBuf,
    /// What is kept.
    pub corrections: Corrections,
    /// By how much the sound's times are later than those kept, s.
    pub later_s: f64,
}

/// Where the corrections of a take are kept.
#[must_use]
pub fn path_of(take: &Path) -> PathBuf {
    let mut name = take.file_stem().unwrap_or(OsStr::new("take")).to_owned();
    name.push(SUFFIX);
    take.with_file_name(name)
}

/// Reads a file of corrections.
///
/// # Errors
/// A file that cannot be read or holds none.
pub fn read(path: &Path) -> Result<Corrections, CorrectionsError> {
    parse(&text_of(path)?, path)
}

/// The corrections of a sound out of a file of corrections, or out of a page that was saved with corrections in it; and
/// by how much the sound's times are later.
fn read_of(path: &Path, sound: &Fingerprint) -> Result<(Corrections, f64), CorrectionsError> {
    let text = text_of(path)?;
    let mut all: Vec<Corrections> = in_page(&text).map(|inside| parse(inside, path)).collect::<Result<_, _>>()?;
    if all.is_empty() {
        all.push(parse(&text, path)?);
    }
    let of_sound = all.into_iter().find_map(|kept| Some((sound.later_than(&kept.sound)?, kept)));
    of_sound.map(|(later_s, kept)| (kept, later_s)).ok_or_else(|| CorrectionsError::OtherSound(path.to_owned()))
}

fn text_of(path: &Path) -> Result<String, CorrectionsError> {
    let unreadable = |e| CorrectionsError::Unreadable(path.to_owned(), e);
    if fs::metadata(path).map_err(unreadable)?.len() > MAX_BYTES {
        return Err(CorrectionsError::NotCorrections(path.to_owned(), "it is too large".into()));
    }
    let bytes = fs::read(path).map_err(unreadable)?;
    let text = String::from_utf8_lossy(&bytes);
    Ok(text.into_owned())
}

/// The corrections of each take of a page.
fn in_page(text: &str) -> impl Iterator<Item = &str> {
    const BEGINS: &str = "<script type=\"application/json\" id=\"corrections-";
    text.split(BEGINS)
        .skip(1)
        .filter_map(|part| part.split_once('>')?.1.split_once("</script>"))
        .map(|(inside, _)| inside)
}

fn parse(text: &str, path: &Path) -> Result<Corrections, CorrectionsError> {
    let not = |why: String| CorrectionsError::NotCorrections(path.to_owned(), why);
    let value: serde_json::Value = serde_json::from_str(text).map_err(|_| not("it is not JSON".into()))?;
    match (value["format"].as_str(), value["version"].as_u64()) {
        (Some(FORMAT), Some(version)) if version <= u64::from(VERSION) => {}
        (Some(FORMAT), Some(version)) => return Err(CorrectionsError::Newer(path.to_owned(), version as u32)),
        _ => return Err(not("it does not say that it does".into())),
    }
    serde_json::from_value(value).map_err(|e| not(e.to_string()))
}

/// The corrections of a take: those of its name if the sound is theirs, else those beside it whose sound it is.
///
/// # Errors
/// A file of the take's name that cannot be read, or that belongs to another recording while no other file is its own.
pub fn find(take: &Path, sound: &Fingerprint) -> Result<Option<Found>, CorrectionsError> {
    let named = path_of(take);
    let trouble = match read(&named) {
        Ok(corrections) => match sound.later_than(&corrections.sound) {
            Some(later_s) => return Ok(Some(Found { path: named, corrections, later_s })),
            None => Some(CorrectionsError::OtherSound(named.clone())),
        },
        Err(CorrectionsError::Unreadable(_, e)) if e.kind() == io::ErrorKind::NotFound => None,
        Err(e) => Some(e),
    };
    match (beside(&named, sound), trouble) {
        (Some(found), _) => Ok(Some(found)),
        (None, Some(trouble)) => Err(trouble),
        (None, None) => Ok(None),
    }
}

/// Corrections of this sound under another name in the same folder; of several the first by name.
fn beside(named: &Path, sound: &Fingerprint) -> Option<Found> {
    let folder = named.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let entries = fs::read_dir(folder).ok()?;
    let is_one = |path: &PathBuf| path.to_string_lossy().ends_with(SUFFIX) && path.file_name() != named.file_name();
    let mut paths: Vec<PathBuf> = entries.filter_map(|e| Some(e.ok()?.path())).filter(is_one).collect();
    paths.sort();
    paths.into_iter().take(MAX_LOOKED_THROUGH).find_map(|path| {
        let corrections = read(&path).ok()?;
        // A sound without marks of its own is like every other one as long: only its name tells it.
        let is_told = !sound.rises.is_empty();
        let later_s = sound.later_than(&corrections.sound).filter(|_| is_told)?;
        Some(Found { path, corrections, later_s })
    })
}

/// Changes the corrections of a take and writes them beside it. `change` gets what is kept by now, whose times are told
/// in its own sound, and by how much the take's times are later. Returns what it returns, and the path.
///
/// # Errors
/// Those of [`find`], or a place that cannot be written to; what was there is then still there.
pub fn amend<T>(
    take: &Path,
    sound: &Fingerprint,
    change: impl FnOnce(&mut Corrections, f64) -> T,
) -> Result<(T, PathBuf), CorrectionsError> {
    let path = path_of(take);
    let _turn = Turn::wait(&path);
    let name = take.file_name().unwrap_or(take.as_os_str()).to_string_lossy();
    let (mut kept, later_s) = match find(take, sound)? {
        Some(found) if found.path == path => (found.corrections, found.later_s),
        // The take was renamed: what was said of it moves along, told in its sound as it is now.
        Some(found) => {
            let mut moved = Corrections::new(&name, sound.clone());
            moved.merge(&found.corrections, found.later_s);
            (moved, 0.0)
        }
        None => (Corrections::new(&name, sound.clone()), 0.0),
    };
    let result = change(&mut kept, later_s);
    let prepared = Prepared::buffered(&path, |out| {
        serde_json::to_writer_pretty(&mut *out, &kept)?;
        writeln!(out)
    });
    prepared.and_then(Prepared::put_in_place).map_err(CorrectionsError::Unwritten)?;
    Ok((result, path))
}

/// Takes corrections in that were made elsewhere, for the same sound. How many are new.
///
/// # Errors
/// Those of [`amend`]; [`CorrectionsError::OtherSound`] for corrections of another recording.
pub fn take_in(take: &Path, sound: &Fingerprint, from: &Path) -> Result<(usize, PathBuf), CorrectionsError> {
    let (theirs, there_s) = read_of(from, sound)?;
    // What lies beside the take under another name may be the very file that is taken in.
    let before = read(&path_of(take)).map_or_else(|_| Vec::new(), |kept| kept.active());
    amend(take, sound, |kept, later_s| {
        kept.merge(&theirs, there_s - later_s);
        let after = kept.active();
        let is_in = |all: &[super::Correction], id: &str| all.iter().any(|c| c.id == id);
        let num_new = after.iter().filter(|c| !is_in(&before, &c.id)).count();
        num_new + before.iter().filter(|c| !is_in(&after, &c.id)).count()
    })
}

/// One program's turn at a file. The lock lies in the system's folder for temporary files, so that nothing is left
/// beside the take; the system takes it back from a program that ends in whatever way.
struct Turn(#[allow(dead_code, reason = "held until it is dropped")] Option<File>);

impl Turn {
    /// Waits for it. Where no lock can be had (a full disk), the file itself is still written whole.
    fn wait(path: &Path) -> Self {
        let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let whole = fs::canonicalize(folder)
            .unwrap_or_else(|_| folder.to_owned())
            .join(path.file_name().unwrap_or(OsStr::new("")));
        let name = format!("notefront-{:016x}.lock", fnv(whole.as_os_str().as_encoded_bytes()));
        let lock = File::options().create(true).append(true).open(std::env::temp_dir().join(name)).ok();
        Self(lock.filter(|file| file.lock().is_ok()))
    }
}

/// FNV-1a, 64 bits (Fowler, Noll, Vo \[M\]): the same in every program and version, unlike the library's hashes.
fn fnv(bytes: &[u8]) -> u64 {
    bytes.iter().fold(0xcbf2_9ce4_8422_2325, |hash, &byte| (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3))
}
