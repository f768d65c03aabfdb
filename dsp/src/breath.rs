//! The inhalation before a note: where it lies and how long it lasts, also right after the note before; and the silence held
//! after it.

use crate::entrance::{Breath, Inhalation};
use crate::framer::History;
use crate::harmonic;
use crate::observe::{Frames, HOP_S};
use crate::parameters::air::*;
use crate::parameters::notes::TONAL;
use crate::units::power_to_db;

/// Silence between an audible breath and frame `start`, ms; `None` without a breath.
#[must_use]
pub fn held_breath_ms(frames: &Frames, start: i64, floor_db: f32) -> Option<f64> {
    let is_sound = |i: i64| frames.get(i).level_db > floor_db + OVER_FLOOR_DB as f32;
    let oldest = (start - frames.count(BACK_S)).max(0);
    let quiet = (oldest..start).rev().find(|&i| !is_sound(i))?; // before the tongue and the tone's beginning
    let end = (oldest..quiet).rev().find(|&i| is_sound(i))?;
    let begin = (oldest..=end).rev().find(|&i| (i - GAP_FRAMES..i).all(|j| !is_sound(j)))?;
    let num = end + 1 - begin;
    let num_tonal = (begin..=end).filter(|&i| frames.get(i).periodicity > TONAL).count() as i64;
    let is_breath = num >= frames.count(LEAST_S) && (num_tonal as f64) < MOST_TONAL * num as f64;
    is_breath.then(|| (start - end) as f64 * HOP_S * 1e3)
}

/// What is heard of breathing: the high part of the sound, in which the tail of a note and the rumble of a room are soft and
/// a breath is not. Its power is that of the second difference of the samples (12 dB an octave, over all of the band).
pub struct BreathListener {
    rate_hz: f64,
    len: i64,
    hiss: Vec<f64>,
    floor_db: f64,
    /// Levels of the stretch that is looked at, dB, from this frame on.
    levels: Vec<f64>,
    first: i64,
    rest: Vec<f32>,
}

/// Frames kept: 5.1 s, as of all else that is seen \[T\].
const CAPACITY: usize = 2_048;
/// Levels are means over so many frames: 20 ms \[T\].
const SMOOTH_FRAMES: i64 = 8;
/// Its top is its loudest within this before that fall, frames: 100 ms \[T\].
const TOP_FRAMES: i64 = 40;
/// The quietest follows a room that grows louder by this much a frame, dB: 0.5 dB a second \[T\].
const FLOOR_RISE_DB: f64 = 0.5 * HOP_S;
/// It is no tone: of windows so long, s, so far apart, s, at most this share has a period within these, s, that explains more
/// than this of the power. No more windows than this are looked at \[T\].
const TONE_WINDOW_S: f64 = 0.040;
const TONE_HOP_S: f64 = 0.040;
const TONE_PERIODS_S: (f64, f64) = (0.002, 0.016);
const MOST_WINDOWS: i64 = 12;

/// A stretch that may be an inhalation: first frame and the one after its last.
#[derive(Debug, Clone, Copy)]
struct Swell {
    begin: i64,
    end: i64,
    top_db: f64,
    /// Its beginning is covered by the note before.
    is_in_tail: bool,
}

impl BreathListener {
    /// A listener at an internal rate in Hz.
    #[must_use]
    pub fn new(rate_hz: f64) -> Self {
        let window = (TONE_WINDOW_S * rate_hz) as usize + 1;
        Self {
            rate_hz,
            len: 0,
            hiss: vec![0.0; CAPACITY],
            floor_db: f64::INFINITY,
            levels: Vec::with_capacity(CAPACITY),
            first: 0,
            rest: Vec::with_capacity(window),
        }
    }

    /// Back to the state of `new`.
    pub fn clear(&mut self) {
        self.len = 0;
        self.floor_db = f64::INFINITY;
    }

    /// Takes what the history has more than before.
    pub fn advance(&mut self, history: &History) {
        while self.edge(self.len + 1) <= history.len() {
            // A second difference needs the two samples before it.
            let (from, to) = (self.edge(self.len).max(2), self.edge(self.len + 1));
            let power = history.window(from - 2, (to - from + 2) as usize).map_or(0.0, second_difference_power);
            self.hiss[(self.len % CAPACITY as i64) as usize] = power;
            self.len += 1;
            if self.len > SMOOTH_FRAMES {
                let level_db = self.smoothed_db(self.len - SMOOTH_FRAMES / 2);
                self.floor_db = level_db.min(self.floor_db + FLOOR_RISE_DB);
            }
        }
    }

