//! A take held against beats and written notes: which beats are its own, in the order of trust, and whether it keeps them.

use super::{BeatSource, Reference, ScanError, ScanOptions, Take, Warning};
use crate::audio_file::{AudioFile, ChannelChoice};
use crate::beats::{Beats, Origin};
use crate::click::count_in::CountIn;
use crate::click::{self, ClickError};
use crate::{pulse, sheet};
use std::path::Path;

/// What a channel with a click changes about a scan.
pub(super) struct HeardClick {
    pub beats: Option<Beats>,
    pub options: ScanOptions,
    pub warning: Option<Warning>,
}

pub(super) fn hear_click(
    path: &Path,
    options: ScanOptions,
    channel: usize,
    per_beat: u32,
) -> Result<HeardClick, ScanError> {
    let num_channels = AudioFile::open(path, ChannelChoice::One(channel))?.num_channels();
    let (choice, mixed) = match (options.channel, num_channels) {
        (ChannelChoice::Mix, 2) => (ChannelChoice::One(3 - channel), None),
        (ChannelChoice::Mix, _) => (ChannelChoice::Mix, Some(Warning::ClickJudged(channel))),
        (chosen, _) => (chosen, None),
    };
    let options = ScanOptions { channel: choice, ..options };
    match click::listen(path, ChannelChoice::One(channel)) {
        Ok(clicks) => Ok(HeardClick { beats: Some(clicks.into_beats(per_beat)), options, warning: mixed }),
        Err(ClickError::Read(e)) => Err(e.into()),
        Err(ClickError::NoBeat(_)) => Ok(HeardClick { beats: None, options, warning: Some(Warning::NoClick(channel)) }),
    }
}

pub(super) fn hold_against(take: &mut Take, reference: &Reference, heard: Option<Beats>, counted: Option<&CountIn>) {
    let settings = take.options.settings;
    take.reading = reference.sheet.as_ref().map(|sheet| sheet::read_along(&take.entrances, sheet));
    let speaks_s: Vec<f64> = take.entrances.iter().map(|e| e.front.speaks_s).collect();
    let beats = settings.grid.map(Beats::given).or(heard);
    let mut beats = beats.or_else(|| match reference.beats {
        BeatSource::Tempo(bpm, per_beat) => {
            let counted = counted.and_then(|counted| counted.at_tempo(bpm, per_beat));
            counted.or_else(|| pulse::placed::at_tempo(&speaks_s, bpm, per_beat))
        }
        BeatSource::Search => search(take, &speaks_s, counted),
        _ => None,
    });
    if let Some(beats) = &mut beats {
        beats.time(&mut take.entrances, &settings);
        if beats.followed == Some(false) {
            take.warnings.push(Warning::NotToBeat(beats.origin));
        }
    }
    take.beats = beats;
}

/// The beats of a count-in, the written ones, or those of the entrances, where the take keeps them.
fn search(take: &mut Take, speaks_s: &[f64], counted: Option<&CountIn>) -> Option<Beats> {
    let written = take.reading.as_ref().and_then(|reading| reading.beats.clone());
    let is_kept = |written: &Beats| written.met_by(speaks_s).0 != Some(false);
    let counted_in = counted.and_then(|counted| counted.met_by(speaks_s));
    let beats = counted_in.or_else(|| written.clone().filter(is_kept)).or_else(|| pulse::find(speaks_s));
    let mut leave = |origin| take.warnings.push(Warning::NotToBeat(origin));
    let is_from = |origin| beats.as_ref().is_some_and(|beats| beats.origin == origin);
    if counted.is_some() && !is_from(Origin::CountIn) {
        leave(Origin::CountIn);
    }
    if written.is_some_and(|written| !is_kept(&written)) && !is_from(Origin::CountIn) {
        leave(Origin::Notes);
    }
    beats
}
