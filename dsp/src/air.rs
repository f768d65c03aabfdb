//! Air before the tone: how long and how loud.
//!
//! Air is sound without a pitch that leads into the tone. A tail of the note before falls, a room
//! is there all the time, a tongue's click is short: none of these is air.

use crate::framer::History;
use crate::look::Point;

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
/// Next to a low note, what is this short and soft may be its own growth: periods, share of the tone (-29 dB).
const GROWTH_PERIODS: f64 = 2.2;
const GROWTH_SHARE: f64 = 0.001_3;
/// Dips shorter than this belong to the air, s.
const DROPOUT_S: f64 = 0.008;
/// A breath takes this long, s, from -20 dB to -3 dB of its loudest...
const BREATH_BUILD_S: f64 = 0.026;
const BREATH_BEGINS: f64 = 0.01;
const BREATH_FULL: f64 = 0.5;
/// ... and has no more than this share of its power under 300 Hz (air in the horn: 0.025 to 0.06). \[H\]
const BREATH_LOW_SHARE: f64 = 0.019;
const LOW_WIDTH_S: f64 = 0.0015;
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
        if self.is_breath(history, &self.levels[..num], start, onset - guard) {
            return None;
        }
        let inner = &self.levels[..num.saturating_sub(3).max(1)];
        let power = (mean(inner) - floor).max(1e-20);
        let is_growth = onset - start < GROWTH_PERIODS * period && power < GROWTH_SHARE * tone_power;
        (!is_growth).then_some(Air { start, power, floor })
    }

    /// An inhalation that runs into the tone: it swells slowly, and a mouth open to the room has no low sound,
    /// while air blown through the horn sets in with the breath's push and carries the horn's low sound.
    fn is_breath(&self, history: &History, run: &[f64], start: f64, end: f64) -> bool {
        let loudest = run.iter().copied().fold(0.0, f64::max);
        // The run is newest first: the build-up lies at its far end and beyond it.
        let full = run.iter().rposition(|&l| l > BREATH_FULL * loudest).unwrap_or(0);
        let build = self.levels[full..].iter().take_while(|&&l| l > BREATH_BEGINS * loudest).count();
        build as f64 * STEP_S >= BREATH_BUILD_S && self.low_share(history, start, end) < BREATH_LOW_SHARE
    }

    /// Share of the band's power under about 300 Hz: what is left after a mean over 1.5 ms.
    fn low_share(&self, history: &History, start: f64, end: f64) -> f64 {
        let width = (LOW_WIDTH_S * self.rate_hz) as usize;
        let Some(x) = history.window(start as i64, (end - start).max(0.0) as usize) else { return 1.0 };
        let low: f64 = x.windows(width).map(|w| f64::from(w.iter().sum::<f32>() / width as f32).powi(2)).sum();
        let all: f64 = x.iter().map(|v| f64::from(v * v)).sum();
        low / all.max(1e-20)
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
