//! The beats of a metronome from a recording of its click: each by itself, with drift, gaps and all.
//!
//! A click is a sudden rise of the higher frequencies. Its place is where the rise begins, so that loud and
//! soft clicks count alike. The beats follow the clicks one by one at a slowly changing distance; missing ones
//! are filled in evenly between those heard.

pub mod count_in;

use crate::audio_file::{AudioFile, ChannelChoice, ReadError};
use crate::beats::{Beats, Course, Origin};
use std::path::Path;

/// Time step of the envelope, s: well under the 2 ms beats are to be met within.
const STEP_S: f64 = 0.25e-3;
/// A click is looked for from so many steps (2 ms) before the rise is seen.
const LOOK_BACK_STEPS: u64 = 8;
/// A click rises this much over the sound before it, dB \[P\].
const RISE_DB: f64 = 12.0;
/// The sound before is what it was so many steps ago (5 ms): clicks rise faster, notes of a horn slower ...
const BEFORE_STEPS: usize = 20;
/// ... at its loudest over so many steps (25 ms): the period of a pedal note is 17 to 24 ms, and the air in a
/// horn kicks once in each.
const BEFORE_LEN_STEPS: usize = 100;
/// The peak of a click lies within so many steps (20 ms) of its rise.
const PEAK_STEPS: u64 = 80;
/// A click begins where it reaches this share of its peak power (-13 dB): far above the room, far below the peak.
const BEGIN_SHARE: f32 = 0.05;
/// Two clicks are at least this far apart, s: 500 beats a minute.
const MIN_BEAT_S: f64 = 0.12;
/// Longest beat, s: 20 a minute.
const MAX_BEAT_S: f64 = 3.0;
/// Rises this far under the louder clicks (dB on the peak) are what leaked in from the room; accents lie
/// within 20 dB of plain clicks \[P\].
const LEAK_DB: f64 = 26.0;
/// Distances within this share of each other are of one tempo.
const SAME_BEAT: f64 = 0.04;
/// A click may come this share of a beat beside its expected place.
const REACH: f64 = 0.12;
/// How much of each click's distance goes into the expected one.
const FOLLOW: f64 = 0.25;
/// More missing clicks in a row than this are a pause: what comes after stands for itself.
const MAX_MISSING: usize = 16;
/// Fewest clicks that make a metronome, and the least share of distances that are one beat.
const MIN_CLICKS: usize = 4;
/// See [`MIN_CLICKS`].
const MIN_SHARE: f64 = 0.4;

/// Beats heard in a click.
#[derive(Debug, Clone, PartialEq)]
pub struct ClickBeats {
    /// Seconds, rising.
    pub beats_s: Vec<f64>,
    /// Beats that were heard; the others were filled in.
    pub num_heard: usize,
    /// Clicks that fit no beat.
    pub num_stray: usize,
}

impl ClickBeats {
    /// Share of the clicks that were beats, times the share of the beats that were heard.
    #[must_use]
    pub fn confidence(&self) -> f64 {
        let heard = self.num_heard as f64;
        heard / (heard + self.num_stray as f64) * heard / self.beats_s.len().max(1) as f64
    }

    /// As the beats of a take.
    #[must_use]
    pub fn into_beats(self, per_beat: u32) -> Beats {
        let confidence = self.confidence();
        Beats { course: Course::Listed(self.beats_s), per_beat, origin: Origin::Click, confidence, followed: None }
    }
}

/// Why no beats were heard.
#[derive(Debug)]
pub enum ClickError {
    /// The recording cannot be read.
    Read(ReadError),
    /// So many clicks, and no steady beat among them.
    NoBeat(usize),
}

impl std::fmt::Display for ClickError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Read(e) => write!(f, "{e}. {}", e.remedy()),
            Self::NoBeat(n) => write!(
                f,
                "no steady click can be heard in it ({n} sudden sounds). Record the metronome alone, or give --bpm"
            ),
        }
    }
}

impl std::error::Error for ClickError {}

/// Hears the beats in a recording, or in one channel of it. Memory grows with the clicks only.
///
/// # Errors
/// A file that cannot be read, or one without a steady click.
pub fn listen(path: &Path, channel: ChannelChoice) -> Result<ClickBeats, ClickError> {
    let mut file = AudioFile::open(path, channel).map_err(ClickError::Read)?;
    let mut ear = Ear::new(file.sample_rate_hz());
    while let Some(block) = file.next_block().map_err(ClickError::Read)? {
        ear.push(block);
    }
    beats(&ear.finish())
}

