//! A take in a few figures: how many entrances, which faults, which register, and the medians.

use crate::corrections::apply::is_by_hand;
use crate::take::Take;
use notefront_dsp::{Entrance, FaultName, Told, units};

/// Fewest values a median is told for: with five, the interval from the least to the greatest holds
/// the true median in 93.75 % of cases (1 - 2 x 0.5^5), with four it cannot reach 90 % \[C\].
pub const MIN_VALUES: usize = 5;
/// Share of cases in which a median's interval is to hold the true median; that of all uncertainties here.
const COVERAGE: f64 = 0.9;

/// Interval of a share, 0 to 1, that holds the true one with the probability of `z` on the normal law: Wilson 1927
/// (Journal of the American Statistical Association 22:209-212 \[M\]). Unlike the textbook one it holds for few notes,
/// and for none or all flagged.
#[must_use]
pub fn wilson(num: usize, of: usize, z: f64) -> (f64, f64) {
    let n = of.max(1) as f64;
    let share = num as f64 / n;
    let widened = 1.0 + z * z / n;
    let centre = (share + z * z / (2.0 * n)) / widened;
    let half = z / widened * (share * (1.0 - share) / n + z * z / (4.0 * n * n)).sqrt();
    ((centre - half).max(0.0), (centre + half).min(1.0))
}

/// A stretch of the trombone's range.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Register {
    /// Up to B1: the pedals, Bb1 and below, and the false tones next to them.
    Pedal,
    /// C2 to A2: under the second partial of first position; with the F attachment's C2 to Eb2.
    Low,
    /// Bb2 to Bb3.
    Middle,
    /// B3 to Bb4: up to the usual top of a tenor.
    High,
    /// B4 and above.
    Top,
}

impl Register {
    /// All registers, upwards. Borders are practice of the trade \[P\].
    pub const ALL: [Self; 5] = [Self::Pedal, Self::Low, Self::Middle, Self::High, Self::Top];

    /// The register of a MIDI note.
    #[must_use]
    pub fn of(midi_note: u8) -> Self {
        Self::ALL.into_iter().rfind(|register| midi_note >= register.lowest()).unwrap_or(Self::Pedal)
    }

    /// Its lowest MIDI note; it ends under the next one's.
    const fn lowest(self) -> u8 {
        match self {
            Self::Pedal => 0,
            Self::Low => 36,
            Self::Middle => 46,
            Self::High => 59,
            Self::Top => 71,
        }
    }

    /// Its name with its range, as "middle, Bb2–Bb3".
    #[must_use]
    pub fn label(self) -> String {
        let lowest = units::note_name(self.lowest());
        let next = Self::ALL.into_iter().find(|register| register.lowest() > self.lowest());
        let highest = next.map(|next| units::note_name(next.lowest() - 1));
        let range = match (self, highest) {
            (Self::Pedal, Some(highest)) => format!("to {highest}"),
            (_, Some(highest)) => format!("{lowest}\u{2013}{highest}"),
            (_, None) => format!("from {lowest}"),
        };
        format!("{}, {range}", self.as_str())
    }

    /// Its name, also in files.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Pedal => "pedal",
            Self::Low => "low",
            Self::Middle => "middle",
            Self::High => "high",
            Self::Top => "top",
        }
    }
}

/// A share: so many of so many.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Count {
    /// Entrances.
    pub num_entrances: usize,
    /// Those with any fault.
    pub num_flagged: usize,
}

impl Count {
    fn of<'a>(entrances: impl Iterator<Item = &'a Entrance>) -> Self {
        entrances.fold(Self::default(), |count, entrance| Self {
            num_entrances: count.num_entrances + 1,
            num_flagged: count.num_flagged + usize::from(entrance.is_flagged()),
        })
    }
}

/// A median and the interval that holds the true one in at least 90 % of cases.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Median {
    /// The median, in the unit of its measure.
    pub median: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end of the interval.
    pub high: f64,
    /// Values it stands on.
    pub num_values: usize,
}

impl Median {
    /// The median of values, or `None` for fewer than [`MIN_VALUES`]. The interval goes from the k-th
    /// least to the k-th greatest value, from the binomial law and without assuming any distribution
    /// (the sign test turned round).
    #[must_use]
    pub fn of(mut values: Vec<f64>) -> Option<Self> {
        values.retain(|v| v.is_finite());
        let num_values = values.len();
        if num_values < MIN_VALUES {
            return None;
        }
        values.sort_unstable_by(f64::total_cmp);
        let k = interval_rank(num_values);
        let median = f64::midpoint(values[(num_values - 1) / 2], values[num_values / 2]);
        Some(Self { median, low: values[k - 1], high: values[num_values - k], num_values })
    }
}

/// The greatest k (from 1) for which the k-th least and k-th greatest of n values enclose the median often enough.
fn interval_rank(n: usize) -> usize {
    // P(fewer than k values under the median) = sum over i < k of C(n, i) / 2^n, in logs since 2^n overflows.
    let tail = (1.0 - COVERAGE) / 2.0;
    let mut ln_term = -(n as f64) * std::f64::consts::LN_2;
    let mut below = ln_term.exp();
    let mut k = 1;
    while k < n.div_ceil(2) {
        ln_term += ((n - k + 1) as f64 / k as f64).ln();
        below += ln_term.exp();
        if below > tail {
            break;
        }
        k += 1;
    }
    k
}

