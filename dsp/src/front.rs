//! Look back at a note's front, knowing where it settled.
//!
//! The tone is followed backwards from the steady stretch, each look starting from the one after it. Where it is lost while the sound goes on, the other partials of the same slide
//! are tried: that is how a split shows.

use crate::framer::History;
use crate::harmonic::{self, periodicity};
use crate::look::{Candidate, FRONT_WINDOW_S, Looker, Point, point, silent_point};
use crate::parameters::instants::SILENT_SHARE;
use crate::parameters::pitch::{MAX_LEAP_CENTS, ROUGH_MIN_HZ, ROUGH_TONE, TONE};
use crate::parameters::shape::{LEAP_S, OTHER_PARTIAL, OTHER_PARTIAL_CENTS, PARTIAL_TOLERANCE_CENTS};
use crate::steady::Settled;
use crate::units::{cents, shift_cents};

/// Longest look back before the coarse start, s \[T\].
const LOOK_BACK_S: f64 = 0.250;
/// Farthest into the note that the front is followed, s after the coarse start \[T\].
const FRONT_S: f64 = 0.400;
/// The way back begins at least this far into the note where the steady stretch allows, s \[T\].
const INSIDE_S: f64 = 0.220;
/// Distance of the looks, s \[T\].
const FRONT_HOP_S: f64 = 0.002;
/// ... at any period between these, in settled periods: an octave up and down \[T\].
const ROUGH_PERIODS: (f64, f64) = (0.5, 2.0);

/// Frequency ratios of a wrong partial to the right one: neighbours up to the twelfth, next-neighbours low down \[T\].
const PARTIAL_RATIOS: [(f64, f64); 24] = [
    (3.0, 1.0),
    (2.0, 1.0),
    (5.0, 3.0),
    (3.0, 2.0),
    (7.0, 5.0),
    (4.0, 3.0),
    (5.0, 4.0),
    (6.0, 5.0),
    (7.0, 6.0),
    (8.0, 7.0),
    (9.0, 8.0),
    (10.0, 9.0),
    (9.0, 10.0),
    (8.0, 9.0),
    (7.0, 8.0),
    (6.0, 7.0),
    (5.0, 6.0),
    (4.0, 5.0),
    (3.0, 4.0),
    (5.0, 7.0),
    (2.0, 3.0),
    (3.0, 5.0),
    (1.0, 2.0),
    (1.0, 3.0),
];

/// Reads fronts out of the history; its lists are allocated once.
pub struct FrontReader {
    looker: Looker,
    points: Vec<Point>,
}

/// Most looks at one front: 650 ms at 2 ms and some \[T\].
const MAX_POINTS: usize = 400;

impl FrontReader {
    /// A reader at an internal rate.
    #[must_use]
    pub fn new(looker: Looker) -> Self {
        Self { looker, points: Vec::with_capacity(MAX_POINTS) }
    }

    /// Looks at the front, oldest first.
    #[must_use]
    pub fn points(&self) -> &[Point] {
        &self.points
    }

    /// Earliest internal sample that can belong to the entrance.
    #[must_use]
    pub fn earliest(&self, candidate: &Candidate) -> f64 {
        candidate.earliest.max(candidate.start - self.looker.samples(LOOK_BACK_S) as i64) as f64
    }

    /// Follows the tone backwards from the steady stretch to the earliest sample that can belong to it.
    /// Looks softer than `least_power` are not worth following to another partial.
    pub fn follow_back(&mut self, history: &History, candidate: &Candidate, settled: &Settled, least_power: f64) {
        let hop = self.looker.samples(FRONT_HOP_S).max(self.looker.rate_hz / settled.hz / 5.0);
        let earliest = self.earliest(candidate);
        self.points.clear();
        let after_start = |s: f64| candidate.start as f64 + self.looker.samples(s);
        // A wrong partial an octave up looks settled too, so the way back begins well inside the note.
        let mut time = settled.from.max(after_start(INSIDE_S)).min(settled.to).min(after_start(FRONT_S));
        let mut hz = settled.hz;
        let mut has_leapt = false;
        while time > earliest && self.points.len() < MAX_POINTS {
            let power = self.looker.power_at(history, time, hz);
            if power < SILENT_SHARE * least_power {
                self.points.push(silent_point(time, power));
            } else if let Some(mut point) = self.next_point(history, time, hz, settled) {
                if !point.is_tone && point.power > least_power {
                    point = self.on_other_partial(history, &point, settled).unwrap_or(point);
                    let at_any_pitch = self.at_any_pitch(history, &point, settled);
                    point.is_rough = !point.is_tone && at_any_pitch > ROUGH_TONE;
                    point.at_any_pitch = point.periodicity.max(at_any_pitch);
                }
                if point.is_tone {
                    hz = shift_cents(settled.hz, point.cents);
                    has_leapt = point.cents.abs() > OTHER_PARTIAL_CENTS
                        && (has_leapt || point.is_other_partial || self.leaps_to(&point));
                    point.is_other_partial = has_leapt;
                }
                self.points.push(point);
            }
            time -= hop;
        }
        self.points.reverse();
    }

