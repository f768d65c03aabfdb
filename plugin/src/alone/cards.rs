//! The system's sound devices, and streams on them.

use super::controls::Controls;
use super::sides::{BLOCK, InputSide, OutputSide};
use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use cpal::{BufferSize, Device, ErrorKind, FromSample, SampleFormat, SizedSample, Stream, StreamConfig};
use cpal::{StreamInstant, SupportedBufferSize, SupportedStreamConfig};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

/// Samples the input's converter buffer holds at most: channels times frames of the longest block seen.
const MOST_SAMPLES: usize = 32 * BLOCK;
/// Frames the system is asked to hand over at once, in and out: 20 ms at 48 kHz, within the promise of the live view; for
/// the output more, which costs nothing where only a click is played and spares a sound server that wakes late.
const WANTED_FRAMES: (u32, u32) = (960, 2048);
/// How long a device may take to open.
const OPENING: Duration = Duration::from_secs(3);
/// An entry of ALSA that is no device a player could mean: it takes and gives nothing.
const NO_DEVICE: &str = "null";
/// The entry behind which JACK stands. Where no server runs, its library says so on the terminal at every look.
const JACK: &str = "jack";
/// Where a running server of JACK has its files, how they begin, and the one that lies there without a server too.
const JACK_FILES: (&str, &str, &str) = ("/dev/shm", "jack_", "jack_db");

/// One device in one direction.
#[derive(Clone)]
pub struct Card {
    /// What the system calls it, one line.
    pub name: String,
    /// Its channels.
    pub num_channels: u16,
    /// Its usual rate, Hz.
    pub rate_hz: u32,
    device: Device,
    config: SupportedStreamConfig,
}

/// All that can be heard from and played to, the system's default first.
#[derive(Clone, Default)]
pub struct Cards {
    /// Inputs.
    pub inputs: Vec<Card>,
    /// Outputs.
    pub outputs: Vec<Card>,
}

impl Cards {
    /// Asks the system. Takes a moment: each device is looked at.
    #[must_use]
    pub fn now() -> Self {
        hush();
        let host = cpal::default_host();
        let mut devices: Vec<Device> = host.default_input_device().into_iter().collect();
        devices.extend(host.default_output_device());
        devices.extend(host.devices().into_iter().flatten());
        let mut cards = Self::default();
        for device in devices {
            let Some(name) = name_of(&device).filter(|name| !is_left_out(name)) else { continue };
            add(&mut cards.inputs, &name, &device, device.default_input_config().ok());
            add(&mut cards.outputs, &name, &device, device.default_output_config().ok());
        }
        cards
    }
}

/// Keeps off the terminal what ALSA says of every entry of its settings that is not there; what a player should know comes
/// back as an error. For the calling thread.
fn hush() {
    #[cfg(target_os = "linux")]
    let _ = alsa::Output::local_error_handler();
}

fn is_left_out(name: &str) -> bool {
    let is = |id: &str| name.ends_with(&format!("({id})"));
    is(NO_DEVICE) || (is(JACK) && !jack_runs())
}

fn jack_runs() -> bool {
    let (folder, begins, but) = JACK_FILES;
    let files = std::fs::read_dir(folder).into_iter().flatten().flatten().map(|file| file.file_name());
    files.map(|name| name.to_string_lossy().into_owned()).any(|name| name.starts_with(begins) && !name.starts_with(but))
}

fn name_of(device: &Device) -> Option<String> {
    let id = device.id().ok()?.id().to_owned();
    let name = device.description().map_or_else(|_| id.clone(), |d| d.name().lines().next().unwrap_or("").to_owned());
    Some(if name == id { format!("({id})") } else { format!("{name} ({id})") })
}

fn add(cards: &mut Vec<Card>, name: &str, device: &Device, config: Option<SupportedStreamConfig>) {
    let Some(config) = config.filter(|_| cards.iter().all(|c| c.name != name)) else { return };
    let (num_channels, rate_hz) = (config.channels(), config.sample_rate());
    cards.push(Card { name: name.to_owned(), num_channels, rate_hz, device: device.clone(), config });
}

/// Calls a method for the card's own form of samples, or says that there is none for it.
macro_rules! in_its_format {
    ($card:ident, $call:ident($($given:expr),*), $unknown:literal) => {
        match $card.config.sample_format() {
            SampleFormat::F32 => $card.$call::<f32>($($given),*),
            SampleFormat::F64 => $card.$call::<f64>($($given),*),
            SampleFormat::I8 => $card.$call::<i8>($($given),*),
            SampleFormat::I16 => $card.$call::<i16>($($given),*),
            SampleFormat::I24 => $card.$call::<cpal::I24>($($given),*),
            SampleFormat::I32 => $card.$call::<i32>($($given),*),
            SampleFormat::U8 => $card.$call::<u8>($($given),*),
            SampleFormat::U16 => $card.$call::<u16>($($given),*),
            SampleFormat::U32 => $card.$call::<u32>($($given),*),
            other => return Err(format!("{} {} ({other}).", $card.name, $unknown)),
        }
    };
}

