//! `cargo xtask bench`: speed of the analysis, as a ratio to a reference in the same run, and its memory.
//!
//! The reference is rustfft over the same samples: windows of 2048 samples, every 512. A ratio survives a change
//! of machine; seconds do not.

use notefront_dsp::analyzer::collect;
use notefront_dsp::{Analyzer, Settings};
use notefront_tests::synth::make;
use rustfft::{FftPlanner, num_complex::Complex};
use std::hint::black_box;
use std::time::Instant;

const RATE_HZ: f64 = 48_000.0;
/// Each time is the least of this many.
const NUM_RUNS: usize = 5;

pub fn run() -> Result<(), String> {
    if cfg!(debug_assertions) {
        return Err("measure what is shipped: cargo run --release -p xtask -- bench".into());
    }
    let (sound, _) = make("faults", 1).ok_or("no such kind")?.make(RATE_HZ, 1);
    let length_s = sound.samples.len() as f64 / RATE_HZ;
    let analysis_s = least(|| analyse(&sound.samples, 1));
    let reference_s = least(|| reference(&sound.samples));
    println!("analysis of {length_s:.1} s at 48 kHz, one core: {:.0} x real time", length_s / analysis_s);
    println!("reference (rustfft, 2048 points every 512): {:.0} x real time", length_s / reference_s);
    println!("ratio: the analysis takes {:.1} times the reference", analysis_s / reference_s);
    print_memory(&sound.samples);
    Ok(())
}

fn least(mut work: impl FnMut()) -> f64 {
    let times = (0..NUM_RUNS).map(|_| {
        let start = Instant::now();
        work();
        start.elapsed().as_secs_f64()
    });
    times.fold(f64::INFINITY, f64::min)
}

/// Analyses the samples `rounds` times over as one long take, in blocks of 512.
fn analyse(samples: &[f32], rounds: usize) {
    let Ok(mut analyzer) = Analyzer::new(RATE_HZ, Settings::default()) else { return };
    let mut heard = Vec::new();
    for block in (0..rounds).flat_map(|_| samples.chunks(512)) {
        analyzer.push(block);
        collect(&mut analyzer, &mut heard);
        heard.clear();
    }
    analyzer.finish();
    black_box(&heard);
}

fn reference(samples: &[f32]) {
    const LEN: usize = 2048;
    let fft = FftPlanner::<f32>::new().plan_fft_forward(LEN);
    let mut buffer = vec![Complex::default(); LEN];
    let mut scratch = vec![Complex::default(); fft.get_inplace_scratch_len()];
    for window in samples.windows(LEN).step_by(512) {
        for (point, sample) in buffer.iter_mut().zip(window) {
            *point = Complex::new(*sample, 0.0);
        }
        fft.process_with_scratch(&mut buffer, &mut scratch);
        black_box(&buffer);
    }
}

/// Resident memory after takes of growing length; the program itself holds only the short one.
fn print_memory(samples: &[f32]) {
    for rounds in [1, 8, 64] {
        analyse(samples, rounds);
        let minutes = (rounds * samples.len()) as f64 / RATE_HZ / 60.0;
        match resident_kib() {
            Some(kib) => println!("memory after {minutes:.1} min of sound: {kib} KiB resident"),
            None => println!("memory: this system does not tell"),
        }
    }
}

/// Peak resident memory in KiB, where the system has /proc.
fn resident_kib() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM"))?;
    line.split_whitespace().nth(1)?.parse().ok()
}
