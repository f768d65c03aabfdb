//! A headless CLAP host: loads the built insert, plays sound through it with a moving transport, reads its
//! notes, saves and loads its state.
#![allow(dead_code, reason = "every test file uses a part of it")]
#![allow(unsafe_code, reason = "loading a library is unsafe")]
#![allow(missing_docs)]

use clack_extensions::audio_ports_config::{AudioPortsConfigBuffer, PluginAudioPortsConfig};
use clack_extensions::gui::{GuiSize, HostGui, HostGuiImpl, PluginGui, Window};
use clack_extensions::latency::{HostLatency, HostLatencyImpl, PluginLatency};
use clack_extensions::render::{PluginRender, RenderMode};
use clack_extensions::state::PluginState;
use clack_host::events::event_types::{TransportEvent, TransportFlags};
use clack_host::events::spaces::CoreEventSpace;
use clack_host::events::{EventHeader, Match};
use clack_host::prelude::*;
use clack_host::utils::{BeatTime, SecondsTime};
use notefront::passes::Pass;
use notefront::state::SavedSession;
use std::ffi::CStr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::{Duration, Instant};

pub struct Shared {
    pub restart: Arc<AtomicBool>,
    pub callback: Arc<AtomicBool>,
}

impl<'a> SharedHandler<'a> for Shared {
    fn request_restart(&self) {
        self.restart.store(true, Ordering::Relaxed);
    }
    fn request_process(&self) {}
    fn request_callback(&self) {
        self.callback.store(true, Ordering::Relaxed);
    }
}

pub struct TestHost;
impl HostHandlers for TestHost {
    type Shared<'a> = Shared;
    type MainThread<'a> = MainThread;
    type AudioProcessor<'a> = ();

    fn declare_extensions(builder: &mut HostExtensions<Self>, _: &Shared) {
        builder.register::<HostGui>().register::<HostLatency>();
    }
}

/// When the insert said that its delay changed: within an activation, where CLAP allows it, and outside.
#[derive(Default)]
pub struct LatencyCalls {
    activating: AtomicBool,
    pub within: AtomicUsize,
    pub outside: AtomicUsize,
}

pub struct MainThread {
    latency: Arc<LatencyCalls>,
}

impl<'a> MainThreadHandler<'a> for MainThread {}

impl HostLatencyImpl for MainThread {
    fn changed(&self) {
        let calls = &self.latency;
        let count = if calls.activating.load(Ordering::Relaxed) { &calls.within } else { &calls.outside };
        count.fetch_add(1, Ordering::Relaxed);
    }
}

/// The window's parent is the test's own; it grows by the test's wish only.
impl HostGuiImpl for Shared {
    fn resize_hints_changed(&self) {}
    fn request_resize(&self, _: GuiSize) -> Result<(), HostError> {
        Ok(())
    }
    fn request_show(&self) -> Result<(), HostError> {
        Ok(())
    }
    fn request_hide(&self) -> Result<(), HostError> {
        Ok(())
    }
    fn closed(&self, _: bool) {}
}

/// The built insert: `NOTEFRONT_CLAP`, or the library that cargo built beside this test.
pub fn library() -> PathBuf {
    if let Some(path) = std::env::var_os("NOTEFRONT_CLAP") {
        return path.into();
    }
    let test = std::env::current_exe().expect("a running test has a path");
    let deps = test.parent().expect("tests stand in a directory");
    let name = format!("{}notefront{}", std::env::consts::DLL_PREFIX, std::env::consts::DLL_SUFFIX);
    let built = deps.parent().expect("deps stands in the build directory").join(&name);
    // A plain build leaves the first, a build for tests the second: the newer one is of this source.
    let age = |path: &PathBuf| path.metadata().and_then(|m| m.modified()).ok();
    let beside = deps.join(name);
    if age(&beside) > age(&built) { beside } else { built }
}

/// A note the insert sent: its output sample, key, channel, velocity; `None` for a note-off's velocity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Note {
    pub at: u64,
    pub on: bool,
    pub key: u16,
    pub channel: u16,
}

/// How a run plays.
#[derive(Clone, Copy)]
pub struct Play {
    pub rate: f64,
    pub block: usize,
    pub offline: bool,
    /// Rest after each second of sound, so that a real-time run does not outrun the worker.
    pub rest: Duration,
    /// The host does not call an insert that may sleep while nothing comes in.
    pub sleeps: bool,
    /// The host resets the insert before the block with this sample.
    pub reset_at: Option<usize>,
}

impl Play {
    pub fn offline(rate: f64, block: usize) -> Self {
        Self { rate, block, offline: true, rest: Duration::ZERO, sleeps: false, reset_at: None }
    }
}