/// Medians over all entrances of a take that tell the measure.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Medians {
    /// 0 to 100.
    pub clarity: Option<Median>,
    /// ms, of entrances with air; the others have none to measure.
    pub noise_before_tone_ms: Option<Median>,
    /// Distance from the pitch on the way in, cents, without its sign.
    pub approach_cents_abs: Option<Median>,
    /// ms.
    pub speak_ms: Option<Median>,
    /// Distance of the first pitch from the settled one, cents, without its sign.
    pub onset_cents_abs: Option<Median>,
    /// ms.
    pub settle_ms: Option<Median>,
    /// ms.
    pub attack_ms: Option<Median>,
    /// ms, of notes that grew out of the one before.
    pub passage_ms: Option<Median>,
    /// dB, of the same.
    pub dip_db: Option<Median>,
    /// Harmonics over noise, dB, of notes with a body that is long enough; so are the next three.
    pub hnr_db: Option<Median>,
    /// Wander of the pitch, cents.
    pub pitch_wander_cents: Option<Median>,
    /// Wander of the level, dB.
    pub level_wander_db: Option<Median>,
    /// Brightness, Hz.
    pub brightness_hz: Option<Median>,
    /// ms, signed: positive = late.
    pub timing_ms: Option<Median>,
    /// dB re full scale.
    pub level_db: Option<Median>,
    /// Cents, signed.
    pub tuning_cents: Option<Median>,
}

/// A take in figures.
#[derive(Debug, Clone, PartialEq)]
pub struct Summary {
    /// All entrances.
    pub all: Count,
    /// Entrances with each fault, in the order of [`FaultName::ALL`]; one entrance may have several.
    pub faults: [(FaultName, usize); FaultName::ALL.len()],
    /// Entrances that the player's ear alone calls unclear: they are among the flagged ones, and none of them has a fault.
    pub num_by_ear: usize,
    /// By register, upwards; entrances without a pitch are in none.
    pub registers: [(Register, Count); Register::ALL.len()],
    /// The typical entrance.
    pub medians: Medians,
}

impl Summary {
    /// Sums entrances up.
    #[must_use]
    pub fn of(entrances: &[Entrance]) -> Self {
        Self::of_all(&entrances.iter().collect::<Vec<_>>())
    }

    fn of_all(entrances: &[&Entrance]) -> Self {
        let all = || entrances.iter().copied();
        let with = |name| all().filter(|e| e.verdict.faults.get(name).is_some()).count();
        let lies_in = |register, e: &Entrance| e.front.midi_note.map(Register::of) == Some(register);
        let within = |register| Count::of(all().filter(|e| lies_in(register, e)));
        Self {
            all: Count::of(all()),
            faults: FaultName::ALL.map(|name| (name, with(name))),
            num_by_ear: 0,
            registers: Register::ALL.map(|register| (register, within(register))),
            medians: medians(entrances),
        }
    }

    /// Sums a take up: what is unclear to the player's ear counts as flagged too.
    #[must_use]
    pub fn of_take(take: &Take) -> Self {
        Self::of_takes(std::slice::from_ref(take))
    }

    /// Sums several takes up as if they were one.
    #[must_use]
    pub fn of_takes(takes: &[Take]) -> Self {
        let entrances: Vec<&Entrance> = takes.iter().flat_map(|take| &take.entrances).collect();
        let mut summary = Self::of_all(&entrances);
        takes.iter().for_each(|take| summary.flag_by_ear(take));
        summary
    }

    fn flag_by_ear(&mut self, take: &Take) {
        let is_by_ear_alone = |(place, e): &(usize, &Entrance)| !e.is_flagged() && take.is_unclear(*place);
        for (_, entrance) in take.entrances.iter().enumerate().filter(is_by_ear_alone) {
            self.all.num_flagged += 1;
            self.num_by_ear += 1;
            let register = entrance.front.midi_note.map(Register::of);
            if let Some((_, count)) = self.registers.iter_mut().find(|(r, _)| Some(*r) == register) {
                count.num_flagged += 1;
            }
        }
    }

    /// Faults that occur, the most frequent first.
    #[must_use]
    pub fn most_frequent_faults(&self) -> Vec<(FaultName, usize)> {
        let mut found: Vec<_> = self.faults.iter().copied().filter(|&(_, n)| n > 0).collect();
        found.sort_by_key(|&(_, n)| std::cmp::Reverse(n));
        found
    }
}

