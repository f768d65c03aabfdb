//! The way from one note to the next without a new breath: how long it takes, how far the level falls on it, and whether another
//! partial sounds between.

use crate::decode::NEAR_PITCH;
use crate::entrance::{Between, CannotTell, Measure, Passage, Positions, Told};
use crate::framer::History;
use crate::harmonic;
use crate::look::Looker;
use crate::observe::{Frames, HOP_S};
use crate::parameters::notes::NEW_PITCH;
use crate::parameters::shape::{BETWEEN_PERIODICITY, LEAST_CONTRAST, LENGTH_ROOM};
use crate::units::{cents, hz_to_midi, power_to_db};
use crate::vector::mean;

/// Distance of the looks at a slur, s \[T\].
const SLUR_HOP_S: f64 = 0.002;
/// Window of the looks at a slur, periods of the lower note \[T\].
const SLUR_PERIODS: f64 = 2.5;
/// A passage is looked for this far around where the note begins, s, and a partial between this far, s \[T\].
const PASSAGE_REACH_S: f64 = 0.120;
const BETWEEN_REACH_S: f64 = 0.080;
/// Most looks at one slur \[T\].
const MAX_LOOKS: usize = 128;
/// Share of the way at which a passage begins; it ends as far before its end: as rise times are read, 10 to 90 % \[P\].
const EDGE_SHARE: f64 = 0.1;
/// A leap from pitch to pitch reads as so many periods of the lower note, by the width of the window \[C\]: a test leaps.
const LEAP_PERIODS: f64 = 1.2;
/// Half width of a length: a share of a leap's, where that rules, and of its own \[C\], by the test of made ones.
const LEAP_WIDTH: f64 = 0.7;
const LENGTH_WIDTH: f64 = 0.15;
/// Level of a side: over this long, s, from so far from the passage's middle \[T\].
const SIDE_S: (f64, f64) = (0.050, 0.100);
/// Half of the stretch in which the level falls, s \[T\].
const DIP_REACH_S: f64 = 0.060;
/// Shortest mean of a level, s \[T\].
const LEAST_LEVEL_S: f64 = 0.010;
/// A partial between sounds this long at least, s, or as many periods (measures page: a split) \[D\].
const BETWEEN_S: f64 = 0.020;
const BETWEEN_PERIODS: f64 = 3.0;

/// Two notes, the second out of the first. Times are internal samples.
#[derive(Debug, Clone, Copy)]
pub struct Joint {
    /// Settled pitch of the note before, Hz.
    pub old_hz: f64,
    /// Settled pitch of the note, Hz.
    pub new_hz: f64,
    /// Where the note before speaks.
    pub from: f64,
    /// Where the note ends, as far as known.
    pub to: f64,
    /// Where one ends and the other begins.
    pub at: f64,
}

/// Finds the ways between notes; its list is allocated once.
pub struct SlurFinder {
    looker: Looker,
    values: Vec<f64>,
}

impl SlurFinder {
    /// A finder at an internal rate.
    #[must_use]
    pub fn new(looker: Looker) -> Self {
        Self { looker, values: Vec::with_capacity(MAX_LOOKS) }
    }

    /// The way over a joint. `positions` are those of the old and the new note.
    pub fn passage(
        &mut self,
        history: &History,
        frames: &Frames,
        joint: &Joint,
        positions: [&Positions; 2],
    ) -> Passage {
        let is_one_pitch = cents(joint.new_hz, joint.old_hz).abs() < 100.0 * f64::from(NEW_PITCH);
        Passage {
            length_ms: if is_one_pitch { Err(CannotTell::SamePitch) } else { self.length_ms(history, joint) },
            dip_db: self.dip_db(history, joint),
            between: if is_one_pitch { None } else { self.between(frames, joint, positions) },
        }
    }

    /// How long the change of pitch takes, ms.
    fn length_ms(&mut self, history: &History, joint: &Joint) -> Told {
        let seen = self.length(history, joint).ok_or(CannotTell::TooShort)?;
        let leap = LEAP_PERIODS * self.looker.rate_hz / joint.old_hz.min(joint.new_hz);
        // The window widens what it looks at as widths do, by squares.
        let length = (seen * seen - leap * leap).max(0.0).sqrt();
        let width = LEAP_WIDTH * leap * leap / length.max(leap) + LENGTH_WIDTH * length;
        let ms = |samples: f64| samples / self.looker.rate_hz * 1e3;
        Ok(Measure { value: ms(length), uncertainty: ms(width) })
    }

