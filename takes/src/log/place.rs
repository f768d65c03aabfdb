//! Where the log lies unless a file is named, and whose it is.

use super::LogError;
use crate::app_folders;
use std::path::PathBuf;

/// The file's name in the user's data folder.
const FILE_NAME: &str = "practice.notefront-log";
/// Whose takes they are when nobody is named: a player alone need not give a name.
pub const ALONE: &str = "me";

/// The log in the user's data folder, where the system has such a thing: `~/.local/share/notefront` by the XDG Base
/// Directory rules, `~/Library/Application Support` or `%APPDATA%` elsewhere.
///
/// # Errors
/// [`LogError::NoPlace`] without a home folder.
pub fn usual() -> Result<PathBuf, LogError> {
    Ok(app_folders::data().ok_or(LogError::NoPlace)?.join(FILE_NAME))
}
