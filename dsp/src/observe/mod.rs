//! What an instant shows: level, pitch, and what changes. Each is measured once, every 2.5 ms, in windows that are long
//! against that step, so that nothing hangs on where a frame happens to fall.

mod pitch;
mod spectrum;

use crate::framer::History;
use crate::parameters::pitch::MIN_PERIODICITY;
use crate::units::{hz_to_midi, power_to_db};
use pitch::PitchFinder;
use spectrum::SpectrumReader;

/// Distance of frames, s \[T\].
pub const HOP_S: f64 = 0.002_5;
/// Frames kept: 5.1 seconds \[T\].
const CAPACITY: usize = 2048;
/// Window of the level, s: two periods at the pedals' end are smoothed by whoever reads it \[T\].
const LEVEL_WINDOW_S: f64 = 0.010;
/// Levels are told down to here: below any converter's noise, dB \[T\].
const LOWEST_DB: f64 = -110.0;

/// One frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Frame {
    /// Pitch as a fractional MIDI note at A4 = 440 Hz; NaN without one.
    pub midi: f32,
    /// Periodicity 0..1.
    pub periodicity: f32,
    /// Full-band level, dB.
    pub level_db: f32,
    /// Level of the spectrum under 5 kHz in its longer window, dB.
    pub smooth_db: f32,
    /// Of it, what lies over 960 Hz, dB.
    pub high_db: f32,
    /// Mean rise of the spectrum in 15 ms, log10 of amplitude: over all bands, the high and the low ones.
    pub rise: [f32; 3],
    /// Mean rise over all bands in 40 ms.
    pub long_rise: f32,
    /// Mean fall in 15 ms.
    pub fall: f32,
    /// Distance of the spectra before and after, 0 (alike) to 1 (nothing shared).
    pub change: f32,
}

impl Frame {
    const SILENT: Self = Self {
        midi: f32::NAN,
        periodicity: 0.0,
        level_db: LOWEST_DB as f32,
        smooth_db: LOWEST_DB as f32,
        high_db: LOWEST_DB as f32,
        rise: [0.0; 3],
        long_rise: 0.0,
        fall: 0.0,
        change: 0.0,
    };
}

/// Makes frames from the history and keeps the last seconds of them.
pub struct Frames {
    rate_hz: f64,
    len: i64,
    ring: Vec<Frame>,
    pitch: PitchFinder,
    spectrum: SpectrumReader,
}

impl Frames {
    /// Frames for an internal rate in Hz.
    #[must_use]
    pub fn new(rate_hz: f64) -> Self {
        Self {
            rate_hz,
            len: 0,
            ring: vec![Frame::SILENT; CAPACITY],
            pitch: PitchFinder::new(rate_hz),
            spectrum: SpectrumReader::new(rate_hz),
        }
    }

    /// Forgets everything.
    pub fn clear(&mut self) {
        self.len = 0;
        self.ring.fill(Frame::SILENT);
        self.pitch.clear();
        self.spectrum.clear();
    }

    /// Number of whole frames: those whose change is known too.
    #[must_use]
    pub fn len(&self) -> i64 {
        (self.len - spectrum::AHEAD_FRAMES).max(0)
    }

    /// Internal sample at the centre of frame `i`.
    #[must_use]
    pub fn centre(&self, i: i64) -> i64 {
        (i as f64 * HOP_S * self.rate_hz).round() as i64
    }

    /// Frame whose centre is nearest to an internal sample.
    #[must_use]
    pub fn at(&self, sample: i64) -> i64 {
        (sample as f64 / (HOP_S * self.rate_hz)).round() as i64
    }

    /// Frames in a time, rounded.
    #[must_use]
    pub fn count(&self, seconds: f64) -> i64 {
        (seconds / HOP_S).round() as i64
    }

    /// Frame `i`; silence before the first and where it is no longer kept.
    #[must_use]
    pub fn get(&self, i: i64) -> Frame {
        if i < 0 || i >= self.len || i < self.len - CAPACITY as i64 {
            return Frame::SILENT;
        }
        self.ring[(i % CAPACITY as i64) as usize]
    }