    /// The inhalation between the end of the note before and the first sound of this one, internal samples; or that none is
    /// heard. `None` where there was no time for one. `loud_db`: level of the loudest note so far.
    pub fn before(&mut self, history: &History, end: i64, sound_start: i64, loud_db: f64) -> Option<Breath> {
        let to = self.frame(sound_start);
        let from = self.frame(end).max(to - frames(BACK_S)).max(0);
        if to - from < frames(LEAST_S) {
            return None;
        }
        self.fill(from, to);
        let softest_db = loud_db - UNDER_LOUD_DB;
        match self.inhalation(history, from, to, softest_db) {
            Some((begin, end)) => Some(Breath::Heard(Inhalation {
                length_ms: (end - begin) * HOP_S * 1e3,
                before_ms: (sound_start as f64 / self.rate_hz - (end - 0.5) * HOP_S).max(0.0) * 1e3,
            })),
            None if self.is_still(from, to, softest_db - OVER_FLOOR_DB) => Some(Breath::Unheard),
            None => (to - from >= frames(WITH_TAIL_S)).then_some(Breath::Masked),
        }
    }

    /// The last stretch before `to` that sounds like an inhalation: its beginning and end in frames.
    fn inhalation(&mut self, history: &History, from: i64, to: i64, softest_db: f64) -> Option<(f64, f64)> {
        let heard_db = self.floor_db + OVER_FLOOR_DB;
        let (mut at, mut lowest_db) = (to - 1, f64::INFINITY);
        while at >= from {
            let level_db = self.level_db(at);
            lowest_db = lowest_db.min(level_db);
            if level_db <= heard_db.max(lowest_db + FALL_DB) {
                at -= 1;
                continue;
            }
            let swell = self.swell(at, (from, to), heard_db);
            if swell.top_db >= softest_db && self.is_breath(history, &swell) {
                return Some(self.placed(&swell, heard_db));
            }
            at = swell.begin.min(at) - 1;
            lowest_db = self.level_db(at);
        }
        None
    }

    /// The stretch around the top before frame `at`, at which the level has risen out of what comes before the note.
    fn swell(&self, at: i64, (from, to): (i64, i64), heard_db: f64) -> Swell {
        let top = self.extreme((at - TOP_FRAMES).max(from), at + 1, |a, b| a > b);
        let top_db = self.level_db(top);
        let line_db = heard_db.max(top_db - EDGE_DB);
        let lowest = self.extreme(top, to, |a, b| a < b);
        let end = 1 + self.reach(top..=lowest, line_db);
        let is_note = |i: i64| self.level_db(i) > top_db + HOLD_DB;
        let after_note = (from..top).rev().find(|&i| is_note(i)).map_or(from, |note| note + 1);
        let begin = self.reach((after_note..=top).rev(), line_db);
        let dip = self.extreme(begin, top + 1, |a, b| a < b);
        let comes_from_note = begin == after_note;
        if comes_from_note && self.level_db(dip) < top_db - FALL_DB {
            return Swell { begin: dip, end, top_db, is_in_tail: false };
        }
        Swell { begin, end, top_db, is_in_tail: comes_from_note }
    }

    /// The last of these frames up to which the level stays over a line, but for gaps that a breath may have.
    fn reach(&self, frames: impl Iterator<Item = i64>, line_db: f64) -> i64 {
        let (mut last, mut gap) = (0, 0);
        for (num, i) in frames.enumerate() {
            if num == 0 || self.level_db(i) >= line_db {
                (last, gap) = (i, 0);
            } else {
                gap += 1;
                if gap > GAP_FRAMES {
                    break;
                }
            }
        }
        last
    }

    /// The frame of a stretch whose level comes before all others'.
    fn extreme(&self, from: i64, to: i64, comes_before: impl Fn(f64, f64) -> bool) -> i64 {
        let best = (from..to).map(|i| (i, self.level_db(i)));
        best.reduce(|best, next| if comes_before(next.1, best.1) { next } else { best }).map_or(from, |best| best.0)
    }

    fn is_breath(&mut self, history: &History, swell: &Swell) -> bool {
        let &Swell { begin, end, top_db, is_in_tail } = swell;
        let num_core = (begin..end).filter(|&i| self.level_db(i) >= top_db - CORE_DB).count() as i64;
        let half = begin + (end - begin) / 2;
        let falls_db = self.mean_db(begin, half) - self.mean_db(half, end);
        end - begin >= frames(LEAST_S)
            && num_core >= frames(CORE_S)
            && !(is_in_tail && falls_db > HOLD_DB)
            && !self.is_tone(history, swell)
    }

