//! A few notes made and heard at once: the smallest experiment.

use crate::audio::Sound;
use crate::synth::{Attack, Dice, Note, Player, Recipe, Rise, Room, Scene, Start, Tone};
use crate::truth::{NoteTruth, TakeTruth};
use notefront_dsp::units::midi_to_hz;
use notefront_dsp::{Entrance, Settings, analyze_and_judge};

/// A player of no special habits: small jitter and shimmer, some breath in the tone.
pub const PLAYER: Player = Player {
    slope_db: 2.5,
    softening: 0.2,
    breath_db: -45.0,
    jitter_cents: 0.5,
    shimmer_db: 0.2,
    attack_ms: (15.0, 30.0),
    mouthpiece: false,
    recipe: Recipe::Slope,
};

/// A clean note of MIDI pitch `midi` at 1 s, played to the centre of the pitch.
#[must_use]
pub fn note(midi: u8, attack_ms: f64) -> Note {
    let attack = Attack { rise: Rise::Logistic, ..Attack::plain(attack_ms) };
    Note { start: Start::Attack(attack), ..Note::plain(1.0, midi_to_hz(f64::from(midi), 440.0), -18.0) }
}

/// A scene with these tones and silence around them.
#[must_use]
pub fn scene(tones: Vec<Tone>, room: Option<Room>) -> Scene {
    let end_s = tones.last().map_or(1.0, |tone| tone.release_s);
    Scene {
        kind: "trial".into(),
        bpm: 60.0,
        grid_start_s: 1.0,
        timed: false,
        duration_s: end_s + 1.2,
        player: PLAYER,
        tones,
        nuisances: Vec::new(),
        room,
        floor_db: -72.0,
        hum: (50.0, -84.0),
    }
}

/// What is true and what is heard of a scene at 48 kHz.
///
/// # Panics
/// When the analysis refuses default settings at 48 kHz.
#[must_use]
pub fn hear(scene: &Scene) -> (TakeTruth, Vec<Entrance>) {
    let (sound, truth) = scene.make(48_000.0, 11);
    let heard = hear_sound(&sound, truth.settings());
    (truth, heard)
}

/// What is heard of a sound.
///
/// # Panics
/// When the analysis refuses the settings or the rate.
#[must_use]
pub fn hear_sound(sound: &Sound, settings: Settings) -> Vec<Entrance> {
    analyze_and_judge(&sound.samples, sound.rate_hz, settings).unwrap_or_else(|e| panic!("{e}"))
}

/// What is true and what is heard of one note of one second.
///
/// # Panics
/// When not exactly one entrance is heard.
#[must_use]
pub fn one(note: Note) -> (NoteTruth, Entrance) {
    let (mut truth, heard) = hear(&scene(vec![Tone::single(note, note.at_s + 1.0)], None));
    assert_eq!(heard.len(), 1, "one note at {} s, heard at {:?}", note.at_s, onsets(&heard));
    (truth.entrances.remove(0), heard[0])
}

/// Onsets, s.
#[must_use]
pub fn onsets(heard: &[Entrance]) -> Vec<f64> {
    heard.iter().map(|entrance| entrance.front.onset_s).collect()
}

/// Noise of a level in dB RMS re full scale, white.
#[must_use]
pub fn white(len: usize, level_db: f64, seed: u64) -> Vec<f32> {
    let mut dice = Dice::new(seed);
    let gain = 10f64.powf(level_db / 20.0);
    (0..len).map(|_| (gain * dice.normal()) as f32).collect()
}
