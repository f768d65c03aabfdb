//! The lines: where clear playing ends, as numbers of the note.
//!
//! A line is the larger of what the ear notices (or the horn allows) and the 97.5th percentile of professional fronts
//! (`professionals.md`). Marks: \[S\] published source, \[C\] computed from a law, \[P\] common practice, \[M\] from
//! memory, \[D\] \[H\] our hypothesis.

use crate::entrance::{Articulation, Front};
use crate::grid::Beat;
use crate::settings::{Settings, Source, Strictness};
use crate::trombone::round_trip_s;

/// Air before the tone: from here on it is heard (air of 10 to 20 ms is masked by the tone after it \[S\]), ms.
const AIRY_HEARD_MS: f64 = 20.0;
/// ... and flagged, ms, where it is louder than this, dB re the settled tone. \[D\] \[H\]
const AIRY_MS: f64 = 30.0;
/// See [`AIRY_MS`] \[D\].
const AIRY_DB: f64 = -32.0;
/// Air twice as long may be this much louder, dB \[D\].
const AIRY_DB_PER_DOUBLING: f64 = 6.0;
/// Mouthpiece buzzing is breathier: its air may be this much longer and louder. \[D\] \[H\]
const MOUTHPIECE_AIR_FACTOR: f64 = 2.0;
/// See [`MOUTHPIECE_AIR_FACTOR`], dB \[D\].
const MOUTHPIECE_AIR_DB: f64 = 10.0;
/// Lean: professionals' 90th and 97.5th percentile, cents (in phrases -22 -12 1 15 26 \[S\]).
const LEAN_CENTS: (f64, f64) = (15.0, 27.0);
/// The ear's threshold for a tone of a second, cents (Hill & Summers 2007 \[S\]).
const LEAN_HEARD_CENTS: f64 = 10.0;
/// Over low notes the ear is duller: a pitch may begin this share of the auditory bandwidth off (Jarvelainen &
/// Valimaki 2001 \[S\]) ...
const GLIDE_ERB_SHARE: f64 = 0.1;
/// ... and a way in that begins there, and has a tenth left of it 100 ms later, lies off by this share of that in the
/// mean: (1 - 0.1) / ln 10 \[C\].
const GLIDE_MEAN_SHARE: f64 = 0.39;
/// Time to speak: professionals' 90th percentile (staccato) and half as long again as their slowest fortieth, ms \[S\].
const SLOW_MS: (f64, f64) = (27.0, 45.0);
/// The bore cannot support a note sooner, round trips \[C\].
const SLOW_ROUND_TRIPS: f64 = 2.0;
/// A wrong partial is heard from this long, ms, or this many of its periods. \[D\] \[H\]
const SPLIT_MS: f64 = 20.0;
/// See [`SPLIT_MS`] \[D\].
const SPLIT_PERIODS: f64 = 3.0;
/// A slide counts from this far, cents, and this long, ms: 40 ms after speaking professionals lie within 17 (nine of
/// ten) and 27 cents. \[D\] \[H\]
const SMEAR_CENTS: (f64, f64) = (27.0, 40.0);
/// ... and out of the note before this far: 90th and 97.5th percentile of connected fronts as they speak \[S\].
const CONNECTED_SMEAR_CENTS: (f64, f64) = (59.0, 94.0);
/// See [`SMEAR_CENTS`] \[D\].
const SMEAR_MS: f64 = 40.0;
/// Pace of a slide, cents/s. Not scaled \[D\].
pub const SMEAR_RATE: (f64, f64) = (450.0, 3_800.0);
/// Depth of the dip between two starts, dB \[D\].
const STUTTER_DIP_DB: f64 = 6.0;
/// Burst over the body, dB: professionals' sustained notes stay under 4 (nine of ten) and 5, also in fortissimo \[S\].
const HARD_DB: (f64, f64) = (4.0, 6.0);
/// Window on the beat: share of the beat (Friberg & Sundberg 1995 \[S\]).
const TIMING_BEAT_SHARE: f64 = 0.025;
/// ... and at least this, ms, from relaxed (Rasch 1979: winds in ensembles spread by 27 to 37 \[S\]) to strict.
const TIMING_MS: (f64, f64) = (30.0, 10.0);
/// Beats found in a take are no better known than it keeps them: a note off them is early or late only where not one in a
/// hundred of normal ones with the take's own spread would be, in standard deviations \[C\] ...
const OWN_BEAT_SPREADS: f64 = 2.576;
/// ... nor where winds in ensembles spread as far from each other, ms (Rasch 1979 \[S\]): nobody asked for that beat.
const OWN_BEAT_MS: f64 = 37.0;
/// Silence between the breath and the sound, ms. \[D\] \[H\]
const HELD_BREATH_MS: f64 = 200.0;

