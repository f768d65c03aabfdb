//! The insert: sits on a track, passes the sound through bit for bit, and shows which entrances to look at.
//!
//! Three sides, each in files of its own; the order of the `mod` lines is the order of the flow, and a module uses only
//! what stands before it:
//! - AUDIO (`capture`, `delay`, `marker_out`): never allocates, locks, logs or waits (offline rendering
//!   excepted, where it waits so that nothing is lost);
//! - WORKER (`worker`, `take_file`): one named thread per instance runs the analysis, another loads a take;
//! - EDITOR (`editor`, `view`): draws plain data and sends the player's wishes as tasks.

// What all sides know.
pub mod looks;
pub mod meters;
pub mod transport;
pub mod wave;
pub mod beats;

// AUDIO.
pub mod delay;
pub mod marker_out;
pub mod capture;

// Plain data: passes, judged and timed, and what a project keeps of them.
pub mod timing;
pub mod passes;
pub mod fronts;
pub mod redraw;
pub mod session;
pub mod bounds;
pub mod packed;
pub mod older_state;
pub mod state;
#[cfg(any(test, feature = "fixture"))]
pub mod fixture;

// What is told of them.
pub mod words;
pub mod align;
pub mod patterns;
pub mod overview;
pub mod marker_files;

// The player's wishes.
pub mod params;
pub mod tasks;

// WORKER.
pub mod quiet;
pub mod worker;
pub mod take_file;

// EDITOR.
pub mod view;
#[cfg(any(test, feature = "fixture"))]
pub mod whole_window;
pub mod desk;
pub mod editor;

// The door.
mod export;

// The standalone: what a host would do.
pub mod alone;

use capture::Capture;
use delay::Delay;
use editor::{EditorParts, NotefrontEditor};
use marker_out::{MarkerNote, NoteQueue, Sent};
use meters::Meters;
use nice_plug::midi::{Channel, Key, VoiceID};
use nice_plug::prelude::*;
use notefront_takes::mark_note::MarkNote;
use params::NotefrontParams;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::thread::JoinHandle;
use std::time::Duration;
use take_file::TakeLoader;
use tasks::{Task, TaskRunner};
use transport::TransportView;
use worker::{Worker, WorkerParts};

/// How long the audio side sleeps at a time when it waits for the worker while the host renders.
const OFFLINE_WAIT: Duration = Duration::from_micros(50);

/// One instance.
pub struct Notefront {
    params: Arc<NotefrontParams>,
    meters: Arc<Meters>,
    tasks: TaskRunner,
    loader: Arc<TakeLoader>,
    running: Option<Running>,
}

/// What exists between activation and deactivation.
struct Running {
    config: Config,
    capture: Capture,
    delay: Delay,
    notes: NoteQueue,
    worker: JoinHandle<()>,
    /// The sound is delayed and marker notes are sent.
    look_ahead: bool,
}

/// What a run depends on; an activation that changes none of it goes on with the same run.
#[derive(Clone, Copy, PartialEq)]
struct Config {
    sample_rate_hz: f64,
    num_channels: usize,
    offline: bool,
}

impl Default for Notefront {
    fn default() -> Self {
        let params = Arc::new(NotefrontParams::default());
        let tasks = TaskRunner::new(params.clone());
        let loader = Arc::new(TakeLoader::new(params.clone()));
        Self { params, meters: Arc::default(), tasks, loader, running: None }
    }
}

impl Config {
    /// The delay of the sound with and without marker notes, samples: what the host is told.
    fn latency(&self, look_ahead: bool) -> u32 {
        if look_ahead { (marker_out::LOOK_AHEAD_S * self.sample_rate_hz).round() as u32 } else { 0 }
    }
}

