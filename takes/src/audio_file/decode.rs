//! Decodes an audio file piece by piece into interleaved samples on an unbroken time line.

use super::chunks::{self, PlainFile};
use super::error::{MAX_READABLE_RATE_HZ, MIN_READABLE_RATE_HZ, ReadError};
use super::{opus, priming};
use std::fs::File;
use std::io::{Seek, SeekFrom};
use std::path::Path;
use symphonia::core::audio::Channels;
use symphonia::core::codecs::audio::{AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error as Symphonia;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, FormatReader, Track, TrackType};
use symphonia::core::io::{MediaSource, MediaSourceStream};
use symphonia::core::meta::MetadataOptions;
use symphonia::core::packet::Packet;
use symphonia::core::units::TimeBase;

/// Longest stretch of silence put in for sound that was lost, in seconds: a damaged time stamp must not
/// become hours of silence.
const MAX_GAP_S: u64 = 60;
/// Frames of silence handed on at once.
const GAP_BLOCK_FRAMES: u64 = 4096;

/// What a decoder met on its way.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Damage {
    /// Packets that could not be decoded; silence stands in for them.
    pub num_lost: u64,
    /// Frame where the first of them lies.
    pub first_at: u64,
}

/// A streaming decoder of one file's default audio track.
pub struct Decoder {
    format: Box<dyn FormatReader>,
    decoder: Box<dyn AudioDecoder>,
    track_id: u32,
    /// Frame of each packet's time stamp, where the container counts in samples.
    stamps_are_frames: bool,
    sample_rate_hz: u32,
    num_channels: usize,
    promised_frames: Option<u64>,
    num_frames: u64,
    /// Frames of the encoder's priming still to be left out.
    priming_frames: u64,
    /// Frames of silence to hand out before the next packet.
    gap_frames: u64,
    /// Frames of lost sound that no silence was put in for: time stamps are that much ahead.
    dropped_frames: u64,
    /// A packet that waits for the silence before it.
    held: Option<Packet>,
    /// The first sound, decoded while opening, still waits in `interleaved`.
    is_primed: bool,
    interleaved: Vec<f32>,
    damage: Damage,
}

impl Decoder {
    /// Opens a file and reads up to its first sound.
    ///
    /// # Errors
    /// Every [`ReadError`] but a missing channel.
    pub fn open(path: &Path) -> Result<Self, ReadError> {
        let (source, promised_frames) = open_source(path)?;
        let format = probe(path, source)?;
        let track = format
            .default_track(TrackType::Audio)
            .ok_or_else(|| ReadError::NotAudio("it has no audio track".into()))?
            .clone();
        let decoder = make_decoder(&track)?;
        let params = decoder.codec_params();
        let mut opened = Self {
            track_id: track.id,
            stamps_are_frames: stamps_are_frames(&track, params.sample_rate),
            sample_rate_hz: params.sample_rate.unwrap_or(0),
            num_channels: params.channels.as_ref().map_or(0, Channels::count),
            promised_frames: promised_frames.or(track.num_frames),
            num_frames: 0,
            priming_frames: 0,
            gap_frames: 0,
            dropped_frames: 0,
            held: None,
            is_primed: false,
            interleaved: Vec::new(),
            damage: Damage::default(),
            format,
            decoder,
        };
        opened.check_rate_if_told()?;
        opened.find_first_sound()?;
        check_rate(opened.sample_rate_hz)?;
        let priming = priming::frames(&mut File::open(path)?, opened.format.as_mut(), &track, opened.sample_rate_hz);
        opened.priming_frames = priming;
        opened.promised_frames = opened.promised_frames.map(|frames| frames.saturating_sub(priming));
        Ok(opened)
    }

    /// Samples a second.
    pub fn sample_rate_hz(&self) -> u32 {
        self.sample_rate_hz
    }

    /// Channels, at least one.
    pub fn num_channels(&self) -> usize {
        self.num_channels
    }

    /// Frames the file's header promises, where it tells.
    pub fn promised_frames(&self) -> Option<u64> {
        self.promised_frames
    }

    /// What was lost so far.
    pub fn damage(&self) -> Damage {
        self.damage
    }

    /// The next interleaved frames, or `None` at the end.
    ///
    /// # Errors
    /// [`ReadError::Io`] when the system fails; damaged sound is skipped and counted instead.
    pub fn next_block(&mut self) -> Result<Option<&[f32]>, ReadError> {
        if !std::mem::take(&mut self.is_primed) {
            self.interleaved.clear();
        }
        loop {
            if !self.interleaved.is_empty() {
                let num_frames = (self.interleaved.len() / self.num_channels) as u64;
                self.num_frames += num_frames;
                let left_out = num_frames.min(self.priming_frames);
                self.priming_frames -= left_out;
                if left_out < num_frames {
                    return Ok(Some(&self.interleaved[left_out as usize * self.num_channels..]));
                }
                self.interleaved.clear();
            }
            if self.gap_frames > 0 {
                self.silence();
            } else if let Some(packet) = self.next_packet()? {
                self.decode(packet);
            } else {
                return Ok(None);
            }
        }
    }

    /// A header that claims a wrong rate is told as such, even if nothing can be decoded after it.
    fn check_rate_if_told(&self) -> Result<(), ReadError> {
        if self.sample_rate_hz == 0 { Ok(()) } else { check_rate(self.sample_rate_hz) }
    }

