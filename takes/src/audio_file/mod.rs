//! Any audio file as one mono signal in blocks, with bounded memory, and what is odd about it.

mod channels;
mod chunks;
mod clipping;
mod decode;
mod error;
mod opus;
mod priming;
pub(crate) mod resample;

pub use channels::ChannelChoice;
pub use clipping::Clipping;
pub use decode::Damage;
pub use error::{MAX_READABLE_RATE_HZ, MIN_READABLE_RATE_HZ, ReadError};

use channels::{Mixer, Survey};
use clipping::ClipWatch;
use decode::Decoder;
use resample::Decimator;
pub use resample::resampled;
use std::path::Path;

/// What is read, for the program's help; README says the same.
const FORMATS: &str = "WAV (also RF64 and BW64), AIFF, CAF, FLAC, MP3, OGG Vorbis, Opus, AAC, M4A, MP4 and MOV";

/// The formats and rates that are read: "WAV, ... and MOV; 8 to 768 kHz".
#[must_use]
pub fn read_in_words() -> String {
    format!("{FORMATS}; {} to {} kHz", MIN_READABLE_RATE_HZ / 1000, MAX_READABLE_RATE_HZ / 1000)
}

/// Sound that is missing at the end by no more than this, in seconds, is the container's rounding.
const TRUNCATION_TOLERANCE_S: f64 = 0.05;

/// An open take: a stream of mono samples.
pub struct AudioFile {
    decoder: Decoder,
    mixer: Mixer,
    clip_watch: ClipWatch,
    decimator: Option<Decimator>,
    factor: usize,
    dead_channels: Vec<usize>,
    mono: Vec<f32>,
    out: Vec<f32>,
    peak: f32,
    num_frames_used: u64,
    is_finished: bool,
}

/// What an [`AudioFile`] tells once it has been read to its end.
#[derive(Debug, Clone, PartialEq)]
pub struct Findings {
    /// Length of the sound, seconds.
    pub duration_s: f64,
    /// Length the header promised, seconds, when the file ends before it.
    pub promised_s: Option<f64>,
    /// Sound that could not be decoded, with the first place in seconds.
    pub damage: Option<(u64, f64)>,
    /// Flat tops.
    pub clipping: Clipping,
    /// Channels left out of the mix for being silent, from 1.
    pub dead_channels: Vec<usize>,
    /// Channels that cancel each other in the mix.
    pub is_cancelling: bool,
    /// Highest sample of the mono signal, 1 = full scale.
    pub peak: f64,
}

impl AudioFile {
    /// Opens a take. With several channels to be mixed, the file is listened to until each has been heard,
    /// so that a dead one does not halve the level: a moment for most takes, the whole take if one is dead.
    ///
    /// # Errors
    /// Every [`ReadError`].
    pub fn open(path: &Path, choice: ChannelChoice) -> Result<Self, ReadError> {
        let decoder = Decoder::open(path)?;
        let num_channels = decoder.num_channels();
        let alive = match choice {
            ChannelChoice::One(n) if n == 0 || n > num_channels => {
                return Err(ReadError::NoSuchChannel { asked: n, num_channels });
            }
            ChannelChoice::Mix if num_channels > 1 => survey(path)?,
            _ => vec![true; num_channels],
        };
        let factor = resample::factor(decoder.sample_rate_hz());
        Ok(Self {
            mixer: Mixer::new(choice, &alive),
            clip_watch: ClipWatch::new(num_channels, decoder.sample_rate_hz()),
            decimator: Decimator::new(factor),
            factor,
            dead_channels: (1..=num_channels).filter(|n| !alive[n - 1]).collect(),
            mono: Vec::new(),
            out: Vec::new(),
            peak: 0.0,
            num_frames_used: 0,
            is_finished: false,
            decoder,
        })
    }

    /// Sample rate of the file, Hz.
    #[must_use]
    pub fn file_rate_hz(&self) -> u32 {
        self.decoder.sample_rate_hz()
    }

    /// Sample rate of the blocks, Hz: that of the file, or a whole fraction of it above 192 kHz.
    #[must_use]
    pub fn sample_rate_hz(&self) -> f64 {
        f64::from(self.decoder.sample_rate_hz()) / self.factor as f64
    }

    /// Channels of the file.
    #[must_use]
    pub fn num_channels(&self) -> usize {
        self.decoder.num_channels()
    }

    /// Length the header promises, seconds, where it tells.
    #[must_use]
    pub fn promised_s(&self) -> Option<f64> {
        self.decoder.promised_frames().map(|n| self.seconds(n))
    }

    /// Sound handed out so far, seconds.
    #[must_use]
    pub fn position_s(&self) -> f64 {
        self.seconds(self.num_frames_used)
    }

    /// The next mono samples (1 = full scale, but floats may be higher), or `None` at the end.
    ///
    /// # Errors
    /// [`ReadError::Io`] when the system fails.
    pub fn next_block(&mut self) -> Result<Option<&[f32]>, ReadError> {
        self.out.clear();
        while self.out.is_empty() && !self.is_finished {
            self.advance()?;
        }
        Ok((!self.out.is_empty()).then_some(&self.out))
    }

    fn advance(&mut self) -> Result<(), ReadError> {
        let Some(interleaved) = self.decoder.next_block()? else {
            self.is_finished = true;
            if let Some(decimator) = &mut self.decimator {
                decimator.finish(&mut self.out);
            }
            return Ok(());
        };
        self.clip_watch.push(interleaved, self.mixer.used());
        self.mixer.mix(interleaved, &mut self.mono);
        self.num_frames_used += self.mono.len() as u64;
        self.peak = self.mono.iter().fold(self.peak, |peak, x| peak.max(x.abs()));
        match &mut self.decimator {
            Some(decimator) => decimator.push(&self.mono, &mut self.out),
            None => std::mem::swap(&mut self.mono, &mut self.out),
        }
        Ok(())
    }

    /// What was found; complete once [`AudioFile::next_block`] has told the end.
    #[must_use]
    pub fn findings(&self) -> Findings {
        let duration_s = self.position_s();
        let damage = self.decoder.damage();
        Findings {
            duration_s,
            promised_s: self.promised_s().filter(|s| s - duration_s > TRUNCATION_TOLERANCE_S),
            damage: (damage.num_lost > 0).then(|| (damage.num_lost, self.seconds(damage.first_at))),
            clipping: self.clip_watch.found().clone(),
            dead_channels: self.dead_channels.clone(),
            is_cancelling: self.mixer.is_cancelling(),
            peak: f64::from(self.peak),
        }
    }

    fn seconds(&self, num_frames: u64) -> f64 {
        num_frames as f64 / f64::from(self.decoder.sample_rate_hz())
    }
}

fn survey(path: &Path) -> Result<Vec<bool>, ReadError> {
    let mut decoder = Decoder::open(path)?;
    let mut survey = Survey::new(decoder.num_channels());
    while !survey.all_alive() {
        match decoder.next_block()? {
            Some(interleaved) => survey.push(interleaved),
            None => break,
        }
    }
    Ok(survey.alive())
}
