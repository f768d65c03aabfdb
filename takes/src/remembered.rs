//! What a player chose once and for all: a small file in the user's folder for settings, which options of a command go
//! before. Whatever is wrong with it, takes are judged without it.

use crate::app_folders;
use crate::atomic_file::{Prepared, WriteError};
use crate::corrections::ear::Lines;
use crate::system_error;
use notefront_dsp::{Grid, Instrument, Settings, Strictness};
use serde::{Deserialize, Deserializer, Serialize};
use std::io::{self, ErrorKind};
use std::path::{Path, PathBuf};

/// Name of the document.
pub const FORMAT: &str = "notefront.settings";
/// Version of the document.
pub const VERSION: u32 = 1;
/// The file's name in the user's folder for settings.
const FILE_NAME: &str = "settings.json";
/// Names another file, or none where it is empty: scripts and tests are not to depend on who runs them.
pub const PLACE_VARIABLE: &str = "NOTEFRONT_SETTINGS";

/// What is remembered; what was never said is `None`.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Remembered {
    /// "notefront.settings" in a file.
    pub format: String,
    /// Version of the file; it rises when a field changes meaning.
    pub version: u32,
    /// Tuning reference, Hz.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub a4_hz: Option<f64>,
    /// The horn.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub instrument: Option<Instrument>,
    /// How severe to judge, 0 to 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub strictness: Option<f64>,
    /// Whether to look for a beat.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub looks_for_beat: Option<bool>,
    /// Beats a minute.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bpm: Option<f64>,
    /// Subdivisions of a beat.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub per_beat: Option<u32>,
    /// Where the player moved the lines to.
    #[serde(default, skip_serializing_if = "Lines::are_usual", deserialize_with = "lines")]
    pub lines: Lines,
    /// The folder that files are written into, absolute.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub out: Option<PathBuf>,
}

/// Why settings were not read or not written.
#[derive(Debug)]
pub enum RememberedError {
    /// The system does not say where settings belong.
    NoPlace,
    /// The file cannot be read.
    Unreadable(PathBuf, io::Error),
    /// What it holds is not settings, with what is wrong.
    NotSettings(PathBuf, String),
    /// A newer program wrote it.
    Newer(PathBuf, u32),
    /// The folder cannot be made.
    NoFolder(PathBuf, io::Error),
    /// The file cannot be written.
    Unwritten(WriteError),
}

impl std::fmt::Display for RememberedError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::NoPlace => {
                write!(f, "this system does not say where settings belong: name a file in {PLACE_VARIABLE}")
            }
            Self::Unreadable(path, e) => {
                write!(f, "{}: your settings cannot be read ({})", path.display(), system_error::in_words(e))
            }
            Self::NotSettings(path, why) => write!(
                f,
                "{}: your settings are damaged ({why}). Mend the file, or begin anew with: notefront settings --forget all",
                path.display()
            ),
            Self::Newer(path, version) => write!(
                f,
                "{}: your settings are of version {version}, newer than this program: use the later one",
                path.display()
            ),
            Self::NoFolder(path, e) => {
                write!(f, "{}: the folder cannot be made ({})", path.display(), system_error::in_words(e))
            }
            Self::Unwritten(e) => e.fmt(f),
        }
    }
}

impl std::error::Error for RememberedError {}

/// Where settings are kept: `~/.config/notefront` by the XDG Base Directory rules, `~/Library/Preferences` or `%APPDATA%`
/// elsewhere; `None` where they are switched off.
///
/// # Errors
/// [`RememberedError::NoPlace`] without a home folder.
pub fn place() -> Result<Option<PathBuf>, RememberedError> {
    if let Some(named) = std::env::var_os(PLACE_VARIABLE) {
        return Ok(Some(PathBuf::from(named)).filter(|path| !path.as_os_str().is_empty()));
    }
    let folder = app_folders::settings().ok_or(RememberedError::NoPlace)?;
    Ok(Some(folder.join(FILE_NAME)))
}

/// A line that cannot be moved so is damage, as any other value that cannot be used.
fn lines<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Lines, D::Error> {
    Lines::read(&String::deserialize(deserializer)?).map_err(serde::de::Error::custom)
}

/// Where this player moved the lines to, for every program; as they usually lie where nothing can be read.
#[must_use]
pub fn moved_lines() -> Lines {
    let path = place().ok().flatten();
    path.and_then(|path| Remembered::read(&path).ok()).map_or_else(Lines::default, |remembered| remembered.lines)
}

/// Remembers where the lines lie, for every program.
///
/// # Errors
/// Why they are not remembered.
pub fn remember_lines(lines: Lines) -> Result<(), RememberedError> {
    let path = place()?.ok_or(RememberedError::NoPlace)?;
    Remembered { lines, ..Remembered::read(&path)? }.write(&path)
}

