//! What runs while an input is open: its stream, the output's, and the worker behind them.

use super::cards::Card;
use super::controls::Controls;
use super::player::{self, Player};
use super::round_trip::{self, EVERY_S, MOST_S, NUM_SWEEPS};
use super::sides::{InputSide, OutputSide, sweep_at};
use crate::kept_sound::KeptSound;
use crate::meters::Meters;
use crate::project::Project;
use crate::quiet::PassEnd;
use crate::worker::{Worker, WorkerParts};
use crate::{capture, marker_out};
use cpal::Stream;
use rtrb::{Consumer, RingBuffer};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::thread::JoinHandle;

/// What a stream's worker writes into.
#[derive(Clone)]
pub struct Parts {
    /// Settings and session.
    pub project: Project,
    /// Counters.
    pub meters: Arc<Meters>,
    /// What window and callbacks share.
    pub controls: Arc<Controls>,
    /// The silence that ends a pass.
    pub pass_end: Arc<PassEnd>,
    /// The sound of passes, to be heard again.
    pub kept_sound: Arc<KeptSound>,
}

/// An open input, with an output or without; or an output alone, to listen on. Dropping it ends the running pass, which is kept.
pub struct Sound {
    input: Option<Stream>,
    /// The output's stream; `None` without one.
    output: Option<Stream>,
    worker: Option<JoinHandle<()>>,
    kept: Consumer<f32>,
    controls: Arc<Controls>,
    rates_hz: (f64, f64),
    /// The window's end of what is listened to, until it is taken.
    player: Option<Player>,
}

impl Sound {
    /// Opens an input, and an output if one is given; why there is no output comes with it.
    ///
    /// # Errors
    /// Why the input cannot be opened, in words.
    pub fn open(input: &Card, output: Option<&Card>, parts: &Parts) -> Result<(Self, Option<String>), String> {
        let controls = parts.controls.clone();
        begin(&controls);
        let in_hz = f64::from(input.rate_hz);
        let out_hz = output.map_or(in_hz, |o| f64::from(o.rate_hz));
        parts.meters.clock.store(0, Ordering::Release);
        parts.meters.done.store(0, Ordering::Release);
        let (capture, feed) = capture::pair(in_hz, false, parts.meters.clone());
        let (notes, _) = marker_out::pair(in_hz, parts.meters.clone());
        let (keep, kept) = RingBuffer::new((needed_s() * in_hz) as usize);
        let side = InputSide::new(controls.clone(), capture, keep, in_hz, out_hz);
        let stream = input.listen(side, &controls)?;
        let worker = Worker::new(WorkerParts {
            feed,
            notes,
            project: parts.project.clone(),
            meters: parts.meters.clone(),
            pass_end: parts.pass_end.clone(),
            kept_sound: Some(parts.kept_sound.clone()),
            sample_rate_hz: in_hz,
            offline: false,
        });
        let worker = worker.spawn().map_err(|e| format!("The system has no thread for the analysis: {e}."))?;
        let (player, playing) = player::pair();
        let opened = output.map(|o| o.play(OutputSide::new(controls.clone(), out_hz, playing), &controls)).transpose();
        let (output, why) = opened.map_or_else(|why| (None, Some(why)), |stream| (stream, None));
        let (rates_hz, player) = ((in_hz, out_hz), output.is_some().then_some(player));
        Ok((Self { input: Some(stream), output, worker: Some(worker), kept, controls, rates_hz, player }, why))
    }

    /// Opens an output alone: takes can be listened to where there is nothing to record with.
    ///
    /// # Errors
    /// Why it cannot be opened, in words.
    pub fn open_output(output: &Card, parts: &Parts) -> Result<Self, String> {
        let controls = parts.controls.clone();
        begin(&controls);
        let out_hz = f64::from(output.rate_hz);
        let (_, kept) = RingBuffer::new(1);
        let (player, playing) = player::pair();
        let output = Some(output.play(OutputSide::new(controls.clone(), out_hz, playing), &controls)?);
        let (rates_hz, player) = ((out_hz, out_hz), Some(player));
        Ok(Self { input: None, output, worker: None, kept, controls, rates_hz, player })
    }

    /// The window's end of what is listened to, and the output's rate, Hz; once.
    pub fn take_player(&mut self) -> Option<(Player, f64)> {
        Some((self.player.take()?, self.rates_hz.1))
    }

    /// There is an output to count in on.
    #[must_use]
    pub fn has_output(&self) -> bool {
        self.output.is_some()
    }

    /// Rate of the input, Hz.
    #[must_use]
    pub fn rate_hz(&self) -> f64 {
        self.rates_hz.0
    }

    /// Plays the sweeps that the round trip is measured by.
    pub fn begin_to_measure(&mut self) {
        while self.kept.pop().is_ok() {}
        self.controls.first_sweep.forget();
        self.controls.first_kept.forget();
        self.controls.measuring.store(true, Ordering::Release);
    }

    /// The round trip once enough was heard: `None` before.
    pub fn measured(&mut self) -> Option<Result<round_trip::RoundTrip, round_trip::NotFound>> {
        let (in_hz, out_hz) = self.rates_hz;
        if self.kept.slots() < self.kept.buffer().capacity() - super::sides::BLOCK {
            return None;
        }
        self.controls.measuring.store(false, Ordering::Release);
        let heard: Vec<f32> = std::iter::from_fn(|| self.kept.pop().ok()).collect();
        let (first, kept) = (self.controls.first_sweep.get()?, self.controls.first_kept.get()?);
        let sent = (0..NUM_SWEEPS).filter_map(|i| {
            let at = first + sweep_at(i, out_hz) as i64;
            Some(self.controls.input_sample(at, in_hz, out_hz)? - kept)
        });
        Some(round_trip::find(&heard, &sent.collect::<Vec<_>>(), in_hz))
    }
}

/// Nothing of the streams before is left.
fn begin(controls: &Controls) {
    controls.stop();
    for told in [&controls.in_zero_ns, &controls.out_zero_ns, &controls.first_beat] {
        told.forget();
    }
    controls.measuring.store(false, Ordering::Release);
    controls.broken.store(false, Ordering::Release);
}

/// How much is heard to find all sweeps, seconds: them, the time to the first, and the longest round trip.
fn needed_s() -> f64 {
    NUM_SWEEPS as f64 * EVERY_S + 2.0 * MOST_S
}

impl Drop for Sound {
    fn drop(&mut self) {
        self.controls.stop();
        self.output = None;
        // The audio end goes with its stream; the worker then ends the pass and leaves.
        self.input = None;
        if let Some(worker) = self.worker.take() {
            let _ = worker.join();
        }
    }
}