/// What the transport says at an input sample: `None` for a host without one.
pub type TransportAt<'a> = &'a (dyn Fn(u64) -> Option<TransportEvent> + Sync);

pub fn no_transport(_: u64) -> Option<TransportEvent> {
    None
}

/// A running transport at `pos_samples` and `beats`.
pub fn transport(playing: bool, pos_s: f64, beats: f64, tempo: f64) -> TransportEvent {
    let mut flags = TransportFlags::HAS_TEMPO
        | TransportFlags::HAS_BEATS_TIMELINE
        | TransportFlags::HAS_SECONDS_TIMELINE
        | TransportFlags::HAS_TIME_SIGNATURE;
    if playing {
        flags |= TransportFlags::IS_PLAYING;
    }
    TransportEvent {
        header: EventHeader::new_core(0, clack_host::events::EventFlags::empty()),
        flags,
        song_pos_beats: BeatTime::from_float(beats),
        song_pos_seconds: SecondsTime::from_float(pos_s),
        tempo,
        tempo_inc: 0.0,
        loop_start_beats: BeatTime::from_int(0),
        loop_end_beats: BeatTime::from_int(0),
        loop_start_seconds: SecondsTime::from_int(0),
        loop_end_seconds: SecondsTime::from_int(0),
        bar_start: BeatTime::from_float((beats / 4.0).floor() * 4.0),
        bar_number: (beats / 4.0).floor() as i32,
        time_signature_numerator: 4,
        time_signature_denominator: 4,
    }
}

/// Plays from the start at a steady tempo.
pub fn rolling(rate: f64, tempo: f64) -> impl Fn(u64) -> Option<TransportEvent> + Sync {
    move |at| {
        let s = at as f64 / rate;
        Some(transport(true, s, s * tempo / 60.0, tempo))
    }
}

pub struct Insert {
    instance: PluginInstance<TestHost>,
    pub restart: Arc<AtomicBool>,
    callback: Arc<AtomicBool>,
    pub latency_calls: Arc<LatencyCalls>,
}

pub struct Output {
    pub channels: Vec<Vec<f32>>,
    pub notes: Vec<Note>,
    /// Blocks that the insert was called with.
    pub num_blocks: usize,
}

impl Output {
    /// How many notes began, and how many ended.
    pub fn num_on_and_off(&self) -> (usize, usize) {
        let num_on = self.notes.iter().filter(|n| n.on).count();
        (num_on, self.notes.len() - num_on)
    }
}

impl Insert {
    pub fn new() -> Self {
        Self::of(&library(), c"notefront.insert")
    }

    /// The insert of that identity in this library.
    pub fn of(library: &Path, id: &CStr) -> Self {
        // SAFETY: a library of ours; its entry point is the framework's.
        let entry = unsafe { PluginEntry::load(library) }.expect("the insert is built");
        let info = HostInfo::new("test host", "", "", "1").expect("plain text");
        let (restart, callback) = (Arc::<AtomicBool>::default(), Arc::<AtomicBool>::default());
        let shared = (restart.clone(), callback.clone());
        let latency_calls = Arc::<LatencyCalls>::default();
        let latency = latency_calls.clone();
        let instance = PluginInstance::<TestHost>::new(
            |_| Shared { restart: shared.0, callback: shared.1 },
            |_| MainThread { latency },
            &entry,
            id,
            &info,
        )
        .expect("the insert can be made");
        Self { instance, restart, callback, latency_calls }
    }

    /// With these parameters, as a project would set them.
    pub fn with_params(params: serde_json::Value) -> Self {
        let mut insert = Self::new();
        let state = serde_json::json!({ "version": "0.1.0", "params": params, "fields": {} });
        assert!(insert.load(state.to_string().as_bytes()), "a state of parameters loads");
        insert
    }

    pub fn select_mono(&mut self) {
        let handle = self.instance.plugin_handle();
        let config = handle.get_extension::<PluginAudioPortsConfig>().expect("the insert has layouts");
        let mut buffer = AudioPortsConfigBuffer::new();
        for index in 0..config.count(&handle) {
            let found = config.get(&handle, index, &mut buffer).expect("it counts them");
            if found.main_input.is_some_and(|port| port.channel_count == 1) {
                let id = found.id;
                return config.select(&handle, id).expect("mono can be chosen");
            }
        }
        panic!("there is no mono layout");
    }

    pub fn set_offline(&mut self, offline: bool) {
        let handle = self.instance.plugin_handle();
        let render = handle.get_extension::<PluginRender>().expect("the insert renders");
        let mode = if offline { RenderMode::Offline } else { RenderMode::Realtime };
        render.set(&handle, mode).expect("both modes are taken");
    }

