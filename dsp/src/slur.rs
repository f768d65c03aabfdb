//! A change of pitch without an attack: where its middle lies.

use crate::framer::History;
use crate::harmonic;
use crate::look::Looker;

/// The middle of a slur is looked for this far around its coarse place, s.
const SLUR_REACH_S: f64 = 0.080;
/// Distance of the looks at a slur, s.
const SLUR_HOP_S: f64 = 0.002;
/// Window of the looks at a slur, periods of the lower note.
const SLUR_PERIODS: f64 = 2.5;

/// Most looks at one slur.
const MAX_LOOKS: usize = 128;

/// Finds the middles of slurs; its list is allocated once.
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

    /// Middle of a change of pitch near `boundary`: where the new pitch explains as much as the old.
    pub fn slur_middle(&mut self, history: &History, boundary: f64, old_hz: f64, new_hz: f64) -> f64 {
        let hop = self.looker.samples(SLUR_HOP_S);
        let reach = self.looker.samples(SLUR_REACH_S);
        let num = ((2.0 * reach / hop) as usize).min(MAX_LOOKS);
        self.values.clear();
        for i in 0..num {
            let time = boundary - reach + i as f64 * hop;
            self.values.push(self.preference(history, time, old_hz, new_hz).unwrap_or(0.0));
        }
        let low = self.values.iter().copied().fold(0.0, f64::min);
        let high = self.values.iter().copied().fold(0.0, f64::max);
        let level = 0.5 * (low + high);
        let from_middle = |i: &usize| (*i as f64 - num as f64 / 2.0).abs();
        let crossings = (1..num).filter(|&i| self.values[i - 1] < level && self.values[i] >= level);
        crossings.min_by(|a, b| from_middle(a).total_cmp(&from_middle(b))).map_or(boundary, |i| {
            let (a, b) = (self.values[i - 1], self.values[i]);
            boundary - reach + (i as f64 - (b - level) / (b - a).max(1e-9)) * hop
        })
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
