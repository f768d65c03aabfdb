//! The framework's traits, from and to plain data.

use super::activation;
use super::editor::{EditorParts, NotefrontEditor};
use super::params::HostParams;
use super::runner::TaskRunner;
use crate::instance::{Config, Instance};
use crate::marker_out::{MarkerNote, Sent};
use crate::state;
use crate::tasks::Task;
use crate::transport::TransportView;
use nice_plug::midi::{Channel, Key, VoiceID};
use nice_plug::prelude::*;
use notefront_takes::mark_note::MarkNote;
use std::sync::Arc;

/// One instance, as the framework knows it.
pub struct Notefront {
    params: Arc<HostParams>,
    tasks: TaskRunner,
    instance: Instance,
}

impl Default for Notefront {
    fn default() -> Self {
        let params = Arc::new(HostParams::default());
        let (tasks, instance) = (TaskRunner::new(params.clone()), Instance::new(params.project()));
        Self { params, tasks, instance }
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
        let Instance { project, meters, loader, .. } = &self.instance;
        let (project, meters, loader) = (project.clone(), meters.clone(), loader.clone());
        Some(NotefrontEditor::new(EditorParts { project, meters, tasks: self.tasks.clone(), loader, send }))
    }

    fn filter_state(state: &mut PluginState) {
        state::mark_damage(&mut state.fields);
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
        let latency = self.instance.activate(config);
        activation::tell(latency.unwrap_or(0));
        context.set_latency_samples(latency.unwrap_or(0));
        latency.is_some()
    }

    fn reset(&mut self) {
        self.instance.reset();
    }

    fn process(
        &mut self,
        buffer: &mut Buffer,
        _aux: &mut AuxiliaryBuffers,
        context: &mut impl ProcessContext<Self>,
    ) -> ProcessStatus {
        let Some(running) = self.instance.running() else { return ProcessStatus::Normal };
        let transport = transport_view(context.transport());
        let wanted = self.params.look_ahead.value();
        // A host that takes no notes still hears and sees everything else.
        let latency = if context.plugin_api() == PluginApi::Clap {
            // The host is asked for a restart, and until then nothing changes (`clap_door`).
            running.wanted_latency(wanted)
        } else {
            // Ardour 7.3 loads a project's state after it has activated the insert, and never activates it anew for
            // another delay.
            running.follow(wanted, &mut |sent| {
                let _ = context.try_send_event(note_event(sent));
            })
        };
        if let Some(latency) = latency {
            context.set_latency_samples(latency);
        }
        running.process(buffer.as_slice(), &transport, &mut |sent| {
            let _ = context.try_send_event(note_event(sent));
        });
        match running.goes_on_for(&transport, self.params.listen_stopped.value()) {
            None => ProcessStatus::Normal,
            Some(num_samples) => ProcessStatus::Tail(num_samples),
        }
    }

    fn deactivate(&mut self) {
        self.instance.deactivate();
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
