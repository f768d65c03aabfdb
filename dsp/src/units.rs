//! Pitch, level and time units, and the equal-tempered scale.
//!
//! Equal temperament: f = A4 * 2^((m - 69) / 12), ISO 16:1975 for A4 = 440 Hz \[S\].

/// MIDI note number of A4 \[C\].
const A4_MIDI: f64 = 69.0;

const NOTE_NAMES: [&str; 12] = ["C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B"];

/// Frequency in Hz of a (fractional) MIDI note for the given A4 in Hz.
#[must_use]
pub fn midi_to_hz(midi: f64, a4_hz: f64) -> f64 {
    a4_hz * ((midi - A4_MIDI) / 12.0).exp2()
}

/// Fractional MIDI note of a frequency in Hz for the given A4 in Hz. `hz` must be positive.
#[must_use]
pub fn hz_to_midi(hz: f64, a4_hz: f64) -> f64 {
    A4_MIDI + 12.0 * (hz / a4_hz).log2()
}

/// Interval from `reference_hz` up to `hz`, in cents (negative = below). Both must be positive.
#[must_use]
pub fn cents(hz: f64, reference_hz: f64) -> f64 {
    1200.0 * (hz / reference_hz).log2()
}

/// `hz` moved by `cents`.
#[must_use]
pub fn shift_cents(hz: f64, cents: f64) -> f64 {
    hz * (cents / 1200.0).exp2()
}

/// Level in dB of a power (mean square). A power of 0 gives -200 dB, so that levels stay finite.
#[must_use]
pub fn power_to_db(power: f64) -> f64 {
    10.0 * power.max(1e-20).log10()
}

/// Power (mean square) of a level in dB.
#[must_use]
pub fn db_to_power(db: f64) -> f64 {
    10f64.powf(db / 10.0)
}

/// English name of a MIDI note as brass players write it (flats for Eb, Ab, Bb), e.g. 46 -> "Bb2".
#[must_use]
pub fn note_name(midi: u8) -> String {
    format!("{}{}", NOTE_NAMES[usize::from(midi % 12)], i32::from(midi / 12) - 1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn equal_temperament_matches_the_handbook() {
        // ISO 16:1975: A4 = 440 Hz; the rest is the law of equal temperament, to 0.01 Hz.
        for (midi, hz) in [(69, 440.0), (57, 220.0), (46, 116.54), (34, 58.27), (77, 698.46), (28, 41.20)] {
            assert_abs_diff_eq!(midi_to_hz(f64::from(midi), 440.0), hz, epsilon = 0.01);
            assert_abs_diff_eq!(hz_to_midi(hz, 440.0), f64::from(midi), epsilon = 0.005);
        }
    }

    #[test]
    fn cents_go_both_ways() {
        assert_abs_diff_eq!(cents(3.0, 2.0), 701.955, epsilon = 0.001);
        assert_abs_diff_eq!(shift_cents(440.0, -1200.0), 220.0, epsilon = 1e-9);
    }

    #[test]
    fn names_are_the_players() {
        assert_eq!(note_name(46), "Bb2");
        assert_eq!(note_name(60), "C4");
        assert_eq!(note_name(28), "E1");
        assert_eq!(note_name(65), "F4");
    }

    #[test]
    fn silence_has_a_finite_level() {
        assert_abs_diff_eq!(power_to_db(0.0), -200.0, epsilon = 1e-9);
        assert_abs_diff_eq!(db_to_power(-20.0), 0.01, epsilon = 1e-12);
    }
}
