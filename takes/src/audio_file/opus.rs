//! Opus for the decoders' registry: packets through `opus-rs`, in the shape the other decoders have.

use opus_rs::OpusDecoder;
use std::sync::LazyLock;
use symphonia::core::audio::{
    AsGenericAudioBufferRef, AudioBuffer, AudioMut, AudioSpec, Channels, GenericAudioBufferRef,
};
use symphonia::core::codecs::CodecInfo;
use symphonia::core::codecs::audio::well_known::CODEC_ID_OPUS;
use symphonia::core::codecs::audio::{AudioCodecParameters, AudioDecoder, AudioDecoderOptions, FinalizeResult};
use symphonia::core::codecs::registry::{CodecRegistry, RegisterableAudioDecoder, SupportedAudioCodec};
use symphonia::core::errors::{Result, decode_error, unsupported_error};
use symphonia::core::packet::PacketRef;

/// Rate at which Opus is decoded, Hz (RFC 7845: the rate of its time stamps).
const RATE_HZ: u32 = 48_000;
/// Longest packet, frames: 120 ms (RFC 6716, 3.2.5).
const MAX_FRAMES: usize = 5_760;

static CODECS: LazyLock<CodecRegistry> = LazyLock::new(|| {
    let mut codecs = CodecRegistry::new();
    symphonia::default::register_enabled_codecs(&mut codecs);
    codecs.register_audio_decoder::<Opus>();
    codecs
});

/// Every codec that can be read.
pub fn codecs() -> &'static CodecRegistry {
    &CODECS
}

fn new_decoder(num_channels: usize) -> Result<OpusDecoder> {
    OpusDecoder::new(RATE_HZ as i32, num_channels).or_else(|_| unsupported_error("Opus of more than two channels"))
}

struct Opus {
    params: AudioCodecParameters,
    decoder: OpusDecoder,
    num_channels: usize,
    interleaved: Vec<f32>,
    buffer: AudioBuffer<f32>,
}

static SUPPORTED: [SupportedAudioCodec; 1] = [SupportedAudioCodec {
    id: CODEC_ID_OPUS,
    info: CodecInfo { short_name: "opus", long_name: "Opus", profiles: &[] },
}];

impl RegisterableAudioDecoder for Opus {
    fn try_registry_new(params: &AudioCodecParameters, _: &AudioDecoderOptions) -> Result<Box<dyn AudioDecoder>> {
        let channels = params.channels.clone().unwrap_or(Channels::Discrete(1));
        let num_channels = channels.count();
        let decoder = new_decoder(num_channels)?;
        let buffer = AudioBuffer::new(AudioSpec::new(RATE_HZ, channels), MAX_FRAMES);
        let mut params = params.clone();
        params.with_sample_rate(RATE_HZ);
        Ok(Box::new(Self { params, decoder, num_channels, interleaved: vec![0.0; MAX_FRAMES * num_channels], buffer }))
    }

    fn supported_codecs() -> &'static [SupportedAudioCodec] {
        &SUPPORTED
    }
}

impl AudioDecoder for Opus {
    fn reset(&mut self) {
        if let Ok(fresh) = new_decoder(self.num_channels) {
            self.decoder = fresh;
        }
    }

    fn codec_info(&self) -> &CodecInfo {
        &SUPPORTED[0].info
    }

    fn codec_params(&self) -> &AudioCodecParameters {
        &self.params
    }

    fn decode_ref(&mut self, packet: &PacketRef<'_>) -> Result<GenericAudioBufferRef<'_>> {
        self.buffer.clear();
        let Ok(num) = self.decoder.decode(packet.data, MAX_FRAMES, &mut self.interleaved) else {
            return decode_error("a damaged Opus packet");
        };
        self.buffer.resize_uninit(num);
        self.buffer.copy_from_slice_interleaved(&&self.interleaved[..num * self.num_channels]);
        self.buffer.trim(packet.trim_start.get() as usize, packet.trim_end.get() as usize);
        Ok(self.buffer.as_generic_audio_buffer_ref())
    }

    fn finalize(&mut self) -> FinalizeResult {
        FinalizeResult::default()
    }

    fn last_decoded(&self) -> GenericAudioBufferRef<'_> {
        self.buffer.as_generic_audio_buffer_ref()
    }
}
