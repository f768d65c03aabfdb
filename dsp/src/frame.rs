//! The coarse picture: one frame every 5 ms with pitch, periodicity and level.

use crate::framer::History;
use crate::pitch::PitchFinder;
use crate::units::{hz_to_midi, power_to_db};

/// Distance of frames, s.
pub const HOP_S: f64 = 0.005;
/// Frames kept: five seconds.
const CAPACITY: usize = 1024;
/// Level window without a pitch, s.
const UNPITCHED_WINDOW_S: f64 = 0.010;
/// A frame below this periodicity has no pitch.
const MIN_PERIODICITY: f32 = 0.55;
/// Levels are told down to here: below any converter's noise.
const LOWEST_DB: f64 = -100.0;

/// One frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Frame {
    /// Pitch as a fractional MIDI note at A4 = 440 Hz; NaN without one.
    pub midi: f32,
    /// Periodicity 0..1.
    pub periodicity: f32,
    /// Full-band level over one period (or 10 ms), dB.
    pub level_db: f32,
}

impl Frame {
    const SILENT: Self = Self { midi: f32::NAN, periodicity: 0.0, level_db: LOWEST_DB as f32 };
}

/// Makes frames from the history and keeps the last seconds of them.
pub struct Frames {
    hop: i64,
    rate_hz: f64,
    len: i64,
    ring: Vec<Frame>,
    finder: PitchFinder,
}

impl Frames {
    /// Frames for an internal rate in Hz.
    #[must_use]
    pub fn new(rate_hz: f64) -> Self {
        Self {
            hop: (HOP_S * rate_hz).round() as i64,
            rate_hz,
            len: 0,
            ring: vec![Frame::SILENT; CAPACITY],
            finder: PitchFinder::new(rate_hz),
        }
    }

    /// Forgets everything.
    pub fn clear(&mut self) {
        self.len = 0;
        self.ring.fill(Frame::SILENT);
    }

    /// Number of frames made.
    #[must_use]
    pub fn len(&self) -> i64 {
        self.len
    }

    /// Internal sample at the centre of frame `i`.
    #[must_use]
    pub fn centre(&self, i: i64) -> i64 {
        i * self.hop
    }

    /// Frame whose centre is nearest to an internal sample.
    #[must_use]
    pub fn at(&self, sample: i64) -> i64 {
        (sample + self.hop / 2).div_euclid(self.hop)
    }

    /// Frames in a time, rounded.
    #[must_use]
    pub fn count(&self, seconds: f64) -> i64 {
        (seconds * self.rate_hz / self.hop as f64).round() as i64
    }

    /// Frame `i`; silence before the first and where it is no longer kept.
    #[must_use]
    pub fn get(&self, i: i64) -> Frame {
        if i < 0 || i >= self.len || i < self.len - CAPACITY as i64 {
            return Frame::SILENT;
        }
        self.ring[(i % CAPACITY as i64) as usize]
    }

    /// Makes the next frame if the history reaches far enough. True when one was made.
    pub fn advance(&mut self, history: &History) -> bool {
        let centre = self.centre(self.len);
        if centre + self.finder.reach() > history.len() {
            return false;
        }
        let pitch = self.finder.find(history, centre).filter(|p| p.periodicity >= MIN_PERIODICITY);
        let period = pitch.map(|p| self.rate_hz / f64::from(p.hz));
        let window = self.level_window(period);
        let power = history.full_power(centre - window / 2, centre - window / 2 + window);
        let frame = Frame {
            midi: pitch.map_or(f32::NAN, |p| hz_to_midi(f64::from(p.hz), 440.0) as f32),
            periodicity: pitch.map_or(0.0, |p| p.periodicity),
            level_db: power_to_db(power).max(LOWEST_DB) as f32,
        };
        self.ring[(self.len % CAPACITY as i64) as usize] = frame;
        self.len += 1;
        true
    }

    /// A whole number of periods, so that a steady tone has a steady level.
    fn level_window(&self, period: Option<f64>) -> i64 {
        let least = UNPITCHED_WINDOW_S * self.rate_hz;
        let window = period.map_or(least, |p| p * (least / p).round().max(1.0));
        window.round() as i64
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
