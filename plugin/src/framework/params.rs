//! Everything the player can set, as parameters the host sees and saves, and what it keeps beside them.

use crate::choices::{Choices, GridChoice, InstrumentChoice, KeepsChoices, OneOf, SourceChoice};
use crate::ear_lines::OwnLines;
use crate::looks::Looks;
use crate::project::Project;
use crate::state::{Keeper, Kept};
use nice_plug::params::persist::PersistentField;
use nice_plug::prelude::*;
use notefront_takes::corrections::ear::Lines;
use parking_lot::RwLock;
use std::sync::Arc;

/// A choice of several is a parameter of the framework's kind.
macro_rules! as_enum {
    ($($choice:ty),+) => { $(
        impl Enum for $choice {
            fn variants() -> &'static [&'static str] {
                Self::NAMES
            }

            fn ids() -> Option<&'static [&'static str]> {
                Some(Self::IDS)
            }

            fn to_index(self) -> usize {
                self.place()
            }

            fn from_index(index: usize) -> Self {
                Self::ALL.get(index).copied().unwrap_or(Self::ALL[0])
            }
        }
    )+ };
}

as_enum!(InstrumentChoice, SourceChoice, GridChoice);

/// Parameters and what is kept beside them in the project.
#[derive(Params)]
pub struct HostParams {
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
    pub session: Keeper,
    /// Size, colours and text of the window.
    #[persist = "looks"]
    pub looks: Arc<RwLock<Looks>>,
    /// Folder of the marker files; empty until the player names one.
    #[persist = "markers_folder"]
    pub markers_folder: Arc<RwLock<String>>,
    /// Where the player moved the lines to, for this project.
    #[persist = "lines"]
    pub lines: OwnLines,
}

impl Default for HostParams {
    fn default() -> Self {
        let usual = Choices::default();
        let range = |(min, max): (f32, f32)| FloatRange::Linear { min, max };
        Self {
            strictness: FloatParam::new("Strictness", usual.strictness, range(Choices::STRICTNESS))
                .with_step_size(0.01)
                .non_automatable(),
            a4_hz: FloatParam::new("A4", usual.a4_hz, range(Choices::A4_HZ))
                .with_unit(" Hz")
                .with_step_size(0.5)
                .non_automatable(),
            instrument: EnumParam::new("Instrument", usual.instrument).non_automatable(),
            source: EnumParam::new("Sound source", usual.source).non_automatable(),
            grid: EnumParam::new("Grid", usual.grid).non_automatable(),
            swing_percent: FloatParam::new("Swing", usual.swing_percent, range(Choices::SWING_PERCENT))
                .with_unit(" %")
                .with_step_size(0.1)
                .non_automatable(),
            offset_ms: FloatParam::new("Recording offset", usual.offset_ms, range(Choices::OFFSET_MS))
                .with_unit(" ms")
                .with_step_size(0.1)
                .non_automatable(),
            look_ahead: BoolParam::new("Marker notes (delays the sound)", usual.look_ahead).non_automatable(),
            insist_on_beat: BoolParam::new("Always judge by the host's beat", usual.insist_on_beat).non_automatable(),
            listen_stopped: BoolParam::new("Listen while stopped", usual.listen_stopped).non_automatable(),
            session: Keeper::default(),
            looks: Arc::default(),
            markers_folder: Arc::default(),
            lines: OwnLines::default(),
        }
    }
}

impl KeepsChoices for HostParams {
    fn now(&self) -> Choices {
        Choices {
            strictness: self.strictness.value(),
            a4_hz: self.a4_hz.value(),
            instrument: self.instrument.value(),
            source: self.source.value(),
            grid: self.grid.value(),
            swing_percent: self.swing_percent.value(),
            offset_ms: self.offset_ms.value(),
            look_ahead: self.look_ahead.value(),
            insist_on_beat: self.insist_on_beat.value(),
            listen_stopped: self.listen_stopped.value(),
            lines: self.lines.now(),
        }
    }
}

impl HostParams {
    /// The same as the rest of an instance knows it.
    #[must_use]
    pub fn project(self: &Arc<Self>) -> Project {
        let mut project = Project::of(self.clone(), self.session.clone());
        (project.looks, project.markers_folder) = (self.looks.clone(), self.markers_folder.clone());
        project
    }
}

impl PersistentField<'_, Lines> for OwnLines {
    fn set(&self, lines: Lines) {
        self.move_to(lines);
    }

    fn map<F, R>(&self, f: F) -> R
    where
        F: Fn(&Lines) -> R,
    {
        f(&self.now())
    }
}

impl PersistentField<'_, Kept> for Keeper {
    fn set(&self, kept: Kept) {
        self.take_in(kept);
    }

    fn map<F, R>(&self, f: F) -> R
    where
        F: Fn(&Kept) -> R,
    {
        f(&self.to_keep())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_project_keeps_where_its_lines_lie() {
        let lines = Lines::read("below=1.4,airy=0.8").expect("readable");
        let params = HostParams::default();
        assert!(params.now().lines.are_usual());
        params.lines.move_to(lines);
        let mut kept = params.serialize_fields();
        assert_eq!((params.now().lines, kept["lines"].as_str()), (lines, "\"airy=0.80,below=1.40\""));
        let opened = HostParams::default();
        opened.deserialize_fields(&kept);
        assert_eq!(opened.now().lines, lines);
        // Neither an older project nor a damaged one moves any.
        for older in [None, Some("\"below=99\"")] {
            kept.remove("lines");
            kept.extend(older.map(|text| ("lines".to_owned(), text.to_owned())));
            let opened = HostParams::default();
            opened.deserialize_fields(&kept);
            assert!(opened.now().lines.are_usual(), "{older:?}");
        }
    }
}