/// What set a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SetBy {
    /// What the ear notices.
    Ear,
    /// Where the fronts of professionals lie.
    Professionals,
    /// What the bore allows.
    Horn,
    /// Practice of the trade.
    Practice,
}

impl SetBy {
    /// In a word, for tables.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Ear => "the ear",
            Self::Professionals => "professionals",
            Self::Horn => "the horn",
            Self::Practice => "practice",
        }
    }
}

/// A line, from the strictest setting to the default; relaxed it lies at twice the default.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// At strictness 1: the professionals' 90th percentile, never under what the ear notices.
    pub strictest: f64,
    /// At strictness 0.5.
    pub default: f64,
    /// What set the default.
    pub set_by: SetBy,
}

impl Line {
    /// The larger of a limit and the professionals' percentiles (90th, 97.5th).
    fn larger(limit: f64, limit_by: SetBy, professionals: (f64, f64)) -> Self {
        let set_by = if limit > professionals.1 { limit_by } else { SetBy::Professionals };
        Self { strictest: limit.max(professionals.0), default: limit.max(professionals.1), set_by }
    }

    /// The same at every strictness from the default on.
    fn fixed(default: f64, set_by: SetBy) -> Self {
        Self { strictest: default, default, set_by }
    }

    /// Where it lies: twice the default at 0, the default at 0.5, the strictest at 1, even steps of ratio between.
    #[must_use]
    pub fn at(&self, strictness: Strictness) -> f64 {
        let s = strictness.value();
        if s <= 0.5 {
            self.default * (1.0 - 2.0 * s).exp2()
        } else {
            self.default * (self.strictest / self.default).powf(2.0 * s - 1.0)
        }
    }

    /// How far from the default it lies, as a ratio.
    fn ratio(&self, strictness: Strictness) -> f64 {
        self.at(strictness) / self.default
    }
}

/// Auditory bandwidth at a frequency, cents each way of centre: ERB = 24.7 + 0.108 f (Glasberg & Moore 1990 \[M\]).
#[must_use]
pub fn erb_cents(hz: f64) -> f64 {
    let erb_hz = 24.7 + 0.107_939 * hz;
    1200.0 * (1.0 + GLIDE_ERB_SHARE * erb_hz / hz).log2() / GLIDE_ERB_SHARE
}

/// Air before the tone, ms.
#[must_use]
pub fn airy_ms(settings: &Settings) -> Line {
    let factor = if settings.source == Source::Mouthpiece { MOUTHPIECE_AIR_FACTOR } else { 1.0 };
    Line { strictest: AIRY_HEARD_MS * factor, default: AIRY_MS * factor, set_by: SetBy::Ear }
}

/// Softest air that is flagged, dB re the settled tone.
#[must_use]
pub fn airy_db(settings: &Settings) -> f64 {
    let reserve = if settings.source == Source::Mouthpiece { MOUTHPIECE_AIR_DB } else { 0.0 };
    AIRY_DB + reserve + AIRY_DB_PER_DOUBLING * airy_ms(settings).ratio(settings.strictness).log2()
}

/// Lean of a note of this frequency, cents each way.
#[must_use]
pub fn lean_cents(hz: f64) -> Line {
    let ear = (GLIDE_MEAN_SHARE * GLIDE_ERB_SHARE * erb_cents(hz)).max(LEAN_HEARD_CENTS);
    Line::larger(ear, SetBy::Ear, LEAN_CENTS)
}

/// Time to speak of a note of this frequency on this partial, ms.
#[must_use]
pub fn slow_ms(hz: f64, partial: Option<u8>) -> Line {
    Line::larger(SLOW_ROUND_TRIPS * round_trip_s(hz, partial) * 1e3, SetBy::Horn, SLOW_MS)
}

/// How long a wrong partial of this frequency sounds, ms.
#[must_use]
pub fn split_ms(wrong_hz: f64) -> Line {
    Line::fixed(SPLIT_MS.max(SPLIT_PERIODS / wrong_hz * 1e3), SetBy::Ear)
}

/// How far a slide goes, cents: out of the note before, as far as professionals' connected fronts are off as they speak.
#[must_use]
pub fn smear_cents(articulation: Articulation) -> Line {
    let (strictest, default) = if articulation == Articulation::Legato { CONNECTED_SMEAR_CENTS } else { SMEAR_CENTS };
    Line { strictest, default, set_by: SetBy::Professionals }
}

