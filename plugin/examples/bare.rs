//! An insert that does nothing, in the same framework: what `budget` holds the audio side of ours against.
#![allow(unsafe_code, reason = "the entry point a host looks for cannot be had without it")]
#![allow(missing_docs)]

use nice_plug::prelude::*;
use std::sync::Arc;

#[derive(Default)]
struct Bare {
    params: Arc<NoParams>,
}

#[derive(Default, Params)]
struct NoParams {}

impl Plugin for Bare {
    const NAME: &'static str = "Bare";
    const VENDOR: &'static str = "Notefront";
    const URL: &'static str = "";
    const EMAIL: &'static str = "";
    const VERSION: &'static str = env!("CARGO_PKG_VERSION");
    const AUDIO_IO_LAYOUTS: &'static [AudioIOLayout] = &[AudioIOLayout {
        main_input_channels: NonZeroU32::new(2),
        main_output_channels: NonZeroU32::new(2),
        ..AudioIOLayout::const_default()
    }];
    const MIDI_OUTPUT: MidiConfig = MidiConfig::Basic;

    type Editor = ();
    type SysExMessage = ();
    type BackgroundTask = ();

    fn params(&self) -> Arc<dyn Params> {
        self.params.clone()
    }

    fn process(
        &mut self,
        _: &mut Buffer,
        _: &mut AuxiliaryBuffers,
        _: &mut impl ProcessContext<Self>,
    ) -> ProcessStatus {
        ProcessStatus::Normal
    }
}

impl ClapPlugin for Bare {
    const CLAP_ID: &'static str = "notefront.bare";
    const CLAP_DESCRIPTION: Option<&'static str> = None;
    const CLAP_MANUAL_URL: Option<&'static str> = None;
    const CLAP_SUPPORT_URL: Option<&'static str> = None;
    const CLAP_FEATURES: &'static [ClapFeature] = &[ClapFeature::AudioEffect, ClapFeature::Stereo];
}

nice_export_clap!(Bare);
