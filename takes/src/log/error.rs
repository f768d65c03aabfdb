//! What can be wrong with a practice log, and what to do about it.

use crate::system_error::in_words;
use rusqlite::ErrorCode;
use std::io;
use std::path::{Path, PathBuf};

/// Why the log could not be used. Whatever it is, the file is left as it was.
#[derive(Debug)]
pub enum LogError {
    /// The system does not say where data belongs.
    NoPlace,
    /// No such log.
    Missing(PathBuf),
    /// The folder for it cannot be made.
    NoFolder {
        /// The folder.
        path: PathBuf,
        /// What the system said.
        error: io::Error,
    },
    /// Another program is writing and does not end.
    Locked(PathBuf),
    /// It was not to go on with writing.
    GivenUp,
    /// The file is damaged.
    Damaged {
        /// The log.
        path: PathBuf,
        /// What was found.
        why: String,
    },
    /// The file is something else.
    NotALog(PathBuf),
    /// Written by a later version of the program.
    Newer {
        /// The log.
        path: PathBuf,
        /// Its version.
        found: i64,
        /// The latest version known here.
        known: i64,
    },
    /// It may not be written to.
    ReadOnly(PathBuf),
    /// The disk is full.
    Full(PathBuf),
    /// Anything else the database said.
    Other {
        /// The log.
        path: PathBuf,
        /// Its words.
        error: rusqlite::Error,
    },
    /// Nobody of that name; those there are.
    NoSuchPlayer {
        /// The name asked for.
        name: String,
        /// The names there are.
        known: Vec<String>,
    },
    /// Several players and none chosen.
    WhichPlayer(Vec<String>),
    /// A name that is none.
    BadName,
    /// A line of an export that cannot be read; nothing of the file was taken over.
    BadLine {
        /// Its number, from 1.
        line: usize,
        /// What is wrong.
        why: String,
    },
    /// A file for or from the exchange cannot be read or written.
    Exchange(io::Error),
}

impl LogError {
    /// What the database said of a file, as what it means for the player.
    pub(super) fn of(path: &Path, error: rusqlite::Error) -> Self {
        let path = path.to_owned();
        match error.sqlite_error_code() {
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => Self::Locked(path),
            Some(ErrorCode::OperationInterrupted) => Self::GivenUp,
            Some(ErrorCode::NotADatabase) => Self::NotALog(path),
            Some(ErrorCode::DatabaseCorrupt) => Self::Damaged { path, why: error.to_string() },
            Some(ErrorCode::ReadOnly | ErrorCode::PermissionDenied) => Self::ReadOnly(path),
            Some(ErrorCode::DiskFull) => Self::Full(path),
            _ => Self::Other { path, error },
        }
    }
}

impl std::fmt::Display for LogError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::NoPlace => write!(f, "this system does not say where data belongs: name a file with --log FILE"),
            Self::Missing(path) => {
                write!(f, "{}: there is no practice log. Begin one with: notefront scan TAKE --log", path.display())
            }
            Self::NoFolder { path, error } => {
                write!(
                    f,
                    "{}: the folder for the log cannot be made ({}). Name a file elsewhere.",
                    path.display(),
                    in_words(error)
                )
            }
            Self::GivenUp => write!(f, "it was given up before the end: the log is as it was"),
            Self::Locked(path) => write!(
                f,
                "{}: another program is writing to the log and does not end. Close it, then keep the take again.",
                path.display()
            ),
            Self::Damaged { path, why } => write!(
                f,
                "{}: the log is damaged ({why}). It was left as it is: put back a copy, or move it away and begin a \
                 new one; what can still be read comes out with: notefront log export",
                path.display()
            ),
            Self::NotALog(path) => {
                write!(f, "{}: this is not a practice log. It was left alone: name another file.", path.display())
            }
            Self::Newer { path, found, known } => write!(
                f,
                "{}: the log was written by a later version of Notefront (its form is {found}, this one knows up to \
                 {known}). It was left alone: use the later version.",
                path.display()
            ),
            Self::ReadOnly(path) => write!(
                f,
                "{}: the log may not be written to. Check the rights of the file and its folder, or name another.",
                path.display()
            ),
            Self::Full(path) => write!(f, "{}: the disk is full. Free some space, then try again.", path.display()),
            Self::Other { path, error } => write!(f, "{}: the log cannot be used ({error}).", path.display()),
            Self::NoSuchPlayer { name, known } if known.is_empty() => {
                write!(f, "there is no player {name:?} in the log, nor any other")
            }
            Self::NoSuchPlayer { name, known } => {
                write!(f, "there is no player {name:?} in the log. There are: {}", known.join(", "))
            }
            Self::WhichPlayer(known) => {
                write!(f, "the log holds several players: choose one with --player. There are: {}", known.join(", "))
            }
            Self::BadName => write!(f, "a player's name must not be empty"),
            Self::BadLine { line, why } => write!(f, "line {line} cannot be read ({why}). Nothing was taken over."),
            Self::Exchange(e) => write!(f, "the file could not be read or written ({})", in_words(e)),
        }
    }
}

impl std::error::Error for LogError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::NoFolder { error, .. } | Self::Exchange(error) => Some(error),
            Self::Other { error, .. } => Some(error),
            _ => None,
        }
    }
}
