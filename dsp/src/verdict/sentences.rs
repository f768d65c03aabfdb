//! Why an entrance was flagged: one clause for each fault, with the numbers.

use super::Entrance;
use crate::entrance::{Measure, Told};
use crate::parameters::widths::TOLD_FROM_SHARE;

/// Partials of real horns stray this far from whole ratios, in cents \[P\].
const PARTIAL_TOLERANCE_CENTS: f64 = 40.0;
/// Highest partial worth naming; players count them to about sixteen \[P\].
const HIGHEST_PARTIAL: f64 = 16.0;

/// Air before the tone.
pub fn airy(entrance: &Entrance) -> String {
    let length = amount(entrance.front.noise_before_tone_ms, "ms");
    let air = length.map_or_else(|| "air before the tone".into(), |ms| format!("air for {ms} before the tone"));
    match entrance.front.noise_before_tone_db {
        Ok(level) if level.value.round() < 0.0 => format!("{air}, {:.0} dB under it", -level.value),
        Ok(level) if level.value.round() > 0.0 => format!("{air}, {:.0} dB louder than it", level.value),
        Ok(_) => format!("{air}, as loud as it"),
        Err(_) => air,
    }
}

/// Leans under its pitch.
pub fn below(entrance: &Entrance) -> String {
    leans(entrance, "below")
}

/// Leans over its pitch.
pub fn above(entrance: &Entrance) -> String {
    leans(entrance, "above")
}

fn leans(entrance: &Entrance, side: &str) -> String {
    let lean = match amount(entrance.front.approach_cents, "cents") {
        Some(cents) => format!("leaned {cents} {side} its pitch"),
        None => format!("leaned {side} its pitch"),
    };
    match amount(entrance.front.settle_ms, "ms") {
        Some(ms) => format!("{lean} and took {ms} to settle"),
        None => lean,
    }
}

/// The tone takes long to come.
pub fn slow(entrance: &Entrance) -> String {
    match amount(entrance.front.speak_ms, "ms") {
        Some(ms) => format!("took {ms} to speak"),
        None => "took long to speak".into(),
    }
}

/// Begins on another partial.
pub fn split(entrance: &Entrance) -> String {
    let Some(split) = entrance.front.evidence.split else { return "started on another partial".into() };
    let side = if split.interval_cents < 0.0 { "below" } else { "above" };
    let (wrong, right) = match partials(entrance, split.interval_cents) {
        Some((wrong, right)) => (format!("the {} partial", nth(wrong)), format!(" before it found the {}", nth(right))),
        None => ("another partial".into(), String::new()),
    };
    let distance = interval(split.interval_cents);
    format!("started on {wrong}, {distance} {side}, for {:.0} ms{right}", split.duration_ms)
}

/// The wrong and the right partial, in the most usual position where both lie an interval (cents) apart.
fn partials(entrance: &Entrance, interval_cents: f64) -> Option<(u8, u8)> {
    let usual = entrance.front.partial.into_iter();
    let rights = usual.chain(entrance.front.positions.iter().filter(|p| !p.trigger).map(|p| p.partial));
    rights.into_iter().find_map(|right| {
        let exact = f64::from(right) * (interval_cents / 1200.0).exp2();
        let wrong = exact.round();
        let fits = (1.0..=HIGHEST_PARTIAL).contains(&wrong) && wrong != f64::from(right);
        let off_cents = 1200.0 * (wrong / exact).log2();
        (fits && off_cents.abs() <= PARTIAL_TOLERANCE_CENTS).then_some((wrong as u8, right))
    })
}

/// The slide still moves.
pub fn smear(entrance: &Entrance) -> String {
    let Some(smear) = entrance.front.evidence.smear else {
        return "the slide was still moving when the note spoke".into();
    };
    let way = if smear.depth_cents < 0.0 { "up" } else { "down" };
    format!(
        "slid {way} {:.0} cents into the note over {:.0} ms: the slide came after the tongue",
        smear.depth_cents.abs(),
        smear.duration_ms
    )
}

/// Starts twice.
pub fn stutter(entrance: &Entrance) -> String {
    match entrance.front.evidence.stutter {
        Some(s) => format!("started twice, {:.0} ms apart with a dip of {:.0} dB between", s.gap_ms, s.dip_db),
        None => "started twice".into(),
    }
}

/// Bursts out.
pub fn hard(entrance: &Entrance) -> String {
    match entrance.front.overshoot_db {
        Ok(over) => format!("burst out {:.0} dB over the tone it settled to", over.value),
        Err(_) => "burst out louder than the tone it settled to".into(),
    }
}

/// Before the beat.
pub fn early(entrance: &Entrance) -> String {
    off_beat(entrance, "before")
}

/// After the beat.
pub fn late(entrance: &Entrance) -> String {
    off_beat(entrance, "after")
}

