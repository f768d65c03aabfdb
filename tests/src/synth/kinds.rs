//! The kinds of takes that are made, each from a seed.

mod other;

use super::dice::Dice;
use super::horn::Player;
use super::noise::Nuisance;
use super::room::Room;
use super::score::{Air, Attack, Front, Note, Rise, Start, Stutter, Tone, Vibrato};
use super::take::Scene;
use notefront_dsp::units::{midi_to_hz, shift_cents};

/// Every kind.
pub const KINDS: [&str; 18] = [
    "faults",
    "legato",
    "slurs",
    "breaths",
    "room",
    "pedal",
    "high",
    "soft",
    "staccato",
    "repeats",
    "dynamics",
    "nuisances",
    "mouthpiece",
    "held",
    "laws",
    "rises",
    "recipe",
    "professional",
];

/// Notes of a take.
const NUM_NOTES: usize = 24;
/// First beat, s.
const GRID_START_S: f64 = 1.0;

/// A take of a kind from a seed; `None` when there is no such kind.
#[must_use]
pub fn make(kind: &str, seed: u64) -> Option<Scene> {
    let maker = Maker::new(kind, seed);
    Some(match kind {
        "faults" => maker.faulty(&[46, 48, 50, 51, 53, 55, 57, 58, 60, 62, 65], 0.6),
        "pedal" => maker.faulty(&[28, 29, 30, 31, 32, 33, 34], 0.6),
        "high" => maker.faulty(&[62, 65, 67, 68, 70, 72, 74, 77], 0.6),
        "soft" => maker.soft(),
        "room" => maker.in_a_room(),
        "breaths" => maker.with_breaths(),
        "legato" => maker.legato(),
        "repeats" => maker.repeats(),
        "slurs" => maker.slurs(),
        "staccato" => maker.staccato(),
        "dynamics" => maker.dynamics(),
        "nuisances" => maker.with_nuisances(),
        "mouthpiece" => maker.mouthpiece(),
        "held" => maker.held(),
        "laws" => maker.by_other_laws(),
        "rises" => maker.by_other_rises(),
        "recipe" => maker.by_another_recipe(),
        "professional" => maker.played_by_professionals(),
        _ => return None,
    })
}

/// The partial a note is usually played on: in the first positions that give it, Bb1 being the first in first \[P\].
#[must_use]
pub fn usual_partial(midi: u8) -> f64 {
    match midi {
        ..=34 => 1.0,
        35..=46 => 2.0,
        47..=53 => 3.0,
        54..=58 => 4.0,
        59..=62 => 5.0,
        63..=65 => 6.0,
        _ => 8.0,
    }
}

struct Maker {
    dice: Dice,
    num_spoilt: usize,
    scene: Scene,
}

impl Maker {
    fn new(kind: &str, seed: u64) -> Self {
        let mixed = kind.bytes().fold(seed, |h, b| h.wrapping_mul(31).wrapping_add(u64::from(b)));
        let mut dice = Dice::new(mixed);
        let player = Player::any(&mut dice);
        let bpm = dice.within(58.0, 84.0).round();
        let scene = Scene {
            kind: kind.to_owned(),
            bpm,
            grid_start_s: GRID_START_S,
            timed: true,
            duration_s: GRID_START_S + 60.0 / bpm * NUM_NOTES as f64 + 1.5,
            player,
            tones: Vec::new(),
            nuisances: Vec::new(),
            room: None,
            floor_db: dice.within(-78.0, -66.0),
            hum: (dice.pick(&[50.0, 60.0]), dice.within(-90.0, -72.0)),
        };
        Self { dice, num_spoilt: 0, scene }
    }

    fn beat_s(&self) -> f64 {
        60.0 / self.scene.bpm
    }

    /// A clean note on beat `i`, as this player plays it: a little off the beat and off the pitch.
    fn note(&mut self, i: usize, midi: u8) -> Note {
        let at_s = GRID_START_S + i as f64 * self.beat_s() + (0.012 * self.dice.normal()).clamp(-0.035, 0.035);
        let level_db = self.dice.within(-22.0, -12.0);
        let attack = self.attack(midi, level_db);
        Note { start: Start::Attack(attack), ..Note::plain(at_s, self.tuned_hz(midi), level_db) }
    }