impl Remembered {
    /// Reads a file; nothing is remembered where there is none.
    ///
    /// # Errors
    /// A file that cannot be used. It is left as it is.
    pub fn read(path: &Path) -> Result<Self, RememberedError> {
        let text = match std::fs::read_to_string(path) {
            Err(e) if e.kind() == ErrorKind::NotFound => return Ok(Self::default()),
            Err(e) if e.kind() == ErrorKind::InvalidData => return Err(not_settings(path, "it is no text")),
            Err(e) => return Err(RememberedError::Unreadable(path.to_owned(), e)),
            Ok(text) => text,
        };
        let value: serde_json::Value = serde_json::from_str(&text).map_err(|e| not_settings(path, e))?;
        match (value["format"].as_str(), value["version"].as_u64()) {
            (Some(FORMAT), Some(version)) if version <= u64::from(VERSION) => {}
            (Some(FORMAT), Some(version)) => return Err(RememberedError::Newer(path.to_owned(), version as u32)),
            _ => return Err(not_settings(path, "it does not say that it holds settings")),
        }
        let remembered: Self = serde_json::from_value(value).map_err(|e| not_settings(path, e))?;
        remembered.check().map_err(|why| not_settings(path, why))?;
        Ok(remembered)
    }

    /// Writes the file whole or not at all.
    ///
    /// # Errors
    /// A place that cannot be written to; what was there is then still there.
    pub fn write(&self, path: &Path) -> Result<(), RememberedError> {
        if let Some(folder) = path.parent().filter(|folder| !folder.as_os_str().is_empty()) {
            std::fs::create_dir_all(folder).map_err(|e| RememberedError::NoFolder(folder.to_owned(), e))?;
        }
        let whole = Self { format: FORMAT.into(), version: VERSION, ..self.clone() };
        let prepared = Prepared::buffered(path, |out| {
            serde_json::to_writer_pretty(&mut *out, &whole)?;
            writeln!(out)
        });
        prepared.and_then(Prepared::put_in_place).map(drop).map_err(RememberedError::Unwritten)
    }

    /// Whether every value can be used.
    ///
    /// # Errors
    /// What is wrong with the first that cannot.
    pub fn check(&self) -> Result<(), String> {
        if self.strictness.is_some_and(|strictness| !(0.0..=1.0).contains(&strictness)) {
            return Err("the strictness must lie within 0 and 1".into());
        }
        let usual = Settings::default();
        let grid = Grid { bpm: self.bpm.unwrap_or(60.0), first_beat_s: 0.0, per_beat: self.per_beat.unwrap_or(1) };
        let settings = Settings {
            a4_hz: self.a4_hz.unwrap_or(usual.a4_hz),
            strictness: self.strictness.map_or(usual.strictness, Strictness::new),
            grid: Some(grid),
            ..usual
        };
        settings.validate().map_err(|e| e.to_string())
    }

    /// Whether nothing was ever said.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        *self == Self { format: self.format.clone(), version: self.version, ..Self::default() }
    }
}

fn not_settings(path: &Path, why: impl std::fmt::Display) -> RememberedError {
    RememberedError::NotSettings(path.to_owned(), why.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn some() -> Remembered {
        Remembered {
            a4_hz: Some(442.0),
            instrument: Some(Instrument::Tenor),
            strictness: Some(0.7),
            looks_for_beat: Some(false),
            bpm: Some(72.0),
            per_beat: Some(2),
            lines: Lines::read("below=1.4,airy=0.8").expect("readable"),
            out: Some("/somewhere/marks".into()),
            ..Remembered::default()
        }
    }

    #[test]
    fn what_is_written_is_read_and_nothing_is_remembered_without_a_file() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("new/settings.json");
        assert!(Remembered::read(&path).expect("no file is no trouble").is_empty());
        some().write(&path).expect("room");
        let read = Remembered::read(&path).expect("settings");
        assert_eq!(Remembered { format: String::new(), version: 0, ..read }, some());
    }

    #[test]
    fn a_damaged_file_says_what_is_wrong_and_stays() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("settings.json");
        for (text, said) in [
            ("", "EOF"),
            ("{\"format\": \"notefront.settings\", \"version\": 1, \"a4\": 442}", "unknown field `a4`"),
            ("{\"format\": \"notefront.settings\", \"version\": 1, \"a4_hz\": 600}", "outside 392 to 466"),
            ("{\"format\": \"notefront.settings\", \"version\": 1, \"strictness\": 2}", "within 0 and 1"),
            (
                "{\"format\": \"notefront.settings\", \"version\": 1, \"lines\": \"below=99\"}",
                "between a quarter and four times",
            ),
            ("{\"format\": \"notefront.settings\", \"version\": 9}", "newer"),
            ("[]", "does not say"),
        ] {
            std::fs::write(&path, text).expect("room");
            let why = Remembered::read(&path).expect_err("damaged").to_string();
            assert!(why.contains(said) && why.contains("settings.json"), "{text}: {why}");
            assert_eq!(std::fs::read_to_string(&path).expect("still there"), text);
        }
    }
}