    /// Decodes the first sound, and takes rate and channels from it: a header may be wrong.
    fn find_first_sound(&mut self) -> Result<(), ReadError> {
        while let Some(packet) = self.next_packet()? {
            match self.decoder.decode(&packet) {
                Ok(sound) if sound.frames() > 0 && sound.num_planes() > 0 => {
                    self.sample_rate_hz = sound.spec().rate();
                    self.num_channels = sound.num_planes();
                    sound.copy_to_vec_interleaved(&mut self.interleaved);
                    self.is_primed = true;
                    return Ok(());
                }
                Ok(_) => {}
                Err(_) => self.damage.num_lost += 1,
            }
        }
        Err(ReadError::NoSound)
    }

    fn next_packet(&mut self) -> Result<Option<Packet>, ReadError> {
        if let Some(packet) = self.held.take() {
            return Ok(Some(packet));
        }
        loop {
            match self.format.next_packet() {
                Ok(Some(packet)) if packet.track_id == self.track_id => return Ok(Some(packet)),
                Ok(Some(_)) => {}
                Err(Symphonia::IoError(e)) if e.kind() != std::io::ErrorKind::UnexpectedEof => return Err(e.into()),
                // A container that breaks off or changes its tracks ends the take: what is there is analysed.
                Ok(None) | Err(_) => return Ok(None),
            }
        }
    }

    fn decode(&mut self, packet: Packet) {
        let missing = self.frames_missing_before(&packet);
        if missing > 0 {
            self.open_gap(missing);
            self.held = Some(packet);
            return;
        }
        match self.decoder.decode(&packet) {
            Ok(sound) if sound.num_planes() == self.num_channels => {
                sound.copy_to_vec_interleaved(&mut self.interleaved);
            }
            Ok(_) | Err(_) => self.lose(&packet),
        }
    }

    /// Where the container counts in samples, frames that are missing before a packet are known.
    fn frames_missing_before(&self, packet: &Packet) -> u64 {
        if !self.stamps_are_frames {
            return 0;
        }
        let stamp = u64::try_from(packet.pts.get()).unwrap_or(0);
        stamp.saturating_sub(self.num_frames + self.dropped_frames)
    }

    fn open_gap(&mut self, missing: u64) {
        self.note_loss();
        self.gap_frames = missing.min(MAX_GAP_S * u64::from(self.sample_rate_hz));
        self.dropped_frames += missing - self.gap_frames;
    }

    fn lose(&mut self, packet: &Packet) {
        if self.stamps_are_frames && packet.dur.get() > 0 {
            self.open_gap(packet.dur.get());
        } else {
            self.note_loss();
        }
    }

    fn note_loss(&mut self) {
        if self.damage.num_lost == 0 {
            self.damage.first_at = self.num_frames;
        }
        self.damage.num_lost += 1;
    }

    fn silence(&mut self) {
        let frames = self.gap_frames.min(GAP_BLOCK_FRAMES);
        self.interleaved.resize(frames as usize * self.num_channels, 0.0);
        self.gap_frames -= frames;
    }
}

fn check_rate(hz: u32) -> Result<(), ReadError> {
    if (MIN_READABLE_RATE_HZ..=MAX_READABLE_RATE_HZ).contains(&hz) {
        Ok(())
    } else {
        Err(ReadError::RateOutOfRange(hz))
    }
}

fn open_source(path: &Path) -> Result<(Box<dyn MediaSource>, Option<u64>), ReadError> {
    let kind = std::fs::metadata(path)?;
    if kind.is_dir() {
        return Err(ReadError::Folder);
    }
    // Opening a pipe would wait for ever for somebody to write to it.
    if !kind.is_file() {
        return Err(ReadError::NotAFile);
    }
    let mut file = File::open(path)?;
    if kind.len() == 0 {
        return Err(ReadError::Empty);
    }
    let layout = chunks::find_sound(&mut file)?;
    file.seek(SeekFrom::Start(0))?;
    Ok(match layout {
        Some(layout) => {
            let promised = layout.promised_frames;
            (Box::new(PlainFile::new(file, layout)), promised)
        }
        None => (Box::new(file), None),
    })
}

fn probe(path: &Path, source: Box<dyn MediaSource>) -> Result<Box<dyn FormatReader>, ReadError> {
    let mut hint = Hint::new();
    if let Some(extension) = path.extension().and_then(|e| e.to_str()) {
        hint.with_extension(extension);
    }
    let stream = MediaSourceStream::new(source, Default::default());
    symphonia::default::get_probe()
        .probe(&hint, stream, FormatOptions::default(), MetadataOptions::default())
        .map_err(not_audio)
}

fn not_audio(e: Symphonia) -> ReadError {
    match e {
        Symphonia::IoError(e) if e.kind() == std::io::ErrorKind::UnexpectedEof => {
            ReadError::NotAudio("it ends before its header does".into())
        }
        Symphonia::IoError(e) => ReadError::from(e),
        Symphonia::Unsupported(_) => ReadError::NotAudio("no known format".into()),
        e => ReadError::NotAudio(e.to_string()),
    }
}

fn make_decoder(track: &Track) -> Result<Box<dyn AudioDecoder>, ReadError> {
    let params = track.codec_params.as_ref().and_then(|p| p.audio());
    let params = params.ok_or_else(|| ReadError::Unsupported("unknown codec".into()))?;
    opus::codecs()
        .make_audio_decoder(params, &AudioDecoderOptions::default())
        .map_err(|e| ReadError::Unsupported(e.to_string()))
}

fn stamps_are_frames(track: &Track, rate: Option<u32>) -> bool {
    let frame_base = rate.and_then(TimeBase::try_from_recip);
    frame_base.is_some() && track.time_base == frame_base
}
