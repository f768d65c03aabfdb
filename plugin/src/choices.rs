//! What the player sets, as plain data. In a host these are its parameters, in the standalone its own.

use crate::beats::Subdivision;
use crate::timing::Judging;
use notefront_dsp::{Instrument, Settings, Source, Strictness};
use notefront_takes::corrections::ear::Lines;
use parking_lot::RwLock;
use serde::{Deserialize, Serialize};

/// One of several: in the order they are offered in, with the name a player reads and the one that a project keeps.
pub trait OneOf: Copy + PartialEq + 'static {
    /// All of them.
    const ALL: &'static [Self];
    /// What they are called, in the same order.
    const NAMES: &'static [&'static str];
    /// What a project calls them: never changed.
    const IDS: &'static [&'static str];

    /// Its place in that order.
    #[must_use]
    fn place(self) -> usize {
        Self::ALL.iter().position(|one| *one == self).unwrap_or(0)
    }

    /// What it is called.
    #[must_use]
    fn name(self) -> &'static str {
        Self::NAMES[self.place()]
    }
}

/// The horn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum InstrumentChoice {
    /// Tenor in B-flat without attachment.
    Tenor,
    /// Tenor or bass with F attachment.
    #[default]
    FAttachment,
    /// Alto in E-flat.
    Alto,
}

impl OneOf for InstrumentChoice {
    const ALL: &'static [Self] = &[Self::Tenor, Self::FAttachment, Self::Alto];
    const NAMES: &'static [&'static str] = &["Tenor", "F attachment", "Alto"];
    const IDS: &'static [&'static str] = &["tenor", "f-attachment", "alto"];
}

/// What sounds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SourceChoice {
    /// The instrument.
    #[default]
    Horn,
    /// Mouthpiece buzzing.
    Mouthpiece,
}

impl OneOf for SourceChoice {
    const ALL: &'static [Self] = &[Self::Horn, Self::Mouthpiece];
    const NAMES: &'static [&'static str] = &["Horn", "Mouthpiece alone"];
    const IDS: &'static [&'static str] = &["horn", "mouthpiece"];
}

/// What an entrance may fall on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum GridChoice {
    /// No timing is told.
    Off,
    /// Quarter notes.
    #[default]
    Beat,
    /// Halves of a beat.
    Halves,
    /// Thirds of a beat.
    Thirds,
    /// Quarters of a beat.
    Quarters,
    /// The beat and a late half.
    Swing,
}

impl OneOf for GridChoice {
    const ALL: &'static [Self] = &[Self::Off, Self::Beat, Self::Halves, Self::Thirds, Self::Quarters, Self::Swing];
    const NAMES: &'static [&'static str] = &["Off", "Beat", "Halves", "Thirds", "Quarters", "Swing"];
    const IDS: &'static [&'static str] = &["off", "beat", "halves", "thirds", "quarters", "swing"];
}

/// Everything the player sets.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Choices {
    /// 0 relaxed to 1 strict.
    pub strictness: f32,
    /// Tuning reference, Hz.
    pub a4_hz: f32,
    /// The horn.
    pub instrument: InstrumentChoice,
    /// Horn or mouthpiece.
    pub source: SourceChoice,
    /// The grid.
    pub grid: GridChoice,
    /// Share of the beat the first part takes, %.
    pub swing_percent: f32,
    /// What the recording itself adds to every lateness, ms.
    pub offset_ms: f32,
    /// Delay the sound so that marker notes leave at their exact place.
    pub look_ahead: bool,
    /// Timing is judged even where the playing does not follow the host's beat.
    pub insist_on_beat: bool,
    /// Also listen while the transport is stopped.
    pub listen_stopped: bool,
    /// Where the player moved the lines to; a host has no parameter for it. The standalone remembers it for every program
    /// (`notefront_takes::remembered`), a project keeps its own.
    #[serde(skip)]
    pub lines: Lines,
}

impl Choices {
    /// What the strictness may be.
    pub const STRICTNESS: (f32, f32) = (0.0, 1.0);
    /// What the tuning reference may be, Hz.
    pub const A4_HZ: (f32, f32) = (392.0, 466.0);
    /// What the first part of a swung beat may take, %.
    pub const SWING_PERCENT: (f32, f32) = (50.0, 80.0);
    /// What the recording may add, ms.
    pub const OFFSET_MS: (f32, f32) = (-200.0, 200.0);

