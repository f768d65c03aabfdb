//! A front told: every measure with its uncertainty, or why there is none.

use super::{Measurer, Seen, told};
use crate::body::RELEASE_S;
use crate::coarse::Note;
use crate::entrance::{Articulation, CannotTell, Front, FrontPicture, InstantUncertainty, Told};
use crate::instants::{Instants, ONSET_SHARE};
use crate::observe::Frames;
use crate::parameters::widths::{AIR_START_MS, ONSET_SDS};
use crate::picture;
use crate::units::{cents, hz_to_midi, midi_to_hz, power_to_db};

/// A take that is as loud as an onset within so long of its beginning, s, begins inside the note \[T\].
const CUT_OFF_S: f64 = 0.002;

impl Measurer {
    /// The take begins inside the note: what came before is not on it.
    fn is_cut_off(&self, instants: &Instants) -> bool {
        let first = self.level.max(0.0, CUT_OFF_S * self.rate_hz);
        instants.onset < CUT_OFF_S * self.rate_hz && first > ONSET_SHARE * ONSET_SHARE * instants.peak
    }

    /// The front of a note as far as it was seen.
    pub(super) fn front(&self, note: &Note, frames: &Frames, seen: &Seen) -> Front {
        let (settled, instants) = (&seen.settled, &seen.instants);
        let midi = hz_to_midi(settled.hz, self.settings.a4_hz);
        let nearest = midi.round().clamp(0.0, 127.0);
        let off = cents(settled.hz, midi_to_hz(nearest, self.settings.a4_hz));
        let positions = self.positions(settled.hz);
        let speaks_s = self.seconds(instants.speaks);
        let onset_ms = self.onset_uncertainty_ms(seen);
        let (noise_ms, noise_db) = self.noise(seen);
        let no_attack = match seen.articulation {
            Articulation::Slurred => Some(CannotTell::Slurred),
            _ => self.is_cut_off(instants).then_some(CannotTell::CutOff),
        };
        let no_attack = |told: Told| no_attack.map_or(told, Err);
        let rise_ms = self.ms(instants.rise.1 - instants.rise.0);
        Front {
            index: self.num_told,
            sound_start_s: self.seconds(seen.air.map_or(instants.onset, |a| a.start.min(instants.onset))),
            onset_s: self.seconds(instants.onset),
            speaks_s,
            instant_uncertainty: InstantUncertainty { sound_start_ms: onset_ms + 2.0, onset_ms, speaks_ms: onset_ms },
            end_s: note.end.map(|e| self.seconds(frames.centre(e) as f64)),
            midi_note: Some(nearest as u8),
            settled_hz: told(settled.hz, settled.hz * (settled.uncertainty_cents / 1200.0).exp2() - settled.hz),
            tuning_cents: told(off, settled.uncertainty_cents),
            partial: positions.iter().next().map(|p| p.partial),
            positions,
            articulation: seen.articulation,
            noise_before_tone_ms: no_attack(noise_ms),
            noise_before_tone_db: no_attack(noise_db),
            approach_cents: no_attack(seen.approach_cents),
            onset_cents: no_attack(self.onset_cents(seen)),
            speak_ms: no_attack(told(self.ms(instants.speaks - instants.onset), onset_ms)),
            settle_ms: no_attack(self.settle_ms(seen)),
            attack_ms: no_attack(told(rise_ms, 1.0 + 0.1 * rise_ms)),
            log_attack_time: no_attack(self.log_attack_time(instants)),
            growth_db_per_s: no_attack(self.growth(instants)),
            overshoot_db: no_attack(seen.overshoot_db),
            level_db: power_to_db(seen.tone_power),
            evidence: seen.evidence,
            picture: self.drawn(seen),
        }
    }

    fn onset_uncertainty_ms(&self, seen: &Seen) -> f64 {
        let instants = &seen.instants;
        let period_ms = 1e3 / seen.settled.hz;
        let rise_ms = self.ms(instants.rise.1 - instants.rise.0).max(0.0);
        0.5 + 0.15 * period_ms + 0.04 * rise_ms + ONSET_SDS * self.ms(instants.onset_sd)
    }

    fn noise(&self, seen: &Seen) -> (Told, Told) {
        if !seen.silence.is_some_and(|since| self.seconds(since) >= RELEASE_S) {
            return (Err(CannotTell::NoSilenceBefore), Err(CannotTell::NoSilenceBefore));
        }
        match seen.air {
            Some(air) => {
                let length = self.ms(seen.instants.onset - air.start);
                let level = power_to_db(air.power / seen.tone_power.max(1e-20));
                (told(length, AIR_START_MS + self.onset_uncertainty_ms(seen)), told(level, 1.5))
            }
            // What hides the onset hides air under it.
            None if seen.instants.is_hidden() => (Err(CannotTell::Masked), Err(CannotTell::Masked)),
            None => (told(0.0, 3.0), Err(CannotTell::NoAir)),
        }
    }

    fn onset_cents(&self, seen: &Seen) -> Told {
        let approach = seen.approach.as_ref().ok_or(CannotTell::NoPitch)?;
        let (value, uncertainty) = approach.onset_cents.ok_or(CannotTell::TooSoft)?;
        told(value, uncertainty)
    }

    fn settle_ms(&self, seen: &Seen) -> Told {
        let approach = seen.approach.as_ref().ok_or(CannotTell::NoPitch)?;
        let (value, uncertainty) = approach.settle.ok_or(CannotTell::TooShort)?;
        told(self.ms(value), self.ms(uncertainty))
    }

    fn drawn(&self, seen: &Seen) -> FrontPicture {
        let onset_s = seen.instants.onset / self.rate_hz;
        picture::draw(self.reader.points(), &self.path, onset_s, seen.tone_power, self.rate_hz)
    }

    fn log_attack_time(&self, instants: &Instants) -> Told {
        let length_s = self.seconds(instants.energy_rise.1 - instants.energy_rise.0);
        if length_s <= 0.0 { Err(CannotTell::TooShort) } else { told(length_s.max(5e-4).log10(), 0.06) }
    }

    fn growth(&self, instants: &Instants) -> Told {
        let length_s = self.seconds(instants.rise.1 - instants.onset);
        if length_s <= 0.0 {
            return Err(CannotTell::TooShort);
        }
        // From the onset (10 % of the peak) to 90 % of it the level grows by 19.1 dB.
        let growth = 20.0 * 9f64.log10() / length_s.max(1e-3);
        told(growth, 0.1 * growth)
    }
}
