//! What it costs to keep and to open the largest project:
//!
//! ```text
//! cargo run --release -p notefront --features fixture --example load
//! ```
//!
//! 200 passes with 20 000 entrances are written as a host would keep them and read back; a project four times as large is to be
//! refused. Memory is the most the process ever held, as Linux tells it, so each part runs in a process of its own.

use notefront::fixture;
use notefront::passes::Pass;
use notefront::session::{Session, SharedSession};
use notefront::state::{Keeper, SavedSession};
use std::process::Command;
use std::time::Instant;

/// Passes, and entrances of each.
const NUM_PASSES: usize = 200;
const NUM_ENTRANCES: usize = 100;
/// The project between the two parts.
const PROJECT: &str = "target/load-project.json";
/// Tries of a time; the median is told.
const NUM_TRIES: usize = 7;

fn main() {
    match std::env::args().nth(1).as_deref() {
        Some("write") => write(),
        Some("read") => read(PROJECT),
        Some("nothing") => println!("at rest: {:.1} MB", peak_mb()),
        _ => ["write", "nothing", "read"].into_iter().for_each(in_own_process),
    }
}

fn in_own_process(part: &str) {
    let program = std::env::current_exe().expect("a program has a name");
    let status = Command::new(program).arg(part).status().expect("it starts");
    assert!(status.success(), "{part}");
}

fn write() {
    let mut session = Session::default();
    for _ in 0..NUM_PASSES {
        session.add(Pass { kept: true, ..fixture::scattered(NUM_ENTRANCES) });
    }
    let began = Instant::now();
    let text = serde_json::to_string(&SavedSession::of(&session)).expect("plain data");
    println!("kept: {} entrances, {:.2} MB, in {:.0} ms", NUM_PASSES * NUM_ENTRANCES, megabytes(text.len()), ms(began));
    std::fs::write(PROJECT, &text).expect("room for it");
    let shared = SharedSession::default();
    *shared.lock() = session;
    let keeper = Keeper::of(&shared);
    while keeper.pack_ahead(usize::MAX) {}
    let began = Instant::now();
    let again = serde_json::to_string(&keeper.to_keep()).expect("plain data");
    println!("kept again, packed ahead: in {:.0} ms; at most {:.1} MB", ms(began), peak_mb());
    assert!(again == text, "packed ahead is packed the same");
}

fn read(path: &str) {
    let text = std::fs::read_to_string(path).expect("just written");
    let before_mb = peak_mb();
    let mut times: Vec<f64> = Vec::new();
    for _ in 0..NUM_TRIES {
        let began = Instant::now();
        let saved: SavedSession = serde_json::from_str(&text).expect("what was kept can be read");
        times.push(ms(began));
        let num: usize = saved.passes.iter().map(|p| p.entrances.len()).sum();
        assert_eq!((num, saved.damage.len()), (NUM_PASSES * NUM_ENTRANCES, 0));
        if times.len() == 1 {
            println!("opened: at most {:.1} MB more than before", peak_mb() - before_mb);
        }
    }
    times.sort_by(f64::total_cmp);
    println!("opened in {:.0} ms (median of {NUM_TRIES}; worst {:.0})", times[NUM_TRIES / 2], times[NUM_TRIES - 1]);
}

fn ms(began: Instant) -> f64 {
    began.elapsed().as_secs_f64() * 1e3
}

fn megabytes(bytes: usize) -> f64 {
    bytes as f64 / 1e6
}

/// Most memory this process held so far, MB.
fn peak_mb() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    line.and_then(|l| l.trim().trim_end_matches("kB").trim().parse::<f64>().ok()).map_or(f64::NAN, |kb| kb / 1024.0)
}
