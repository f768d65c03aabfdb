//! The practice log: takes, sessions and every entrance with its measures, kept in one SQLite file over the years.
//!
//! `Log::open` brings a file of an earlier version up to date. A take is known by its sound: kept twice, it is one
//! entry. Whoever writes does so in one transaction, waits for another writer, and leaves nothing half done.

mod error;
pub mod place;
pub mod when;
mod schema;
pub mod heard;
mod measures;
mod digest;
mod sessions;
mod keep;
mod read;
mod exchange;
mod forget;
pub mod habits;
pub mod progress;
pub mod position_map;
pub mod alternates;
pub mod stamina;
pub mod tone;
pub mod words;
pub mod page;

pub use digest::DigestNote;
pub use error::LogError;
pub use exchange::{Imported, export, import};
pub use forget::Forgotten;
pub use keep::{Kept, TakeEntry, keep_in};
pub use read::{LoggedTake, Played, Players, RECENT_DAYS, Span, recent, sessions};

use crate::corrections::{ByEar, apply};
use crate::sheet::Position;
use notefront_dsp::{Entrance, Verdict};
use rusqlite::{Connection, OpenFlags};
use serde::{Deserialize, Serialize};
use std::io::Read;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How long one writer waits for another, s: keeping a take of half an hour takes far less \[C\].
const PATIENCE: Duration = Duration::from_secs(10);

/// How a database file begins (sqlite.org/fileformat.html \[M\]).
const BEGINNING: &[u8] = b"SQLite format 3\0";

/// An entrance as the log keeps it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LoggedEntrance {
    /// As it was measured and judged.
    #[serde(flatten)]
    pub entrance: Entrance,
    /// What the player made of it, where they corrected the verdict. It goes before the measured one wherever the log
    /// is asked; the measured one is kept beside it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub corrected: Option<Verdict>,
    /// Where the slide was by the written notes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position: Option<Position>,
}

impl LoggedEntrance {
    /// An entrance of a take as the log keeps it: where and which it is by the player's word, what was measured of it, and,
    /// where the ear says that it is clear or unclear, what the ear makes of it.
    #[must_use]
    pub fn heard(entrance: &Entrance, by_ear: Option<&ByEar>) -> Self {
        let Some(by_ear) = by_ear else { return Self::of(*entrance) };
        let measured = by_ear.found.as_ref().map_or(entrance.verdict, |found| found.verdict);
        let corrected = by_ear.heard.as_ref().map(|heard| apply::verdict_by_ear(entrance, heard));
        Self { entrance: Entrance { front: entrance.front, verdict: measured }, corrected, position: None }
    }

    /// An entrance of which only the measures are known.
    #[must_use]
    pub fn of(entrance: Entrance) -> Self {
        Self { entrance, corrected: None, position: None }
    }

    /// The verdict that counts: the player's, or else the measured one.
    #[must_use]
    pub fn verdict(&self) -> &Verdict {
        self.corrected.as_ref().unwrap_or(&self.entrance.verdict)
    }
}

/// An open practice log.
#[derive(Debug)]
pub struct Log {
    connection: Connection,
    path: PathBuf,
}

impl Log {
    /// Opens a log, makes one where there is none, and brings an older one up to date.
    ///
    /// # Errors
    /// Every [`LogError`] of a file that cannot be used; it is left as it was.
    pub fn open(path: &Path) -> Result<Self, LogError> {
        Self::open_within(path, PATIENCE)
    }

    /// The same, waiting no longer than this for another writer, here and later.
    ///
    /// # Errors
    /// Those of [`Log::open`].
    pub fn open_within(path: &Path, patience: Duration) -> Result<Self, LogError> {
        if let Some(folder) = path.parent().filter(|folder| !folder.as_os_str().is_empty()) {
            std::fs::create_dir_all(folder).map_err(|error| LogError::NoFolder { path: folder.to_owned(), error })?;
        }
        Self::with(path, OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE, patience)
    }

    /// Opens a log that is there already, to read or to change it.
    ///
    /// # Errors
    /// [`LogError::Missing`], and those of [`Log::open`].
    pub fn open_existing(path: &Path) -> Result<Self, LogError> {
        if !path.exists() {
            return Err(LogError::Missing(path.to_owned()));
        }
        Self::with(path, OpenFlags::SQLITE_OPEN_READ_WRITE, PATIENCE)
    }

    fn with(path: &Path, flags: OpenFlags, patience: Duration) -> Result<Self, LogError> {
        let because = |e| LogError::of(path, e);
        if !may_be_a_log(path) {
            return Err(LogError::NotALog(path.to_owned()));
        }
        let flags = flags | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let mut connection = Connection::open_with_flags(path, flags).map_err(because)?;
        connection.busy_timeout(patience).map_err(because)?;
        schema::prepare(&mut connection, path)?;
        Ok(Self { connection, path: path.to_owned() })
    }

    /// Where it lies.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// An error of the database, in the words of this file.
    fn because(&self, error: rusqlite::Error) -> LogError {
        LogError::of(&self.path, error)
    }

    /// Looks through the whole file for damage.
    ///
    /// # Errors
    /// [`LogError::Damaged`] with what was found first.
    pub fn check(&self) -> Result<(), LogError> {
        let found: String = self
            .connection
            .query_row("PRAGMA integrity_check(1)", [], |row| row.get(0))
            .map_err(|e| self.because(e))?;
        let orphans: Option<i64> = self
            .connection
            .query_row("SELECT rowid FROM pragma_foreign_key_check LIMIT 1", [], |row| row.get(0))
            .map(Some)
            .or_else(|e| if e == rusqlite::Error::QueryReturnedNoRows { Ok(None) } else { Err(e) })
            .map_err(|e| self.because(e))?;
        match (found.as_str(), orphans) {
            ("ok", None) => Ok(()),
            ("ok", Some(_)) => {
                Err(LogError::Damaged { path: self.path.clone(), why: "rows without their take".into() })
            }
            _ => Err(LogError::Damaged { path: self.path.clone(), why: found }),
        }
    }
}

/// Whether a file is none yet, empty, or begins as a database does: SQLite itself takes a very short file of anything for an
/// empty one, and would write over it.
fn may_be_a_log(path: &Path) -> bool {
    let mut beginning = Vec::new();
    let read = std::fs::File::open(path).and_then(|file| file.take(BEGINNING.len() as u64).read_to_end(&mut beginning));
    read.is_err() || beginning.is_empty() || beginning == BEGINNING
}

#[cfg(test)]
mod tests;
