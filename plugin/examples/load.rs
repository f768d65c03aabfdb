//! What it costs to keep and to open the largest project, and how long a host waits that saves or closes:
//!
//! ```text
//! cargo run --release -p notefront --features fixture --example load
//! ```
//!
//! 200 passes with 20 000 entrances are written as a host would keep them and read back; one pass of 20 000 runs, and is saved
//! and closed while it is packed. Memory is the most the process ever held, as Linux tells it, so each part runs in a process
//! of its own.

use notefront::choices::Choices;
use notefront::fixture;
use notefront::instance::{Config, Instance};
use notefront::passes::Pass;
use notefront::project::Project;
use notefront::session::{Session, SharedSession};
use notefront::state::{Keeper, Kept, SavedSession};
use std::process::Command;
use std::time::{Duration, Instant};

/// Passes, and entrances of each.
const NUM_PASSES: usize = 200;
const NUM_ENTRANCES: usize = 100;
/// The project between the two parts.
const PROJECT: &str = "target/load-project.json";
/// Where the practice log lies meanwhile.
const DATA_FOLDER: &str = "target/load-data";
/// Tries of a time; the median is told.
const NUM_TRIES: usize = 7;
/// How long the worker has been packing when the host closes, ms: at its first pieces, and amid them.
const CLOSED_AFTER_MS: [u64; 4] = [0, 20, 100, 300];
/// The same where all is packed and a kept pass is being written into the log.
const LOGGED_AFTER_MS: [u64; 4] = [0, 50, 300, 700];

fn main() {
    match std::env::args().nth(1).as_deref() {
        Some("write") => write(),
        Some("read") => read(PROJECT),
        Some("save") => save(PROJECT),
        Some("close") => close(false),
        Some("close-log") => close(true),
        Some("nothing") => println!("at rest: {:.1} MB", peak_mb()),
        _ => ["write", "nothing", "read", "save", "close", "close-log"].into_iter().for_each(in_own_process),
    }
}

fn in_own_process(part: &str) {
    let program = std::env::current_exe().expect("a program has a name");
    // A practice log of its own.
    let _ = std::fs::remove_dir_all(DATA_FOLDER);
    let data = std::path::absolute(DATA_FOLDER).expect("a folder");
    let status = Command::new(program).arg(part).env("XDG_DATA_HOME", data).status().expect("it starts");
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
    let mut longest_ms: f64 = 0.0;
    loop {
        let began = Instant::now();
        if !keeper.pack_ahead() {
            break;
        }
        longest_ms = longest_ms.max(ms(began));
    }
    println!("packed ahead: the longest piece in {longest_ms:.1} ms");
    assert!(saved(&keeper, "packed ahead") == text, "packed ahead is packed the same");
}

/// The host's call: what is kept, as a text, in the text of a state, as the framework writes it.
fn saved(keeper: &Keeper, what: &str) -> String {
    let began = Instant::now();
    let num_packed = keeper.pack_rest();
    let text = serde_json::to_string(&keeper.to_keep()).expect("plain data");
    let state = serde_json::to_vec(&serde_json::json!({ "fields": { "session": &text } })).expect("plain data");
    let took = format!("{num_packed} pieces packed, {:.2} MB in {:.0} ms", megabytes(state.len()), ms(began));
    println!("save, {what}: {took}; at most {:.1} MB", peak_mb());
    text
}

fn read(path: &str) {
    let text = std::fs::read_to_string(path).expect("just written");
    let before_mb = peak_mb();
    let mut times: Vec<f64> = Vec::new();
    for _ in 0..NUM_TRIES {
        let began = Instant::now();
        let kept: Kept = serde_json::from_str(&text).expect("what was kept can be read");
        times.push(ms(began));
        let Kept::Read(saved, _) = kept else { panic!("it was read") };
        let num: usize = saved.passes.iter().map(|p| p.entrances.len()).sum();
        assert_eq!((num, saved.damage.len()), (NUM_PASSES * NUM_ENTRANCES, 0));
        if times.len() == 1 {
            println!("opened: at most {:.1} MB more than before", peak_mb() - before_mb);
        }
    }
    times.sort_by(f64::total_cmp);
    println!("opened in {:.0} ms (median of {NUM_TRIES}; worst {:.0})", times[NUM_TRIES / 2], times[NUM_TRIES - 1]);
}

/// The first save after opening, after another judgement, and while a long pass runs.
fn save(path: &str) {
    let text = std::fs::read_to_string(path).expect("just written");
    let keeper = Keeper::default();
    keeper.take_in(serde_json::from_str(&text).expect("what was kept can be read"));
    let judged = |strictness: f32| {
        keeper.session().lock().rejudge(&Choices { strictness, ..Choices::default() }.judging());
    };
    judged(Choices::default().strictness);
    saved(&keeper, "first after opening");
    judged(0.9);
    saved(&keeper, "judged otherwise");
    let shared = SharedSession::default();
    shared.lock().add(Pass { live: true, ..fixture::scattered(NUM_PASSES * NUM_ENTRANCES) });
    let keeper = Keeper::of(&shared);
    while keeper.pack_ahead() {}
    saved(&keeper, "a pass of 20 000 that runs");
    saved(&Keeper::of(&shared), "the same, nothing packed ahead");
}

/// What an instance that closes keeps its host waiting, while a long pass is packed, or is packed and written into the log.
fn close(into_log: bool) {
    for after_ms in if into_log { LOGGED_AFTER_MS } else { CLOSED_AFTER_MS } {
        let project = Project::default();
        let mut instance = Instance::new(project.clone());
        let shared = &project.session;
        let pass = Pass { kept: into_log, ..fixture::scattered(NUM_PASSES * NUM_ENTRANCES) };
        project.looks.write().keeps_log = into_log;
        shared.lock().restore(
            vec![Pass { waits_since: into_log.then_some((1_772_474_400, 60)), ..pass }],
            None,
            Vec::new(),
        );
        let config = Config { sample_rate_hz: 48_000.0, num_channels: 1, offline: false };
        instance.activate(config).expect("a thread");
        // It judges what was kept first; then it packs.
        while shared.lock().is_stale {
            std::thread::sleep(Duration::from_millis(1));
        }
        while into_log && project.keeper.pack_rest() > 0 {}
        std::thread::sleep(Duration::from_millis(after_ms));
        let began = Instant::now();
        drop(instance);
        let waited_ms = ms(began);
        let waits = shared.lock().passes().iter().any(|pass| pass.waits_since.is_some());
        let what = match (into_log, waits) {
            (false, _) => "packing",
            (true, true) => "writing into the log, which is given up",
            (true, false) => "writing into the log, which is done",
        };
        println!("closed after {after_ms} ms of {what}: the host waits {waited_ms:.0} ms");
    }
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