    pub fn latency(&mut self) -> u32 {
        let handle = self.instance.plugin_handle();
        handle.get_extension::<PluginLatency>().expect("the insert tells its delay").get(&handle)
    }

    pub fn save(&mut self) -> Vec<u8> {
        let handle = self.instance.plugin_handle();
        let mut bytes = Vec::new();
        let state = handle.get_extension::<PluginState>().expect("the insert has a state");
        state.save(&handle, &mut bytes).expect("it can be saved");
        // The framework writes the length before the JSON: eight bytes, the least first.
        let json = bytes.split_off(8);
        assert_eq!(bytes, (json.len() as u64).to_le_bytes());
        json
    }

    pub fn load(&mut self, json: &[u8]) -> bool {
        self.load_raw(&[&(json.len() as u64).to_le_bytes(), json].concat())
    }

    pub fn load_raw(&mut self, bytes: &[u8]) -> bool {
        let handle = self.instance.plugin_handle();
        let state = handle.get_extension::<PluginState>().expect("the insert has a state");
        state.load(&handle, &mut &*bytes).is_ok()
    }

    /// The passes as a project would keep them.
    pub fn passes(&mut self) -> Vec<Pass> {
        self.session().passes
    }

    pub fn session(&mut self) -> SavedSession {
        let state: serde_json::Value = serde_json::from_slice(&self.save()).expect("the state is JSON");
        let field = state["fields"]["session"].as_str().expect("it holds the session");
        serde_json::from_str(field).expect("the session reads back")
    }

    /// What the insert asked the host's main thread for.
    pub fn serve_main_thread(&mut self) {
        if self.callback.swap(false, Ordering::Relaxed) {
            self.instance.call_on_main_thread_callback();
        }
    }

    pub fn gui(&mut self) -> (PluginGui, PluginMainThreadHandle<'_>) {
        let handle = self.instance.plugin_handle();
        (handle.get_extension::<PluginGui>().expect("the insert has a window"), handle)
    }

    pub fn activate(&mut self, play: &Play) -> StoppedPluginAudioProcessor<TestHost> {
        self.set_offline(play.offline);
        let config = PluginAudioConfiguration {
            sample_rate: play.rate,
            min_frames_count: 1,
            max_frames_count: play.block as u32,
        };
        self.latency_calls.activating.store(true, Ordering::Relaxed);
        let processor = self.instance.activate(|_, _| (), config).expect("it can be activated");
        self.latency_calls.activating.store(false, Ordering::Relaxed);
        processor
    }

    pub fn deactivate(&mut self, processor: StoppedPluginAudioProcessor<TestHost>) {
        self.instance.deactivate(processor);
    }

    /// Activates, plays all of `input` (channels of one length), deactivates.
    pub fn play(&mut self, play: &Play, input: &[Vec<f32>], transport: TransportAt<'_>) -> Output {
        let processor = self.activate(play);
        // The framework tells the audio thread from the main one: sound is played from another thread.
        let (processor, output) = std::thread::scope(|scope| {
            scope.spawn(|| run(processor, play, input, transport)).join().expect("the audio side does not panic")
        });
        self.deactivate(processor);
        output
    }
}

pub fn set_parent(gui: &PluginGui, handle: &PluginMainThreadHandle<'_>, window: Window<'_, '_>) {
    // SAFETY: the test closes the editor before its own window goes.
    unsafe { gui.set_parent(handle, window) }.expect("the window takes a parent");
}