    fn tuned_hz(&mut self, midi: u8) -> f64 {
        shift_cents(midi_to_hz(f64::from(midi), 440.0), (8.0 * self.dice.normal()).clamp(-22.0, 22.0))
    }

    /// Low notes and soft notes take longer: the bore supports a note after its round trips.
    fn attack(&mut self, midi: u8, level_db: f64) -> Attack {
        let (quickest_ms, slowest_ms) = self.scene.player.attack_ms;
        let lowness = ((65.0 - f64::from(midi)) / 31.0).clamp(0.0, 1.0);
        let softness = ((-16.0 - level_db) / 20.0).clamp(0.0, 1.0);
        let usual_ms = quickest_ms + (slowest_ms - quickest_ms) * (lowness + softness).min(1.3);
        let rise = self.dice.pick(&[Rise::Logistic, Rise::Logistic, Rise::RaisedCosine]);
        let tongue_db = self.dice.chance(0.6).then(|| self.dice.within(-34.0, -20.0));
        Attack { rise, tongue_db, ..Attack::plain(usual_ms * self.dice.within(0.8, 1.25)) }
    }

    /// Ends `share` of a beat after the note begins.
    fn play(&mut self, note: Note, share: f64) {
        self.make_room_for(&note);
        let release_s = note.at_s + self.beat_s() * share;
        let release_ms = self.dice.within(40.0, 110.0);
        self.scene.tones.push(Tone { notes: vec![note], release_s, release_ms });
    }

    /// Nobody blows air into the horn, or begins a note, while the last one sounds.
    fn make_room_for(&mut self, note: &Note) {
        let Start::Attack(attack) = note.start else { return };
        let gap_s = attack.air.map_or(0.05, |air| air.ms / 1e3 + 0.12);
        if let Some(last) = self.scene.tones.last_mut() {
            last.release_s = last.release_s.min(note.at_s - gap_s - last.release_ms / 1e3);
        }
    }

    fn faulty(mut self, midis: &[u8], share_of_faults: f64) -> Scene {
        for i in 0..NUM_NOTES {
            let midi = self.dice.pick(midis);
            let mut note = self.note(i, midi);
            if self.dice.chance(share_of_faults) {
                self.spoil(&mut note, midi);
            }
            self.play(note, 0.78);
        }
        self.scene
    }

    /// One fault, each in turn so that a take holds them all.
    fn spoil(&mut self, note: &mut Note, midi: u8) {
        self.num_spoilt += 1;
        let Start::Attack(attack) = &mut note.start else { return };
        match self.num_spoilt % 8 {
            0 => attack.air = Some(Air { ms: self.dice.within(40.0, 170.0), db: self.dice.within(-27.0, -14.0) }),
            1 => note.front = self.approach(note.hz, -1.0),
            2 => note.front = self.approach(note.hz, 1.0),
            3 => note.front = self.wrong_partial(midi),
            4 => {
                let cents_per_s = self.dice.within(800.0, 2000.0);
                let cents = self.dice.sign() * self.dice.within(70.0, 180.0).max(cents_per_s * 0.06);
                note.front = Front::Slide { cents, cents_per_s };
            }
            5 => attack.stutter = Some(self.stutter(midi)),
            6 => attack.attack_ms = self.dice.within(150.0, 210.0),
            _ => {
                attack.overshoot_db = self.dice.within(8.5, 12.0);
                attack.tongue_db = Some(-12.0);
                note.level_db -= 4.0;
            }
        }
    }

    /// Depth from a little over the line to 2.5 times as much, and no more than a player's lip bends \[P\].
    fn approach(&mut self, hz: f64, sign: f64) -> Front {
        let line = crate::truth::approach_line_cents(hz);
        let cents = line * self.dice.within(1.25, 2.5f64.min(170.0 / line));
        Front::Approach { cents: sign * cents, tau_ms: self.dice.within(30.0, 70.0) }
    }

    /// A neighbour of the partial the note sits on in its most usual position.
    fn wrong_partial(&mut self, midi: u8) -> Front {
        let partial = usual_partial(midi);
        let other = if partial == 1.0 { 2.0 } else { partial + self.dice.sign() };
        let three_periods_ms = 3e3 / midi_to_hz(f64::from(midi), 440.0);
        Front::WrongPartial { ratio: other / partial, ms: self.dice.within(35.0, 100.0).max(1.4 * three_periods_ms) }
    }

