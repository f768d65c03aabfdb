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
        let (onset_s, speaks_s) = (self.seconds(instants.onset), self.seconds(instants.speaks));
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
            onset_s,
            speaks_s,
            instant_uncertainty: InstantUncertainty { sound_start_ms: onset_ms + 2.0, onset_ms, speaks_ms: onset_ms },
            // An end before the onset, now that it has its place, was not this note's.
            end_s: note.end.map(|e| self.seconds(frames.centre(e) as f64)).filter(|end_s| *end_s > onset_s),
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
            attack_ms: no_attack(if rise_ms > 0.0 {
                told(rise_ms, 1.0 + 0.1 * rise_ms)
            } else {
                Err(CannotTell::TooShort)
            }),
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::air::Air;
    use crate::approach::Approach;
    use crate::coarse::Start;
    use crate::entrance::{Evidence, Measure};
    use crate::level::LevelTrack;
    use crate::settings::Settings;
    use crate::steady::Settled;
    use crate::test_sounds::dice;

    const RATE_HZ: f64 = 12_000.0;
    const MS: f64 = 1e-3 * RATE_HZ;

    /// A note of Bb3 at 1 s whose tone rises by 20 to 90 % within 14 ms, out of a silence, as it was seen.
    fn seen() -> Seen {
        let onset = RATE_HZ;
        Seen {
            settled: Settled {
                hz: 233.08,
                uncertainty_cents: 1.0,
                wander_cents: 0.5,
                from: onset + 150.0 * MS,
                to: onset + 400.0 * MS,
                periodicity: 1.0,
            },
            instants: Instants {
                onset,
                speaks: onset + 3.0 * MS,
                rise: (onset + 2.0 * MS, onset + 16.0 * MS),
                energy_rise: (onset + 1.0 * MS, onset + 18.0 * MS),
                peak: 0.01,
                before: 0.0,
                hidden: 0.0,
                onset_sd: 0.0,
            },
            articulation: Articulation::Tongued,
            approach: Some(Approach {
                lean: Some((-4.0, 2.0)),
                onset_cents: Some((12.0, 5.0)),
                settle: Some((30.0 * MS, 4.0 * MS)),
                split: None,
                slide: None,
            }),
            air: None,
            tone_power: 0.01,
            approach_cents: told(-4.0, 2.0),
            overshoot_db: told(1.0, 0.6),
            silence: Some(RATE_HZ),
            evidence: Evidence::default(),
        }
    }

    fn front_of(seen: &Seen, settings: Settings, level: &[f64], note_end: Option<i64>) -> Front {
        let mut measurer = Measurer::new(RATE_HZ, settings);
        measurer.level = LevelTrack::of(0, MS, level);
        let note = Note {
            start: 400,
            placed_s: 1.0,
            end: note_end,
            kind: Start::Fresh,
            midi: 58.0,
            from_midi: f32::NAN,
            articulation: seen.articulation,
            is_told: false,
        };
        measurer.front(&note, &Frames::new(RATE_HZ), seen)
    }

    fn front(change: impl FnOnce(&mut Seen)) -> Front {
        let mut seen = seen();
        change(&mut seen);
        front_of(&seen, Settings::default(), &[0.0; 50], None)
    }

    fn value(told: Told) -> f64 {
        told.expect("told").value
    }

    #[test]
    fn instants_in_samples_are_told_in_seconds_and_their_distances_in_ms() {
        let front = front(|_| ());
        let near = |a: f64, b: f64| (a - b).abs() < 1e-9;
        assert!(near(front.onset_s, 1.0) && near(front.speaks_s, 1.003) && near(front.sound_start_s, 1.0));
        assert!(
            near(value(front.speak_ms), 3.0)
                && near(value(front.attack_ms), 14.0)
                && near(value(front.settle_ms), 30.0)
        );
        assert!(near(value(front.log_attack_time), 0.017f64.log10()), "energy rises for 17 ms");
        assert!(near(value(front.approach_cents), -4.0) && near(value(front.onset_cents), 12.0));
        assert!(near(front.level_db, -20.0) && front.end_s.is_none() && front.index == 0);
        let ended = front_of(&seen(), Settings::default(), &[0.0; 50], Some(600));
        assert!(near(ended.end_s.expect("frame 600"), 1.5));
        assert_eq!(front_of(&seen(), Settings::default(), &[0.0; 50], Some(399)).end_s, None, "before it began");
    }

    /// A level that grows by so many decibels a second from the onset on is told to (measures page: the slope of the
    /// log level).
    #[test]
    fn growth_is_the_slope_of_the_level_from_the_onset_on() {
        for db_per_s in [150.0, 600.0, 2_000.0] {
            // From a tenth to nine tenths of the peak.
            let length = 20.0 * 9f64.log10() / db_per_s * RATE_HZ;
            let front = front(|seen| seen.instants.rise.1 = seen.instants.onset + length);
            assert!((value(front.growth_db_per_s) / db_per_s - 1.0).abs() < 1e-9, "{:?}", front.growth_db_per_s);
        }
        let at_once = front(|seen| seen.instants.rise.1 = seen.instants.onset);
        assert_eq!(at_once.growth_db_per_s, Err(CannotTell::TooShort));
    }

    /// What an attack tells, and why none of it is told.
    fn attack(front: &Front) -> [Told; 10] {
        [
            front.noise_before_tone_ms,
            front.noise_before_tone_db,
            front.approach_cents,
            front.onset_cents,
            front.speak_ms,
            front.settle_ms,
            front.attack_ms,
            front.log_attack_time,
            front.growth_db_per_s,
            front.overshoot_db,
        ]
    }

    #[test]
    fn a_slur_and_a_note_that_is_cut_off_have_no_attack() {
        let slurred = front(|seen| seen.articulation = Articulation::Slurred);
        assert_eq!(attack(&slurred), [Err(CannotTell::Slurred); 10]);
        assert!(slurred.settled_hz.is_ok() && slurred.tuning_cents.is_ok(), "it has a pitch all the same");
        // The take begins within the tone: its first millisecond is as loud as the peak.
        let mut inside = seen();
        inside.instants.onset = 0.0;
        let level = |power: f64| front_of(&inside, Settings::default(), &[power; 50], None);
        assert_eq!(attack(&level(0.01)), [Err(CannotTell::CutOff); 10]);
        // 30 dB under it the tone begins there by chance.
        assert!(level(1e-5).attack_ms.is_ok());
    }

    #[test]
    fn air_is_told_where_a_silence_let_it_be_heard() {
        let air = Air { start: RATE_HZ - 80.0 * MS, power: 0.01 * 10f64.powf(-2.5), floor: 1e-9, probability: 0.9 };
        let blown = front(|seen| seen.air = Some(air));
        assert!((value(blown.noise_before_tone_ms) - 80.0).abs() < 1e-9);
        assert!((value(blown.noise_before_tone_db) + 25.0).abs() < 1e-9, "re the settled tone");
        assert!((blown.sound_start_s - 0.92).abs() < 1e-9, "the sound begins with it");
        let told = |change: &dyn Fn(&mut Seen)| {
            let front = front(|seen| change(seen));
            (front.noise_before_tone_ms.map(|m| m.value), front.noise_before_tone_db.map(|m| m.value))
        };
        assert_eq!(told(&|_| ()), (Ok(0.0), Err(CannotTell::NoAir)), "no air has no level");
        let masked = (Err(CannotTell::Masked), Err(CannotTell::Masked));
        assert_eq!(told(&|seen| seen.instants.hidden = 0.9), masked, "what hides the onset hides air");
        let joined = (Err(CannotTell::NoSilenceBefore), Err(CannotTell::NoSilenceBefore));
        assert_eq!(told(&|seen| (seen.air, seen.silence) = (Some(air), None)), joined);
        assert_eq!(told(&|seen| (seen.air, seen.silence) = (Some(air), Some(29.0 * MS))), joined, "29 ms are none");
        assert!(told(&|seen| (seen.air, seen.silence) = (Some(air), Some(31.0 * MS))).0.is_ok());
    }

    #[test]
    fn the_onset_is_less_sure_the_lower_the_note_the_slower_the_rise_and_the_more_is_hidden() {
        let ms = |change: &dyn Fn(&mut Seen)| front(|seen| change(seen)).instant_uncertainty.onset_ms;
        let plain = ms(&|_| ());
        assert!(ms(&|seen| seen.settled.hz = 58.27) > plain + 1.0, "a period of 17 ms");
        assert!(ms(&|seen| seen.instants.rise.1 += 100.0 * MS) > plain + 3.0);
        // Nine of ten of a normal error lie within 1.645 deviations, which the rest of the width is part of.
        let unsure = ms(&|seen| seen.instants.onset_sd = 5.0 * MS) - plain;
        assert!((5.0..=5.0 * 1.645).contains(&unsure), "{unsure} ms for a deviation of 5");
        let front = front(|_| ());
        assert!(
            front.instant_uncertainty.sound_start_ms > front.instant_uncertainty.onset_ms,
            "air swells out of the room"
        );
    }

    #[test]
    fn what_was_not_seen_is_not_told() {
        let nothing = Approach { lean: None, onset_cents: None, settle: None, split: None, slide: None };
        let unseen = front(|seen| seen.approach = Some(nothing));
        assert_eq!((unseen.onset_cents, unseen.settle_ms), (Err(CannotTell::TooSoft), Err(CannotTell::TooShort)));
        let no_way = front(|seen| seen.approach = None);
        assert_eq!((no_way.onset_cents, no_way.settle_ms), (Err(CannotTell::NoPitch), Err(CannotTell::NoPitch)));
        assert!(no_way.picture.pitch_cents.iter().all(|cents| cents.is_nan()), "nor drawn");
        let no_rise = front(|seen| seen.instants.energy_rise = (RATE_HZ, RATE_HZ));
        assert_eq!(no_rise.log_attack_time, Err(CannotTell::TooShort));
        let at_once = front(|seen| seen.instants.rise.0 = seen.instants.rise.1);
        assert_eq!(at_once.attack_ms, Err(CannotTell::TooShort), "no tone grows in no time");
    }

    /// Name and tuning together are the pitch, in every tuning (ISO 16:1975 for 440 Hz).
    #[test]
    fn the_nearest_note_and_the_cents_off_it_are_the_pitch() {
        let mut dice = dice(2);
        for _ in 0..200 {
            let (a4_hz, hz) = (392.0 + 74.0 * dice(), 50.0 * (4.0 * dice()).exp2());
            let mut seen = seen();
            (seen.settled.hz, seen.settled.uncertainty_cents) = (hz, 2.0);
            let front = front_of(&seen, Settings { a4_hz, ..Settings::default() }, &[0.0; 50], None);
            let (note, off) = (f64::from(front.midi_note.expect("a pitch")), value(front.tuning_cents));
            assert!(off.abs() <= 50.0 + 1e-9, "{hz} Hz at {a4_hz}: {off} cents");
            let again = a4_hz * ((note - 69.0 + off / 100.0) / 12.0).exp2();
            assert!((again / hz - 1.0).abs() < 1e-9, "{hz} Hz at {a4_hz}: {note} and {off} cents are {again} Hz");
            let Measure { value, uncertainty } = front.settled_hz.expect("told");
            assert!((1200.0 * ((value + uncertainty) / value).log2() - 2.0).abs() < 1e-9, "as wide in Hz as in cents");
            assert_eq!(front.partial, front.positions.iter().next().map(|p| p.partial));
        }
    }
}
