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
