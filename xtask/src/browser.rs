//! Brings what the tests of the page need beside Rust: Chromium, Node.js, and the two packages of `tests/page`.
//! Without them the page's tests skip aloud, and nothing else does.

use std::path::Path;
use std::process::Command;
use xtask::shell::{answers, root, run};

/// What a browser needs on Debian: the program that must answer, and its package.
const PROGRAMS: [(&str, &str); 3] = [("node", "nodejs"), ("npm", "npm"), ("chromium", "chromium")];

/// Installs the packages where it can, and names what is missing.
pub fn bring() {
    let missing: Vec<&str> =
        PROGRAMS.iter().filter(|(program, _)| !answers(program, &["--version"])).map(|(_, package)| *package).collect();
    if !missing.is_empty() {
        println!("the page's tests will skip; for them: sudo apt-get install {}", missing.join(" "));
        return;
    }
    let folder = root().join("tests/page");
    if is_current(&folder) {
        return;
    }
    let install = ["ci", "--no-audit", "--no-fund", "--prefix"];
    if let Err(e) = run(Command::new("npm").args(install).arg(&folder)) {
        println!("the page's tests will skip: {e}");
    }
}

/// The installed packages are those of the lock file when npm's own note of them is the younger.
fn is_current(folder: &Path) -> bool {
    let changed = |path: &str| folder.join(path).metadata().and_then(|data| data.modified()).ok();
    changed("node_modules/.package-lock.json")
        .zip(changed("package-lock.json"))
        .is_some_and(|(ours, lock)| ours >= lock)
}
