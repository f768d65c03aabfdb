//! Takes made by other laws than the analysis fits, so that maker and judge do not share their picture: other ways of the
//! pitch, other rises, another tone, and clear fronts as professionals play them.

use super::super::horn::Recipe;
use super::super::score::{Attack, Front, Law, Note, Rise, Start};
use super::super::take::Scene;
use super::{Maker, NUM_NOTES};

/// Notes that any player plays.
const MIDIS: [u8; 11] = [46, 48, 50, 51, 53, 55, 57, 58, 60, 62, 65];
/// How far a lean leans, cents of approach: from over the surely true to what a lip bends.
const LEAN_CENTS: (f64, f64) = (36.0, 75.0);
/// Mean of an approach over the time it is weighed in, about: from the onset to 100 ms after speaking, ms.
const WEIGHED_MS: f64 = 112.0;

impl Maker {
    /// Leans by each law in turn, every third note clean.
    pub(super) fn by_other_laws(mut self) -> Scene {
        for i in 0..NUM_NOTES {
            let midi = self.dice.pick(&MIDIS);
            let mut note = self.note(i, midi);
            if i % 3 != 2 {
                note.front = self.lean(Law::ALL[(i - i / 3) % 4]);
            }
            self.play(note, 0.78);
        }
        self.scene
    }

    /// A bend whose approach is a drawn one, up to the weight of the rising level.
    fn lean(&mut self, law: Law) -> Front {
        let ms = match law {
            Law::HalfCosine => self.dice.within(90.0, 160.0),
            Law::Hyperbola => self.dice.within(25.0, 50.0),
            // The half of it that is past the pitch takes away from the lean.
            Law::PastAndBack => self.dice.within(120.0, 180.0),
            Law::HeldThenDropped => self.dice.within(50.0, 100.0),
        };
        let mean = (0..112).map(|t| law.left(f64::from(t), ms)).sum::<f64>() / WEIGHED_MS;
        let cents = self.dice.within(LEAN_CENTS.0, LEAN_CENTS.1) / mean;
        Front::Bend { cents: self.dice.sign() * cents.min(180.0), ms, law }
    }

    /// Clean notes that grow exponentially or in two steps, and slow ones of both kinds.
    pub(super) fn by_other_rises(mut self) -> Scene {
        for i in 0..NUM_NOTES {
            let midi = self.dice.pick(&MIDIS);
            let mut note = self.note(i, midi);
            if let Start::Attack(attack) = &mut note.start {
                attack.rise = if i % 2 == 0 { Rise::Exponential } else { Rise::TwoSteps };
                if i % 6 >= 4 {
                    // Exponential growth takes 67 ms and more from -20 to -12 dB then, and is slow; two steps are not:
                    // the first is there at once.
                    attack.attack_ms = self.dice.within(110.0, 150.0);
                }
            }
            self.play(note, 0.78);
        }
        self.scene
    }

    /// Every fault, with another tone.
    pub(super) fn by_another_recipe(mut self) -> Scene {
        self.scene.player.recipe = Recipe::Corner;
        self.faulty(&MIDIS, 0.6)
    }

    /// Clear fronts as professionals play them: sharp by about 20 cents in the first instant and at home 40 to 60 ms
    /// later, a peak that falls to the body by up to 5 dB, every third note short (professional-fronts.md).
    pub(super) fn played_by_professionals(mut self) -> Scene {
        for i in 0..NUM_NOTES {
            let midi = self.dice.pick(&MIDIS);
            let note = self.note(i, midi);
            let note = self.professional(note);
            self.play(note, if i % 3 == 2 { 0.25 } else { 0.78 });
        }
        self.scene
    }

    fn professional(&mut self, mut note: Note) -> Note {
        let cents = (23.0 + 35.0 * self.dice.normal()).clamp(-60.0, 110.0);
        note.front = match self.dice.chance(0.5) {
            true => Front::Approach { cents, tau_ms: self.dice.within(8.0, 16.0) },
            false => Front::Bend { cents, ms: self.dice.within(25.0, 45.0), law: Law::HalfCosine },
        };
        if let Start::Attack(attack) = note.start {
            let over_db = self.dice.within(0.0, 4.5);
            note.start = Start::Attack(Attack { overshoot_db: over_db, ..attack });
        }
        note
    }
}