impl Running {
    fn start(config: Config, params: &Arc<NotefrontParams>, meters: &Arc<Meters>) -> std::io::Result<Self> {
        meters.clock.store(0, Ordering::Release);
        meters.done.store(0, Ordering::Release);
        let (capture, feed) = capture::pair(config.sample_rate_hz, config.offline, meters.clone());
        let (to_notes, notes) = marker_out::pair(config.sample_rate_hz, meters.clone());
        let worker = Worker::new(WorkerParts {
            feed,
            notes: to_notes,
            params: params.clone(),
            meters: meters.clone(),
            pass_end: Arc::default(),
            sample_rate_hz: config.sample_rate_hz,
            offline: config.offline,
        })
        .spawn()?;
        let delay = Delay::new(config.num_channels, config.latency(true) as usize);
        let mut running = Self { config, capture, delay, notes, worker, look_ahead: false };
        running.switch_look_ahead(params.look_ahead.value(), meters);
        Ok(running)
    }

    /// Begins or ends the delay of the sound. AUDIO: some hosts load a project's state only after they have
    /// activated the insert, and do not activate it again when its delay changes.
    /// What is returned ends the note that sounds.
    fn switch_look_ahead(&mut self, on: bool, meters: &Meters) -> Option<Sent> {
        self.look_ahead = on;
        let delay = self.config.latency(on);
        self.delay.clear();
        self.capture.switch_to(u64::from(delay));
        meters.latency.store(delay, Ordering::Relaxed);
        self.notes.switch_to(u64::from(delay))
    }

    /// Lets the worker finish what it has: the host may unload the library right after this.
    fn stop(self) {
        drop(self.capture);
        let _ = self.worker.join();
    }

    /// While the host renders, the sound of a note is held back until the worker has judged it.
    fn waits_for_worker(&self, meters: &Meters) -> bool {
        self.capture.may_wait()
            && meters.done.load(Ordering::Acquire) < self.capture.clock()
            && !self.worker.is_finished()
    }
}

impl Notefront {
    fn stop(&mut self) {
        if let Some(running) = self.running.take() {
            running.stop();
        }
    }
}

impl Drop for Notefront {
    fn drop(&mut self) {
        self.loader.stop();
        self.stop();
    }
}

impl Plugin for Notefront {
    const NAME: &'static str = "Notefront";
    const VENDOR: &'static str = "Notefront";
    const URL: &'static str = "";
    const EMAIL: &'static str = "";
    const VERSION: &'static str = env!("CARGO_PKG_VERSION");

