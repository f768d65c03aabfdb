//! What is odd about a recording, in words.

use crate::beats::Origin;

/// Something about a recording that its player should know before trusting the numbers.
#[derive(Debug, Clone, PartialEq)]
pub enum Warning {
    /// Clipped at a time in seconds.
    Clipped(f64),
    /// Clipped in so many more places, the last at a time in seconds.
    ClippedMore(usize, f64),
    /// Nothing but silence.
    Silent,
    /// The loudest sample, dB re full scale.
    TooQuiet(f64),
    /// A channel (from 1) is silent and was left out; of so many.
    DeadChannel(usize, usize),
    /// The channels cancel each other.
    Cancelling,
    /// The file ends at the first time, though its header promises the second, in seconds.
    Truncated(f64, f64),
    /// Pieces that could not be decoded, the first at a time in seconds.
    Damaged(u64, f64),
    /// Samples that are not numbers.
    BadSamples(u64),
    /// Analysed at a rate in Hz lower than the file's.
    Resampled(f64),
    /// The take begins inside a note.
    CutOff,
    /// No steady click in the channel (from 1) that was to hold it.
    NoClick(usize),
    /// The click's channel is among those mixed and judged.
    ClickJudged(usize),
    /// Not played to the beats from there.
    NotToBeat(Origin),
    /// Corrections that were not applied, with the reason.
    Uncorrected(String),
    /// Results the analysis lost: a fault of the program.
    DroppedEvents(u64),
}

impl std::fmt::Display for Warning {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Clipped(at) => write!(f, "clipped at {at:.2} s"),
            Self::ClippedMore(1, last) => write!(f, "clipped in one more place, at {last:.2} s"),
            Self::ClippedMore(n, last) => write!(f, "clipped in {n} more places, the last at {last:.2} s"),
            Self::Silent => write!(f, "silent from end to end: check the microphone, its cable and the track's input"),
            Self::TooQuiet(db) => {
                write!(f, "very quiet: the loudest moment is {:.0} dB under full scale; turn the input up", -db)
            }
            Self::DeadChannel(n, of) => write!(f, "channel {n} of {of} is silent and was left out"),
            Self::Cancelling => {
                write!(f, "the channels cancel each other when mixed (one is upside down): choose one with --channel")
            }
            Self::Truncated(at, promised) => {
                write!(f, "cut short: the sound ends at {at:.2} s, its header promises {promised:.2} s")
            }
            Self::Damaged(1, at) => write!(f, "damaged at {at:.2} s: a piece could not be read; silence stands for it"),
            Self::Damaged(n, at) => {
                write!(f, "damaged from {at:.2} s on: {n} pieces could not be read; silence stands for them")
            }
            Self::BadSamples(1) => write!(f, "one sample is not a number and was taken as silence"),
            Self::BadSamples(n) => write!(f, "{n} samples are not numbers and were taken as silence"),
            Self::Resampled(hz) => write!(f, "brought down to {:.1} kHz for the analysis", hz / 1000.0),
            Self::CutOff => write!(f, "it begins inside a note: leave a second of silence before you play"),
            Self::NoClick(n) => write!(f, "no steady click can be heard in channel {n}: no timing is told by it"),
            Self::ClickJudged(n) => {
                write!(f, "the click in channel {n} was mixed in: choose the trombone's channel with --channel")
            }
            Self::NotToBeat(Origin::Click) => write!(f, "not played to the click: timing is not judged"),
            Self::NotToBeat(Origin::CountIn) => {
                write!(f, "not played to the clicks before it: timing is not judged by them")
            }
            Self::NotToBeat(Origin::Tempo) => {
                write!(f, "not played to this tempo: timing is not judged (if it was, look at tempo and subdivision)")
            }
            Self::NotToBeat(Origin::Notes) => {
                write!(f, "not played to the written beat: timing is not judged by it")
            }
            Self::NotToBeat(_) => {
                write!(
                    f,
                    "not played to this beat: timing is not judged (if it was, look at tempo, first beat and subdivision)"
                )
            }
            Self::Uncorrected(why) => write!(f, "corrections were not applied: {why}"),
            Self::DroppedEvents(n) => write!(f, "{n} results were lost inside the program: please report this"),
        }
    }
}
