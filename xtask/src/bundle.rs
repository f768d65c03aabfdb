//! `cargo xtask bundle`: the insert as ready folders for a DAW, with instructions beside them.
//!
//! In a target directory of its own: the bundler takes any program of the package's name that it finds in
//! the build directory for a standalone, and the `notefront` program has that name.

use std::path::{Path, PathBuf};
use std::process::Command;

/// The insert's package.
const PACKAGE: &str = "notefront";
/// The directory of the build, below the workspace.
const TARGET_DIR: &str = "target/insert";
/// Parts of the database that are left out.
const UNUSED_OF_SQLITE: &str = "-USQLITE_ENABLE_FTS3 -USQLITE_ENABLE_FTS3_PARENTHESIS -USQLITE_ENABLE_FTS5 \
    -USQLITE_ENABLE_RTREE -USQLITE_ENABLE_DBSTAT_VTAB";

const INSTALL: &str = "\
Notefront, the insert
=====================

Notefront.clap   CLAP
Notefront.vst3   VST3 (a folder on every system: copy it whole)

Linux    ~/.clap                              ~/.vst3
macOS    ~/Library/Audio/Plug-Ins/CLAP        ~/Library/Audio/Plug-Ins/VST3
Windows  %LOCALAPPDATA%\\Programs\\Common\\CLAP  %LOCALAPPDATA%\\Programs\\Common\\VST3

Copy one of the two into its folder, let the host scan for new plug-ins, and put Notefront on the track of
the recorded take (or on the input you play into) before any effect. Play: each stretch of playback becomes
a pass in its window.

On macOS a downloaded copy is quarantined: xattr -dr com.apple.quarantine Notefront.clap

Long and loud practice can hurt hearing and lips. Use hearing protection, keep to limits, rest, stop on pain,
and see a professional when it stays.
";

/// Builds and bundles; `args` are further arguments for `cargo`, the profile `insert` unless `--debug` is given.
///
/// # Errors
/// What failed, in words.
pub fn run(args: &[String]) -> Result<(), String> {
    let target = workspace_root().join(TARGET_DIR);
    let is_debug = args.iter().any(|a| a == "--debug");
    let further = || args.iter().filter(|a| *a != "--debug").cloned();
    let profile = if is_debug { "dev" } else { "insert" };
    let status = Command::new("cargo")
        .current_dir(workspace_root())
        .env("CARGO_TARGET_DIR", &target)
        // The practice log searches no texts and no places.
        .env("LIBSQLITE3_FLAGS", UNUSED_OF_SQLITE)
        // As the host's library alone: beside an `rlib`, cargo leaves out the optimisation over all crates.
        .args(["rustc", "-p", PACKAGE, "--lib", "--crate-type", "cdylib", "--profile", profile])
        .args(further())
        .status()
        .map_err(|e| format!("cannot start cargo: {e}"))?;
    if !status.success() {
        return Err("the insert cannot be built".into());
    }
    let built: Vec<String> = further().chain((!is_debug).then(|| format!("--profile={profile}"))).collect();
    nice_plug_xtask::chdir_workspace_root()
        .and_then(|()| nice_plug_xtask::bundle(&target, PACKAGE, &built, false))
        .map_err(|e| format!("bundling failed: {e:#}"))?;
    let bundled = target.join("bundled");
    std::fs::write(bundled.join("INSTALL.txt"), INSTALL).map_err(|e| format!("{}: {e}", bundled.display()))?;
    report(&bundled)
}

fn workspace_root() -> PathBuf {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    here.parent().unwrap_or(here).to_owned()
}

/// Sizes of what was made, so that growth is seen.
fn report(bundled: &Path) -> Result<(), String> {
    for name in ["Notefront.clap", "Notefront.vst3"] {
        let path = bundled.join(name);
        if path.exists() {
            println!("{} {:.1} MB", path.display(), size(&path) as f64 / 1e6);
        } else {
            return Err(format!("{} was not made", path.display()));
        }
    }
    Ok(())
}

fn size(path: &Path) -> u64 {
    match std::fs::read_dir(path) {
        Ok(entries) => entries.filter_map(Result::ok).map(|e| size(&e.path())).sum(),
        Err(_) => std::fs::metadata(path).map_or(0, |m| m.len()),
    }
}