    /// Fills the values: preferences for the new pitch around the joint.
    fn look_along(&mut self, history: &History, joint: &Joint) {
        let (hop, reach) = (self.looker.samples(SLUR_HOP_S), self.looker.samples(PASSAGE_REACH_S));
        let num = ((2.0 * reach / hop) as usize).min(MAX_LOOKS);
        self.values.clear();
        for i in 0..num {
            let time = joint.at - reach + i as f64 * hop;
            self.values.push(self.preference(history, time, joint.old_hz, joint.new_hz).unwrap_or(0.0));
        }
    }

    /// Internal samples from a tenth to nine tenths of the change from the old pitch to the new one.
    fn length(&mut self, history: &History, joint: &Joint) -> Option<f64> {
        self.look_along(history, joint);
        let hop = self.looker.samples(SLUR_HOP_S);
        let middle = (self.looker.samples(PASSAGE_REACH_S) / hop) as usize;
        let hops = |samples: f64| (samples / hop).max(0.0) as usize;
        let first = middle.saturating_sub(hops(joint.at - joint.from));
        let last = (middle + hops(joint.to - joint.at)).min(self.values.len().saturating_sub(1));
        if first >= middle || last <= middle {
            return None;
        }
        let before = mean(&self.values[first..=first + (middle - first) / 3]);
        let after = mean(&self.values[last - (last - middle) / 3..=last]);
        if after - before < LEAST_CONTRAST {
            return None;
        }
        let share = |i: usize| (self.values[i] - before) / (after - before);
        let half = (first + 1..=last).filter(|&i| share(i - 1) < 0.5 && share(i) >= 0.5);
        let half = half.min_by_key(|i| i.abs_diff(middle))?;
        let crossing = |i: usize, goal: f64| i as f64 - (share(i) - goal) / (share(i) - share(i - 1)).max(1e-9);
        let begin = (first + 1..=half).rev().find(|&i| share(i - 1) < EDGE_SHARE).map(|i| crossing(i, EDGE_SHARE))?;
        let end = (half..=last).find(|&i| share(i) >= 1.0 - EDGE_SHARE).map(|i| crossing(i, 1.0 - EDGE_SHARE))?;
        Some((end - begin) * hop)
    }

    /// How far the level falls on the way under the softer side, over a period of the lower note at a time.
    fn dip_db(&self, history: &History, joint: &Joint) -> f64 {
        let samples = |s: f64| self.looker.samples(s);
        let width = samples(LEAST_LEVEL_S).max(self.looker.rate_hz / joint.old_hz.min(joint.new_hz));
        let power = |from: f64, to: f64| history.band_power(from as i64, to as i64);
        let side = |a: f64, b: f64| {
            // Not `clamp`: what begins in the front of the note before may end before that speaks.
            let inside = |time: f64| time.max(joint.from).min(joint.to);
            let (a, b) = (inside(a), inside(b));
            power(a.min(b - width), b.max(a + width))
        };
        let softer = side(joint.at - samples(SIDE_S.0 + SIDE_S.1), joint.at - samples(SIDE_S.0))
            .min(side(joint.at + samples(SIDE_S.0), joint.at + samples(SIDE_S.0 + SIDE_S.1)));
        let reach = samples(DIP_REACH_S);
        let num = (2.0 * reach / samples(SLUR_HOP_S)) as i32;
        let times = (0..=num).map(|i| joint.at - reach + f64::from(i) * samples(SLUR_HOP_S));
        let within = times.filter(|t| (joint.from..=joint.to).contains(t));
        let lowest = within.map(|t| power(t - 0.5 * width, t + 0.5 * width)).fold(softer, f64::min);
        power_to_db(softer) - power_to_db(lowest)
    }

