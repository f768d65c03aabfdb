//! A pass: one stretch of playback (or one take from a file) with its entrances, its place on the
//! host's time line and its beats.

mod revision;
mod said;

pub use revision::Revision;
pub use said::MAX_SAID;

use crate::beats::{BeatMap, Bend, Subdivision};
use crate::timing::{self, Judging, OffsetEstimate};
use crate::transport::TransportView;
use crate::wave::Wave;
use notefront_dsp::{Entrance, Front};
use notefront_takes::corrections::{Corrected, Corrections, Fingerprint};
use notefront_takes::log::when::Moment;
use serde::{Deserialize, Serialize};
use std::path::PathBuf;

/// Most entrances one pass keeps: 20 000 are 5 hours of one note a second. Further ones are counted.
pub const MAX_ENTRANCES: usize = 20_000;

/// Longest block a host plays before the place it starts from, seconds: 8192 samples at 44.1 kHz.
const BLOCK_S: f64 = 0.186;

/// Names one pass within a session, never used twice.
pub type PassId = u64;

/// Where a pass came from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Origin {
    /// A stretch of the host's time line.
    Played,
    /// The live input without a time line.
    Free,
    /// A take file of this name.
    File(String),
}

/// One try at a passage.
#[derive(Debug, Clone)]
pub struct Pass {
    /// Its identity.
    pub id: PassId,
    /// The player's name for it, if given.
    pub name: Option<String>,
    /// Kept until forgotten; others make room for new ones.
    pub kept: bool,
    /// Where it came from.
    pub origin: Origin,
    /// Sample rate, Hz.
    pub sample_rate_hz: f64,
    /// Host position of its first sample, samples; `None` without a time line.
    pub start_samples: Option<i64>,
    /// Its beats.
    pub beats: BeatMap,
    /// Whether it is played to them; `None` while that cannot be told. Computed with every verdict, never kept.
    pub to_beat: Option<bool>,
    /// Its entrances, in the order of time, with what the player says laid over them; all instants are seconds from the
    /// pass's first sample.
    pub entrances: Vec<Entrance>,
    /// What the player says of them, in the times of the pass.
    pub corrections: Corrections,
    /// That as it was laid over what was measured; `None` where nothing is said, and the entrances are as measured.
    /// Computed with every verdict, never kept.
    pub corrected: Option<Box<Corrected>>,
    /// The take it came from: what is said is kept beside that too.
    pub take: Option<PathBuf>,
    /// Entrances there was no room for.
    pub num_left_out: usize,
    /// How long it lasted so far, seconds.
    pub duration_s: f64,
    /// Its outline.
    pub wave: Wave,
    /// Samples lost while it ran.
    pub num_lost: u64,
    /// Where it is clipped, seconds.
    pub clipped_at_s: Vec<f64>,
    /// When it began, while it waits to go into the practice log.
    pub waits_since: Option<Moment>,
    /// True while it still runs.
    pub live: bool,
    /// Another one whenever the entrances change, or what is said of them.
    pub revision: Revision,
}

impl Pass {
    /// A pass that begins now.
    #[must_use]
    pub fn begin(origin: Origin, sample_rate_hz: f64, transport: &TransportView) -> Self {
        let mut beats = BeatMap::default();
        if origin == Origin::Played
            && let Some(bend) = Bend::from_transport(0.0, transport)
        {
            beats.push(bend);
        }
        let start_samples = if origin == Origin::Played { transport.pos_samples } else { None };
        Self {
            id: 0,
            name: None,
            kept: false,
            origin,
            sample_rate_hz,
            start_samples,
            beats,
            to_beat: None,
            entrances: Vec::new(),
            corrections: Corrections::new("", Fingerprint::default()),
            corrected: None,
            take: None,
            num_left_out: 0,
            duration_s: 0.0,
            wave: Wave::new(sample_rate_hz),
            num_lost: 0,
            clipped_at_s: Vec::new(),
            waits_since: None,
            live: true,
            revision: Revision::fresh(),
        }
    }

    /// Adds an entrance: the front, timed against the beats and judged. As it was measured, whatever is said of it; `None`
    /// where there is no room.
    pub fn push_front(&mut self, front: Front, judging: &Judging) -> Option<Entrance> {
        if self.entrances.len() >= MAX_ENTRANCES {
            self.num_left_out += 1;
            return None;
        }
        self.revision = Revision::fresh();
        let front = timing::named(front, judging);
        let entrance = self.judged(front, judging);
        match self.corrected {
            Some(_) => self.with_measured(judging, |measured| measured.push(entrance)),
            None => self.entrances.push(entrance),
        }
        // It may turn out to be played to no beat, or to one after all.
        if timing::follows(&self.entrances, &self.beats, judging) != self.to_beat {
            self.rejudge(judging);
        }
        Some(self.judged(front, judging))
    }