    /// The dip of a low note is wider: it needs periods to be one.
    fn stutter(&mut self, midi: u8) -> Stutter {
        let period_ms = 1e3 / midi_to_hz(f64::from(midi), 440.0);
        let half_width_ms = self.dice.within(22.0, 34.0).max(2.0 * period_ms);
        Stutter {
            dip_after_ms: self.dice.within(55.0, 80.0).max(1.2 * half_width_ms),
            dip_db: self.dice.within(11.0, 22.0),
            half_width_ms,
        }
    }

    fn soft(mut self) -> Scene {
        for i in 0..NUM_NOTES {
            let midi = self.dice.pick(&[46, 48, 50, 51, 53, 55, 57, 58, 62]);
            let mut note = self.note(i, midi);
            note.level_db = self.dice.within(-40.0, -30.0);
            note.start = Start::Attack(Attack { tongue_db: None, ..self.attack(midi, note.level_db) });
            self.play(note, 0.78);
        }
        self.scene
    }

    fn in_a_room(mut self) -> Scene {
        self.scene.room = Some(Room {
            rt60_s: self.dice.within(0.3, 1.1),
            // A practice room near the bell, where the direct sound leads by this much \[P\].
            wet_db: self.dice.within(-20.0, -12.0),
            delay_s: self.dice.within(0.004, 0.02),
        });
        self.faulty(&[46, 48, 50, 51, 53, 55, 57, 58, 60, 62, 65], 0.6)
    }

    fn with_breaths(mut self) -> Scene {
        for i in 0..NUM_NOTES {
            let midi = self.dice.pick(&[46, 48, 50, 51, 53, 55, 57, 58, 62]);
            let mut note = self.note(i, midi);
            if let Start::Attack(attack) = &mut note.start {
                attack.inhaled_before_ms = (i % 2 == 0).then(|| self.dice.within(50.0, 120.0));
            }
            self.play(note, if i % 2 == 0 { 0.78 } else { 0.3 });
        }
        self.scene
    }

    fn held(mut self) -> Scene {
        for i in 0..NUM_NOTES / 2 {
            let midi = self.dice.pick(&[46, 48, 50, 53, 55, 58, 62]);
            let mut note = self.note(2 * i, midi);
            if let Start::Attack(attack) = &mut note.start {
                attack.inhaled_before_ms =
                    Some(if i % 2 == 0 { self.dice.within(300.0, 450.0) } else { self.dice.within(30.0, 110.0) });
            }
            self.play(note, 0.7);
        }
        self.scene
    }

    /// Joined notes on consecutive beats in tones of up to `in_a_breath` notes.
    fn joined(&mut self, midis: &[u8], in_a_breath: usize, mut start: impl FnMut(&mut Dice) -> Start) {
        for from in (0..midis.len()).step_by(in_a_breath) {
            let to = (from + in_a_breath).min(midis.len());
            let mut notes: Vec<Note> = (from..to).map(|i| self.note(i, midis[i])).collect();
            for note in &mut notes[1..] {
                note.start = start(&mut self.dice);
            }
            let release_s = notes[notes.len() - 1].at_s + 0.75 * self.beat_s();
            self.scene.tones.push(Tone { notes, release_s, release_ms: 70.0 });
        }
    }

    fn melody(&mut self, midis: &[u8]) -> Vec<u8> {
        let mut melody: Vec<u8> = Vec::new();
        while melody.len() < NUM_NOTES {
            let next = self.dice.pick(midis);
            if melody.last() != Some(&next) {
                melody.push(next);
            }
        }
        melody
    }

    fn legato(mut self) -> Scene {
        let melody = self.melody(&[46, 48, 50, 51, 53, 55, 57, 58, 62]);
        self.joined(&melody, 6, |dice| Start::Dip {
            depth_db: dice.within(8.0, 26.0),
            width_ms: dice.within(45.0, 80.0),
            glide_ms: dice.within(6.0, 14.0),
        });
        self.scene
    }

