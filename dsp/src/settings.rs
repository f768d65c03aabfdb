//! Everything the player can choose that shapes the numbers.

/// What [`Strictness`] does, for whoever sets it.
pub const STRICTNESS_IN_WORDS: &str = "0 puts every line at twice its usual place, 0.5 at its usual place, 1 where nine \
    of ten fronts of professionals lie under it, but never under what the ear notices";

/// How severe the judge is: at 0 every line lies at twice its default, at 0.5 at the default, at 1 where nine of ten
/// professional fronts lie under it, but never under what the ear notices.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Strictness(f64);

impl Strictness {
    /// Twice the default lines.
    pub const RELAXED: Self = Self(0.0);
    /// The default lines of the fault table.
    pub const NORMAL: Self = Self(0.5);
    /// About the 90th percentile of professionals.
    pub const STRICT: Self = Self(1.0);

    /// A strictness clamped to 0..=1; NaN gives the default.
    #[must_use]
    pub fn new(value: f64) -> Self {
        if value.is_nan() { Self::NORMAL } else { Self(value.clamp(0.0, 1.0)) }
    }

    /// The value, 0..=1.
    #[must_use]
    pub fn value(self) -> f64 {
        self.0
    }
}

impl Default for Strictness {
    fn default() -> Self {
        Self::NORMAL
    }
}

/// The horn, for its partials, positions and range.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "kebab-case"))]
pub enum Instrument {
    /// Tenor in B-flat without attachment.
    Tenor,
    /// Tenor or bass in B-flat with F attachment.
    #[default]
    FAttachment,
    /// Alto in E-flat.
    Alto,
}

/// What sounds: the whole horn, or the mouthpiece alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "kebab-case"))]
pub enum Source {
    /// The instrument.
    #[default]
    Horn,
    /// Mouthpiece buzzing: breathier, and no partials to split between.
    Mouthpiece,
}

/// Beats the entrances are timed against.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Grid {
    /// Beats per minute.
    pub bpm: f64,
    /// Time of one beat, in seconds from the first sample.
    pub first_beat_s: f64,
    /// Subdivisions of a beat an entrance may fall on (1 = the beat alone).
    pub per_beat: u32,
}

/// All settings of an analysis.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(default))]
pub struct Settings {
    /// Tuning reference in Hz, 392 to 466.
    pub a4_hz: f64,
    /// Severity of the fault lines.
    pub strictness: Strictness,
    /// The horn.
    pub instrument: Instrument,
    /// Horn or mouthpiece alone.
    pub source: Source,
    /// The beats the player gave, if any. They shape no front: whoever judges takes the beat next to it.
    pub grid: Option<Grid>,
}

/// Lowest and highest A4 in Hz that make sense for a modern brass player \[P\].
pub const A4_RANGE_HZ: (f64, f64) = (392.0, 466.0);

impl Default for Settings {
    fn default() -> Self {
        Self {
            a4_hz: 440.0,
            strictness: Strictness::default(),
            instrument: Instrument::default(),
            source: Source::default(),
            grid: None,
        }
    }
}

/// A setting that cannot be used, with the value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SettingsError {
    /// A4 outside [`A4_RANGE_HZ`].
    A4OutOfRange(f64),
    /// Tempo not within 10 to 500 beats per minute.
    BpmOutOfRange(f64),
    /// First beat not a finite time.
    FirstBeatNotFinite,
    /// Subdivisions not within 1 to 24.
    PerBeatOutOfRange(u32),
}

impl std::fmt::Display for SettingsError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::A4OutOfRange(hz) => write!(f, "A4 of {hz} Hz is outside 392 to 466 Hz"),
            Self::BpmOutOfRange(bpm) => write!(f, "a tempo of {bpm} is outside 10 to 500 beats per minute"),
            Self::FirstBeatNotFinite => write!(f, "the first beat is not a time"),
            Self::PerBeatOutOfRange(n) => write!(f, "{n} subdivisions of a beat are outside 1 to 24"),
        }
    }
}

impl std::error::Error for SettingsError {}