    /// True when the tone moved from `point` to a pitch much farther in than any slide could in that time.
    fn leaps_to(&self, point: &Point) -> bool {
        let reach = self.looker.samples(LEAP_S).max(2.5 * self.hop_of_last());
        let later = self.points.iter().rev().filter(|p| p.is_tone).take_while(|p| p.centre - point.centre <= reach);
        later.map(|p| (p.cents - point.cents).abs()).fold(0.0, f64::max) > OTHER_PARTIAL_CENTS
    }

    fn hop_of_last(&self) -> f64 {
        let n = self.points.len();
        if n < 2 { 0.0 } else { self.points[n - 2].centre - self.points[n - 1].centre }
    }

    fn front_point(&self, history: &History, time: f64, hz: f64, settled: &Settled) -> Option<Point> {
        let x = self.looker.window(history, time, hz, FRONT_WINDOW_S)?;
        let (look, fit) = self.looker.look_into(x, hz);
        let found = look.freq * self.looker.rate_hz;
        let mut point = point(&look, fit, time, cents(found, settled.hz));
        point.is_tone = fit > TONE && cents(found, hz).abs() < MAX_LEAP_CENTS;
        Some(point)
    }

    /// The look before one at `hz`: on another partial the settled pitch is tried first, so that a leap has to be there
    /// in every look of it.
    fn next_point(&self, history: &History, time: f64, hz: f64, settled: &Settled) -> Option<Point> {
        let off = cents(hz, settled.hz);
        let point = self.front_point(history, time, hz, settled)?;
        let is_multiple = (off - 1200.0).abs() < OTHER_PARTIAL_CENTS || (off - 1902.0).abs() < OTHER_PARTIAL_CENTS;
        if off.abs() < OTHER_PARTIAL_CENTS || is_multiple {
            return Some(point);
        }
        let home = self.front_point(history, time, settled.hz, settled)?;
        let is_home = home.is_tone && home.cents.abs() < OTHER_PARTIAL_CENTS && home.periodicity > point.periodicity;
        Some(if is_home { home } else { point })
    }

    /// A look that takes the given frequency for the tone.
    fn point_at(&self, history: &History, time: f64, hz: f64, settled: &Settled) -> Option<Point> {
        let (look, fit) = self.looker.look_at(history, time, hz, FRONT_WINDOW_S)?;
        let off = cents(look.freq * self.looker.rate_hz, settled.hz);
        let is_other_partial = off.abs() > OTHER_PARTIAL_CENTS;
        Some(Point { is_tone: fit > TONE, is_other_partial, ..point(&look, fit, time, off) })
    }

    /// The look as a tone on the other partial of the slide that fits best, if one fits well.
    fn on_other_partial(&self, history: &History, point: &Point, settled: &Settled) -> Option<Point> {
        let counts = |(k, n): (f64, f64)| is_on_slide(settled.hz, k, n) && 2.0 * k > n;
        let fits =
            PARTIAL_RATIOS.map(|r| if counts(r) { self.fit(history, point, settled.hz * r.0 / r.1) } else { 0.0 });
        let best = fits.iter().copied().fold(0.0, f64::max);
        // A period that fits fits doubled as well: the highest frequency is the tone.
        let i = fits.iter().position(|&f| f > 0.95 * best)?;
        let (k, n) = PARTIAL_RATIOS[i];
        let found = self.point_at(history, point.centre, settled.hz * k / n, settled)?;
        (found.periodicity > OTHER_PARTIAL && found.is_other_partial).then_some(found)
    }

    /// How much of a look is tone of whatever pitch, 0..1: much in a rough start, little in air.
    fn at_any_pitch(&self, history: &History, point: &Point, settled: &Settled) -> f64 {
        if settled.hz <= ROUGH_MIN_HZ {
            return 0.0;
        }
        let period = self.looker.rate_hz / settled.hz;
        let (shortest, longest) = ((ROUGH_PERIODS.0 * period) as usize, (ROUGH_PERIODS.1 * period) as usize);
        let x = self.looker.window(history, point.centre, settled.hz, FRONT_WINDOW_S);
        x.map_or(0.0, |x| harmonic::best_periodicity(x, shortest, longest))
    }

