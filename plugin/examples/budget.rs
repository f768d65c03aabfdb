//! What the insert costs: `cargo run --release -p notefront --features fixture --example budget [TAKE]`.
//!
//! Plays a take (or noise) in blocks of 64 through the built CLAP in a headless host, and tells the share of
//! a block's time that the audio side takes, and the share of one core that the worker takes.

#[path = "../tests/common/mod.rs"]
mod common;

use clack_host::prelude::EventBuffer;
use common::{Insert, Play, noise, rolling};
use std::time::{Duration, Instant};

/// Blocks of the measure: samples, and rate in Hz.
const BLOCK: usize = 64;

fn main() {
    let (samples, rate) = match std::env::args().nth(1) {
        Some(path) => {
            let sound = notefront_tests::audio::read(std::path::Path::new(&path)).unwrap_or_else(|e| panic!("{e}"));
            (sound.samples, sound.rate_hz)
        }
        None => (noise(30 * 48_000, 3), 48_000.0),
    };
    let play = Play { offline: false, ..Play::offline(rate, BLOCK) };
    let mut insert = Insert::new();
    let processor = insert.activate(&play);
    let (times, worker) = std::thread::scope(|scope| {
        scope.spawn(|| measure(processor, &samples, rate)).join().expect("the audio side does not panic")
    });
    let budget = BLOCK as f64 / rate;
    println!("{} blocks of {BLOCK} at {rate} Hz, {:.0} us each", times.len(), budget * 1e6);
    for (name, share) in [("median", 0.5), ("p99", 0.99), ("p99.9", 0.999)] {
        let time = times[((times.len() - 1) as f64 * share) as usize].as_secs_f64();
        println!("audio side, {name}: {:.2} us, {:.3} % of the block", time * 1e6, 100.0 * time / budget);
    }
    let seconds = samples.len() as f64 / rate;
    println!(
        "worker: {worker:.2} s of processor time for {seconds:.1} s of sound, {:.2} % of one core",
        100.0 * worker / seconds
    );
    // The processor is gone with its thread; nothing is left to deactivate.
    std::process::exit(0);
}

type Processor = clack_host::prelude::StoppedPluginAudioProcessor<common::TestHost>;

/// Times of all blocks, sorted, and the worker's processor time in seconds.
fn measure(processor: Processor, samples: &[f32], rate: f64) -> (Vec<Duration>, f64) {
    let mut processor = processor.start_processing().map_err(|_| "not started").expect("it starts");
    let transport = rolling(rate, 61.0);
    let mut times = Vec::with_capacity(samples.len() / BLOCK);
    let mut sent = EventBuffer::new();
    for (i, block) in samples.chunks_exact(BLOCK).enumerate() {
        let (mut ins, mut outs) = (vec![block.to_vec(); 2], vec![vec![0.0; BLOCK]; 2]);
        let at = transport((i * BLOCK) as u64);
        let began = Instant::now();
        common::process(&mut processor, &mut ins, &mut outs, &mut sent, at);
        times.push(began.elapsed());
        if i % 400 == 399 {
            // About twice real time: the worker keeps up without the ring filling.
            std::thread::sleep(Duration::from_millis(250));
        }
    }
    std::thread::sleep(Duration::from_secs(1));
    times.sort();
    (times, worker_seconds())
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
