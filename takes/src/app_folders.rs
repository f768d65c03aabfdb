//! Where the system wants what belongs to the program: the XDG Base Directory rules, `~/Library` or `%APPDATA%`.

use etcetera::app_strategy::{AppStrategy, AppStrategyArgs, choose_native_strategy};
use std::path::PathBuf;

/// For what was chosen once and for all, `~/.config/notefront`; `None` without a home folder.
#[must_use]
pub fn settings() -> Option<PathBuf> {
    Some(strategy()?.config_dir())
}

/// For what gathers over weeks, `~/.local/share/notefront`; `None` without a home folder.
#[must_use]
pub fn data() -> Option<PathBuf> {
    Some(strategy()?.data_dir())
}

fn strategy() -> Option<impl AppStrategy> {
    let (top_level_domain, author, app_name) = ("org".into(), "Notefront".into(), "notefront".into());
    choose_native_strategy(AppStrategyArgs { top_level_domain, author, app_name }).ok()
}