impl Card {
    fn stream_config(&self, wanted: u32) -> StreamConfig {
        let buffer_size = match *self.config.buffer_size() {
            SupportedBufferSize::Range { min, max } if min <= max => BufferSize::Fixed(wanted.clamp(min, max)),
            _ => BufferSize::Default,
        };
        StreamConfig { buffer_size, ..self.config.config() }
    }

    /// Starts to listen.
    ///
    /// # Errors
    /// Why it cannot, in a musician's words.
    pub fn listen(&self, side: InputSide, controls: &Arc<Controls>) -> Result<Stream, String> {
        hush();
        let stream = in_its_format!(self, listen_as(side, controls), "gives sound in a form that is not read here");
        self.started(stream)
    }

    /// Starts to play.
    ///
    /// # Errors
    /// As [`Card::listen`].
    pub fn play(&self, side: OutputSide, controls: &Arc<Controls>) -> Result<Stream, String> {
        hush();
        let stream = in_its_format!(self, play_as(side, controls), "takes sound in a form that is not made here");
        self.started(stream)
    }

    fn started(&self, stream: Result<Stream, cpal::Error>) -> Result<Stream, String> {
        let stream = stream.map_err(|e| self.why(&e))?;
        stream.play().map_err(|e| self.why(&e))?;
        Ok(stream)
    }

    fn why(&self, error: &cpal::Error) -> String {
        let name = &self.name;
        match error.kind() {
            ErrorKind::DeviceBusy => {
                format!("{name} is in use by another program: close it there, then choose it again.")
            }
            ErrorKind::DeviceNotAvailable => format!("{name} is not there any more: plug it in, then look again."),
            ErrorKind::PermissionDenied => format!("The system does not let this program use {name}."),
            _ => format!("{name} cannot be used: {error}."),
        }
    }

    fn listen_as<T>(&self, mut side: InputSide, controls: &Arc<Controls>) -> Result<Stream, cpal::Error>
    where
        T: SizedSample,
        f32: FromSample<T>,
    {
        let channels = usize::from(self.num_channels.max(1));
        let mut buffer = vec![0.0f32; MOST_SAMPLES.max(channels * BLOCK)];
        let whole = buffer.len() / channels * channels;
        let rate_hz = f64::from(self.rate_hz);
        let take = move |data: &[T], info: &cpal::InputCallbackInfo| {
            let mut at_ns = nanoseconds(info.timestamp().capture);
            for part in data.chunks(whole) {
                for (to, from) in buffer.iter_mut().zip(part) {
                    *to = f32::from_sample_(*from);
                }
                side.take(&buffer[..part.len()], channels, at_ns);
                at_ns += ((part.len() / channels) as f64 / rate_hz * 1e9) as i64;
            }
        };
        self.device.build_input_stream(self.stream_config(WANTED_FRAMES.0), take, broken(controls), Some(OPENING))
    }

    fn play_as<T>(&self, mut side: OutputSide, controls: &Arc<Controls>) -> Result<Stream, cpal::Error>
    where
        T: SizedSample + FromSample<f32>,
    {
        let channels = usize::from(self.num_channels.max(1));
        let mut mono = [0.0f32; BLOCK];
        let rate_hz = f64::from(self.rate_hz);
        let fill = move |data: &mut [T], info: &cpal::OutputCallbackInfo| {
            let mut at_ns = nanoseconds(info.timestamp().playback);
            for part in data.chunks_mut(BLOCK * channels) {
                let len = part.len() / channels;
                mono[..len].fill(0.0);
                side.fill(&mut mono[..len], at_ns);
                for (frame, sample) in part.chunks_mut(channels).zip(&mono) {
                    frame.fill(T::from_sample_(*sample));
                }
                at_ns += (len as f64 / rate_hz * 1e9) as i64;
            }
        };
        self.device.build_output_stream(self.stream_config(WANTED_FRAMES.1), fill, broken(controls), Some(OPENING))
    }
}

fn nanoseconds(at: StreamInstant) -> i64 {
    i64::try_from(at.as_nanos()).unwrap_or(i64::MAX)
}

/// On the stream's own thread: only atomics.
fn broken(controls: &Arc<Controls>) -> impl FnMut(cpal::Error) + Send + 'static {
    let controls = controls.clone();
    move |error| match error.kind() {
        ErrorKind::Xrun => {
            controls.stumbles.fetch_add(1, Ordering::Relaxed);
        }
        ErrorKind::DeviceChanged | ErrorKind::RealtimeDenied => {}
        _ => controls.broken.store(true, Ordering::Release),
    }
}