/// Shortest slide that is flagged, ms.
#[must_use]
pub fn smear_ms(settings: &Settings) -> f64 {
    SMEAR_MS * smear_cents(Articulation::Tongued).ratio(settings.strictness)
}

/// Dip between two starts, dB.
#[must_use]
pub fn stutter_db() -> Line {
    Line::fixed(STUTTER_DIP_DB, SetBy::Ear)
}

/// Burst over the body, dB.
#[must_use]
pub fn hard_db() -> Line {
    Line { strictest: HARD_DB.0, default: HARD_DB.1, set_by: SetBy::Professionals }
}

/// Silence after the breath, ms.
#[must_use]
pub fn held_breath_ms() -> Line {
    Line::fixed(HELD_BREATH_MS, SetBy::Practice)
}

/// Window on the beat, ms each side. Strictness moves its floor from 30 to 10 ms; beats of the take's own widen it.
#[must_use]
pub fn timing_ms(beat: &Beat, settings: &Settings) -> f64 {
    let floor = TIMING_MS.0 * (TIMING_MS.1 / TIMING_MS.0).powf(settings.strictness.value());
    let own = beat.spread_s.map_or(0.0, |spread_s| (OWN_BEAT_SPREADS * 1e3 * spread_s).max(OWN_BEAT_MS));
    (TIMING_BEAT_SHARE * 1e3 * beat.length_s).max(floor).max(own)
}

/// The lean's line for a front, at a strictness, cents; `None` without a settled pitch.
#[must_use]
pub fn lean_of(front: &Front, settings: &Settings) -> Option<f64> {
    Some(lean_cents(front.settled_hz.ok()?.value).at(settings.strictness))
}

/// The default lines in words, as the table of a document shows them: (what a line is, what set it, mark of its source).
pub(super) mod in_words {
    use super::*;

    pub fn airy() -> String {
        format!("{AIRY_MS:.0} ms, louder than {:.0} dB under the tone, out of a silence", -AIRY_DB)
    }

    pub fn lean() -> String {
        let low = lean_cents(58.27).default;
        format!("{:.0} cents in the mean while it speaks; {low:.0} at Bb1, where the ear is duller", LEAN_CENTS.1)
    }

    pub fn slow() -> String {
        format!("{:.0} ms, or {SLOW_ROUND_TRIPS:.0} round trips of the bore", SLOW_MS.1)
    }

    pub fn split() -> String {
        format!("{SPLIT_MS:.0} ms, or {SPLIT_PERIODS:.0} of its periods")
    }

    pub fn smear() -> String {
        format!(
            "{:.0} cents and {SMEAR_MS:.0} ms; out of the note before {:.0} cents",
            SMEAR_CENTS.1, CONNECTED_SMEAR_CENTS.1
        )
    }

    pub fn stutter() -> String {
        format!("a dip of {STUTTER_DIP_DB:.0} dB within 150 ms")
    }

    pub fn hard() -> String {
        format!("{:.0} dB over a tone that then holds", HARD_DB.1)
    }

    pub fn timing() -> String {
        let floor = TIMING_MS.0 * (TIMING_MS.1 / TIMING_MS.0).sqrt();
        format!("{:.1} % of the beat, at least {floor:.0} ms", 100.0 * TIMING_BEAT_SHARE)
    }