    /// Periodicity of the look at another pitch.
    fn fit(&self, history: &History, point: &Point, hz: f64) -> f64 {
        let x = self.looker.window(history, point.centre, hz, FRONT_WINDOW_S);
        x.map_or(0.0, |x| periodicity(x, self.looker.rate_hz / hz))
    }
}

/// True when a note of `hz` can come from `k / n` of its pitch on the same slide length: its partial is a multiple of
/// `n`, the fundamental one a slide can have, and lips miss by two partials at most.
fn is_on_slide(hz: f64, k: f64, n: f64) -> bool {
    let multiples = (1..=MAX_MISS).map(f64::from).filter(|m| m * (k - n).abs() <= f64::from(MAX_MISS));
    multiples.into_iter().any(|m| (FUNDAMENTALS_HZ.0..=FUNDAMENTALS_HZ.1).contains(&(hz / (m * n))))
}

/// Fundamentals of a tenor trombone's slide, Hz: from 1st position (58 Hz), partials that lie wide of the series and a
/// high tuning counted in, to the F attachment drawn out (33 Hz) \[C\].
const FUNDAMENTALS_HZ: (f64, f64) = (32.0, 66.0);
/// Partials by which lips miss at most \[P\].
const MAX_MISS: u8 = 2;

/// True when an interval from `hz` is one between partials of the same slide length, as near as real horns are to the
/// series.
#[must_use]
pub fn is_partial_interval(hz: f64, interval_cents: f64) -> bool {
    let is_near = |k: f64, n: f64| (cents(k, n) - interval_cents).abs() < PARTIAL_TOLERANCE_CENTS;
    PARTIAL_RATIOS.iter().any(|&(k, n)| is_on_slide(hz, k, n) && is_near(k, n))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_sounds::{dice, share_of, vibrato, with_noise};
    use crate::test_sounds::{gliding, history};

    const HZ: f64 = 233.08;

    /// Looks at a tone that settles at [`HZ`] from 0.3 s on and sounds at `hz(seconds since then)`.
    fn looks(hz: impl Fn(f64) -> f64) -> (Vec<Point>, f64) {
        let samples = gliding(1.0, |s| hz(s - 0.3), |s| if s < 0.3 { 0.0 } else { 1.0 });
        let (history, rate_hz) = history(&samples);
        let at = |s: f64| (s * rate_hz) as i64;
        let candidate = Candidate { start: at(0.3), end: at(0.95), earliest: 0, hz: HZ };
        let settled = Settled {
            hz: HZ,
            uncertainty_cents: 0.3,
            wander_cents: 0.5,
            from: at(0.45) as f64,
            to: at(0.9) as f64,
            periodicity: 1.0,
        };
        let mut reader = FrontReader::new(Looker { rate_hz });
        reader.follow_back(&history, &candidate, &settled, 1e-6);
        (reader.points().to_vec(), 0.3 * rate_hz)
    }

    #[test]
    fn a_steady_tone_is_followed_to_its_first_period() {
        let (points, onset) = looks(|_| HZ);
        assert!(points.is_sorted_by(|a, b| a.centre < b.centre), "oldest first");
        let tones: Vec<&Point> = points.iter().filter(|p| p.is_tone && p.centre > onset + 0.02 * 12_000.0).collect();
        assert!(tones.len() > 60, "{} looks at 2 ms over 200 ms", tones.len());
        assert!(tones.iter().all(|p| p.cents.abs() < 1.0 && !p.is_other_partial));
        let earliest = points.iter().find(|p| p.is_tone).expect("a tone").centre;
        // The first window that is half full: three periods of 4.3 ms.
        assert!((earliest - onset).abs() < 0.008 * 12_000.0, "{earliest} {onset}");
        assert!(points.iter().filter(|p| p.centre < onset - 0.02 * 12_000.0).all(|p| !p.is_tone), "silence is none");
    }

    #[test]
    fn a_glide_is_followed_and_stays_on_its_partial() {
        // 80 cents in 80 ms, as a late slide moves.
        let (points, onset) = looks(|t| HZ * ((-80.0 + 1000.0 * t).min(0.0) / 1200.0).exp2());
        let tone_at = |ms: f64| {
            let time = onset + ms * 12.0;
            points.iter().filter(|p| p.is_tone).min_by(|a, b| (a.time - time).abs().total_cmp(&(b.time - time).abs()))
        };
        for (ms, cents) in [(30.0, -50.0), (50.0, -30.0), (120.0, 0.0)] {
            let found = tone_at(ms).expect("a look");
            assert!((found.cents - cents).abs() < 5.0 && !found.is_other_partial, "{ms} ms: {found:?}");
        }
    }

    #[test]
    fn a_start_a_fifth_up_is_seen_as_another_partial() {
        let (points, onset) = looks(|t| if t < 0.060 { 1.5 * HZ } else { HZ });
        let wrong: Vec<&Point> = points.iter().filter(|p| p.is_tone && p.is_other_partial).collect();
        assert!(wrong.len() >= 10, "60 ms at 2 ms less the windows' ends: {}", wrong.len());
        let alike = wrong.iter().filter(|p| (p.cents - 702.0).abs() < 20.0).count();
        assert!(2 * alike > wrong.len(), "3:2 is 702 cents");
        assert!(wrong.iter().all(|p| p.time < onset + 0.075 * 12_000.0));
    }

    /// Partials of one slide length (measures page, trombone laws): Bb3 is partial 4 in 1st position, of 58.27 Hz.
    #[test]
    fn intervals_between_partials_are_those_of_the_slide() {
        for (hz, k, n) in
            [(233.08, 3.0, 4.0), (233.08, 5.0, 4.0), (233.08, 6.0, 4.0), (116.54, 3.0, 2.0), (58.27, 2.0, 1.0)]
        {
            assert!(is_partial_interval(hz, cents(k, n)), "{k}:{n} from {hz} Hz");
        }
        assert!(!is_partial_interval(233.08, 100.0), "a semitone is none between the third and the fifth partial");
        assert!(
            !is_partial_interval(116.54, cents(5.0, 4.0)),
            "a second partial is no fourth one: 29 Hz is no slide's"
        );
        assert!(!is_partial_interval(233.08, cents(4.0, 1.0)), "lips miss by two partials at most");
    }

    /// Looks at a note of `settled_hz` from 0.3 s on that is so many cents off at each time since then, with white
    /// noise all the time so far under it, dB.
    fn followed(settled_hz: f64, cents_at: impl Fn(f64) -> f64, noise_db: f64, seed: u64) -> (Vec<Point>, f64) {
        let pitch = |s: f64| shift_cents(settled_hz, cents_at(s - 0.3));
        let clean = gliding(1.0, pitch, |s| if s < 0.3 { 0.0 } else { 1.0 });
        let power = 0.01 * crate::test_sounds::tone_power(1..=8);
        let (history, rate_hz) = history(&with_noise(clean, power * 10f64.powf(-0.1 * noise_db), seed));
        let at = |s: f64| (s * rate_hz) as i64;
        let candidate = Candidate { start: at(0.3), end: at(0.95), earliest: at(0.1), hz: settled_hz };
        let (from, to) = (at(0.6) as f64, at(0.9) as f64);
        let settled = Settled { hz: settled_hz, uncertainty_cents: 0.3, wander_cents: 0.5, from, to, periodicity: 1.0 };
        let mut reader = FrontReader::new(Looker { rate_hz });
        reader.follow_back(&history, &candidate, &settled, 0.01 * power);
        assert!(reader.points().iter().all(|p| p.centre >= reader.earliest(&candidate)));
        (reader.points().to_vec(), 0.3 * rate_hz)
    }

    /// Ways in, cents at a time since the onset in s: slides at a constant rate, lips that settle, half a cosine,
    /// vibrato.
    const WAYS: [fn(f64) -> f64; 6] = [
        |t| (-90.0 + 900.0 * t).min(0.0),
        |t| (120.0 - 2000.0 * t).max(0.0),
        |t| -60.0 * (-t / 0.050).exp(),
        |t| 40.0 * (-t / 0.080).exp(),
        |t| -35.0 * (1.0 + (std::f64::consts::PI * (t / 0.120).min(1.0)).cos()),
        |t| cents(vibrato(1.0, 5.5, 20.0, t), 1.0),
    ];

    #[test]
    fn every_way_in_is_followed_along_its_law() {
        for hz in [116.54, 174.61, 233.08, 349.23, 466.16] {
            for (i, way) in WAYS.into_iter().enumerate() {
                let (points, onset) = followed(hz, way, 90.0, 1);
                // From one window after the onset on: three periods, or 9 ms.
                let whole = onset + crate::look::look_window(12_000.0 / hz, 12_000.0);
                let tones: Vec<&Point> = points.iter().filter(|p| p.centre > whole).collect();
                assert!(tones.iter().all(|p| p.is_tone && !p.is_other_partial), "{hz} Hz, way {i}");
                let off = |p: &&Point| (p.cents - way((p.time - onset) / 12_000.0)).abs();
                // Two cents: three periods of 116 Hz are 26 ms of a way that bends within 50.
                let worst = tones.iter().map(off).fold(0.0, f64::max);
                assert!(share_of(&tones, |p| off(p) < 2.0) > 0.93 && worst < 5.0, "{hz} Hz, way {i}: {worst} cents");
            }
        }
    }

    #[test]
    fn the_deviation_told_of_a_look_holds_its_error_in_noise() {
        let mut held = Vec::new();
        for (seed, hz) in [58.27, 87.31, 116.54, 233.08, 349.23, 466.16].into_iter().cycle().take(18).enumerate() {
            let (points, onset) = followed(hz, |_| 0.0, 15.0 + 5.0 * (seed % 3) as f64, seed as u64 + 1);
            let looks = points.iter().filter(|p| p.is_tone && p.centre > onset + 0.03 * 12_000.0);
            held.extend(looks.map(|p| p.cents.abs() / p.sd_cents));
        }
        // 1.645 deviations hold nine of ten of normal errors; they are told with some caution (see the looks' own
        // test).
        let share = share_of(&held, |off| *off <= 1.645);
        assert!((0.88..=0.995).contains(&share), "{share} of {}", held.len());
    }

    #[test]
    fn noise_before_the_tone_is_no_tone() {
        for seed in 0..6 {
            let (points, onset) = followed(233.08, |_| 0.0, 12.0, seed);
            let before: Vec<&Point> = points.iter().filter(|p| p.centre < onset - 0.015 * 12_000.0).collect();
            assert!(before.len() > 50, "{} looks over 185 ms", before.len());
            assert!(share_of(&before, |p| !p.is_tone) > 0.97, "seed {seed}");
        }
    }

    /// Missed partials as lips miss them (measures page, trombone laws): from each neighbour the note may have.
    #[test]
    fn a_start_on_any_partial_near_is_seen_there() {
        for (hz, right, wrongs) in [
            (116.54, 2, vec![3, 4]),
            (174.61, 3, vec![2, 4, 5]),
            (233.08, 4, vec![3, 5, 6]),
            (349.23, 6, vec![5, 7, 8]),
        ] {
            for wrong in wrongs {
                let interval = cents(f64::from(wrong), f64::from(right));
                let (points, onset) = followed(hz, |t| if t < 0.080 { interval } else { 0.0 }, 16.0, 3);
                let inside = |p: &&Point| p.centre > onset + 0.025 * 12_000.0 && p.centre < onset + 0.055 * 12_000.0;
                let early: Vec<&Point> = points.iter().filter(inside).collect();
                let share = share_of(&early, |p| p.is_tone && p.is_other_partial && (p.cents - interval).abs() < 20.0);
                assert!(share > 0.8, "partial {wrong} before {right}: {share} of {}", early.len());
                let late = points.iter().filter(|p| p.centre > onset + 0.120 * 12_000.0);
                assert!(
                    late.into_iter().all(|p| !p.is_other_partial && p.cents.abs() < 25.0),
                    "{wrong} before {right}"
                );
            }
        }
    }

    /// The harmonic series again, by trying every slide: an interval counts only where some length of the slide has
    /// both.
    #[test]
    fn an_interval_between_partials_lies_on_some_length_of_the_slide() {
        let exists = |hz: f64, interval: f64| {
            (1..=24).map(f64::from).filter(|n| (32.0..=66.0).contains(&(hz / n))).any(|n| {
                let others = [n - 2.0, n - 1.0, n + 1.0, n + 2.0].into_iter().filter(|k| *k >= 1.0);
                others.into_iter().any(|k| (cents(k, n) - interval).abs() < 30.0)
            })
        };
        let mut dice = dice(9);
        for _ in 0..20_000 {
            let (hz, interval) = (50.0 * (3.8 * dice()).exp2(), 3_200.0 * dice() - 1_600.0);
            assert!(!is_partial_interval(hz, interval) || exists(hz, interval), "{hz} Hz, {interval} cents");
        }
        // And none of the neighbours is missed up to the tenth partial, in any position (58.27 Hz down to 41.2).
        for position in 0..=6 {
            for n in 2..=9 {
                let hz = f64::from(n) * 58.27 * (-f64::from(position) / 12.0).exp2();
                for k in [n - 1, n + 1] {
                    assert!(is_partial_interval(hz, cents(f64::from(k), f64::from(n))), "{k} and {n}, {hz} Hz");
                }
            }
        }
    }
}