/// A sudden rise.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Click {
    at_s: f64,
    peak: f32,
}

/// Finds sudden rises in a stream of samples.
struct Ear {
    step_len: f64,
    rate_hz: f64,
    num_samples: u64,
    last: f32,
    power: f32,
    /// Power of the latest steps, the newest at `num_steps % len`.
    steps: Vec<f32>,
    num_steps: u64,
    rise: Option<Rise>,
    clicks: Vec<Click>,
}

/// A click whose peak is still to come: powers of its steps from a little before the rise.
struct Rise {
    first_step: u64,
    until_step: u64,
    before: f32,
    powers: Vec<f32>,
}

impl Ear {
    fn new(rate_hz: f64) -> Self {
        Self {
            step_len: STEP_S * rate_hz,
            rate_hz,
            num_samples: 0,
            last: 0.0,
            power: 0.0,
            steps: vec![0.0; BEFORE_STEPS + BEFORE_LEN_STEPS],
            num_steps: 0,
            rise: None,
            clicks: Vec::new(),
        }
    }

    fn push(&mut self, block: &[f32]) {
        for &sample in block {
            let sample = if sample.is_finite() { sample } else { 0.0 };
            // The difference of neighbours takes 6 dB an octave off the low notes of the room.
            self.power += (sample - self.last).powi(2);
            self.last = sample;
            self.num_samples += 1;
            if self.num_samples as f64 >= (self.num_steps + 1) as f64 * self.step_len {
                let power = std::mem::take(&mut self.power);
                self.step(power);
            }
        }
    }

    fn finish(mut self) -> Vec<Click> {
        for _ in 0..=PEAK_STEPS {
            self.step(0.0);
        }
        self.clicks
    }

    fn step(&mut self, power: f32) {
        let len = self.steps.len();
        self.steps[(self.num_steps % len as u64) as usize] = power;
        let step = self.num_steps;
        self.num_steps += 1;
        if let Some(rise) = &mut self.rise {
            rise.powers.push(power);
            if step >= rise.until_step {
                self.take_click();
            }
            return;
        }
        let before = self.power_before();
        let floor = 1e-10 * self.step_len as f32;
        let is_risen = f64::from(power) > f64::from(before.max(floor)) * 10f64.powf(RISE_DB / 10.0);
        let min_steps = (MIN_BEAT_S / STEP_S * 0.5) as u64;
        let is_free = self.clicks.last().is_none_or(|c| step as f64 * STEP_S > c.at_s + min_steps as f64 * STEP_S);
        if is_risen && is_free {
            let first_step = (step + 1).saturating_sub(LOOK_BACK_STEPS);
            let powers = (first_step..=step).map(|s| self.steps[(s % len as u64) as usize]).collect();
            self.rise = Some(Rise { first_step, until_step: step + PEAK_STEPS, before, powers });
        }
    }

    /// Greatest power of the steps that lie [`BEFORE_STEPS`] and more back.
    fn power_before(&self) -> f32 {
        let len = self.steps.len() as u64;
        // The ring holds just these, and the newer ones, which are left out.
        let oldest = self.num_steps.saturating_sub(len);
        let newest = self.num_steps.saturating_sub(BEFORE_STEPS as u64);
        (oldest..newest).map(|s| self.steps[(s % len) as usize]).fold(0.0, f32::max)
    }

    fn take_click(&mut self) {
        let Some(rise) = self.rise.take() else { return };
        let peak = rise.powers.iter().copied().fold(0.0, f32::max);
        let line = (peak * BEGIN_SHARE).max(rise.before);
        let begin = rise.powers.iter().position(|&power| power > line).unwrap_or(0);
        // Power of a step counts from its start.
        let at_s = ((rise.first_step + begin as u64) as f64 * self.step_len).ceil() / self.rate_hz;
        self.clicks.push(Click { at_s, peak });
    }
}