    fn repeats(mut self) -> Scene {
        let melody: Vec<u8> = self.melody(&[46, 50, 53, 57, 58, 62]).iter().flat_map(|m| [*m; 3]).collect();
        self.joined(&melody[..NUM_NOTES], 3, |dice| Start::Dip {
            depth_db: dice.within(6.5, 9.0),
            width_ms: dice.within(50.0, 80.0),
            glide_ms: 5.0,
        });
        self.scene
    }

    fn slurs(mut self) -> Scene {
        self.scene.timed = false;
        let melody = self.melody(&[46, 53, 58, 62, 65]);
        self.joined(&melody, 6, |dice| Start::Slur { glide_ms: dice.within(18.0, 45.0) });
        self.scene
    }

    fn staccato(mut self) -> Scene {
        self.scene.bpm = self.dice.within(240.0, 330.0).round();
        self.scene.duration_s = GRID_START_S + self.beat_s() * NUM_NOTES as f64 + 1.5;
        for i in 0..NUM_NOTES {
            let midi = self.dice.pick(&[46, 50, 53, 57, 58, 62, 65]);
            let mut note = self.note(i, midi);
            note.at_s = GRID_START_S + i as f64 * self.beat_s() + (0.006 * self.dice.normal()).clamp(-0.015, 0.015);
            let release_s = note.at_s + self.beat_s() * 0.45;
            self.scene.tones.push(Tone { notes: vec![note], release_s, release_ms: 30.0 });
        }
        self.scene
    }

    fn dynamics(mut self) -> Scene {
        for i in 0..NUM_NOTES {
            let midi = self.dice.pick(&[41, 46, 50, 53, 58, 62, 65]);
            let mut note = self.note(i, midi);
            note.level_db = [-42.0, -12.0, -30.0, -18.0, -36.0, -24.0][i % 6] + self.dice.within(-2.0, 2.0);
            note.start = Start::Attack(self.attack(midi, note.level_db));
            self.play(note, 0.78);
        }
        self.scene
    }

    /// Long notes with vibrato and swells; between and after them all that is no note.
    fn with_nuisances(mut self) -> Scene {
        self.scene.hum.1 = -58.0;
        self.scene.room = Some(Room { rt60_s: 0.8, wet_db: -12.0, delay_s: 0.01 });
        for i in 0..NUM_NOTES / 3 {
            let midi = self.dice.pick(&[46, 50, 53, 57, 58, 62]);
            let mut note = self.note(3 * i, midi);
            note.swell_db = if i % 2 == 0 { 9.0 } else { 0.0 };
            note.vibrato =
                (i % 2 == 1).then(|| Vibrato { cents: 28.0, db: 1.5, hz: self.dice.within(4.5, 6.0), delay_ms: 350.0 });
            self.play(note, 1.9);
        }
        self.scatter_nuisances();
        self.scene
    }

    fn scatter_nuisances(&mut self) {
        let beat_s = self.beat_s();
        for i in 0..NUM_NOTES / 3 {
            let gap_s = GRID_START_S + (3 * i) as f64 * beat_s + 2.25 * beat_s;
            let what = [Nuisance::Knock, Nuisance::Rustle, Nuisance::Breath(0.4)][i % 3];
            self.scene.nuisances.push((gap_s, -38.0 + self.dice.within(-4.0, 4.0), what));
        }
        for i in 0..NUM_NOTES {
            self.scene.nuisances.push((GRID_START_S + i as f64 * beat_s, -48.0, Nuisance::Click));
        }
        let last_s = GRID_START_S + NUM_NOTES as f64 * beat_s;
        self.scene.nuisances.push((last_s, -28.0, Nuisance::Speech(2.5)));
        self.scene.duration_s = last_s + 3.5;
    }

    fn mouthpiece(mut self) -> Scene {
        let player = &mut self.scene.player;
        player.mouthpiece = true;
        player.breath_db = self.dice.within(-26.0, -20.0);
        player.jitter_cents = 2.0;
        player.slope_db = 7.0;
        for i in 0..NUM_NOTES {
            let midi = self.dice.pick(&[46, 48, 50, 53, 55, 57, 58, 62, 65]);
            let mut note = self.note(i, midi);
            if i % 4 == 1 {
                note.front = self.approach(note.hz, -1.0);
            } else if i % 4 == 3 {
                note.front = self.approach(note.hz, 1.0);
            }
            self.play(note, 0.78);
        }
        self.scene
    }
}
