//! Everything the player can set, as parameters the host sees and saves.

use crate::beats::Subdivision;
use crate::looks::Looks;
use crate::session::SharedSession;
use crate::timing::Judging;
use nice_plug::prelude::*;
use notefront_dsp::{Instrument, Settings, Source, Strictness};
use parking_lot::RwLock;
use std::sync::Arc;

/// The horn.
#[derive(Enum, Debug, Clone, Copy, PartialEq, Eq)]
pub enum InstrumentChoice {
    /// Tenor in B-flat without attachment.
    #[id = "tenor"]
    #[name = "Tenor"]
    Tenor,
    /// Tenor or bass with F attachment.
    #[id = "f-attachment"]
    #[name = "F attachment"]
    FAttachment,
    /// Alto in E-flat.
    #[id = "alto"]
    #[name = "Alto"]
    Alto,
}

/// What sounds.
#[derive(Enum, Debug, Clone, Copy, PartialEq, Eq)]
pub enum SourceChoice {
    /// The instrument.
    #[id = "horn"]
    #[name = "Horn"]
    Horn,
    /// Mouthpiece buzzing.
    #[id = "mouthpiece"]
    #[name = "Mouthpiece alone"]
    Mouthpiece,
}

/// What an entrance may fall on.
#[derive(Enum, Debug, Clone, Copy, PartialEq, Eq)]
pub enum GridChoice {
    /// No timing is told.
    #[id = "off"]
    #[name = "Off"]
    Off,
    /// Quarter notes.
    #[id = "beat"]
    #[name = "Beat"]
    Beat,
    /// Halves of a beat.
    #[id = "halves"]
    #[name = "Halves"]
    Halves,
    /// Thirds of a beat.
    #[id = "thirds"]
    #[name = "Thirds"]
    Thirds,
    /// Quarters of a beat.
    #[id = "quarters"]
    #[name = "Quarters"]
    Quarters,
    /// The beat and a late half.
    #[id = "swing"]
    #[name = "Swing"]
    Swing,
}

/// Parameters and what is kept beside them in the project.
#[derive(Params)]
pub struct NotefrontParams {
    /// 0 relaxed to 1 strict.
    #[id = "strictness"]
    pub strictness: FloatParam,
    /// Tuning reference, Hz.
    #[id = "a4"]
    pub a4_hz: FloatParam,
    /// The horn.
    #[id = "instrument"]
    pub instrument: EnumParam<InstrumentChoice>,
    /// Horn or mouthpiece.
    #[id = "source"]
    pub source: EnumParam<SourceChoice>,
    /// The grid.
    #[id = "grid"]
    pub grid: EnumParam<GridChoice>,
    /// Share of the beat the first part takes, %.
    #[id = "swing"]
    pub swing_percent: FloatParam,
    /// What the recording itself adds to every lateness, ms.
    #[id = "offset"]
    pub offset_ms: FloatParam,
    /// Delay the sound so that marker notes leave at their exact place.
    #[id = "look_ahead"]
    pub look_ahead: BoolParam,
    /// Timing is judged even where the playing does not follow the host's beat.
    #[id = "insist_on_beat"]
    pub insist_on_beat: BoolParam,
    /// Also listen while the transport is stopped.
    #[id = "listen_stopped"]
    pub listen_stopped: BoolParam,
    /// Passes, pins and names.
    #[persist = "session"]
    pub session: SharedSession,
    /// Size, colours and text of the window.
    #[persist = "looks"]
    pub looks: Arc<RwLock<Looks>>,
    /// Folder of the marker files; empty until the player names one.
    #[persist = "markers_folder"]
    pub markers_folder: Arc<RwLock<String>>,
}

impl Default for NotefrontParams {
    fn default() -> Self {
        Self {
            strictness: FloatParam::new("Strictness", 0.5, FloatRange::Linear { min: 0.0, max: 1.0 })
                .with_step_size(0.01)
                .non_automatable(),
            a4_hz: FloatParam::new("A4", 440.0, FloatRange::Linear { min: 392.0, max: 466.0 })
                .with_unit(" Hz")
                .with_step_size(0.5)
                .non_automatable(),
            instrument: EnumParam::new("Instrument", InstrumentChoice::FAttachment).non_automatable(),
            source: EnumParam::new("Sound source", SourceChoice::Horn).non_automatable(),
            grid: EnumParam::new("Grid", GridChoice::Beat).non_automatable(),
            swing_percent: FloatParam::new("Swing", 66.7, FloatRange::Linear { min: 50.0, max: 80.0 })
                .with_unit(" %")
                .with_step_size(0.1)
                .non_automatable(),
            offset_ms: FloatParam::new("Recording offset", 0.0, FloatRange::Linear { min: -200.0, max: 200.0 })
                .with_unit(" ms")
                .with_step_size(0.1)
                .non_automatable(),
            look_ahead: BoolParam::new("Marker notes (delays the sound)", false).non_automatable(),
            insist_on_beat: BoolParam::new("Always judge by the host's beat", false).non_automatable(),
            listen_stopped: BoolParam::new("Listen while stopped", false).non_automatable(),
            session: SharedSession::default(),
            looks: Arc::default(),
            markers_folder: Arc::default(),
        }
    }
}

impl NotefrontParams {
    /// What entrances are judged by, as set now.
    #[must_use]
    pub fn judging(&self) -> Judging {
        Judging {
            settings: self.settings(),
            subdivision: self.subdivision(),
            offset_ms: f64::from(self.offset_ms.value()),
            insists: self.insist_on_beat.value(),
        }
    }

    /// The settings of the analysis. Timing is judged against the host's beats, so no grid is given here.
    #[must_use]
    pub fn settings(&self) -> Settings {
        Settings {
            a4_hz: f64::from(self.a4_hz.value()),
            strictness: Strictness::new(f64::from(self.strictness.value())),
            instrument: match self.instrument.value() {
                InstrumentChoice::Tenor => Instrument::Tenor,
                InstrumentChoice::FAttachment => Instrument::FAttachment,
                InstrumentChoice::Alto => Instrument::Alto,
            },
            source: match self.source.value() {
                SourceChoice::Horn => Source::Horn,
                SourceChoice::Mouthpiece => Source::Mouthpiece,
            },
            grid: None,
        }
    }

    /// What entrances are timed against; `None` when timing is off.
    #[must_use]
    pub fn subdivision(&self) -> Option<Subdivision> {
        match self.grid.value() {
            GridChoice::Off => None,
            GridChoice::Beat => Some(Subdivision::Even(1)),
            GridChoice::Halves => Some(Subdivision::Even(2)),
            GridChoice::Thirds => Some(Subdivision::Even(3)),
            GridChoice::Quarters => Some(Subdivision::Even(4)),
            GridChoice::Swing => Some(Subdivision::Swing(f64::from(self.swing_percent.value()) / 100.0)),
        }
    }
}
