//! What a test that skips has to say: aloud, and for the last lines of `cargo xtask test`, since a test runner keeps what
//! passing tests print to itself.

use std::io::Write;

/// Names the file that gathers what was skipped: a line for each, with the test's name and, after a tabulator, the reason.
pub const GATHERED_IN: &str = "NOTEFRONT_SKIPPED";

/// Says that the running test skips all of itself, or a part that it names, and for want of what.
pub fn say(why: &str) {
    eprintln!("SKIPPED: {why}");
    let Some(path) = std::env::var_os(GATHERED_IN) else { return };
    // nextest runs a test on the main thread of a process of its own, and names it here.
    let by_runner = std::env::var("NEXTEST_TEST_NAME").ok();
    let test = by_runner.or_else(|| std::thread::current().name().map(str::to_owned));
    let line = format!("{}\t{}\n", test.as_deref().unwrap_or("a test"), why.replace(['\n', '\t'], " "));
    // One write for one line: several tests add to it at once.
    let opened = std::fs::File::options().create(true).append(true).open(&path);
    if let Err(e) = opened.and_then(|mut file| file.write_all(line.as_bytes())) {
        eprintln!("{}: {e}", path.display());
    }
}