/// Plays through an activated processor.
pub fn run(
    processor: StoppedPluginAudioProcessor<TestHost>,
    play: &Play,
    input: &[Vec<f32>],
    transport: TransportAt<'_>,
) -> (StoppedPluginAudioProcessor<TestHost>, Output) {
    let mut processor = processor.start_processing().map_err(|_| "not started").expect("it starts");
    let total = input[0].len();
    let mut output =
        Output { channels: vec![Vec::with_capacity(total); input.len()], notes: Vec::new(), num_blocks: 0 };
    let (mut rested_at, mut at, mut may_sleep) = (0, 0, false);
    while at < total {
        let end = (at + play.block).min(total);
        if play.reset_at.is_some_and(|reset_at| (at..end).contains(&reset_at)) {
            processor.reset();
        }
        let is_silent = input.iter().all(|c| c[at..end].iter().all(|s| *s == 0.0));
        if play.sleeps && may_sleep && is_silent {
            output.channels.iter_mut().for_each(|all| all.resize(end, 0.0));
            at = end;
            continue;
        }
        let mut ins: Vec<Vec<f32>> = input.iter().map(|c| c[at..end].to_vec()).collect();
        let mut outs: Vec<Vec<f32>> = input.iter().map(|_| vec![0.0; end - at]).collect();
        let mut sent = EventBuffer::new();
        let (_, status) = process_told(&mut processor, &mut ins, &mut outs, &mut sent, transport(at as u64));
        let is_quiet = outs.iter().flatten().all(|s| *s == 0.0);
        may_sleep = status == ProcessStatus::Sleep || (status == ProcessStatus::ContinueIfNotQuiet && is_quiet);
        output.num_blocks += 1;
        output.notes.extend(sent.iter().filter_map(|e| note(e, at as u64)));
        output.channels.iter_mut().zip(outs).for_each(|(all, block)| all.extend(block));
        at = end;
        if !play.rest.is_zero() && at - rested_at >= play.rate as usize {
            rested_at = at;
            std::thread::sleep(play.rest);
        }
    }
    (processor.stop_processing(), output)
}

/// Plays one block; the time of the insert's own call, without what this host does to prepare it.
pub fn process(
    processor: &mut StartedPluginAudioProcessor<TestHost>,
    ins: &mut [Vec<f32>],
    outs: &mut [Vec<f32>],
    sent: &mut EventBuffer,
    transport: Option<TransportEvent>,
) -> Duration {
    process_told(processor, ins, outs, sent, transport).0
}

/// The same, with what the insert says of going on.
fn process_told(
    processor: &mut StartedPluginAudioProcessor<TestHost>,
    ins: &mut [Vec<f32>],
    outs: &mut [Vec<f32>],
    sent: &mut EventBuffer,
    transport: Option<TransportEvent>,
) -> (Duration, ProcessStatus) {
    let mut in_ports = AudioPorts::with_capacity(ins.len(), 1);
    let mut out_ports = AudioPorts::with_capacity(outs.len(), 1);
    let in_audio = in_ports.with_input_buffers([AudioPortBuffer {
        latency: 0,
        channels: AudioPortBufferType::f32_input_only(ins.iter_mut().map(|c| InputChannel::variable(c.as_mut_slice()))),
    }]);
    let mut out_audio = out_ports.with_output_buffers([AudioPortBuffer {
        latency: 0,
        channels: AudioPortBufferType::f32_output_only(outs.iter_mut().map(Vec::as_mut_slice)),
    }]);
    let (no_events, mut sent) = (InputEvents::empty(), sent.as_output());
    let began = Instant::now();
    let outcome = processor.process(&in_audio, &mut out_audio, &no_events, &mut sent, None, transport.as_ref());
    let took = began.elapsed();
    (took, outcome.expect("a block is taken"))
}

fn note(event: &UnknownEvent, block_at: u64) -> Option<Note> {
    let number = |m: Match<u16>| if let Match::Specific(n) = m { n } else { u16::MAX };
    let (time, on, pckn) = match event.as_core_event()? {
        CoreEventSpace::NoteOn(e) => (e.time(), true, e.pckn()),
        CoreEventSpace::NoteOff(e) => (e.time(), false, e.pckn()),
        _ => return None,
    };
    Some(Note { at: block_at + u64::from(time), on, key: number(pckn.key), channel: number(pckn.channel) })
}

/// Noise of every kind of number: loud, soft, subnormal, negative zero.
pub fn noise(len: usize, seed: u32) -> Vec<f32> {
    let mut random = seed | 1;
    (0..len)
        .map(|i| {
            random ^= random << 13;
            random ^= random >> 17;
            random ^= random << 5;
            match i % 97 {
                0 => -0.0,
                1 => f32::from_bits(random & 0x007f_ffff),
                _ => (f64::from(random) / f64::from(u32::MAX) * 2.0 - 1.0) as f32 * 0.5,
            }
        })
        .collect()
}

/// The shared takes beside the checkout, or `None`, said aloud.
pub fn take(name: &str) -> Option<(Vec<f32>, f64)> {
    let shared = std::env::var_os("NOTEFRONT_SHARED").map(PathBuf::from).or_else(|| {
        let here = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
        here.ancestors().map(|a| a.join("shared")).find(|p| p.join("takes").is_dir())
    });
    let Some(shared) = shared else {
        notefront_tests::skipped::say("no shared takes beside the checkout (set NOTEFRONT_SHARED)");
        return None;
    };
    let sound = notefront_tests::audio::read(&shared.join("takes").join(name)).expect("a shared take is readable");
    Some((sound.samples, sound.rate_hz))
}
