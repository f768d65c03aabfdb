//! Whether a way in is a slide that arrives late, and not lips that find their pitch: told by fitted trees from [`NAMES`]
//! ("slide" of `fitted.txt`).

use crate::decode::Trees;
use crate::entrance::Smear;
use crate::level::LevelTrack;
use crate::look::Point;
use crate::motion::{self, Evidence};
use crate::units::power_to_db;

/// What is not this deep anywhere, cents, is no slide (measures page: 40).
const LEAST_CENTS: f64 = 30.0;
/// Odds beyond this say no more.
const MOST_ODDS: f64 = 60.0;

/// What is seen of a way in; + speaks for a slide only, - only against.
pub const NAMES: [&str; NUM] = [
    "+odds of a constant rate over the best other motion",
    "+odds over what every front does",
    "depth, cents",
    "length, ms",
    "length, periods of the tone",
    "-error of the line, share of its depth",
    "+share of looks that hold the tone",
    "+periodicity",
    "+level over its length re the peak, dB",
    "time to speak, share of its length",
    "-wander of the settled pitch, cents",
    "depth of the best other motion, share of its own",
];
/// Their number.
pub const NUM: usize = 12;

/// A way in, as it was seen.
pub type Seen = [f32; NUM];

/// The front whose way in is looked at; times in internal samples.
pub struct Front<'a> {
    /// Its looks.
    pub points: &'a [Point],
    /// Its level.
    pub level: &'a LevelTrack,
    /// Where it begins, and where it speaks.
    pub onset: f64,
    /// See `onset`.
    pub speaks: f64,
    /// Highest level of its attack.
    pub peak: f64,
    /// Period of the tone.
    pub period: f64,
    /// Wander of the settled pitch, cents.
    pub wander_cents: f64,
    /// Internal rate, Hz.
    pub rate_hz: f64,
}

/// Looks for slides.
pub struct SlideFinder {
    trees: Trees,
    seen: Option<Seen>,
}

impl Default for SlideFinder {
    fn default() -> Self {
        Self { trees: Trees::fitted("slide"), seen: None }
    }
}

impl SlideFinder {
    /// Forgets what was seen.
    pub fn forget(&mut self) {
        self.seen = None;
    }

    /// What was seen since [`Self::forget`], where there was a way in at all.
    #[must_use]
    pub fn last_seen(&self) -> Option<Seen> {
        self.seen
    }

    /// The slide that a way in as deep as `deepest_cents` is, if it is one.
    pub fn find(&mut self, front: &Front, deepest_cents: f64) -> Option<Smear> {
        if deepest_cents < LEAST_CENTS {
            return None;
        }
        let found = motion::compare(front.points, front.onset, front.period, front.wander_cents, front.rate_hz)?;
        let seen = look_at(front, &found);
        self.seen = Some(seen);
        let straight = found.straight;
        (self.trees.sum(&seen) > 0.0).then_some(Smear {
            rate_cents_per_s: (straight.depth_cents / straight.length_s).abs(),
            depth_cents: straight.depth_cents,
            duration_ms: straight.length_s * 1e3,
        })
    }
}

fn look_at(front: &Front, found: &Evidence) -> Seen {
    let straight = found.straight;
    let (from, to) = (front.onset, front.onset + straight.length_s * front.rate_hz);
    let inside = || front.points.iter().filter(|p| p.centre >= from && p.centre <= to);
    let num = inside().count().max(1) as f64;
    let depth = straight.depth_cents.abs().max(1.0);
    let levels = front.level.slice(from, to);
    let mean_level = levels.iter().sum::<f64>() / levels.len().max(1) as f64;
    let values = [
        found.odds.clamp(-MOST_ODDS, MOST_ODDS),
        found.need.clamp(-MOST_ODDS, 10.0 * MOST_ODDS),
        depth,
        1e3 * straight.length_s,
        straight.length_s * front.rate_hz / front.period,
        found.straight_error_cents / depth,
        inside().filter(|p| p.is_tone).count() as f64 / num,
        inside().map(|p| p.periodicity).sum::<f64>() / num,
        power_to_db(mean_level.max(1e-20)) - power_to_db(front.peak.max(1e-20)),
        (front.speaks - front.onset) / front.rate_hz / straight.length_s,
        front.wander_cents,
        found.other.depth_cents.abs() / depth,
    ];
    values.map(|value| value as f32)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::look::silent_point;
    use approx::assert_abs_diff_eq;

    const RATE_HZ: f64 = 12_000.0;

    /// What is seen of a way in, cents at a time in s, of a steady tone of 240 Hz at half its peak, and what it is called.
    fn seen(cents: impl Fn(f64) -> f64) -> (Option<Seen>, Option<Smear>) {
        let points: Vec<Point> = (0..180)
            .map(|i| f64::from(i) * 0.002)
            .map(|t| Point {
                cents: cents(t),
                sd_cents: 0.5,
                is_tone: true,
                periodicity: 0.99,
                ..silent_point(t * RATE_HZ, 1.0)
            })
            .collect();
        let level = LevelTrack::of(0, 0.001 * RATE_HZ, &[0.5; 600]);
        let front = Front {
            points: &points,
            level: &level,
            onset: 0.0,
            speaks: 0.020 * RATE_HZ,
            peak: 1.0,
            period: RATE_HZ / 240.0,
            wander_cents: 1.0,
            rate_hz: RATE_HZ,
        };
        let mut finder = SlideFinder::default();
        let deepest = points.iter().map(|p| p.cents.abs()).fold(0.0, f64::max);
        let smear = finder.find(&front, deepest);
        (finder.last_seen(), smear)
    }

    #[test]
    fn a_slide_is_seen_as_it_was_made_and_told_so() {
        let (seen, smear) = seen(|t| (-120.0 + 1500.0 * t).min(0.0));
        let seen = seen.expect("a way in");
        assert!(seen[0] > 0.0, "a constant rate explains it best: {}", seen[0]);
        // Lengths in steps of 7 %.
        assert_abs_diff_eq!(seen[2], 120.0, epsilon = 8.0);
        assert_abs_diff_eq!(seen[3], 80.0, epsilon = 6.0);
        assert_abs_diff_eq!(seen[4], 0.080 * 240.0, epsilon = 1.4);
        assert!(seen[5] < 0.05, "{}", seen[5]);
        assert_eq!(seen[6], 1.0);
        assert_abs_diff_eq!(seen[7], 0.99, epsilon = 0.001);
        assert_abs_diff_eq!(seen[8], -3.01, epsilon = 0.01);
        assert_abs_diff_eq!(seen[9], 0.25, epsilon = 0.02);
        let smear = smear.expect("a slide");
        assert_abs_diff_eq!(smear.rate_cents_per_s, 1500.0, epsilon = 100.0);
    }

    #[test]
    fn lips_that_find_their_pitch_and_a_steady_note_do_not_slide() {
        for (depth, s) in [(60.0, 0.030), (-90.0, 0.040), (120.0, 0.020)] {
            let (seen, smear) = seen(|t| depth * (-t / s).exp());
            assert!(smear.is_none(), "{depth} cents dying away in {s} s: {seen:?}");
        }
        assert_eq!(seen(|_| 3.0), (None, None), "within what is no slide at all");
    }
}