    /// The longest still stretch on a partial that lies between the two notes, on a slide between their lengths.
    fn between(&self, frames: &Frames, joint: &Joint, positions: [&Positions; 2]) -> Option<Between> {
        let midi = |hz: f64| hz_to_midi(hz, 440.0) as f32;
        let (old, new) = (midi(joint.old_hz), midi(joint.new_hz));
        let at = frames.at(joint.at as i64);
        let reach = frames.count(BETWEEN_REACH_S);
        let may = |i: i64| {
            let frame = frames.get(i);
            let is_apart = frame.midi > old.min(new) + NEW_PITCH && frame.midi < old.max(new) - NEW_PITCH;
            frame.periodicity >= BETWEEN_PERIODICITY && is_apart
        };
        let mut best: Option<(i64, f32)> = None;
        let mut i = (at - reach).max(frames.at(joint.from as i64));
        let last = (at + reach).min(frames.at(joint.to as i64));
        while i < last {
            let first = frames.get(i).midi;
            let run =
                (i..last).take_while(|&j| may(j) && (frames.get(j).midi - first).abs() < NEAR_PITCH).count() as i64;
            if run > best.map_or(0, |b| b.0) {
                best = Some((run, frames.get(i + run / 2).midi));
            }
            i += run.max(1);
        }
        let (run, pitch) = best?;
        let hz = crate::units::midi_to_hz(f64::from(pitch), 440.0);
        let duration_s = run as f64 * HOP_S;
        let is_long = duration_s >= BETWEEN_S.max(BETWEEN_PERIODS / hz);
        (is_long && lies_between(hz, [joint.old_hz, joint.new_hz], positions))
            .then(|| Between { interval_cents: f64::from(pitch - new) * 100.0, duration_ms: duration_s * 1e3 })
    }

    /// Share of the power the new pitch explains, less the old one's share.
    fn preference(&self, history: &History, time: f64, old_hz: f64, new_hz: f64) -> Option<f64> {
        let low = old_hz.min(new_hz) / self.looker.rate_hz;
        let len = harmonic::window_len(low, SLUR_PERIODS);
        let x = history.window(time.round() as i64 - len as i64 / 2, len)?;
        let share = |hz: f64| {
            let freq = hz / self.looker.rate_hz;
            harmonic::look(x, freq, harmonic::num_harmonics(freq, self.looker.rate_hz)).explained()
        };
        Some(share(new_hz) - share(old_hz))
    }
}