    const AUDIO_IO_LAYOUTS: &'static [AudioIOLayout] = &[
        AudioIOLayout {
            main_input_channels: NonZeroU32::new(2),
            main_output_channels: NonZeroU32::new(2),
            ..AudioIOLayout::const_default()
        },
        AudioIOLayout {
            main_input_channels: NonZeroU32::new(1),
            main_output_channels: NonZeroU32::new(1),
            ..AudioIOLayout::const_default()
        },
    ];
    const MIDI_OUTPUT: MidiConfig = MidiConfig::Basic;

    type Editor = NotefrontEditor;
    type SysExMessage = ();
    type BackgroundTask = Task;

    fn task_executor(&mut self) -> TaskExecutor<Self> {
        let tasks = self.tasks.clone();
        Box::new(move |task| tasks.run(task))
    }

    fn params(&self) -> Arc<dyn Params> {
        self.params.clone()
    }

    fn editor(&mut self, executor: AsyncExecutor<Self>) -> Option<NotefrontEditor> {
        let send = Arc::new(move |task| executor.execute_gui(task));
        let parts = EditorParts {
            params: self.params.clone(),
            meters: self.meters.clone(),
            tasks: self.tasks.clone(),
            loader: self.loader.clone(),
            send,
        };
        Some(NotefrontEditor::new(parts))
    }

    fn filter_state(state: &mut PluginState) {
        state::mark_damage(state);
    }

    fn activate(
        &mut self,
        layout: &AudioIOLayout,
        buffer_config: &BufferConfig,
        context: &mut impl ActivateContext<Self>,
    ) -> bool {
        let config = Config {
            sample_rate_hz: f64::from(buffer_config.sample_rate),
            num_channels: layout.main_output_channels.map_or(0, NonZeroU32::get) as usize,
            offline: buffer_config.process_mode == ProcessMode::Offline,
        };
        if self.running.as_ref().is_none_or(|r| r.config != config) {
            self.stop();
            self.running = Running::start(config, &self.params, &self.meters).ok();
        }
        context.set_latency_samples(config.latency(self.params.look_ahead.value()));
        self.running.is_some()
    }

    fn reset(&mut self) {
        if let Some(running) = &mut self.running {
            running.capture.cut();
            running.delay.clear();
            running.notes.clear();
        }
    }

    fn process(
        &mut self,
        buffer: &mut Buffer,
        _aux: &mut AuxiliaryBuffers,
        context: &mut impl ProcessContext<Self>,
    ) -> ProcessStatus {
        let Some(running) = &mut self.running else { return ProcessStatus::Normal };
        let wanted = self.params.look_ahead.value();
        if wanted != running.look_ahead {
            if let Some(sent) = running.switch_look_ahead(wanted, &self.meters) {
                let _ = context.try_send_event(note_event(sent));
            }
            context.set_latency_samples(running.config.latency(wanted));
        }
        let block_clock = running.capture.clock();
        let num_samples = buffer.samples() as u64;
        running.capture.write(buffer.as_slice_immutable(), &transport_view(context.transport()));
        if running.look_ahead {
            running.delay.process(buffer.as_slice());
            while running.waits_for_worker(&self.meters) {
                std::thread::sleep(OFFLINE_WAIT);
            }
            while let Some(sent) = running.notes.next(block_clock, num_samples) {
                // A host that takes no notes still hears and sees everything else.
                let _ = context.try_send_event(note_event(sent));
            }
        } else if let Some(sent) = running.notes.end_cut_short() {
            let _ = context.try_send_event(note_event(sent));
        }
        // What is delayed still comes when the input has fallen silent: a host must not put the insert to sleep before.
        match running.config.latency(running.look_ahead) {
            0 => ProcessStatus::Normal,
            tail => ProcessStatus::Tail(tail),
        }
    }

    fn deactivate(&mut self) {
        self.stop();
    }
}

fn transport_view(transport: &Transport) -> TransportView {
    let signature = |n: i32| u16::try_from(n).ok();
    TransportView {
        playing: transport.playing,
        pos_samples: transport.pos_samples(),
        pos_beats: transport.pos_beats(),
        tempo_bpm: transport.tempo,
        time_signature: transport
            .time_sig_numerator
            .and_then(signature)
            .zip(transport.time_sig_denominator.and_then(signature)),
        bar_start_beats: transport.bar_start_pos_beats(),
    }
}

fn note_event(sent: Sent) -> PluginNoteEvent<Notefront> {
    let parts = |note: MarkNote| (VoiceID::Wildcard, Channel::Number(note.channel), Key::Number(note.key));
    match sent {
        Sent::On(timing, MarkerNote { note, .. }) => {
            let (voice_id, channel, key) = parts(note);
            NoteEvent::NoteOn { timing, voice_id, channel, key, velocity: f32::from(note.velocity) / 127.0 }
        }
        Sent::Off(timing, MarkerNote { note, .. }) => {
            let (voice_id, channel, key) = parts(note);
            NoteEvent::NoteOff { timing, voice_id, channel, key, velocity: 0.0 }
        }
    }
}

impl ClapPlugin for Notefront {
    const CLAP_ID: &'static str = "notefront.insert";
    const CLAP_DESCRIPTION: Option<&'static str> = Some("Judges the attack of every note of a trombone track");
    const CLAP_MANUAL_URL: Option<&'static str> = None;
    const CLAP_SUPPORT_URL: Option<&'static str> = None;
    const CLAP_FEATURES: &'static [ClapFeature] =
        &[ClapFeature::AudioEffect, ClapFeature::Analyzer, ClapFeature::Stereo, ClapFeature::Mono];
}

impl Vst3Plugin for Notefront {
    const VST3_CLASS_ID: [u8; 16] = *b"NotefrontInsert1";
    const VST3_SUBCATEGORIES: &'static [Vst3SubCategory] = &[Vst3SubCategory::Fx, Vst3SubCategory::Analyzer];
}
