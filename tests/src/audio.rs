//! Reads a take's samples as one channel.

use std::fs::File;
use std::path::Path;
use symphonia::core::errors::Error;
use symphonia::core::formats::{FormatReader, TrackType, probe::Hint};
use symphonia::core::io::MediaSourceStream;

/// Samples of one channel (full scale = 1) and their rate.
#[derive(Debug, Clone, PartialEq)]
pub struct Sound {
    /// The samples.
    pub samples: Vec<f32>,
    /// Sample rate, Hz.
    pub rate_hz: f64,
}

/// Reads a FLAC or WAV file; several channels are averaged.
///
/// # Errors
/// Whatever keeps the file from being read, in words, with its path.
pub fn read(path: &Path) -> Result<Sound, String> {
    decode(path).map_err(|e| format!("{}: {e}", path.display()))
}

fn decode(path: &Path) -> Result<Sound, Error> {
    let stream = MediaSourceStream::new(Box::new(File::open(path)?), Default::default());
    let mut format =
        symphonia::default::get_probe().probe(&Hint::new(), stream, Default::default(), Default::default())?;
    let track = format.default_track(TrackType::Audio).ok_or(Error::Unsupported("no sound in it"))?;
    let track_id = track.id;
    let params = track.codec_params.as_ref().and_then(|p| p.audio()).ok_or(Error::Unsupported("unknown codec"))?;
    let rate_hz = f64::from(params.sample_rate.ok_or(Error::Unsupported("no sample rate"))?);
    let mut decoder = symphonia::default::get_codecs().make_audio_decoder(params, &Default::default())?;
    let samples = decode_packets(format.as_mut(), decoder.as_mut(), track_id)?;
    Ok(Sound { samples, rate_hz })
}

fn decode_packets(
    format: &mut dyn FormatReader,
    decoder: &mut dyn symphonia::core::codecs::audio::AudioDecoder,
    track_id: u32,
) -> Result<Vec<f32>, Error> {
    let mut mono = Vec::new();
    let mut frames: Vec<f32> = Vec::new();
    while let Some(packet) = format.next_packet()? {
        if packet.track_id != track_id {
            continue;
        }
        let buffer = decoder.decode(&packet)?;
        let num_channels = buffer.spec().channels().count();
        frames.resize(buffer.samples_interleaved(), 0.0);
        buffer.copy_to_slice_interleaved(&mut frames);
        mono.extend(frames.chunks(num_channels).map(|f| f.iter().sum::<f32>() / num_channels as f32));
    }
    Ok(mono)
}