    /// The same with every number within its range; a file may hold anything.
    #[must_use]
    pub fn clamped(self) -> Self {
        let usual = Self::default();
        let within = |value: f32, (least, most): (f32, f32), usual: f32| {
            if value.is_finite() { value.clamp(least, most) } else { usual }
        };
        Self {
            strictness: within(self.strictness, Self::STRICTNESS, usual.strictness),
            a4_hz: within(self.a4_hz, Self::A4_HZ, usual.a4_hz),
            swing_percent: within(self.swing_percent, Self::SWING_PERCENT, usual.swing_percent),
            offset_ms: within(self.offset_ms, Self::OFFSET_MS, usual.offset_ms),
            ..self
        }
    }

    /// What entrances are judged by.
    #[must_use]
    pub fn judging(&self) -> Judging {
        Judging {
            settings: self.settings(),
            subdivision: self.subdivision(),
            offset_ms: f64::from(self.offset_ms),
            insists: self.insist_on_beat,
            lines: self.lines,
        }
    }

    /// The settings of the analysis. Timing is judged against the host's beats, so no grid is given here.
    #[must_use]
    pub fn settings(&self) -> Settings {
        Settings {
            a4_hz: f64::from(self.a4_hz),
            strictness: Strictness::new(f64::from(self.strictness)),
            instrument: match self.instrument {
                InstrumentChoice::Tenor => Instrument::Tenor,
                InstrumentChoice::FAttachment => Instrument::FAttachment,
                InstrumentChoice::Alto => Instrument::Alto,
            },
            source: match self.source {
                SourceChoice::Horn => Source::Horn,
                SourceChoice::Mouthpiece => Source::Mouthpiece,
            },
            grid: None,
        }
    }

    /// What entrances are timed against; `None` when timing is off.
    #[must_use]
    pub fn subdivision(&self) -> Option<Subdivision> {
        match self.grid {
            GridChoice::Off => None,
            GridChoice::Beat => Some(Subdivision::Even(1)),
            GridChoice::Halves => Some(Subdivision::Even(2)),
            GridChoice::Thirds => Some(Subdivision::Even(3)),
            GridChoice::Quarters => Some(Subdivision::Even(4)),
            GridChoice::Swing => Some(Subdivision::Swing(f64::from(self.swing_percent) / 100.0)),
        }
    }
}

impl Default for Choices {
    fn default() -> Self {
        Self {
            strictness: 0.5,
            a4_hz: 440.0,
            instrument: InstrumentChoice::default(),
            source: SourceChoice::default(),
            grid: GridChoice::default(),
            swing_percent: 66.7,
            offset_ms: 0.0,
            look_ahead: false,
            insist_on_beat: false,
            listen_stopped: false,
            lines: Lines::default(),
        }
    }
}

/// Where the choices are kept: with a host, or by ourselves.
pub trait KeepsChoices: Send + Sync {
    /// As they are now. Neither locks for long nor allocates.
    fn now(&self) -> Choices;
}

/// Choices that nobody automates, and no project keeps.
#[derive(Debug, Default)]
pub struct OwnChoices(pub RwLock<Choices>);

impl KeepsChoices for OwnChoices {
    fn now(&self) -> Choices {
        *self.0.read()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn is_complete<T: OneOf>() -> bool {
        let places: Vec<usize> = T::ALL.iter().map(|one| one.place()).collect();
        let all: Vec<usize> = (0..T::ALL.len()).collect();
        places == all && T::NAMES.len() == all.len() && T::IDS.len() == all.len()
    }

    #[test]
    fn each_has_its_name_and_the_one_a_project_keeps() {
        assert!(is_complete::<InstrumentChoice>() && is_complete::<SourceChoice>() && is_complete::<GridChoice>());
        assert_eq!((GridChoice::Thirds.name(), InstrumentChoice::FAttachment.name()), ("Thirds", "F attachment"));
    }

    #[test]
    fn what_a_file_holds_is_brought_within_its_range() {
        let odd = Choices { strictness: 7.0, a4_hz: f32::NAN, offset_ms: -1e9, ..Choices::default() };
        let mended = odd.clamped();
        assert_eq!((mended.strictness, mended.a4_hz, mended.offset_ms), (1.0, 440.0, -200.0));
        assert_eq!(Choices::default().clamped(), Choices::default());
    }
}