fn beats(clicks: &[Click]) -> Result<ClickBeats, ClickError> {
    let loud = without_leaks(clicks);
    let none = ClickError::NoBeat(loud.len());
    let Some(beat_s) = usual_beat_s(&loud) else { return Err(none) };
    let mut tracked = ClickBeats { beats_s: Vec::new(), num_heard: 0, num_stray: 0 };
    let mut from = 0;
    while let Some(seed) = next_seed(&loud, from, beat_s) {
        from = follow(&loud, seed, beat_s, &mut tracked);
    }
    if tracked.num_heard < MIN_CLICKS {
        return Err(none);
    }
    tracked.num_stray = loud.len() - tracked.num_heard;
    Ok(tracked)
}

fn without_leaks(clicks: &[Click]) -> Vec<f64> {
    let mut peaks: Vec<_> = clicks.iter().map(|c| c.peak).collect();
    peaks.sort_by(f32::total_cmp);
    // Three quarters up: the plain clicks, even when half of all rises leaked in.
    let loud = peaks.get(peaks.len() * 3 / 4).copied().unwrap_or(0.0);
    let line = f64::from(loud) * 10f64.powf(-LEAK_DB / 10.0);
    clicks.iter().filter(|c| f64::from(c.peak) >= line).map(|c| c.at_s).collect()
}

/// The most frequent distance of neighbours.
fn usual_beat_s(clicks_s: &[f64]) -> Option<f64> {
    let distances = clicks_s.windows(2).map(|pair| pair[1] - pair[0]);
    let mut distances: Vec<_> = distances.filter(|d| (MIN_BEAT_S..=MAX_BEAT_S).contains(d)).collect();
    distances.sort_by(f64::total_cmp);
    let (mut best, mut end) = (0..0, 0);
    for start in 0..distances.len() {
        while end < distances.len() && distances[end] <= distances[start] * (1.0 + SAME_BEAT) {
            end += 1;
        }
        if end - start > best.len() {
            best = start..end;
        }
    }
    let is_steady = best.len() + 1 >= MIN_CLICKS && best.len() as f64 >= MIN_SHARE * distances.len() as f64;
    is_steady.then(|| distances[best.start + best.len() / 2])
}

/// The first click from `from` on that has another a beat later.
fn next_seed(clicks_s: &[f64], from: usize, beat_s: f64) -> Option<usize> {
    (from..clicks_s.len()).find(|&i| {
        let reach = beat_s * REACH;
        nearest(clicks_s, i + 1, clicks_s[i] + beat_s)
            .is_some_and(|j| (clicks_s[j] - clicks_s[i] - beat_s).abs() <= reach)
    })
}

/// Follows the beat from a click until it pauses or ends; returns the first click not used.
fn follow(clicks_s: &[f64], seed: usize, beat_s: f64, tracked: &mut ClickBeats) -> usize {
    let (mut at, mut beat_s, mut missing) = (seed, beat_s, 0);
    let is_apart = |beats: &[f64], click_s: f64| beats.last().is_none_or(|&last| click_s - last > 0.5 * beat_s);
    if is_apart(&tracked.beats_s, clicks_s[seed]) {
        tracked.beats_s.push(clicks_s[seed]);
        tracked.num_heard += 1;
    }
    while missing <= MAX_MISSING {
        let num_beats = missing + 1;
        let expected = clicks_s[at] + num_beats as f64 * beat_s;
        let found = nearest(clicks_s, at + 1, expected).filter(|&i| (clicks_s[i] - expected).abs() <= REACH * beat_s);
        let Some(next) = found else {
            missing += 1;
            continue;
        };
        let distance_s = (clicks_s[next] - clicks_s[at]) / num_beats as f64;
        tracked.beats_s.extend((1..=num_beats).map(|i| clicks_s[at] + i as f64 * distance_s));
        tracked.num_heard += 1;
        beat_s += FOLLOW * (distance_s - beat_s);
        at = next;
        missing = 0;
    }
    at + 1
}

/// The click nearest to a time, from index `from` on.
fn nearest(clicks_s: &[f64], from: usize, time_s: f64) -> Option<usize> {
    let rest = clicks_s.get(from..)?;
    let after = rest.partition_point(|&t| t < time_s);
    let near = [after.checked_sub(1), Some(after).filter(|&i| i < rest.len())].into_iter().flatten();
    near.min_by(|&a, &b| (rest[a] - time_s).abs().total_cmp(&(rest[b] - time_s).abs())).map(|i| from + i)
}

#[cfg(test)]
mod tests;
