//! The one table of fault lines.
//!
//! Marks: \[S\] published source, \[C\] computed from a law, \[P\] common practice, \[H\] our hypothesis.
//! Every line is multiplied by [`Strictness::line_factor`](crate::Strictness::line_factor) unless it says otherwise.

use crate::grid::Beat;
use crate::settings::Settings;

/// Air before the tone: shortest, ms, and softest, dB re the settled tone. \[H\]; air under 20 ms is masked \[S\].
pub const AIRY_MS: f64 = 30.0;
/// See [`AIRY_MS`].
pub const AIRY_DB: f64 = -32.0;
/// Mouthpiece buzzing is breathier: its air may be this much longer and louder. \[H\]
pub const MOUTHPIECE_AIR_FACTOR: f64 = 2.0;
/// See [`MOUTHPIECE_AIR_FACTOR`], dB.
pub const MOUTHPIECE_AIR_DB: f64 = 10.0;
/// Share of the auditory bandwidth a pitch may be off at its front (Jarvelainen & Valimaki 2001 \[S\]).
pub const PITCH_ERB_SHARE: f64 = 0.1;
/// ... but not less than this, cents. \[S\]/\[H\]
pub const PITCH_CENTS: f64 = 25.0;
/// Never flagged under this, cents, however strict: players sit 19 above the resonance (Boutin et al. 2015 \[S\]).
pub const PITCH_NEVER_UNDER_CENTS: f64 = 20.0;
/// A bend is over this soon without being heard, ms, or in this many round trips. \[H\]
pub const PITCH_SETTLE_MS: f64 = 20.0;
/// See [`PITCH_SETTLE_MS`].
pub const PITCH_SETTLE_ROUND_TRIPS: f64 = 1.0;
/// Attack longer than this, ms, or this many round trips. \[H\]
pub const SLOW_MS: f64 = 90.0;
/// See [`SLOW_MS`].
pub const SLOW_ROUND_TRIPS: f64 = 4.0;
/// A wrong partial counts from this long, ms, or this many of its periods.
pub const SPLIT_MS: f64 = 20.0;
/// See [`SPLIT_MS`].
pub const SPLIT_PERIODS: f64 = 3.0;
/// A slide counts from this far, cents, and this long, ms. \[H\]
pub const SMEAR_CENTS: f64 = 40.0;
/// See [`SMEAR_CENTS`].
pub const SMEAR_MS: f64 = 40.0;
/// Pace of a slide, cents/s. Not scaled.
pub const SMEAR_RATE: (f64, f64) = (450.0, 3_800.0);
/// Depth of the dip between two starts, dB.
pub const STUTTER_DIP_DB: f64 = 6.0;
/// Overshoot over the settled level, dB. \[H\]
pub const HARD_DB: f64 = 6.0;
/// Window on the beat: share of the beat (Friberg & Sundberg 1995 \[S\]).
pub const TIMING_BEAT_SHARE: f64 = 0.025;
/// ... and at least this, ms, from relaxed to strict.
pub const TIMING_MS: (f64, f64) = (30.0, 10.0);
/// Silence between the breath and the sound, ms. \[H\]
pub const HELD_BREATH_MS: f64 = 200.0;

/// Auditory bandwidth at a frequency, cents each way of centre: ERB = 24.7 + 0.108 f (Glasberg & Moore 1990 \[M\]).
#[must_use]
pub fn erb_cents(hz: f64) -> f64 {
    let erb_hz = 24.7 + 0.107_939 * hz;
    1200.0 * (1.0 + PITCH_ERB_SHARE * erb_hz / hz).log2() / PITCH_ERB_SHARE
}

/// Depth from which a front's pitch is heard as off, cents, at the default strictness.
#[must_use]
pub fn pitch_line_cents(hz: f64) -> f64 {
    (PITCH_ERB_SHARE * erb_cents(hz)).max(PITCH_CENTS)
}

/// Window on the beat, ms each side. Strictness moves its floor from 30 to 10 ms.
#[must_use]
pub fn timing_line_ms(beat: &Beat, settings: &Settings) -> f64 {
    let beat_ms = 1e3 * beat.length_s;
    let floor = TIMING_MS.0 * (TIMING_MS.1 / TIMING_MS.0).powf(settings.strictness.value());
    (TIMING_BEAT_SHARE * beat_ms).max(floor)
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn a_tenth_of_the_bandwidth_matches_the_table() {
        // Cents of 0.1 ERB per note, measures page [C]; 1 cent is its rounding.
        for (hz, cents) in
            [(58.27, 90.0), (116.54, 55.0), (174.61, 43.0), (233.08, 37.0), (349.23, 31.0), (466.16, 28.0)]
        {
            assert_abs_diff_eq!(PITCH_ERB_SHARE * erb_cents(hz), cents, epsilon = 1.0);
        }
    }

    #[test]
    fn the_beat_window_follows_strictness() {
        let beat = Beat { at_s: 0.0, length_s: 1.0 };
        let line =
            |s: f64| timing_line_ms(&beat, &Settings { strictness: crate::Strictness::new(s), ..Settings::default() });
        // 2.5 % of a second is 25 ms; relaxed the floor of 30 ms rules.
        assert_abs_diff_eq!(line(0.0), 30.0, epsilon = 1e-9);
        assert_abs_diff_eq!(line(1.0), 25.0, epsilon = 1e-9);
    }
}