    /// Fills in the end of a note.
    pub fn end_note(&mut self, index: usize, end_s: f64, judging: &Judging) {
        self.revision = Revision::fresh();
        let end = |all: &mut Vec<Entrance>| {
            if let Some(entrance) = all.iter_mut().rev().find(|e| e.front.index == index) {
                entrance.front.end_s = Some(end_s);
            }
        };
        match self.corrected {
            Some(_) => self.with_measured(judging, end),
            None => end(&mut self.entrances),
        }
    }

    /// Takes off what lies after a time: it belongs to the next pass.
    pub fn truncate(&mut self, s: f64, judging: &Judging) {
        self.revision = Revision::fresh();
        self.duration_s = self.duration_s.min(s);
        self.wave.truncate(s);
        let cut = |all: &mut Vec<Entrance>| all.retain(|e| e.front.onset_s < s);
        match self.corrected {
            Some(_) => self.with_measured(judging, cut),
            None => cut(&mut self.entrances),
        }
    }

    /// What the recording adds to every lateness; `None` too where it does not follow its beats.
    #[must_use]
    pub fn estimate_offset(&self, subdivision: Subdivision) -> Option<OffsetEstimate> {
        if self.to_beat == Some(false) {
            return None;
        }
        timing::estimate_offset(&self.entrances, &self.beats, subdivision)
    }

    /// First and last second on the host's time line; `None` without one.
    #[must_use]
    pub fn span_s(&self) -> Option<(f64, f64)> {
        let start = self.start_samples? as f64 / self.sample_rate_hz;
        Some((start, start + self.duration_s))
    }

    /// True when two passes are tries at the same passage: they share more than half of the shorter one.
    #[must_use]
    pub fn is_same_passage(&self, other: &Self) -> bool {
        match (self.span_s(), other.span_s()) {
            (Some((a0, a1)), Some((b0, b1))) => {
                let shared = a1.min(b1) - a0.max(b0);
                shared > 0.5 * (a1 - a0).min(b1 - b0)
            }
            _ => false,
        }
    }

    /// Where the bar begins that the pass is named by, seconds: at the next bar, where that is a block of a host away.
    fn first_bar_s(&self) -> f64 {
        let bar = |s| self.beats.bar_and_beat(s).map(|(bar, _)| bar);
        if bar(0.0) == bar(BLOCK_S) { 0.0 } else { BLOCK_S }
    }

    /// Entrances with a fault, or unclear to the player's ear.
    #[must_use]
    pub fn num_flagged(&self) -> usize {
        self.entrances.iter().filter(|e| e.is_flagged()).count() + self.num_unclear_by_ear()
    }

    /// What the player calls it, or where it stands.
    #[must_use]
    pub fn title(&self) -> String {
        if let Some(name) = &self.name {
            return name.clone();
        }
        match &self.origin {
            Origin::File(name) => name.clone(),
            Origin::Free => format!("pass {}", self.id),
            // Some hosts give a place up to a block before the bar that they play from.
            Origin::Played => match self.beats.bar_and_tenth(self.first_bar_s()) {
                Some((bar, _)) => format!("pass {}, from bar {bar}", self.id),
                None => format!("pass {}, from {:.1} s", self.id, self.span_s().map_or(0.0, |s| s.0)),
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn played(start: i64, duration_s: f64) -> Pass {
        let transport = TransportView { playing: true, pos_samples: Some(start), ..TransportView::default() };
        Pass { duration_s, ..Pass::begin(Origin::Played, 1000.0, &transport) }
    }

    #[test]
    fn tries_share_more_than_half_of_the_shorter() {
        assert!(played(0, 10.0).is_same_passage(&played(4_000, 10.0)));
        assert!(!played(0, 10.0).is_same_passage(&played(5_000, 10.0)));
        assert!(played(0, 10.0).is_same_passage(&played(8_000, 1.0)));
        assert!(!played(0, 10.0).is_same_passage(&played(20_000, 1.0)));
    }

    #[test]
    fn a_pass_that_begins_a_block_before_the_bar_is_named_by_the_bar() {
        let mut pass = played(-171, 10.0);
        let bend =
            |beats| Bend { at_s: 0.0, beats, tempo_bpm: 61.0, bar_beats: 4.0, bar_start_beats: 0.0, beat_beats: 1.0 };
        pass.beats.push(bend(-0.171 * 61.0 / 60.0));
        assert_eq!(pass.title(), "pass 0, from bar 1");
        pass.beats = BeatMap::default();
        pass.beats.push(bend(-2.0));
        assert_eq!(pass.title(), "pass 0, from bar 0");
    }

    #[test]
    fn free_passes_have_no_place() {
        let free = Pass::begin(Origin::Free, 1000.0, &TransportView::default());
        assert!(free.span_s().is_none());
        assert!(!free.is_same_passage(&free.clone()));
    }
}