fn medians(entrances: &[&Entrance]) -> Medians {
    let of = |told: fn(&Entrance) -> Option<f64>| Median::of(entrances.iter().filter_map(|e| told(e)).collect());
    Medians {
        clarity: of(|e| Some(e.verdict.clarity).filter(|_| !is_by_hand(&e.front))),
        noise_before_tone_ms: of(|e| value(e.front.noise_before_tone_ms).filter(|&ms| ms > 0.0)),
        approach_cents_abs: of(|e| value(e.front.approach_cents).map(f64::abs)),
        speak_ms: of(|e| value(e.front.speak_ms)),
        onset_cents_abs: of(|e| value(e.front.onset_cents).map(f64::abs)),
        settle_ms: of(|e| value(e.front.settle_ms)),
        attack_ms: of(|e| value(e.front.attack_ms)),
        passage_ms: of(|e| value(e.front.passage_ms())),
        dip_db: of(|e| value(e.front.dip_db())),
        hnr_db: of(|e| value(e.front.hnr_db())),
        pitch_wander_cents: of(|e| value(e.front.pitch_wander_cents())),
        level_wander_db: of(|e| value(e.front.level_wander_db())),
        brightness_hz: of(|e| value(e.front.brightness_hz())),
        timing_ms: of(|e| value(e.verdict.timing_ms)),
        level_db: of(|e| Some(e.front.level_db)),
        tuning_cents: of(|e| value(e.front.tuning_cents)),
    }
}

fn value(told: Told) -> Option<f64> {
    told.ok().map(|m| m.value)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixtures;

    #[test]
    fn the_interval_is_that_of_the_sign_test() {
        // Two-sided 10 % critical values of the sign test, as every table of it has them: the greatest number
        // of minus signs that is still significant; the interval's rank is one more.
        // Dixon & Mood 1946, JASA 41:557-566 \[M\]; recomputed from the binomial law \[C\].
        for (n, critical) in [(5, 0), (6, 0), (8, 1), (10, 1), (12, 2), (15, 3), (20, 5), (25, 7), (30, 10), (50, 18)] {
            assert_eq!(interval_rank(n), critical + 1, "n = {n}");
        }
    }

    #[test]
    fn the_interval_stays_finite_for_long_takes() {
        // Normal approximation for large n: k about n/2 - 1.645 sqrt(n)/2 \[C\]; to 2 ranks.
        let expected = 5_000.0 - 1.645 * 50.0;
        assert!((interval_rank(10_000) as f64 - expected).abs() < 2.0);
    }

    #[test]
    fn four_values_have_no_median_and_five_do() {
        assert_eq!(Median::of(vec![1.0, 2.0, 3.0, 4.0]), None);
        let five = Median::of(vec![5.0, 1.0, 2.0, 4.0, 3.0]);
        assert_eq!(five, Some(Median { median: 3.0, low: 1.0, high: 5.0, num_values: 5 }));
    }

    #[test]
    fn values_that_are_no_numbers_do_not_count() {
        assert_eq!(Median::of(vec![1.0, 2.0, 3.0, 4.0, f64::NAN]), None);
    }

    #[test]
    fn an_even_number_of_values_has_its_median_between() {
        let six = Median::of(vec![1.0, 2.0, 3.0, 4.0, 5.0, 60.0]).expect("enough values");
        assert!((six.median - 3.5).abs() < 1e-12, "{six:?}");
    }

    #[test]
    fn every_entrance_is_counted_once_and_every_fault_by_itself() {
        let summary = Summary::of(&fixtures::take().entrances);
        assert_eq!(summary.all, Count { num_entrances: 5, num_flagged: 3 });
        assert_eq!(
            summary.most_frequent_faults(),
            [(FaultName::Below, 2), (FaultName::Airy, 1), (FaultName::Split, 1)]
        );
        assert_eq!(summary.registers.iter().map(|(_, c)| c.num_entrances).sum::<usize>(), 5);
    }

    #[test]
    fn the_interval_of_a_share_is_that_of_the_published_examples() {
        // Newcombe 1998, Statistics in Medicine 17:857-872, table I, score method without correction, 95 % \[M\].
        for (num, of, low, high) in
            [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)]
        {
            let found = wilson(num, of, 1.959_964);
            // Four decimals are printed.
            assert!((found.0 - low).abs() < 5e-5 && (found.1 - high).abs() < 5e-5, "{num} of {of}: {found:?}");
        }
    }

    #[test]
    fn registers_meet_without_a_gap() {
        // Bb1 = 34 is the first pedal, E2 = 40 the lowest of a plain tenor, Bb2 = 46 and Bb4 = 70 second and
        // eighth partial of first position.
        let of = |midi| Register::of(midi).as_str();
        assert_eq!(
            [of(34), of(40), of(46), of(58), of(59), of(70), of(71)],
            ["pedal", "low", "middle", "middle", "high", "high", "top"]
        );
    }

    #[test]
    fn registers_are_told_with_their_ranges() {
        // The ranges that the documentation of each names.
        assert_eq!(
            Register::ALL.map(Register::label),
            ["pedal, to B1", "low, C2\u{2013}A2", "middle, Bb2\u{2013}Bb3", "high, B3\u{2013}Bb4", "top, from B4"]
        );
    }

    #[test]
    fn no_entrances_are_no_trouble() {
        let summary = Summary::of(&[]);
        assert_eq!(summary.all, Count::default());
        assert_eq!(summary.medians, Medians::default());
    }
}