/// True where a pitch is that of a partial between two notes' on a slide between their lengths, for any way to play both.
fn lies_between(hz: f64, notes_hz: [f64; 2], [old, new]: [&Positions; 2]) -> bool {
    let room = (LENGTH_ROOM / 12.0).exp2();
    let pairs = old.iter().flat_map(|a| new.iter().map(move |b| (a, b)));
    pairs.filter(|(a, b)| a.trigger == b.trigger).any(|(a, b)| {
        let pedals = [notes_hz[0] / f64::from(a.partial), notes_hz[1] / f64::from(b.partial)];
        let (low, high) = (pedals[0].min(pedals[1]) / room, pedals[0].max(pedals[1]) * room);
        let between = a.partial.min(b.partial) + 1..a.partial.max(b.partial);
        between.map(f64::from).any(|k| (k * low..=k * high).contains(&hz))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::Instrument;
    use crate::test_sounds::{RATE_HZ as SOUND_HZ, dice, history, history_at, seen, share_of, sound, tone};
    use crate::trombone::positions;
    use crate::units::{midi_to_hz, shift_cents};
    use crate::{Front, Settings, analyze};

    const RATE_HZ: f64 = 24_000.0;
    /// Where the first note begins, where the second comes out of it, and where it ends, s.
    const AT_S: (f64, f64, f64) = (0.3, 0.8, 1.4);

    fn smoothstep(from: f64, to: f64, t: f64) -> f64 {
        let x = ((t - from) / (to - from).max(1e-9)).clamp(0.0, 1.0);
        x * x * (3.0 - 2.0 * x)
    }

    /// A tone that goes from pitch to pitch along `cents` of the time from the joint, s, and falls by `dip_db` there.
    fn joined(hz: f64, cents: impl Fn(f64) -> f64, dip_db: f64) -> Vec<Front> {
        let mut phase = 0.0;
        let sample = |i: usize| {
            let t = i as f64 / RATE_HZ;
            phase += hz * (cents(t - AT_S.1) / 1200.0).exp2() / RATE_HZ;
            let level = smoothstep(AT_S.0, AT_S.0 + 0.03, t) * (1.0 - smoothstep(AT_S.2 - 0.05, AT_S.2, t));
            let dip = -dip_db * (-((t - AT_S.1) / 0.015).powi(2)).exp();
            let tone =
                (1..=12).map(|k| (std::f64::consts::TAU * f64::from(k) * phase).sin() / f64::from(k)).sum::<f64>();
            (0.1 * level * 10f64.powf(dip / 20.0) * tone) as f32
        };
        analyze(&(0..(1.7 * RATE_HZ) as usize).map(sample).collect::<Vec<_>>(), RATE_HZ, Settings::default())
            .expect("runs")
    }

    fn passage(fronts: &[Front]) -> Passage {
        let seen = |f: &Front| (f.speaks_s, f.articulation, f.evidence.passage);
        assert_eq!(fronts.len(), 2, "{:?}", fronts.iter().map(seen).collect::<Vec<_>>());
        assert_eq!(fronts[0].evidence.passage, None, "out of silence");
        fronts[1].evidence.passage.expect("grew out of the note before")
    }

    #[test]
    fn a_passage_takes_as_long_as_it_was_made() {
        for (hz, interval) in [(110.0, 700.0), (146.8, -500.0), (164.8, 400.0), (220.0, 400.0)] {
            for glide_s in [0.001, 0.020, 0.045] {
                let found = passage(&joined(hz, |t| interval * smoothstep(-glide_s / 2.0, glide_s / 2.0, t), 0.0));
                let told = found.length_ms.expect("two pitches");
                // A smoothstep goes from 10 to 90 % in 0.6084 of its length: 3 x^2 - 2 x^3 at 0.1958 and 0.8042 [C].
                let off = told.value - 608.4 * glide_s;
                assert!(off.abs() <= told.uncertainty, "{hz} Hz, {interval} cents in {glide_s} s: {told:?}");
                assert_eq!(found.between, None);
            }
        }
    }

    #[test]
    fn a_dip_is_as_deep_as_it_was_made() {
        for db in [0.0, 2.0, 3.5] {
            let found = passage(&joined(220.0, |t| if t < 0.0 { 0.0 } else { 400.0 }, db));
            // 1.2 dB: what is said of its width.
            assert!((found.dip_db - db).abs() <= 1.2, "{db} dB: {}", found.dip_db);
        }
    }

    #[test]
    fn a_partial_between_is_told_and_a_slide_through_is_none() {
        // Bb2 to Bb3 in first position, with F3 for 40 ms between: a fourth under the new note.
        let octave = |t: f64| if t.abs() < 0.020 { 701.96 } else { 600.0 * (1.0 + t.signum()) };
        let between = passage(&joined(116.54, octave, 0.0)).between.expect("40 ms of F3");
        assert!((between.interval_cents + 498.04).abs() < 15.0, "{between:?}");
        // The windows of the pitch eat a period and a half of it at each end.
        assert!((20.0..=40.0).contains(&between.duration_ms), "{between:?}");
        // From F3 to Bb3 on one partial or over neighbours: the way leads through, and stands nowhere.
        let slid = passage(&joined(174.61, |t| 500.0 * smoothstep(-0.05, 0.05, t), 0.0));
        assert_eq!(slid.between, None);
    }

    #[test]
    fn a_note_that_ends_before_the_one_before_speaks_has_no_way_to_it() {
        let (history, rate_hz) = history(&sound(1.0, |s| tone(233.08, 1..=6, 0.1, s)));
        let mut finder = SlurFinder::new(Looker { rate_hz });
        let at = 0.5 * rate_hz;
        let joint = Joint { old_hz: 233.08, new_hz: 174.61, from: at + 600.0, to: at - 600.0, at };
        assert_eq!(finder.length_ms(&history, &joint), Err(CannotTell::TooShort));
        assert_eq!(finder.dip_db(&history, &joint), 0.0);
    }

    /// The way from a note of `old_hz` to one `interval` cents off along a share of it at a time from the joint, s,
    /// with a dip.
    fn direct(old_hz: f64, interval: f64, share: impl Fn(f64) -> f64, dip_db: f64) -> Passage {
        let dip = |s: f64| 10f64.powf(-dip_db * (-((s - 0.6) / 0.015).powi(2)).exp() / 20.0);
        let samples = crate::test_sounds::gliding(1.2, |s| shift_cents(old_hz, interval * share(s - 0.6)), dip);
        let ((history, frames), rate_hz) = (seen(&samples, SOUND_HZ), SOUND_HZ / 4.0);
        let at = |s: f64| s * rate_hz;
        let new_hz = shift_cents(old_hz, interval);
        let joint = Joint { old_hz, new_hz, from: at(0.1), to: at(1.1), at: at(0.6) };
        let of = |hz: f64| positions(hz, 440.0, Instrument::Tenor);
        SlurFinder::new(Looker { rate_hz }).passage(&history, &frames, &joint, [&of(old_hz), &of(new_hz)])
    }

    /// Invariant 10 of the design: whatever the notes and the way between them, its length and its dip lie within their
    /// widths.
    #[test]
    fn passages_of_any_interval_length_and_dip_lie_within_their_widths() {
        let mut dice = dice(21);
        let mut off = Vec::new();
        for _ in 0..50 {
            let (old_hz, sign) = (110.0 * (1.5 * dice()).exp2(), if dice() < 0.5 { -1.0 } else { 1.0 });
            let interval = sign * (200.0 + 600.0 * dice());
            let (glide_s, dip_db) = (0.060 * dice(), 6.0 * dice());
            let found = direct(old_hz, interval, |t| smoothstep(-glide_s / 2.0, glide_s / 2.0, t), dip_db);
            let told = found.length_ms.expect("two pitches, long enough");
            // A smoothstep goes from 10 to 90 % in 0.6084 of its length \[C\].
            off.push(((told.value - 608.4 * glide_s).abs() / told.uncertainty, (found.dip_db - dip_db).abs() / 1.2));
        }
        let (length, dip) = (share_of(&off, |o| o.0 <= 1.0), share_of(&off, |o| o.1 <= 1.0));
        println!("lengths {length:.2}, dips {dip:.2}");
        assert!(length >= 0.85 && dip >= 0.85, "{length} and {dip}");
    }

    #[test]
    fn the_way_up_is_as_long_as_the_way_down() {
        for glide_s in [0.010, 0.040] {
            let way = |t: f64| smoothstep(-glide_s / 2.0, glide_s / 2.0, t);
            let up = direct(146.83, 500.0, way, 0.0).length_ms.expect("told").value;
            let down = direct(shift_cents(146.83, 500.0), -500.0, way, 0.0).length_ms.expect("told").value;
            assert!((up - down).abs() < 3.0, "{glide_s} s: {up} and {down} ms");
        }
    }

    #[test]
    fn one_pitch_has_no_way_and_a_note_with_no_time_before_it_none_either() {
        let same = direct(146.83, 30.0, |t| f64::from(u8::from(t > 0.0)), 4.0);
        assert_eq!((same.length_ms, same.between), (Err(CannotTell::SamePitch), None));
        assert!((same.dip_db - 4.0).abs() < 1.2, "it dips all the same: {}", same.dip_db);
        let (history, rate_hz) = history_at(&[0.01; 48_000], SOUND_HZ);
        let (at, hz) = (0.5 * rate_hz, 146.83);
        let joint = Joint { old_hz: hz, new_hz: 1.5 * hz, from: at, to: at + 10.0, at };
        assert_eq!(SlurFinder::new(Looker { rate_hz }).length_ms(&history, &joint), Err(CannotTell::TooShort));
    }

    /// The chart of the measures page: from Bb2 in first position to Bb3 there F3 lies between, and no other note; with
    /// the slide going out to D4 in fourth, whatever is a partial on the way out.
    #[test]
    fn a_partial_between_lies_on_a_slide_between_both_lengths() {
        let hz = |midi: u8| midi_to_hz(f64::from(midi), 440.0);
        let on = |midi: u8, partial: u8| {
            let mut one = Positions::default();
            positions(hz(midi), 440.0, Instrument::Tenor)
                .iter()
                .filter(|p| p.partial == partial)
                .for_each(|p| one.push(*p));
            assert_eq!(one.iter().count(), 1, "MIDI {midi} on partial {partial}");
            one
        };
        let between = |old: (u8, u8), new: (u8, u8)| -> Vec<u8> {
            let places = [&on(old.0, old.1), &on(new.0, new.1)];
            (41..70).filter(|midi| lies_between(hz(*midi), [hz(old.0), hz(new.0)], places)).collect()
        };
        assert_eq!(between((46, 2), (58, 4)), [53]);
        assert_eq!(between((58, 4), (46, 2)), [53], "nor does it matter which comes first");
        assert_eq!(between((46, 2), (48, 3)), [0u8; 0], "neighbours have nothing between");
        // Third, fourth and fifth partials of first to fourth position: D3 to F3, G3 to Bb3, B3 to D4.
        assert_eq!(between((46, 2), (62, 6)), [50, 51, 52, 53, 55, 56, 57, 58, 59, 60, 61, 62]);
        let nowhere = Positions::default();
        assert!(!lies_between(174.6, [116.5, 233.1], [&nowhere, &on(58, 4)]), "no position, no slide");
    }
}
