//! Whether a way in is a slide that arrives late, and not lips that find their pitch: told by fitted trees from [`NAMES`]
//! ("slide" of `fitted.txt`).

use crate::decode::Trees;
use crate::entrance::Smear;
use crate::instants::Instants;
use crate::level::LevelTrack;
use crate::look::Point;
use crate::motion::{self, Evidence};
use crate::steady::Settled;
use crate::units::power_to_db;
use crate::vector::mean;

/// What is not this deep anywhere, cents, is no slide (measures page: 40) \[F\].
const LEAST_CENTS: f64 = 30.0;

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
/// Their number \[T\].
pub const NUM: usize = 12;

/// A way in, as it was seen.
pub type Seen = [f32; NUM];

/// A front whose way in is looked at.
#[derive(Clone, Copy)]
pub struct Way<'a> {
    /// Its looks.
    pub points: &'a [Point],
    /// Its level.
    pub level: &'a LevelTrack,
    /// Its instants.
    pub instants: &'a Instants,
    /// Where it settled.
    pub settled: &'a Settled,
    /// End of the note as far as known, internal samples.
    pub end: f64,
    /// Internal rate, Hz.
    pub rate_hz: f64,
}

impl Way<'_> {
    /// Period of the settled tone, internal samples.
    #[must_use]
    pub fn period(&self) -> f64 {
        self.rate_hz / self.settled.hz
    }
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
    pub fn find(&mut self, way: &Way, deepest_cents: f64) -> Option<Smear> {
        if deepest_cents < LEAST_CENTS {
            return None;
        }
        let (onset, wander_cents) = (way.instants.onset, way.settled.wander_cents);
        let found = motion::compare(way.points, onset, way.period(), wander_cents, way.rate_hz)?;
        let seen = look_at(way, &found);
        self.seen = Some(seen);
        let (straight, probability) = (found.straight, f64::from(self.trees.probability(&seen)));
        (probability > 0.5).then_some(Smear {
            rate_cents_per_s: (straight.depth_cents / straight.length_s).abs(),
            depth_cents: straight.depth_cents,
            duration_ms: straight.length_s * 1e3,
            probability,
        })
    }
}

fn look_at(way: &Way, found: &Evidence) -> Seen {
    let (straight, instants) = (found.straight, way.instants);
    let (from, to) = (instants.onset, instants.onset + straight.length_s * way.rate_hz);
    let inside = || way.points.iter().filter(|p| p.centre >= from && p.centre <= to);
    let num = inside().count().max(1) as f64;
    let depth = straight.depth_cents.abs().max(1.0);
    let level = mean(way.level.slice(from, to));
    let values = [
        found.odds,
        found.need,
        depth,
        1e3 * straight.length_s,
        straight.length_s * way.rate_hz / way.period(),
        found.straight_error_cents / depth,
        inside().filter(|p| p.is_tone).count() as f64 / num,
        inside().map(|p| p.periodicity).sum::<f64>() / num,
        power_to_db(level.max(1e-20)) - power_to_db(instants.peak.max(1e-20)),
        (instants.speaks - instants.onset) / way.rate_hz / straight.length_s,
        way.settled.wander_cents,
        found.other.depth_cents.abs() / depth,
    ];
    values.map(|value| value as f32)
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::look::silent_point;
    use approx::assert_abs_diff_eq;

    /// Internal rate of the looks, Hz.
    pub const RATE_HZ: f64 = 12_000.0;

    /// Looks 2 ms apart at a tone that is so many cents off its settled pitch at each time, s.
    pub fn looks(cents: impl Fn(f64) -> f64) -> Vec<Point> {
        (0..180)
            .map(|i| f64::from(i) * 0.002)
            .map(|t| Point {
                cents: cents(t),
                sd_cents: 0.5,
                is_tone: true,
                periodicity: 0.99,
                ..silent_point(t * RATE_HZ, 1.0)
            })
            .collect()
    }

    /// What is made of the way in of a tone of 240 Hz with these looks, of an even level under a peak of 1.
    pub fn way_of<T>(points: &[Point], level: f64, speaks_s: f64, end_s: f64, made: impl FnOnce(&Way) -> T) -> T {
        let speaks = speaks_s * RATE_HZ;
        let instants = Instants {
            onset: 0.0,
            speaks,
            rise: (0.0, speaks),
            energy_rise: (0.0, speaks),
            peak: 1.0,
            before: 0.0,
            hidden: 0.0,
            onset_sd: 0.0,
        };
        let settled =
            Settled { hz: 240.0, uncertainty_cents: 0.5, wander_cents: 1.0, from: 0.0, to: 0.0, periodicity: 1.0 };
        let level = LevelTrack::of(0, 0.001 * RATE_HZ, &[level; 600]);
        let (instants, settled) = (&instants, &settled);
        made(&Way { points, level: &level, instants, settled, end: end_s * RATE_HZ, rate_hz: RATE_HZ })
    }

    /// What is seen of a way in, cents at a time in s, of a steady tone at half its peak, and what it is called.
    fn seen(cents: impl Fn(f64) -> f64) -> (Option<Seen>, Option<Smear>) {
        let points = looks(cents);
        let deepest = points.iter().map(|p| p.cents.abs()).fold(0.0, f64::max);
        let mut finder = SlideFinder::default();
        let smear = way_of(&points, 0.5, 0.020, 1.0, |way| finder.find(way, deepest));
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
        assert!(smear.probability > 0.8, "{}", smear.probability);
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
