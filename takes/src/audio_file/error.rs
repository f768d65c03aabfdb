//! Why a take cannot be read, and what its player can do about it.

use crate::system_error::in_words;
use std::io;

/// Highest sample rate in Hz that is read (and brought down to what the analysis takes). The fastest
/// converters on the market give 768 kHz \[M\]; a header that claims more is damaged.
pub const MAX_READABLE_RATE_HZ: u32 = 768_000;
/// Lowest sample rate in Hz that is read: that of the analysis.
pub const MIN_READABLE_RATE_HZ: u32 = 8_000;

/// Why a take cannot be read.
#[derive(Debug)]
pub enum ReadError {
    /// Nothing of that name.
    NotFound,
    /// A folder, not a file.
    Folder,
    /// Neither a file nor a folder: a device, a pipe, a socket.
    NotAFile,
    /// The system does not let us read it.
    NoPermission,
    /// The file has 0 bytes.
    Empty,
    /// No format that the decoder knows; with what the decoder said.
    NotAudio(String),
    /// A known container around a codec or variant that is not read.
    Unsupported(String),
    /// Sound is announced, but there is not one sample.
    NoSound,
    /// Sample rate in Hz outside [`MIN_READABLE_RATE_HZ`] to [`MAX_READABLE_RATE_HZ`].
    RateOutOfRange(u32),
    /// The chosen channel does not exist.
    NoSuchChannel {
        /// The channel asked for, from 1.
        asked: usize,
        /// Channels the take has.
        num_channels: usize,
    },
    /// The system failed while reading.
    Io(io::Error),
    /// The decoder broke down, with what it said: a fault of the program, not of the player.
    BrokenDecoder(String),
}

impl ReadError {
    /// What to do about it, as a sentence.
    #[must_use]
    pub fn remedy(&self) -> &'static str {
        match self {
            Self::NotFound => "Check the name and the folder.",
            Self::Folder => "Name the takes in it, for example FOLDER/*.wav.",
            Self::NotAFile => "Save the sound to a file first.",
            Self::NoPermission => "Change the file's permissions, or copy it to a folder of your own.",
            Self::Empty => "The recording was not saved: export it again.",
            Self::NotAudio(_) | Self::Unsupported(_) => "Export it as WAV, AIFF or FLAC.",
            Self::NoSound => "Check the recorder's input and its free space, and record it again.",
            Self::RateOutOfRange(_) => {
                "Its header is probably damaged: export it again at 44.1 or 48 kHz. Rates from 8 to 768 kHz are read."
            }
            Self::NoSuchChannel { .. } => "Choose a channel it has, or leave --channel out to mix them.",
            Self::Io(_) => "Check the disk or the connection, copy the file to this computer and try again.",
            Self::BrokenDecoder(_) => "Please report it with the file, and export the take as WAV meanwhile.",
        }
    }
}

impl std::fmt::Display for ReadError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::NotFound => write!(f, "there is no such file"),
            Self::Folder => write!(f, "it is a folder, not a take"),
            Self::NotAFile => write!(f, "it is not a regular file"),
            Self::NoPermission => write!(f, "no permission to read it"),
            Self::Empty => write!(f, "it is empty (0 bytes)"),
            Self::NotAudio(said) => write!(f, "it is not an audio file that can be read ({said})"),
            Self::Unsupported(said) => write!(f, "its kind of audio is not supported ({said})"),
            Self::NoSound => write!(f, "it holds no sound (0 samples)"),
            Self::RateOutOfRange(hz) => write!(f, "it claims a sample rate of {hz} Hz"),
            Self::NoSuchChannel { asked, num_channels: 1 } => {
                write!(f, "there is no channel {asked}: it has one channel")
            }
            Self::NoSuchChannel { asked, num_channels } => {
                write!(f, "there is no channel {asked}: it has {num_channels} channels")
            }
            Self::Io(e) => write!(f, "it could not be read ({})", in_words(e)),
            Self::BrokenDecoder(said) => write!(f, "the decoder broke down on it ({said})"),
        }
    }
}

impl std::error::Error for ReadError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Io(e) => Some(e),
            _ => None,
        }
    }
}

impl From<io::Error> for ReadError {
    fn from(e: io::Error) -> Self {
        match e.kind() {
            io::ErrorKind::NotFound => Self::NotFound,
            io::ErrorKind::PermissionDenied => Self::NoPermission,
            io::ErrorKind::IsADirectory => Self::Folder,
            io::ErrorKind::InvalidData => Self::NotAudio(in_words(&e)),
            _ => Self::Io(e),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_system_s_refusals_keep_their_meaning() {
        assert!(matches!(ReadError::from(io::Error::from(io::ErrorKind::PermissionDenied)), ReadError::NoPermission));
        assert!(matches!(ReadError::from(io::Error::from(io::ErrorKind::NotFound)), ReadError::NotFound));
        assert!(matches!(ReadError::from(io::Error::from(io::ErrorKind::IsADirectory)), ReadError::Folder));
        assert!(matches!(ReadError::from(io::Error::from(io::ErrorKind::TimedOut)), ReadError::Io(_)));
    }

    #[test]
    fn a_wrong_rate_is_named() {
        let said = ReadError::RateOutOfRange(3).to_string();
        assert!(said.contains("3 Hz"), "{said}");
    }
}