    pub fn held_breath() -> String {
        format!("{HELD_BREATH_MS:.0} ms")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::professionals;
    use crate::test_sounds::dice;
    use crate::trombone::positions;
    use crate::units::midi_to_hz;
    use approx::assert_abs_diff_eq;

    fn at(line: Line, strictness: f64) -> f64 {
        line.at(Strictness::new(strictness))
    }

    #[test]
    fn a_tenth_of_the_bandwidth_matches_the_table() {
        // Cents of 0.1 ERB per note, measures page [C]; 1 cent is its rounding.
        for (hz, cents) in
            [(58.27, 90.0), (116.54, 55.0), (174.61, 43.0), (233.08, 37.0), (349.23, 31.0), (466.16, 28.0)]
        {
            assert_abs_diff_eq!(GLIDE_ERB_SHARE * erb_cents(hz), cents, epsilon = 1.0);
        }
        assert_abs_diff_eq!(GLIDE_MEAN_SHARE, 0.9 / 10f64.ln(), epsilon = 0.001);
    }

    #[test]
    fn strictness_runs_from_twice_the_default_to_the_professionals_ninetieth() {
        for line in
            [lean_cents(233.0), slow_ms(233.0, Some(4)), hard_db(), airy_ms(&Settings::default()), split_ms(9.0)]
        {
            assert_abs_diff_eq!(at(line, 0.0), 2.0 * line.default, epsilon = 1e-9);
            assert_abs_diff_eq!(at(line, 0.5), line.default, epsilon = 1e-9);
            assert_abs_diff_eq!(at(line, 1.0), line.strictest, epsilon = 1e-9);
            assert!(line.strictest <= line.default);
        }
    }

    #[test]
    fn each_line_says_what_set_it() {
        assert_eq!(lean_cents(233.0).set_by, SetBy::Professionals);
        // 0.1 ERB is 90 cents at Bb1 [C]; 0.39 of it, 35, is more than the professionals' 27.
        assert_eq!((lean_cents(58.27).set_by, lean_cents(58.27).default.round()), (SetBy::Ear, 35.0));
        assert_eq!(slow_ms(116.54, Some(2)).set_by, SetBy::Professionals);
        // E2 in seventh position: two round trips of 24.3 ms [C] are 48.5 ms.
        let seventh = slow_ms(82.41, Some(2));
        assert_eq!(seventh.set_by, SetBy::Horn);
        assert_abs_diff_eq!(seventh.default, 48.5, epsilon = 0.2);
        assert_abs_diff_eq!(seventh.strictest, 48.5, epsilon = 0.2);
    }

    #[test]
    fn the_professionals_lines_are_theirs() {
        // Within 5 cents and 3 ms, the table's own reach; the default is not under their 97.5th percentile.
        let phrases = professionals::named("in phrases, all").expect("a kind");
        let lean = phrases.approach_cents.expect("measured");
        assert_abs_diff_eq!(LEAN_CENTS.0, lean.ninetieth, epsilon = 5.0);
        assert!(LEAN_CENTS.1 >= lean.high.max(-lean.low) && LEAN_CENTS.1 < lean.high + 5.0, "{lean:?}");
        let speak = phrases.speak_ms.expect("measured");
        assert_abs_diff_eq!(SLOW_MS.0, speak.ninetieth, epsilon = 3.0);
        assert_abs_diff_eq!(SLOW_MS.1, 1.5 * speak.high, epsilon = 3.0);
        let sustained = professionals::named("single, 0.5 s").expect("a kind").peak_over_body_db.expect("measured");
        assert!((HARD_DB.0 - sustained.ninetieth).abs() <= 1.0 && HARD_DB.1 >= sustained.high, "{sustained:?}");
    }

    #[test]
    fn the_beat_window_follows_strictness() {
        let beat = Beat { at_s: 0.0, length_s: 1.0, spread_s: None };
        let line = |s: f64| timing_ms(&beat, &Settings { strictness: Strictness::new(s), ..Settings::default() });
        // 2.5 % of a second is 25 ms; relaxed the floor of 30 ms rules.
        assert_abs_diff_eq!(line(0.0), 30.0, epsilon = 1e-9);
        assert_abs_diff_eq!(line(1.0), 25.0, epsilon = 1e-9);
        // Of 10,000 normal notes with a spread of 20 ms a hundred lie further off than 51.5 ms (normal table \[S\]).
        let own = |spread_s: f64| timing_ms(&Beat { spread_s: Some(spread_s), ..beat }, &Settings::default());
        assert_abs_diff_eq!(own(0.020), 51.5, epsilon = 0.1);
        assert_abs_diff_eq!(own(0.003), 37.0, epsilon = 1e-9);
    }

    fn strict(strictness: f64) -> Settings {
        Settings { strictness: Strictness::new(strictness), ..Settings::default() }
    }

    /// Every line, as a number of the strictness: of any note, horn and mouthpiece.
    fn all_at(hz: f64, partial: u8, source: Source, strictness: f64) -> Vec<f64> {
        let settings = Settings { source, ..strict(strictness) };
        let beat = Beat { at_s: 0.0, length_s: 0.5, spread_s: None };
        let lines = [
            airy_ms(&settings),
            lean_cents(hz),
            slow_ms(hz, Some(partial)),
            split_ms(hz),
            smear_cents(Articulation::Tongued),
            smear_cents(Articulation::Legato),
            stutter_db(),
            hard_db(),
            held_breath_ms(),
        ];
        let others = [airy_db(&settings), smear_ms(&settings), timing_ms(&beat, &settings)];
        lines.map(|line| line.at(settings.strictness)).into_iter().chain(others).collect()
    }

    #[test]
    fn every_line_only_falls_as_strictness_rises_and_without_a_leap() {
        let mut dice = dice(5);
        for _ in 0..40 {
            let (hz, partial) = (50.0 * (3.5 * dice()).exp2(), 1 + (9.0 * dice()) as u8);
            for source in [Source::Horn, Source::Mouthpiece] {
                let steps: Vec<Vec<f64>> = (0..=50).map(|k| all_at(hz, partial, source, f64::from(k) / 50.0)).collect();
                for two in steps.windows(2) {
                    for (mild, stern) in two[0].iter().zip(&two[1]) {
                        assert!(stern <= &(mild + 1e-9), "{hz} Hz: {mild}, then {stern}");
                        // A fiftieth of the way from twice to half of it, or in dB.
                        assert!((mild - stern).abs() < 0.05 * mild.abs() + 0.5, "{hz} Hz: {mild}, then {stern}");
                    }
                }
            }
        }
    }

    /// What the ear does not notice is never a fault, and what the bore cannot do nobody is blamed for.
    #[test]
    fn no_line_falls_under_what_the_ear_notices_or_the_horn_allows() {
        for midi in 28..=77 {
            let hz = midi_to_hz(f64::from(midi), 440.0);
            let partial =
                positions(hz, 440.0, crate::settings::Instrument::FAttachment).iter().next().map(|p| p.partial);
            for k in 0..=10 {
                let strictness = Strictness::new(f64::from(k) / 10.0);
                assert!(lean_cents(hz).at(strictness) >= LEAN_HEARD_CENTS);
                assert!(slow_ms(hz, partial).at(strictness) >= 2e3 * round_trip_s(hz, partial) - 1e-9, "MIDI {midi}");
                assert!(split_ms(hz).at(strictness) >= 3e3 / hz - 1e-9, "three periods");
            }
        }
        assert!(airy_ms(&Settings::default()).at(Strictness::STRICT) >= 20.0, "shorter air is masked");
    }

    #[test]
    fn the_ear_is_duller_the_lower_the_note() {
        let cents: Vec<f64> = (28..=77).map(|midi| erb_cents(midi_to_hz(f64::from(midi), 440.0))).collect();
        assert!(cents.windows(2).all(|two| two[0] > two[1]), "{cents:?}");
        let lines: Vec<f64> = (28..=77).map(|midi| lean_cents(midi_to_hz(f64::from(midi), 440.0)).default).collect();
        assert!(lines.windows(2).all(|two| two[0] >= two[1]));
        assert_eq!((lean_cents(58.27).set_by, lean_cents(466.16).set_by), (SetBy::Ear, SetBy::Professionals));
        // Glasberg & Moore 1990: 24.7 (4.37 f + 1) Hz, f in kHz; 132.6 at 1 kHz.
        let ratio = (erb_cents(1_000.0) * GLIDE_ERB_SHARE / 1200.0).exp2() - 1.0;
        assert_abs_diff_eq!(1_000.0 * ratio / GLIDE_ERB_SHARE, 132.6, epsilon = 0.1);
    }

    #[test]
    fn a_mouthpiece_may_be_breathier_and_legato_further_off() {
        let (horn, mouthpiece) = (Settings::default(), Settings { source: Source::Mouthpiece, ..Settings::default() });
        assert_eq!(airy_ms(&mouthpiece).default, 2.0 * airy_ms(&horn).default);
        assert_eq!(airy_db(&mouthpiece), airy_db(&horn) + 10.0);
        assert_eq!(airy_db(&horn), -32.0, "of the measures page");
        assert!(smear_cents(Articulation::Legato).default > smear_cents(Articulation::Tongued).default);
        // Twice as long it may be 6 dB louder: relaxed.
        assert_abs_diff_eq!(airy_db(&strict(0.0)), -26.0, epsilon = 1e-9);
    }

    #[test]
    fn a_beat_window_is_wider_the_longer_the_beat_and_the_less_it_is_known() {
        let window =
            |length_s: f64, spread_s: Option<f64>| timing_ms(&Beat { at_s: 0.0, length_s, spread_s }, &strict(1.0));
        assert_eq!((window(0.2, None), window(0.4, None)), (10.0, 10.0), "the floor of the strictest");
        // Friberg & Sundberg 1995: 2.5 % of the interval.
        assert_abs_diff_eq!(window(1.2, None), 30.0, epsilon = 1e-9);
        let known: Vec<f64> = (0..20).map(|k| window(0.5, Some(0.005 * f64::from(k)))).collect();
        assert!(known.is_sorted() && known[0] >= 37.0, "{known:?}");
    }
}