impl Settings {
    /// Checks every value.
    ///
    /// # Errors
    /// The first value that cannot be used.
    pub fn validate(&self) -> Result<(), SettingsError> {
        if !(A4_RANGE_HZ.0..=A4_RANGE_HZ.1).contains(&self.a4_hz) {
            return Err(SettingsError::A4OutOfRange(self.a4_hz));
        }
        self.grid.map_or(Ok(()), |grid| grid.validate())
    }
}

impl Grid {
    fn validate(&self) -> Result<(), SettingsError> {
        if !(10.0..=500.0).contains(&self.bpm) {
            return Err(SettingsError::BpmOutOfRange(self.bpm));
        }
        if !self.first_beat_s.is_finite() {
            return Err(SettingsError::FirstBeatNotFinite);
        }
        if !(1..=24).contains(&self.per_beat) {
            return Err(SettingsError::PerBeatOutOfRange(self.per_beat));
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_strictness_lies_between_0_and_1_and_no_number_is_the_usual_one() {
        for (given, kept) in [
            (-3.0, 0.0),
            (0.0, 0.0),
            (0.3, 0.3),
            (1.0, 1.0),
            (7.0, 1.0),
            (f64::INFINITY, 1.0),
            (f64::NEG_INFINITY, 0.0),
        ] {
            assert_eq!(Strictness::new(given).value(), kept);
        }
        assert_eq!(Strictness::new(f64::NAN), Strictness::NORMAL);
        assert!(Strictness::RELAXED.value() < Strictness::NORMAL.value());
        assert!(Strictness::NORMAL.value() < Strictness::STRICT.value());
        assert_eq!(Strictness::default(), Strictness::NORMAL);
    }

    fn with_grid(bpm: f64, first_beat_s: f64, per_beat: u32) -> Settings {
        Settings { grid: Some(Grid { bpm, first_beat_s, per_beat }), ..Settings::default() }
    }

    /// ISO 16:1975 has 440 Hz; orchestras and period instruments lie within 392 to 466.
    #[test]
    fn what_can_be_used_is_used_up_to_its_bounds() {
        assert_eq!(Settings::default().validate(), Ok(()));
        assert_eq!(Settings::default().a4_hz, 440.0);
        for a4_hz in [392.0, 415.0, 443.0, 466.0] {
            assert_eq!(Settings { a4_hz, ..Settings::default() }.validate(), Ok(()));
        }
        for (bpm, per_beat) in [(10.0, 1), (500.0, 24), (72.5, 3)] {
            assert_eq!(with_grid(bpm, -2.5, per_beat).validate(), Ok(()), "a first beat may lie before the take");
        }
    }

    #[test]
    fn what_cannot_be_used_is_refused_with_its_value_and_its_bounds() {
        let a4 = |a4_hz: f64| Settings { a4_hz, ..Settings::default() };
        let refused = [
            (a4(391.9), "391.9"),
            (a4(466.1), "466"),
            (a4(f64::NAN), "392"),
            (a4(f64::INFINITY), "inf"),
            (with_grid(9.9, 0.0, 1), "9.9"),
            (with_grid(500.1, 0.0, 1), "500"),
            (with_grid(f64::NAN, 0.0, 1), "10"),
            (with_grid(60.0, f64::INFINITY, 1), "first beat"),
            (with_grid(60.0, f64::NAN, 1), "first beat"),
            (with_grid(60.0, 0.0, 0), "0 subdivisions"),
            (with_grid(60.0, 0.0, 25), "25"),
        ];
        for (settings, says) in refused {
            let error = settings.validate().expect_err("out of its bounds");
            assert!(error.to_string().contains(says), "{error} does not say {says}");
        }
        // Of several the first is told.
        assert_eq!(
            Settings { a4_hz: 500.0, ..with_grid(0.0, 0.0, 0) }.validate(),
            Err(SettingsError::A4OutOfRange(500.0))
        );
    }

    #[test]
    fn what_strictness_does_is_said_with_its_three_places() {
        for place in ["0 ", "0.5", "1 "] {
            assert!(STRICTNESS_IN_WORDS.contains(place), "{place}");
        }
    }
}