    /// A swell's ends as the frames themselves show them, not their means: a frame at an end counts by its power against
    /// the next one further in.
    fn placed(&self, swell: &Swell, heard_db: f64) -> (f64, f64) {
        let line_db = heard_db.max(swell.top_db - EDGE_DB);
        let is_over = |i: &i64| power_to_db(self.hiss(*i)) >= line_db;
        let share = |at: i64, inside: i64| (self.hiss(at) / self.hiss(inside).max(1e-20)).min(1.0);
        let begin = (swell.begin..swell.begin + SMOOTH_FRAMES).find(is_over).filter(|_| !swell.is_in_tail);
        let end = (swell.end - SMOOTH_FRAMES..swell.end).rev().find(is_over);
        let begin = begin.map_or(swell.begin as f64, |i| (i + 1) as f64 - share(i, i + 1));
        let end = end.map_or(swell.end as f64, |i| i as f64 + share(i, i - 1));
        (begin, end)
    }

    fn is_tone(&mut self, history: &History, swell: &Swell) -> bool {
        let hop = frames(TONE_HOP_S).max((swell.end - swell.begin) / MOST_WINDOWS);
        let (mut num, mut num_tonal) = (0, 0);
        let mut at = swell.begin;
        while at + frames(TONE_WINDOW_S) <= swell.end {
            num += 1;
            num_tonal += i32::from(self.periodicity(history, at) > TONE);
            at += hop;
        }
        f64::from(num_tonal) > MOST_TONAL * f64::from(num)
    }

    /// The most of the hiss in a window from frame `at` on that any period explains.
    fn periodicity(&mut self, history: &History, at: i64) -> f64 {
        let samples = |s: f64| (s * self.rate_hz) as usize;
        let (len, shortest, longest) = (samples(TONE_WINDOW_S), samples(TONE_PERIODS_S.0), samples(TONE_PERIODS_S.1));
        let Some(x) = history.window(self.edge(at) - 2, len + 2) else { return 1.0 };
        self.rest.clear();
        self.rest.extend(second_differences(x));
        harmonic::best_periodicity(&self.rest, shortest, longest)
    }

    /// Whether it is so still for long enough that a breath would have been heard.
    fn is_still(&self, from: i64, to: i64, line_db: f64) -> bool {
        let mut run = 0;
        (from..to).any(|i| {
            run = if self.level_db(i) <= line_db { run + 1 } else { 0 };
            run >= frames(LEAST_S)
        })
    }

    fn hiss(&self, frame: i64) -> f64 {
        let is_kept = frame >= 0 && frame < self.len && frame >= self.len - CAPACITY as i64;
        if is_kept { self.hiss[(frame % CAPACITY as i64) as usize] } else { 0.0 }
    }

    /// Level of the frames around the beginning of one, dB.
    fn smoothed_db(&self, frame: i64) -> f64 {
        let from = frame - SMOOTH_FRAMES / 2;
        power_to_db((from..from + SMOOTH_FRAMES).map(|i| self.hiss(i)).sum::<f64>() / SMOOTH_FRAMES as f64)
    }

    fn fill(&mut self, from: i64, to: i64) {
        self.levels.clear();
        self.first = from;
        for i in from..to {
            let level_db = self.smoothed_db(i);
            self.levels.push(level_db);
        }
    }

    /// Level around a frame of the stretch that is looked at, dB.
    fn level_db(&self, frame: i64) -> f64 {
        self.levels.get((frame - self.first) as usize).copied().unwrap_or(f64::NEG_INFINITY)
    }

    fn mean_db(&self, from: i64, to: i64) -> f64 {
        (from..to).map(|i| self.level_db(i)).sum::<f64>() / (to - from).max(1) as f64
    }

    /// The frame that an internal sample lies in.
    fn frame(&self, sample: i64) -> i64 {
        (sample as f64 / (HOP_S * self.rate_hz)).round() as i64
    }

    /// First internal sample of a frame: each covers its own step.
    fn edge(&self, frame: i64) -> i64 {
        ((frame as f64 - 0.5) * HOP_S * self.rate_hz).round() as i64
    }
}

/// Frames in a time.
fn frames(seconds: f64) -> i64 {
    (seconds / HOP_S).round() as i64
}

fn second_differences(x: &[f32]) -> impl Iterator<Item = f32> + '_ {
    x.windows(3).map(|w| w[0] - 2.0 * w[1] + w[2])
}