    /// Makes the next two frames if the history reaches far enough. True when they were made.
    pub fn advance(&mut self, history: &History) -> bool {
        self.pitch.follow(history);
        let reach = self.pitch.reach().max(self.spectrum.reach());
        let centres = [self.centre(self.len), self.centre(self.len + 1)];
        if centres[1] + reach > history.len() {
            return false;
        }
        let pitch = self.pitch.find(centres[0]).filter(|p| p.periodicity >= MIN_PERIODICITY);
        let shown = self.spectrum.read(history, centres);
        for (centre, shown) in centres.into_iter().zip(shown) {
            let half = (0.5 * LEVEL_WINDOW_S * self.rate_hz) as i64;
            let frame = Frame {
                midi: pitch.map_or(f32::NAN, |p| hz_to_midi(f64::from(p.hz), 440.0) as f32),
                periodicity: pitch.map_or(0.0, |p| p.periodicity),
                level_db: power_to_db(history.full_power(centre - half, centre + half)).max(LOWEST_DB) as f32,
                smooth_db: shown.level_db.max(LOWEST_DB as f32),
                high_db: shown.high_db.max(LOWEST_DB as f32),
                rise: shown.rise,
                long_rise: shown.long_rise,
                fall: shown.fall,
                change: 0.0,
            };
            self.ring[(self.len % CAPACITY as i64) as usize] = frame;
            self.len += 1;
            let known = self.len - 1 - spectrum::AHEAD_FRAMES;
            if known >= 0 {
                self.ring[(known % CAPACITY as i64) as usize].change = shown.change_before;
            }
        }
        true
    }

    /// Highest level over frames `from..=to`, dB.
    #[must_use]
    pub fn max_level(&self, from: i64, to: i64) -> f32 {
        (from..=to).map(|i| self.get(i).level_db).fold(LOWEST_DB as f32, f32::max)
    }

