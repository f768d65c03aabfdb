//! What the insert costs. Both libraries as a player would have them, this program as it is built quickest:
//!
//! ```text
//! cargo xtask bundle && cargo build --release -p notefront --example bare
//! NOTEFRONT_CLAP=target/insert/bundled/Notefront.clap cargo run -p notefront --features fixture --example budget TAKE
//! ```
//!
//! Plays TAKE (or noise) in blocks of 64, at the pace of the sound, through the built CLAP in a headless host, and
//! through an insert of the same framework that does nothing (`bare`), block by block in turn. Tells the share of a
//! block's time that each takes, and the share of one core that the worker takes. A block comes once in 1.3 ms, so the
//! slowest find their code and data gone from the caches: those of the framework and those of ours.

#[path = "../tests/common/mod.rs"]
mod common;

use clack_host::prelude::*;
use common::{Insert, Play, noise, rolling};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// Blocks of the measure, samples.
const BLOCK: usize = 64;
/// What a figure is told for: name and share of the blocks that are no slower.
const QUANTILES: [(&str, f64); 3] = [("median", 0.5), ("p99", 0.99), ("p99.9", 0.999)];

fn main() {
    let (samples, rate) = match std::env::args().nth(1) {
        Some(path) => {
            let sound = notefront_tests::audio::read(Path::new(&path)).unwrap_or_else(|e| panic!("{e}"));
            (sound.samples, sound.rate_hz)
        }
        None => (noise(30 * 48_000, 3), 48_000.0),
    };
    let play = Play { offline: false, ..Play::offline(rate, BLOCK) };
    let mut inserts = [Insert::new(), Insert::of(&bare_library(), c"notefront.bare")];
    let processors = inserts.each_mut().map(|insert| insert.activate(&play));
    let (times, worker_s) = std::thread::scope(|scope| {
        scope.spawn(|| measure(processors, &samples, rate)).join().expect("the audio side does not panic")
    });
    report(&times, BLOCK as f64 / rate);
    let sound_s = samples.len() as f64 / rate;
    println!(
        "worker: {worker_s:.2} s of processor time for {sound_s:.1} s of sound, {:.2} % of one core",
        100.0 * worker_s / sound_s
    );
    // The processors are gone with their thread; nothing is left to deactivate.
    std::process::exit(0);
}

/// The library of `bare.rs`, built for release.
fn bare_library() -> PathBuf {
    let name = format!("{}bare{}", std::env::consts::DLL_PREFIX, std::env::consts::DLL_SUFFIX);
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/release/examples").join(name)
}

fn report(times: &[Vec<Duration>; 2], block_s: f64) {
    println!("{} blocks of {BLOCK}, {:.0} us each; time in us and share of the block", times[0].len(), block_s * 1e6);
    println!("{:8} {:>16} {:>16} {:>16}", "", "the insert", "a bare one", "ours of it");
    for (name, share) in QUANTILES {
        let [insert_s, bare_s] = times.each_ref().map(|t| t[((t.len() - 1) as f64 * share) as usize].as_secs_f64());
        let cell = |s: f64| format!("{:7.2} {:6.3} %", s * 1e6, 100.0 * s / block_s);
        println!("{name:8} {:>16} {:>16} {:>16}", cell(insert_s), cell(bare_s), cell(insert_s - bare_s));
    }
}

/// Times of all blocks of both inserts, sorted, and the worker's processor time in seconds.
fn measure(
    processors: [StoppedPluginAudioProcessor<common::TestHost>; 2],
    samples: &[f32],
    rate: f64,
) -> ([Vec<Duration>; 2], f64) {
    let mut processors = processors.map(|p| p.start_processing().map_err(|_| "not started").expect("it starts"));
    let transport = rolling(rate, 61.0);
    let mut times = [(); 2].map(|()| Vec::with_capacity(samples.len() / BLOCK));
    let mut sent = EventBuffer::new();
    let began = Instant::now();
    for (i, block) in samples.chunks_exact(BLOCK).enumerate() {
        wait_until(began + Duration::from_secs_f64((i * BLOCK) as f64 / rate));
        // Each goes first in every other block: the second finds what they share in the caches.
        for turn in [i % 2, 1 - i % 2] {
            let (mut ins, mut outs) = (vec![block.to_vec(); 2], vec![vec![0.0; BLOCK]; 2]);
            let at = transport((i * BLOCK) as u64);
            times[turn].push(common::process(&mut processors[turn], &mut ins, &mut outs, &mut sent, at));
        }
    }
    std::thread::sleep(Duration::from_secs(1));
    times.iter_mut().for_each(|t| t.sort());
    (times, worker_seconds())
}

/// Without sleeping: how long a sleeping core takes to wake is not the insert's doing.
fn wait_until(due: Instant) {
    while Instant::now() < due {
        std::hint::spin_loop();
    }
}

/// Processor time of the thread named after the worker: fields 14 and 15 of its stat, in hundredths of a second.
fn worker_seconds() -> f64 {
    let tasks = std::fs::read_dir("/proc/self/task").expect("Linux");
    let stats = tasks.filter_map(Result::ok).filter_map(|t| std::fs::read_to_string(t.path().join("stat")).ok());
    let worker = stats.filter(|s| s.contains("(notefront worke")).filter_map(|s| {
        let after = s.rsplit_once(") ")?.1.split(' ').map(str::to_owned).collect::<Vec<_>>();
        Some(after[11].parse::<f64>().ok()? + after[12].parse::<f64>().ok()?)
    });
    worker.sum::<f64>() / 100.0
}