fn second_difference_power(x: &[f32]) -> f64 {
    let num = x.len().saturating_sub(2).max(1) as f64;
    second_differences(x).map(|d| f64::from(d) * f64::from(d)).sum::<f64>() / num
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_sounds::{RATE_HZ, noise, tone};
    use crate::{Front, Settings, analyze};

    /// A frame's step, s: what an inhalation's ends are told to.
    const STEP_S: f64 = HOP_S;

    /// Two tones of 21 dB under full scale, from 0.3 to 0.9 s and from 1.6 to 2.2 s, and what sounds beside them.
    fn two_notes(beside: impl Fn(f64, f64) -> f64) -> Vec<f32> {
        let mut hiss = noise(7);
        let level = |s: f64, from: f64, to: f64| ((s - from) / 0.010).min((to - s) / 0.030).clamp(0.0, 1.0);
        let sample = |i: usize| {
            let s = i as f64 / RATE_HZ;
            let tones =
                level(s, 0.3, 0.9) * tone(233.08, 1..=8, 0.1, s) + level(s, 1.6, 2.2) * tone(174.61, 1..=8, 0.1, s);
            (tones + beside(s, hiss())) as f32
        };
        (0..(2.6 * RATE_HZ) as usize).map(sample).collect()
    }

    /// White noise of this level, dB, from here to there, over a room of -95 dB.
    fn blown(db: f64, from: f64, to: f64) -> impl Fn(f64, f64) -> f64 {
        move |s, hiss| {
            let level_db = if (from..to).contains(&s) { db } else { -95.0 };
            hiss * 10f64.powf(level_db / 20.0)
        }
    }

    fn second(samples: &[f32]) -> Front {
        let fronts = analyze(samples, RATE_HZ, Settings::default()).expect("settings in range");
        let second = fronts.iter().find(|front| (front.speaks_s - 1.6).abs() < 0.03);
        *second.unwrap_or_else(|| panic!("{fronts:?}"))
    }

    /// Beginning and end of the inhalation before the second note, s.
    fn heard_s(front: &Front) -> Option<(f64, f64)> {
        let Some(Breath::Heard(inhalation)) = front.evidence.breath else { return None };
        let end_s = front.sound_start_s - inhalation.before_ms / 1e3;
        Some((end_s - inhalation.length_ms / 1e3, end_s))
    }

    #[test]
    fn an_inhalation_of_known_place_is_found_within_a_frame() {
        for (from, to) in [(1.1, 1.45), (1.0137, 1.2281), (1.2, 1.5713)] {
            for db in [-45.0, -55.0, -62.0] {
                let (begin, end) = heard_s(&second(&two_notes(blown(db, from, to)))).expect("a breath");
                assert!((begin - from).abs() <= STEP_S && (end - to).abs() <= STEP_S, "{begin} {end}, not {from} {to}");
            }
        }
    }

    #[test]
    fn one_taken_as_the_note_before_ends_is_found_too() {
        let front = second(&two_notes(blown(-55.0, 0.88, 1.4)));
        let (begin, end) = heard_s(&front).expect("a breath");
        // The last of the tone covers its first 20 ms, the note's end the next.
        assert!((0.88..0.95).contains(&begin) && (end - 1.4).abs() <= STEP_S, "{begin} {end}");
    }

    #[test]
    fn none_heard_is_not_too_noisy() {
        let breath = |beside: &dyn Fn(f64, f64) -> f64| second(&two_notes(beside)).evidence.breath;
        assert_eq!(breath(&blown(-95.0, 0.0, 0.0)), Some(Breath::Unheard));
        // A room as loud as a breath, all the time.
        assert_eq!(breath(&blown(-60.0, 0.0, 9.0)), Some(Breath::Masked));
    }

    #[test]
    fn a_note_joined_to_the_one_before_has_no_time_for_one() {
        let hz = |s: f64| if s < 1.6 { 233.08 } else { 174.61 };
        let level = |s: f64| ((s - 0.8) / 0.010).min((2.2 - s) / 0.030).clamp(0.0, 1.0);
        let samples: Vec<f32> = (0..(2.6 * RATE_HZ) as usize)
            .map(|i| i as f64 / RATE_HZ)
            .map(|s| (level(s) * tone(hz(s), 1..=8, 0.1, s)) as f32)
            .collect();
        assert_eq!(second(&samples).evidence.breath, None);
    }

    #[test]
    fn neither_a_tail_nor_a_hum_nor_a_knock_is_an_inhalation() {
        // The first note rings on for half a second (60 dB in 1.0 s), as noise as well.
        let tail = |s: f64| if s > 0.88 { 10f64.powf(-3.0 * (s - 0.88)) } else { 0.0 };
        let rings = |s: f64, hiss: f64| tail(s) * (tone(233.08, 1..=8, 0.03, s) + 0.003 * hiss) + 1e-5 * hiss;
        assert_eq!(heard_s(&second(&two_notes(rings))), None);
        let hums = |s: f64, hiss: f64| {
            let level = ((s - 1.0) / 0.05).min((1.4 - s) / 0.05).clamp(0.0, 1.0);
            level * tone(150.0, 1..=30, 0.002, s) + 1e-5 * hiss
        };
        assert_eq!(heard_s(&second(&two_notes(hums))), None);
        let knocks = |s: f64, hiss: f64| if s > 1.2 { 0.02 * (-(s - 1.2) / 0.015).exp() * hiss } else { 1e-5 * hiss };
        assert_eq!(heard_s(&second(&two_notes(knocks))), None);
    }
}