fn off_beat(entrance: &Entrance, side: &str) -> String {
    match amount(entrance.verdict.timing_ms, "ms") {
        Some(ms) => format!("spoke {ms} {side} the beat"),
        None => format!("spoke {side} the beat"),
    }
}

/// The breath waits.
pub fn held_breath(entrance: &Entrance) -> String {
    match entrance.front.evidence.held_breath_ms {
        Some(ms) => format!("held the breath for {ms:.0} ms before the note"),
        None => "held the breath before the note".into(),
    }
}

/// The size of a measure with its unit: "113 ms", or "113 ± 20 ms" where the uncertainty matters.
fn amount(told: Told, unit: &str) -> Option<String> {
    let measure = told.ok().filter(|m| m.value.is_finite())?;
    Some(format!("{} {unit}", size(&measure)))
}

fn size(measure: &Measure) -> String {
    // Half away from zero, as people round; the formatter alone would round half to even.
    let value = measure.value.abs().round();
    if measure.uncertainty.is_finite() && measure.uncertainty > TOLD_FROM_SHARE * value {
        format!("{value:.0} ± {:.0}", measure.uncertainty.max(1.0))
    } else {
        format!("{value:.0}")
    }
}

/// Name of a musical interval by its size in cents, to the nearest semitone.
fn interval(cents: f64) -> String {
    const NAMES: [&str; 13] = [
        "less than a semitone",
        "a semitone",
        "a whole tone",
        "a minor third",
        "a major third",
        "a fourth",
        "a tritone",
        "a fifth",
        "a minor sixth",
        "a major sixth",
        "a minor seventh",
        "a major seventh",
        "an octave",
    ];
    let semitones = (cents.abs() / 100.0).round() as usize;
    NAMES.get(semitones).map_or_else(|| "more than an octave".into(), |&name| name.into())
}

