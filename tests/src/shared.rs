//! Finds the folder of shared takes and recorded notes, which lies beside the checkout and not in it.

use crate::skipped;
use std::path::{Path, PathBuf};

/// The folder named by `NOTEFRONT_SHARED`, or the first `shared` folder beside a parent of this package.
/// Says aloud when there is none, so that a test that skips is seen to skip.
#[must_use]
pub fn folder(part: &str) -> Option<PathBuf> {
    let named = std::env::var_os("NOTEFRONT_SHARED").map(PathBuf::from);
    let beside = || {
        let package = Path::new(env!("CARGO_MANIFEST_DIR"));
        package.ancestors().map(|parent| parent.join("shared")).find(|folder| folder.join("takes").is_dir())
    };
    let found = named.or_else(beside).map(|folder| folder.join(part)).filter(|folder| folder.is_dir());
    if found.is_none() {
        skipped::say(&format!("no shared folder with {part}; set NOTEFRONT_SHARED to where it is"));
    }
    found
}
