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
    use crate::observe::Frame;
    use crate::test_sounds::{RATE_HZ, noise, tone};
    use crate::test_sounds::{dice, history, share_of, sound};
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

    /// What a listener tells of the time from `end_s` to `start_s` of a sound, as beginning and end in s.
    fn told(samples: &[f32], end_s: f64, start_s: f64) -> (Option<Breath>, Option<(f64, f64)>) {
        let (history, rate_hz) = history(samples);
        let mut listener = BreathListener::new(rate_hz);
        listener.advance(&history);
        let at = |s: f64| (s * rate_hz) as i64;
        let breath = listener.before(&history, at(end_s), at(start_s), -21.0);
        let Some(Breath::Heard(inhalation)) = breath else { return (breath, None) };
        let end = start_s - inhalation.before_ms / 1e3;
        (breath, Some((end - inhalation.length_ms / 1e3, end)))
    }

    /// A note up to 0.5 s, a room, and noise of this level from here to there, a note again from `start_s` on.
    fn gap(db: f64, (from, to): (f64, f64), start_s: f64, seed: u64) -> Vec<f32> {
        let notes = |s: f64| {
            let level = ((0.5 - s) / 0.03).clamp(0.0, 1.0) + ((s - start_s) / 0.01).clamp(0.0, 1.0);
            level * tone(233.08, 1..=8, 0.1, s)
        };
        let mut hiss = noise(seed);
        let blown = blown(db, from, to);
        let mut samples = sound(start_s + 0.3, notes);
        samples.iter_mut().enumerate().for_each(|(i, x)| *x += blown(i as f64 / RATE_HZ, hiss()) as f32);
        samples
    }

    /// Ends are told to 2.5 ms each and lengths to 5, nine times of ten: of inhalations of any place, length and level.
    #[test]
    fn inhalations_of_any_place_length_and_level_lie_within_their_widths() {
        let mut dice = dice(13);
        let mut off = Vec::new();
        for seed in 0..60 {
            let (from, length) = (0.62 + 0.2 * dice(), 0.17 + 0.5 * dice());
            let start_s = from + length + 0.03 + 0.2 * dice();
            let samples = gap(-64.0 + 24.0 * dice(), (from, from + length), start_s, seed + 1);
            let (begin, end) = told(&samples, 0.5, start_s).1.unwrap_or((9.0, 9.0));
            off.push(((begin - from).abs(), (end - from - length).abs()));
        }
        let within = |width: f64| share_of(&off, |o| o.0 <= width && o.1 <= width);
        assert!(share_of(&off, |o| o.0 < 1.0) == 1.0, "all are heard");
        assert!(within(STEP_S) >= 0.9, "{}: {off:?}", within(STEP_S));
    }

    #[test]
    fn a_gap_tells_whether_one_could_have_been_heard() {
        let breath = |db: f64, span: (f64, f64), start_s: f64| told(&gap(db, span, start_s, 3), 0.5, start_s).0;
        assert_eq!(breath(-95.0, (0.0, 0.0), 0.6), None, "a tenth of a second leaves no time for one");
        assert_eq!(breath(-95.0, (0.0, 0.0), 1.2), Some(Breath::Unheard));
        assert_eq!(breath(-60.0, (0.0, 9.0), 1.2), Some(Breath::Masked), "a room as loud as a breath");
        assert!(matches!(breath(-50.0, (0.7, 1.0), 1.2), Some(Breath::Heard(_))));
        assert_eq!(breath(-50.0, (0.7, 0.8), 1.2), Some(Breath::Unheard), "a tenth of a second is a rustle");
        assert_eq!(breath(-80.0, (0.7, 1.0), 1.2), Some(Breath::Unheard), "too soft to be one beside that note");
    }

    /// Of two the last is told, and one that is as loud as the note before is no breath of it.
    #[test]
    fn of_several_inhalations_the_last_counts() {
        let mut samples = gap(-50.0, (0.65, 0.95), 1.7, 5);
        let other = gap(-55.0, (1.2, 1.5), 1.7, 6);
        for (x, y) in samples.iter_mut().zip(&other).skip(48_000).take(33_000) {
            *x = *y;
        }
        let (begin, end) = told(&samples, 0.5, 1.7).1.expect("a breath");
        assert!((begin - 1.2).abs() <= STEP_S && (end - 1.5).abs() <= STEP_S, "{begin} {end}");
    }

    /// Closed forms: the second difference passes a sine with 4 sin^2(w / 2), and six times the power of white noise.
    #[test]
    fn the_power_of_second_differences_is_that_of_its_law() {
        for freq in [0.01, 0.1, 0.25, 0.4] {
            let x: Vec<f32> = (0..4_000).map(|i| (std::f64::consts::TAU * freq * f64::from(i)).sin() as f32).collect();
            let wanted = 0.5 * (4.0 * (std::f64::consts::PI * freq).sin().powi(2)).powi(2);
            let told = second_difference_power(&x);
            assert!((told / wanted - 1.0).abs() < 0.01, "{freq}: {told}, and not {wanted}");
        }
        let mut hiss = noise(1);
        let x: Vec<f32> = (0..20_000).map(|_| hiss() as f32).collect();
        assert!((second_difference_power(&x) - 6.0).abs() < 0.25, "{}", second_difference_power(&x));
        assert_eq!((second_difference_power(&[]), second_difference_power(&[1.0, 2.0])), (0.0, 0.0));
    }

    /// Drawn frames of a room of -70 dB in which breath noise of -50 dB sounds from here to there, before a note at
    /// frame 600.
    fn held_ms(from: i64, to: i64, periodicity: f32) -> Option<f64> {
        let frames = Frames::drawn((0..800).map(|i| match i {
            600.. => Frame::held(58.0, -20.0),
            i if (from..to).contains(&i) => Frame { periodicity, ..Frame::held(f32::NAN, -50.0) },
            _ => Frame::held(f32::NAN, -70.0),
        }));
        held_breath_ms(&frames, 600, -70.0)
    }

    #[test]
    fn the_silence_after_a_breath_is_as_long_as_it_was_drawn() {
        for (from, to) in [(300, 400), (420, 500), (300, 540), (100, 590)] {
            let told = held_ms(from, to, 0.2).expect("a breath");
            // From the frame of its last sound on: one step.
            assert!((told - 2.5 * (600 - to) as f64).abs() <= 2.6, "{from} to {to}: {told} ms");
        }
        assert_eq!(held_ms(360, 400, 0.2), None, "a tenth of a second is none");
        assert_eq!(held_ms(300, 400, 0.9), None, "a tone is none");
        assert_eq!(held_ms(0, 0, 0.0), None, "nor silence");
    }

    #[test]
    fn cleared_a_listener_is_new() {
        let (history, rate_hz) = history(&gap(-50.0, (0.7, 1.0), 1.2, 3));
        let mut listener = BreathListener::new(rate_hz);
        let mut told = || {
            listener.advance(&history);
            let breath = listener.before(&history, (0.5 * rate_hz) as i64, (1.2 * rate_hz) as i64, -21.0);
            listener.clear();
            breath
        };
        let first = told();
        assert!(matches!(first, Some(Breath::Heard(_))));
        assert_eq!(first, told());
    }

    /// One that swells and ebbs is heard from 20 dB under its top to there.
    #[test]
    fn a_swelling_inhalation_lasts_from_20_decibels_under_its_top_on() {
        let mut dice = dice(5);
        let (mut off, mut num) = (Vec::new(), 0);
        for seed in 0..30 {
            let (top_s, top_db, db_per_s) = (0.95 + 0.1 * dice(), -52.0 + 12.0 * dice(), 60.0 + 160.0 * dice());
            let mut hiss = noise(seed + 1);
            let mut samples = gap(-95.0, (0.0, 0.0), 1.6, 2);
            for (i, x) in samples.iter_mut().enumerate().take((1.5 * RATE_HZ) as usize) {
                let db = top_db - db_per_s * (i as f64 / RATE_HZ - top_s).abs();
                *x += (hiss() * 10f64.powf(db / 20.0)) as f32;
            }
            num += 1;
            let Some((begin, end)) = told(&samples, 0.5, 1.6).1 else { continue };
            let half_s = 20.0 / db_per_s;
            off.push((begin - top_s + half_s).abs().max((end - top_s - half_s).abs()));
        }
        println!("{} of {num} heard", off.len());
        // An ebb that takes longer than 100 ms may be passed over with its top: the search begins again within 6 dB of
        // it.
        assert!(off.len() * 10 >= num * 8, "{} of {num}", off.len());
        // The top of noise is by chance a decibel over its mean, and its means over 20 ms ripple.
        assert!(share_of(&off, |off| *off < 0.030) > 0.9, "{off:?}");
    }
}
