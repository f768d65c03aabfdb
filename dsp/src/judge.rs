//! One note's closer look turned into an entrance.

use crate::analyzer::Event;
use crate::entrance::{
    Articulation, CannotTell, Entrance, Evidence, Faults, FrontPicture, InstantUncertainty, Measure, Told,
};
use crate::frame::Frames;
use crate::framer::History;
use crate::front::{Candidate, FrontReader, Instants, Settled};
use crate::note::{Note, Start};
use crate::settings::Settings;
use crate::trombone;
use crate::units::{cents, hz_to_midi, midi_to_hz, power_to_db};

/// Judges notes one after the other.
pub struct Judge {
    rate_hz: f64,
    settings: Settings,
    reader: FrontReader,
    num_told: usize,
    previous_end: i64,
    open: Option<usize>,
}

impl Judge {
    pub fn new(rate_hz: f64, settings: Settings) -> Self {
        Self { rate_hz, settings, reader: FrontReader::new(rate_hz), num_told: 0, previous_end: 0, open: None }
    }

    pub fn clear(&mut self) {
        self.num_told = 0;
        self.previous_end = 0;
        self.open = None;
    }

    /// The end of a note whose entrance was told without one.
    pub fn end_of(&mut self, _note: &Note, end: i64) -> Option<Event> {
        self.previous_end = end;
        let index = self.open.take()?;
        Some(Event::End { index, end_s: end as f64 / self.rate_hz })
    }

    pub fn judge(&mut self, history: &History, frames: &Frames, note: &Note, _floor_db: f32) -> Option<Entrance> {
        self.open = None;
        let candidate = self.candidate(history, frames, note)?;
        let settled = self.reader.settle(history, &candidate)?;
        self.reader.follow_back(history, &candidate, &settled);
        let mut instants = self.reader.find_instants(history, &candidate, settled.hz)?;
        if !candidate.has_attack {
            let old_hz = midi_to_hz(f64::from(note.from_midi), 440.0);
            let middle = self.reader.slur_middle(history, candidate.start as f64, old_hz, settled.hz);
            instants.onset = middle;
            instants.speaks = middle;
        }
        let entrance = self.entrance(note, frames, &settled, &instants);
        self.num_told += 1;
        if note.end.is_none() {
            self.open = Some(entrance.index);
        }
        Some(entrance)
    }

    fn candidate(&self, history: &History, frames: &Frames, note: &Note) -> Option<Candidate> {
        let start = frames.centre(note.start);
        let end = note.end.map_or(history.len(), |e| frames.centre(e));
        let earliest = match note.kind {
            Start::Fresh => self.previous_end,
            Start::Dip => start - frames.centre(4),
            Start::Pitch => start - frames.centre(1),
        };
        let midi = if note.midi.is_nan() { self.median_midi(frames, note)? } else { f64::from(note.midi) };
        Some(Candidate { start, end, earliest, hz: midi_to_hz(midi, 440.0), has_attack: note.kind != Start::Pitch })
    }

    fn median_midi(&self, frames: &Frames, note: &Note) -> Option<f64> {
        let end = note.end.unwrap_or(note.start + 60).min(note.start + 60);
        let mut midis = [0.0f32; 64];
        let mut num = 0;
        for midi in (note.start..end).map(|i| frames.get(i).midi).filter(|m| !m.is_nan()) {
            midis[num] = midi;
            num += 1;
        }
        midis[..num].sort_unstable_by(f32::total_cmp);
        (num > 0).then(|| f64::from(midis[num / 2]))
    }

    fn entrance(&self, note: &Note, frames: &Frames, settled: &Settled, instants: &Instants) -> Entrance {
        let s = |sample: f64| sample / self.rate_hz;
        let midi = hz_to_midi(settled.hz, self.settings.a4_hz);
        let nearest = midi.round();
        let positions = trombone::positions(settled.hz, self.settings.a4_hz, self.settings.instrument);
        Entrance {
            index: self.num_told,
            sound_start_s: s(instants.onset),
            onset_s: s(instants.onset),
            speaks_s: s(instants.speaks),
            instant_uncertainty: InstantUncertainty { sound_start_ms: 3.0, onset_ms: 3.0, speaks_ms: 3.0 },
            end_s: note.end.map(|e| s(frames.centre(e) as f64)),
            midi_note: Some(nearest as u8),
            settled_hz: told(settled.hz, settled.uncertainty_cents * settled.hz * 0.00058),
            tuning_cents: told(cents(settled.hz, midi_to_hz(nearest, self.settings.a4_hz)), settled.uncertainty_cents),
            partial: positions.iter().next().map(|p| p.partial),
            positions,
            articulation: match note.kind {
                Start::Fresh => Articulation::Tongued,
                Start::Dip => Articulation::Legato,
                Start::Pitch => Articulation::Slurred,
            },
            noise_before_tone_ms: Err(CannotTell::NoAir),
            noise_before_tone_db: Err(CannotTell::NoAir),
            onset_cents: Err(CannotTell::NoPitch),
            settle_ms: Err(CannotTell::NoPitch),
            timing_ms: Err(CannotTell::NoGrid),
            attack_ms: told(s(instants.rise.1 - instants.rise.0) * 1e3, 3.0),
            log_attack_time: told(s(instants.energy_rise.1 - instants.energy_rise.0).max(1e-3).log10(), 0.1),
            growth_db_per_s: Err(CannotTell::TooShort),
            level_db: power_to_db(settled.power),
            clarity: 100.0,
            faults: Faults::default(),
            evidence: Evidence::default(),
            picture: FrontPicture::empty(),
        }
    }
}

fn told(value: f64, uncertainty: f64) -> Told {
    Ok(Measure { value, uncertainty })
}
