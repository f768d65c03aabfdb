//! Air before the tone: how long and how loud.
//!
//! Air is sound without a pitch that leads into the tone. A tail of the note before falls, a room
//! is there all the time, a tongue's click is short: none of these is air.

use crate::framer::History;
use crate::front::Point;

/// Air is looked for this far before the onset, s.
const REACH_S: f64 = 0.500;
/// Window of the level, s, and its step, s.
const WINDOW_S: f64 = 0.006;
const STEP_S: f64 = 0.001;
/// Nearer to the onset than this, and this share of a period, the tone itself is in the window, s.
const GUARD_S: f64 = 0.004;
const GUARD_PERIODS: f64 = 0.4;
/// Air stays within this of its level next to the tone (-9 dB); what falls off faster is the tone growing.
const HOLD_SHARE: f64 = 0.12;
/// Air stands this factor over the quietest moment before it (8 dB)...
const OVER_FLOOR: f64 = 6.3;
/// ... and over this share of the settled tone (-42 dB): softer is not heard before a tone.
const OVER_TONE: f64 = 6.3e-5;
/// Shorter sounds are tongue clicks, or masked by the tone (10 to 20 ms \[S\]), s...
const CLICK_S: f64 = 0.018;
/// ... and within this many periods before the onset the tone itself is on its way.
const CLICK_PERIODS: f64 = 1.75;
/// Dips shorter than this belong to the air, s.
const DROPOUT_S: f64 = 0.008;
/// Share of tone looks in the stretch from which on it is tone fading in, not air.
const TONAL_SHARE: f64 = 0.5;

/// Air before a tone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Air {
    /// Internal sample at which it begins.
    pub start: f64,
    /// Its mean power, the room taken off.
    pub power: f64,
    /// Power of the room before it.
    pub floor: f64,
}

/// Levels before the onset, newest first.
pub struct AirFinder {
    rate_hz: f64,
    levels: Vec<f64>,
}

impl AirFinder {
    /// A finder for an internal rate in Hz.
    #[must_use]
    pub fn new(rate_hz: f64) -> Self {
        Self { rate_hz, levels: Vec::with_capacity((REACH_S / STEP_S) as usize + 1) }
    }

    /// The air that leads into `onset`, if any. Nothing before `earliest` counts.
    pub fn find(
        &mut self,
        history: &History,
        points: &[Point],
        onset: f64,
        earliest: f64,
        period: f64,
        tone_power: f64,
    ) -> Option<Air> {
        let guard = GUARD_S * self.rate_hz + GUARD_PERIODS * period;
        self.fill(history, onset - guard, earliest);
        let near = mean(self.levels.get(..NEAR_VALUES)?);
        let floor = self.smoothed_min();
        if near < OVER_FLOOR * floor || near < OVER_TONE * tone_power {
            return None;
        }
        let line = (near * floor).sqrt().max(HOLD_SHARE * near);
        let num = self.run(line);
        let start = onset - guard - num as f64 * STEP_S * self.rate_hz;
        let length_s = (onset - start) / self.rate_hz;
        if length_s < CLICK_S.max(CLICK_PERIODS * period / self.rate_hz) || is_tonal(points, start, onset) {
            return None;
        }
        let inner = &self.levels[..num.saturating_sub(3).max(1)];
        Some(Air { start, power: (mean(inner) - floor).max(1e-20), floor })
    }

    fn fill(&mut self, history: &History, newest: f64, earliest: f64) {
        self.levels.clear();
        let half = (0.5 * WINDOW_S * self.rate_hz) as i64;
        while self.levels.len() < self.levels.capacity() {
            let time = newest - self.levels.len() as f64 * STEP_S * self.rate_hz;
            if time - (half as f64) < earliest {
                return;
            }
            let t = time.round() as i64;
            self.levels.push(history.full_power(t - half, t + half));
        }
    }

    /// Lowest level over ten values.
    fn smoothed_min(&self) -> f64 {
        self.levels.windows(SMOOTH_VALUES).map(mean).fold(f64::MAX, f64::min)
    }

    /// Values, from the onset back, for which the level stays over the line.
    fn run(&self, line: f64) -> usize {
        let dropout = (DROPOUT_S / STEP_S) as usize;
        let mut below = 0;
        for (i, &level) in self.levels.iter().enumerate() {
            below = if level < line { below + 1 } else { 0 };
            if below > dropout {
                return i - dropout;
            }
        }
        self.levels.len() - below
    }
}

/// Values next to the onset that say how loud the air is.
const NEAR_VALUES: usize = 12;
/// Values averaged for the quietest moment.
const SMOOTH_VALUES: usize = 10;

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len().max(1) as f64
}

fn is_tonal(points: &[Point], from: f64, to: f64) -> bool {
    let inside = points.iter().filter(|p| p.centre >= from && p.centre < to);
    let (mut num, mut tonal) = (0, 0);
    for point in inside {
        num += 1;
        tonal += usize::from(point.is_tone || point.is_rough);
    }
    num > 0 && tonal as f64 > TONAL_SHARE * f64::from(num)
}
