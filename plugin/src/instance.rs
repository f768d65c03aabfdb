//! One instance between the door and its threads: what runs from activation to deactivation, and what happens to a block.
//! Plain data in and out; which framework stands at the door is none of its business.

use crate::capture::{self, Capture};
use crate::delay::Delay;
use crate::marker_out::{self, MarkerNote, NoteQueue, Sent};
use crate::meters::Meters;
use crate::project::Project;
use crate::take_file::TakeLoader;
use crate::transport::TransportView;
use crate::worker::{Worker, WorkerParts};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::thread::JoinHandle;
use std::time::Duration;

/// How long the audio side sleeps at a time when it waits for the worker while the host renders.
const OFFLINE_WAIT: Duration = Duration::from_micros(50);

/// One instance.
pub struct Instance {
    /// Choices and passes.
    pub project: Project,
    /// Levels and counters.
    pub meters: Arc<Meters>,
    /// Loads takes from files.
    pub loader: Arc<TakeLoader>,
    running: Option<Running>,
    /// A marker note that the last run could not end any more.
    left_sounding: Option<MarkerNote>,
}

/// What a run depends on; an activation that changes none of it goes on with the same run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Config {
    /// Rate, Hz.
    pub sample_rate_hz: f64,
    /// Channels in and out.
    pub num_channels: usize,
    /// The host says that it renders.
    pub offline: bool,
}

impl Config {
    /// The delay of the sound with and without marker notes, samples: what the host is told.
    #[must_use]
    pub fn latency(&self, look_ahead: bool) -> u32 {
        if look_ahead { (marker_out::LOOK_AHEAD_S * self.sample_rate_hz).round() as u32 } else { 0 }
    }
}

impl Instance {
    /// One that does not run yet.
    #[must_use]
    pub fn new(project: Project) -> Self {
        let loader = Arc::new(TakeLoader::new(project.clone()));
        Self { project, meters: Arc::default(), loader, running: None, left_sounding: None }
    }

    /// Begins to run, or goes on; the delay to tell the host, samples. `None` when the system has no thread to give.
    pub fn activate(&mut self, config: Config) -> Option<u32> {
        if self.running.as_ref().is_none_or(|r| r.config != config) {
            self.deactivate();
            self.running = Running::start(config, &self.project, &self.meters, self.left_sounding.take()).ok();
        }
        self.running.as_ref().map(|_| config.latency(self.project.choices().look_ahead))
    }

    /// Stops, and waits for the worker: the host may unload the library right after this.
    pub fn deactivate(&mut self) {
        if let Some(running) = self.running.take() {
            self.left_sounding = running.stop();
        }
    }

    /// The host's reset. AUDIO.
    pub fn reset(&mut self) {
        if let Some(running) = &mut self.running {
            running.reset();
        }
    }

    /// What runs; AUDIO goes on with it.
    pub fn running(&mut self) -> Option<&mut Running> {
        self.running.as_mut()
    }
}

impl Drop for Instance {
    fn drop(&mut self) {
        self.loader.stop();
        self.deactivate();
    }
}

/// What exists between activation and deactivation.
pub struct Running {
    config: Config,
    capture: Capture,
    delay: Delay,
    notes: NoteQueue,
    meters: Arc<Meters>,
    worker: JoinHandle<()>,
    /// The sound is delayed and marker notes are sent.
    look_ahead: bool,
}

impl Running {
    fn start(
        config: Config,
        project: &Project,
        meters: &Arc<Meters>,
        left_sounding: Option<MarkerNote>,
    ) -> std::io::Result<Self> {
        meters.clock.store(0, Ordering::Release);
        meters.done.store(0, Ordering::Release);
        let (capture, feed) = capture::pair(config.sample_rate_hz, config.offline, meters.clone());
        let (to_notes, notes) = marker_out::pair(config.sample_rate_hz, meters.clone());
        let worker = Worker::new(WorkerParts {
            feed,
            notes: to_notes,
            project: project.clone(),
            meters: meters.clone(),
            pass_end: Arc::default(),
            // A host plays what it has recorded.
            kept_sound: None,
            sample_rate_hz: config.sample_rate_hz,
            offline: config.offline,
        })
        .spawn()?;
        let delay = Delay::new(config.num_channels, config.latency(true) as usize);
        let meters = meters.clone();
        let mut running = Self { config, capture, delay, notes, meters, worker, look_ahead: false };
        running.switch_look_ahead(project.choices().look_ahead);
        running.notes.end_first(left_sounding);
        Ok(running)
    }

    /// Begins or ends the delay of the sound. AUDIO: some hosts load a project's state only after they have
    /// activated the insert, and do not activate it again when its delay changes.
    /// What is returned ends the note that sounds.
    fn switch_look_ahead(&mut self, on: bool) -> Option<Sent> {
        self.look_ahead = on;
        let delay = self.config.latency(on);
        self.delay.clear();
        self.capture.switch_to(u64::from(delay));
        self.meters.latency.store(delay, Ordering::Relaxed);
        self.notes.switch_to(u64::from(delay))
    }

    fn reset(&mut self) {
        self.capture.cut();
        self.delay.clear();
        self.notes.clear();
    }

    /// Lets the worker finish what it has; a marker note that still sounds is given back.
    fn stop(self) -> Option<MarkerNote> {
        drop(self.capture);
        let _ = self.worker.join();
        self.notes.left_sounding()
    }

    /// The delay to tell the host where the player's choice of marker notes is another than the one in force, samples. AUDIO.
    #[must_use]
    pub fn wanted_latency(&self, look_ahead: bool) -> Option<u32> {
        (look_ahead != self.look_ahead).then(|| self.config.latency(look_ahead))
    }

    /// AUDIO: another choice of marker notes than the one in force takes effect now; the new delay, for the host.
    pub fn follow(&mut self, look_ahead: bool, send: &mut impl FnMut(Sent)) -> Option<u32> {
        let latency = self.wanted_latency(look_ahead)?;
        if let Some(sent) = self.switch_look_ahead(look_ahead) {
            send(sent);
        }
        Some(latency)
    }

    /// AUDIO: takes a block, and replaces it by the sound that is due, with the notes that are.
    pub fn process(&mut self, channels: &mut [&mut [f32]], transport: &TransportView, send: &mut impl FnMut(Sent)) {
        let block_clock = self.capture.clock();
        let num_samples = channels.first().map_or(0, |c| c.len()) as u64;
        self.capture.write(channels, transport);
        if self.look_ahead {
            self.delay.process(channels);
            while self.waits_for_worker() {
                std::thread::sleep(OFFLINE_WAIT);
            }
            while let Some(sent) = self.notes.next(block_clock, num_samples) {
                send(sent);
            }
        } else if let Some(sent) = self.notes.end_cut_short() {
            send(sent);
        }
    }

    /// What the insert has to go on for when the input falls silent, samples: the sound that is delayed, or the rest itself,
    /// which belongs to a pass. `None` where a host may put it to sleep. AUDIO.
    #[must_use]
    pub fn goes_on_for(&self, transport: &TransportView, listens_stopped: bool) -> Option<u32> {
        let listens = transport.playing || !transport.has_time_line() || listens_stopped;
        match self.config.latency(self.look_ahead) {
            0 => listens.then_some(1),
            delay => Some(delay),
        }
    }

    /// While the host renders, the sound of a note is held back until the worker has judged it.
    fn waits_for_worker(&self) -> bool {
        self.capture.may_wait()
            && self.meters.done.load(Ordering::Acquire) < self.capture.clock()
            && !self.worker.is_finished()
    }
}