fn nth(n: u8) -> String {
    let suffix = match (n % 10, n % 100) {
        (1, tens) if tens != 11 => "st",
        (2, tens) if tens != 12 => "nd",
        (3, tens) if tens != 13 => "rd",
        _ => "th",
    };
    format!("{n}{suffix}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::entrance::CannotTell;
    use crate::entrance::{Front, Smear, Split, Stutter};
    use crate::settings::Settings;
    use crate::test_sounds::{clear_front, dice};
    use crate::units::cents;

    fn of(change: impl FnOnce(&mut Front)) -> Entrance {
        let mut front = clear_front();
        change(&mut front);
        Entrance::of(front, None, &Settings::default())
    }

    fn told(value: f64, uncertainty: f64) -> Told {
        Ok(Measure { value, uncertainty })
    }

    #[test]
    fn every_sentence_says_its_numbers_and_their_units() {
        let blown = of(|f| (f.noise_before_tone_ms, f.noise_before_tone_db) = (told(61.6, 5.0), told(-21.4, 1.5)));
        assert_eq!(airy(&blown), "air for 62 ms before the tone, 21 dB under it");
        let loud = of(|f| (f.noise_before_tone_ms, f.noise_before_tone_db) = (told(61.6, 5.0), told(3.0, 1.5)));
        assert_eq!(airy(&loud), "air for 62 ms before the tone, 3 dB louder than it");
        let even = of(|f| (f.noise_before_tone_ms, f.noise_before_tone_db) = (told(61.6, 5.0), told(0.4, 1.5)));
        assert_eq!(airy(&even), "air for 62 ms before the tone, as loud as it");
        let leant = of(|f| (f.approach_cents, f.settle_ms) = (told(-43.0, 3.0), told(130.0, 9.0)));
        assert_eq!(below(&leant), "leaned 43 cents below its pitch and took 130 ms to settle");
        assert_eq!(slow(&of(|f| f.speak_ms = told(88.0, 4.0))), "took 88 ms to speak");
        let smeared =
            |depth_cents: f64| Smear { rate_cents_per_s: 900.0, depth_cents, duration_ms: 95.0, probability: 1.0 };
        assert!(
            smear(&of(|f| f.evidence.smear = Some(smeared(-85.0))))
                .starts_with("slid up 85 cents into the note over 95 ms")
        );
        assert!(smear(&of(|f| f.evidence.smear = Some(smeared(60.0)))).starts_with("slid down 60 cents"));
        let twice = of(|f| f.evidence.stutter = Some(Stutter { gap_ms: 72.0, dip_db: 11.0 }));
        assert_eq!(stutter(&twice), "started twice, 72 ms apart with a dip of 11 dB between");
        assert_eq!(hard(&of(|f| f.overshoot_db = told(8.6, 0.6))), "burst out 9 dB over the tone it settled to");
        assert_eq!(
            held_breath(&of(|f| f.evidence.held_breath_ms = Some(412.0))),
            "held the breath for 412 ms before the note"
        );
        let beat = crate::grid::Beat { at_s: 1.05, length_s: 0.5, spread_s: None };
        let before_it = Entrance::of(clear_front(), Some(&beat), &Settings::default());
        assert_eq!(early(&before_it), "spoke 40 ms before the beat");
        assert_eq!(late(&before_it), "spoke 40 ms after the beat", "the side is the fault's, the size the measure's");
    }

    /// Half away from zero, as people round, and the uncertainty where it is more than a seventh.
    #[test]
    fn a_number_is_rounded_as_people_do_and_tells_how_sure_it_is_where_that_matters() {
        for (value, uncertainty, wanted) in [
            (112.5, 2.0, "113 ms"),
            (-112.5, 2.0, "113 ms"),
            (20.0, 2.9, "20 ms"),
            (20.0, 3.1, "20 ± 3 ms"),
            (2.0, 0.4, "2 ± 1 ms"),
            (50.0, f64::INFINITY, "50 ms"),
            (50.0, f64::NAN, "50 ms"),
        ] {
            assert_eq!(amount(told(value, uncertainty), "ms").as_deref(), Some(wanted), "{value} ± {uncertainty}");
        }
        assert_eq!(amount(told(f64::NAN, 1.0), "ms"), None);
        assert_eq!(amount(Err(CannotTell::TooSoft), "ms"), None);
        let mut dice = dice(1);
        for _ in 0..500 {
            let (value, uncertainty) = (300.0 * (dice() - 0.5), 40.0 * dice());
            let said = amount(told(value, uncertainty), "cents").expect("a number");
            let number: f64 = said.split(' ').next().and_then(|n| n.parse().ok()).expect("it begins with one");
            assert!((number - value.abs()).abs() <= 0.5, "{value}: {said}");
            assert_eq!(said.contains('±'), uncertainty > 0.15 * number, "{value} ± {uncertainty}: {said}");
            assert!(said.ends_with(" cents"));
        }
    }

    #[test]
    fn what_is_not_told_is_said_without_a_number() {
        let why = Err(CannotTell::TooShort);
        let silent = of(|f| {
            (f.noise_before_tone_ms, f.noise_before_tone_db, f.approach_cents) = (why, why, why);
            (f.settle_ms, f.speak_ms, f.overshoot_db) = (why, why, why);
        });
        for because in [airy, below, above, slow, split, smear, stutter, hard, early, late, held_breath] {
            let said = because(&silent);
            assert!(!said.is_empty() && !said.contains(|c: char| c.is_ascii_digit()), "{said}");
        }
    }

    /// The wrong partial and the right one of every pair that lips may miss, by the harmonic series.
    #[test]
    fn a_split_names_the_partials_that_the_series_gives() {
        for right in 2..=10u8 {
            for wrong in [right - 1, right + 1, right + 2] {
                let interval_cents = cents(f64::from(wrong), f64::from(right));
                let entrance = of(|f| {
                    f.partial = Some(right);
                    f.evidence.split = Some(Split { interval_cents, duration_ms: 44.0 });
                });
                let said = split(&entrance);
                let side = if wrong < right { "below" } else { "above" };
                let names = [
                    format!("the {} partial", nth(wrong)),
                    format!("found the {}", nth(right)),
                    side.into(),
                    "44 ms".into(),
                ];
                assert!(names.iter().all(|name| said.contains(name)), "{wrong} before {right}: {said}");
            }
        }
        // A tritone is no interval of the fourth partial.
        let odd = of(|f| f.evidence.split = Some(Split { interval_cents: -600.0, duration_ms: 44.0 }));
        assert_eq!(split(&odd), "started on another partial, a tritone below, for 44 ms");
    }

    /// Just intervals by their ratios, as they have been named since Zarlino 1558 \[M\].
    #[test]
    fn intervals_have_the_names_of_their_ratios() {
        for (k, n, name) in [
            (16.0, 15.0, "a semitone"),
            (9.0, 8.0, "a whole tone"),
            (6.0, 5.0, "a minor third"),
            (5.0, 4.0, "a major third"),
            (4.0, 3.0, "a fourth"),
            (7.0, 5.0, "a tritone"),
            (3.0, 2.0, "a fifth"),
            (8.0, 5.0, "a minor sixth"),
            (5.0, 3.0, "a major sixth"),
            (16.0, 9.0, "a minor seventh"),
            (15.0, 8.0, "a major seventh"),
            (2.0, 1.0, "an octave"),
            (3.0, 1.0, "more than an octave"),
            (81.0, 80.0, "less than a semitone"),
        ] {
            assert_eq!((interval(cents(k, n)), interval(cents(n, k))), (name.to_owned(), name.to_owned()), "{k}:{n}");
        }
    }

    #[test]
    fn ordinals_end_as_english_has_them() {
        let ends = [1, 2, 3, 4, 10, 11, 12, 13, 14, 21, 22, 23, 101, 111, 112, 113, 121];
        let wanted = "1st 2nd 3rd 4th 10th 11th 12th 13th 14th 21st 22nd 23rd 101st 111th 112th 113th 121st";
        assert_eq!(ends.map(nth).join(" "), wanted);
    }
}
