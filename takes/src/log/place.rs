//! Where the log lies unless a file is named, and whose it is.

use super::LogError;
use etcetera::app_strategy::{AppStrategy, AppStrategyArgs, choose_native_strategy};
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
    let args =
        AppStrategyArgs { top_level_domain: "org".into(), author: "Notefront".into(), app_name: "notefront".into() };
    let strategy = choose_native_strategy(args).map_err(|_| LogError::NoPlace)?;
    Ok(strategy.data_dir().join(FILE_NAME))
}
