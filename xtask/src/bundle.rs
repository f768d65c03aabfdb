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
/// Said to ourselves: run the bundler in this process.
const INNER: &str = "--inner";

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

/// Builds and bundles; `args` are further arguments for `cargo build`, `--release` unless `--debug` is given.
///
/// # Errors
/// What failed, in words.
pub fn run(args: &[String]) -> Result<(), String> {
    if args.first().is_some_and(|a| a == INNER) {
        return bundle_here(&args[1..]);
    }
    let target = workspace_root().join(TARGET_DIR);
    let itself = std::env::current_exe().map_err(|e| format!("cannot find this program again: {e}"))?;
    // The target directory is an environment variable, and setting one in a running process is unsafe.
    let status = Command::new(itself)
        .env("CARGO_TARGET_DIR", &target)
        // One unit and whole-program optimisation: slower to build, and a plug-in is downloaded and loaded often.
        .env("CARGO_PROFILE_RELEASE_LTO", "fat")
        .env("CARGO_PROFILE_RELEASE_CODEGEN_UNITS", "1")
        .args(["bundle", INNER])
        .args(args)
        .status()
        .map_err(|e| format!("cannot start the bundler: {e}"))?;
    if !status.success() {
        return Err("bundling failed".into());
    }
    let bundled = target.join("bundled");
    std::fs::write(bundled.join("INSTALL.txt"), INSTALL).map_err(|e| format!("{}: {e}", bundled.display()))?;
    report(&bundled)
}

fn bundle_here(args: &[String]) -> Result<(), String> {
    let release = (!args.iter().any(|a| a == "--debug")).then(|| "--release".to_owned());
    let rest = args.iter().filter(|a| *a != "--debug").cloned();
    let all = ["bundle".to_owned(), PACKAGE.to_owned()].into_iter().chain(release).chain(rest);
    nice_plug_xtask::main_with_args("cargo xtask", all).map_err(|e| format!("{e:#}"))
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