    /// Lowest level over frames `from..=to`, dB.
    #[must_use]
    pub fn min_level(&self, from: i64, to: i64) -> f32 {
        (from..=to).map(|i| self.get(i).level_db).fold(0.0, f32::min)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_sounds::{frames, frames_at, sound, tone};
    use crate::test_sounds::{gliding, held, seen, vibrato, with_noise};

    impl Frames {
        /// Frames as they are drawn and not seen, for tests of what is made of them.
        pub(crate) fn drawn(drawn: impl IntoIterator<Item = Frame>) -> Self {
            let mut frames = Self::new(12_000.0);
            for frame in drawn {
                frames.ring[(frames.len % CAPACITY as i64) as usize] = frame;
                frames.len += 1;
            }
            frames.len += spectrum::AHEAD_FRAMES;
            frames
        }
    }

    impl Frame {
        /// A frame of a tone as it is held.
        pub(crate) fn held(midi: f32, level_db: f32) -> Self {
            let levels = Self { level_db, smooth_db: level_db, high_db: level_db - 10.0, ..Self::SILENT };
            Self { midi, periodicity: if midi.is_nan() { 0.0 } else { 0.99 }, ..levels }
        }
    }

    fn at(frames: &[Frame], s: f64) -> Frame {
        frames[(s / HOP_S).round() as usize]
    }

    #[test]
    fn levels_are_those_of_the_sound() {
        // A sine of amplitude 0.1 has a mean square of 0.005: -23.01 dB.
        let frames = frames(&sound(0.8, |s| tone(466.16, 1..=1, 0.1, s)));
        let frame = at(&frames, 0.4);
        assert!((frame.level_db + 23.01).abs() < 0.2, "{frame:?}: 10 ms are not whole periods");
        assert!((frame.smooth_db + 23.01).abs() < 0.1, "{frame:?}");
        assert!(frame.high_db < -80.0, "nothing lies over 960 Hz: {frame:?}");
        assert!((f64::from(frame.midi) - 70.0).abs() < 0.05, "Bb4: {frame:?}");
    }

    #[test]
    fn what_lies_high_is_told_apart() {
        // Partials 1 at amplitude 0.1 and 6 at 0.1 / 6 of 233.08 Hz: the sixth alone lies over 960 Hz, 1/72 of 0.01
        // strong.
        let both = |s: f64| tone(233.08, 1..=1, 0.1, s) + tone(233.08, 6..=6, 0.1, s);
        let frame = at(&frames(&sound(0.8, both)), 0.4);
        let high = 10.0 * (0.5 * (0.1f64 / 6.0).powi(2)).log10();
        assert!((f64::from(frame.high_db) - high).abs() < 0.1, "{frame:?}, and not {high} dB");
    }

    #[test]
    fn a_stroke_rises_a_stop_falls_and_a_held_tone_does_neither() {
        let held = |s: f64| if (0.5..1.0).contains(&s) { tone(174.61, 1..=10, 0.1, s) } else { 0.0 };
        let frames = frames(&sound(1.5, held));
        let top = |from: f64, to: f64, of: fn(&Frame) -> f32| {
            let inside = &frames[(from / HOP_S) as usize..(to / HOP_S) as usize];
            inside.iter().map(of).fold(f32::MIN, f32::max)
        };
        assert!(top(0.49, 0.53, |f| f.rise[0]) > 0.3 && top(0.49, 0.56, |f| f.long_rise) > 0.5);
        assert!(top(0.99, 1.03, |f| f.fall) > 0.3);
        // Four periods in a window beat a little from frame to frame.
        let held = [top(0.6, 0.9, |f| f.rise[0]), top(0.6, 0.9, |f| f.fall), top(0.6, 0.9, |f| f.change)];
        assert!(held.iter().all(|most| *most < 0.05), "{held:?}");
    }

    /// A wavering pitch is no rise: what the maximum over neighbouring bands is for (Böck & Widmer 2013).
    #[test]
    fn vibrato_is_no_rise_and_another_note_is_a_change() {
        // 6 Hz, 25 cents each way: phase is the integral of the frequency.
        let (hz, depth, rate) = (233.08, 25.0 / 1200.0 * std::f64::consts::LN_2, 6.0);
        let phase =
            |s: f64| hz * (s - depth * (std::f64::consts::TAU * rate * s).cos() / (std::f64::consts::TAU * rate));
        let wavering = frames(&sound(1.0, |s| tone(1.0, 1..=6, 0.1, phase(s))));
        let most = |frames: &[Frame], of: fn(&Frame) -> f32| frames[160..280].iter().map(of).fold(0.0, f32::max);
        let slurred = |s: f64| tone(if s < 0.55 { 233.08 } else { 311.13 }, 1..=6, 0.1, s);
        let joined = frames(&sound(1.0, slurred));
        assert!(most(&wavering, |f| f.rise[0]) < 0.25 * most(&joined, |f| f.rise[0]));
        assert!(most(&joined, |f| f.change) > 0.5, "a fourth apart few bands are shared");
        assert!(most(&wavering, |f| f.change) < 0.2 * most(&joined, |f| f.change));
    }

    #[test]
    fn frames_lie_where_they_say() {
        let frames = Frames::new(12_000.0);
        for i in [0, 1, 7, 1000] {
            assert_eq!(frames.at(frames.centre(i)), i);
            assert!((frames.centre(i) as f64 / 12_000.0 - i as f64 * HOP_S).abs() < 1e-4);
        }
        assert!(frames.get(0).midi.is_nan() && frames.get(0).level_db == LOWEST_DB as f32, "nothing was heard yet");
        assert_eq!(frames.count(1.0), 400);
    }

    #[test]
    fn the_same_sound_at_any_rate_has_the_same_frames() {
        let value = |s: f64| held(s, (0.2, 0.7), 0.02, 0.05) * tone(174.61, 1..=10, 0.1, s);
        let at = |rate_hz: f64| {
            let samples: Vec<f32> = (0..rate_hz as usize).map(|i| value(i as f64 / rate_hz) as f32).collect();
            frames_at(&samples, rate_hz)
        };
        let usual = at(48_000.0);
        for rate_hz in [16_000.0, 22_050.0, 44_100.0, 96_000.0] {
            for (i, (a, b)) in usual.iter().zip(at(rate_hz)).enumerate().skip(110).take(140) {
                assert!((a.midi - b.midi).abs() < 0.03, "{rate_hz} Hz, frame {i}: {a:?} {b:?}");
                assert!((a.periodicity - b.periodicity).abs() < 0.02, "{rate_hz} Hz, frame {i}: {a:?} {b:?}");
                let levels = [(a.level_db, b.level_db), (a.smooth_db, b.smooth_db), (a.high_db, b.high_db)];
                assert!(levels.iter().all(|(a, b)| (a - b).abs() < 0.3), "{rate_hz} Hz, frame {i}: {a:?} {b:?}");
            }
        }
    }

    #[test]
    fn a_frame_tells_the_level_and_the_pitch_of_its_own_time() {
        // Up by 30 dB in half a second, from 180 Hz by an octave.
        let level = |s: f64| 10f64.powf((60.0 * s - 40.0) / 20.0);
        let seen = frames(&gliding(0.6, |s| 180.0 * (2.0 * s).exp2(), level));
        let power = 0.01 * crate::test_sounds::tone_power(1..=8);
        for (i, frame) in seen.iter().enumerate().take(220).skip(30) {
            let s = i as f64 * HOP_S;
            let wanted_db = power_to_db(power) + 60.0 * s - 40.0;
            assert!((f64::from(frame.level_db) - wanted_db).abs() < 1.0, "{s} s: {frame:?}, and not {wanted_db} dB");
            let wanted = hz_to_midi(180.0 * (2.0 * s).exp2(), 440.0);
            // Two frames share a pitch: one of them is 2.5 ms off, in which it glides by 0.06 semitones.
            assert!((f64::from(frame.midi) - wanted).abs() < 0.15, "{s} s: {frame:?}, and not {wanted}");
        }
    }

    #[test]
    fn vibrato_is_followed_from_frame_to_frame() {
        let seen = frames(&gliding(0.8, |s| vibrato(233.08, 5.0, 40.0, s), |_| 1.0));
        for (i, frame) in seen.iter().enumerate().take(300).skip(30) {
            let wanted = hz_to_midi(vibrato(233.08, 5.0, 40.0, i as f64 * HOP_S), 440.0);
            assert!((f64::from(frame.midi) - wanted).abs() < 0.07, "frame {i}: {frame:?}, and not {wanted}");
        }
    }

    #[test]
    fn frames_older_than_five_seconds_are_forgotten() {
        let (_, mut frames) = seen(&sound(6.0, |s| tone(233.08, 1..=4, 0.1, s)), 48_000.0);
        let oldest = frames.len() + spectrum::AHEAD_FRAMES - CAPACITY as i64;
        assert!(oldest > 0 && frames.get(oldest - 1).midi.is_nan() && !frames.get(oldest).midi.is_nan());
        assert!(frames.get(-1).midi.is_nan() && frames.get(frames.len() + 100).midi.is_nan());
        let inside = frames.len() - 50;
        let (low, high) = (frames.min_level(inside - 50, inside), frames.max_level(inside - 50, inside));
        assert!(low <= high && high - low < 1.5, "a steady tone in windows of 2.3 periods: {low} to {high} dB");
        frames.clear();
        assert!(frames.len() == 0 && frames.get(0).midi.is_nan());
    }

    #[test]
    fn a_room_and_silence_have_no_pitch_and_all_their_figures_are_figures() {
        let room = frames(&with_noise(vec![0.0; 48_000], 1e-8, 3));
        let pitched = room.iter().filter(|f| f.periodicity > 0.6).count();
        assert!(pitched * 50 < room.len(), "{pitched} of {}", room.len());
        for frame in room.iter().chain(&frames(&vec![0.0; 24_000])) {
            let all = [
                frame.periodicity,
                frame.level_db,
                frame.smooth_db,
                frame.high_db,
                frame.long_rise,
                frame.fall,
                frame.change,
            ];
            assert!(all.iter().chain(&frame.rise).all(|x| x.is_finite()), "{frame:?}");
            assert!((0.0..=1.0).contains(&frame.periodicity) && frame.level_db >= LOWEST_DB as f32);
        }
        assert_eq!(frames(&[]).len() + frames(&[0.5]).len(), 0, "nothing and one sample have no frame");
    }
}
