//! Takes of recorded notes on a click: notes untouched, and notes spoilt in turn.

use super::natural::{Natural, Source};
use super::played::Played;
use super::spoil::{Spoil, Spoilt, spoil};
use crate::audio::{self, Sound};
use crate::synth::{Dice, add_floor, smoothstep};
use crate::truth::{NoteTruth, TakeTruth};
use std::collections::BTreeMap;

/// Notes of a take.
const NOTES_A_TAKE: usize = 24;
/// Tempo, beats per minute, and first beat, s.
const BPM: f64 = 60.0;
/// See [`BPM`].
const FIRST_BEAT_S: f64 = 1.0;
/// A note ends so long after it speaks, s, within a release, s.
const NOTE_S: f64 = 0.72;
/// See [`NOTE_S`].
const RELEASE_S: f64 = 0.05;
/// What was recorded before a note fades in over this, s: room and hiss must not begin as air does.
const FADE_IN_S: f64 = 0.02;
/// Levels of the notes' bodies, dB, and of the floor and hum.
const BODY_DB: (f64, f64) = (-30.0, -14.0);
/// See [`BODY_DB`].
const FLOOR_DB: (f64, f64) = (-78.0, -90.0);

/// A take and what is true of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Placed {
    /// Its name.
    pub name: String,
    /// The sound.
    pub sound: Sound,
    /// The truth.
    pub truth: TakeTruth,
}

/// Two takes of every dozen notes and more of each player: each note once untouched, and twice spoilt, faults in turn.
///
/// # Errors
/// A note that cannot be read.
pub fn placed_takes(sources: &[Source], fronts: &BTreeMap<String, Natural>) -> Result<Vec<Placed>, String> {
    let mut players: Vec<&str> = sources.iter().map(|source| source.player).collect();
    players.sort_unstable();
    players.dedup();
    let mut takes = Vec::new();
    for player in players {
        let of: Vec<&Source> = sources.iter().filter(|source| source.player == player).collect();
        let notes = isolated(&of, fronts)?;
        let rounds: [(&str, Option<usize>); 3] = [("untouched", None), ("spoilt", Some(0)), ("spoilt", Some(3))];
        for (what, first_fault) in rounds {
            takes.extend(round(player, what, first_fault, &notes));
        }
    }
    Ok(takes)
}

/// Notes with a front that could be told, mixed by chance that repeats.
fn isolated(sources: &[&Source], fronts: &BTreeMap<String, Natural>) -> Result<Vec<(u8, Played)>, String> {
    let mut notes = Vec::new();
    for source in sources {
        let file = source.path.file_name().map(|f| f.to_string_lossy().into_owned()).unwrap_or_default();
        if let Some(natural) = fronts.get(&file) {
            notes.push((source.midi, Played::new(&audio::read(&source.path)?, natural)));
        }
    }
    let mut dice = Dice::new(notes.len() as u64);
    for i in (1..notes.len()).rev() {
        notes.swap(i, dice.within(0.0, i as f64 + 1.0) as usize % (i + 1));
    }
    Ok(notes)
}

fn round(player: &str, what: &str, first_fault: Option<usize>, notes: &[(u8, Played)]) -> Vec<Placed> {
    let takes = notes.chunks(NOTES_A_TAKE).enumerate();
    takes
        .map(|(t, notes)| {
            let mut dice = Dice::new(t as u64 + 100 * first_fault.map_or(0, |f| f as u64 + 1));
            let name = format!("{player}, {what} {}", t + 1 + first_fault.map_or(0, |f| 100 * f));
            let played = notes.iter().enumerate().map(|(i, (midi, played))| {
                let fault = first_fault.map(|first| Spoil::ALL[(first + i) % Spoil::ALL.len()]);
                let spoilt = fault.and_then(|fault| spoil(played, fault, *midi, &mut dice));
                match spoilt {
                    Some(spoilt) => (*midi, fault, spoilt),
                    None => (*midi, None, Spoilt { played: played.clone(), air: None }),
                }
            });
            let played: Vec<_> = played.collect();
            take(name, &played, &mut dice)
        })
        .collect()
}

fn take(name: String, notes: &[(u8, Option<Spoil>, Spoilt)], dice: &mut Dice) -> Placed {
    let rate_hz = notes.first().map_or(44_100.0, |note| note.2.played.rate_hz);
    let beat_s = 60.0 / BPM;
    let len_s = FIRST_BEAT_S + beat_s * notes.len() as f64 + 1.0;
    let mut out = vec![0.0; (len_s * rate_hz) as usize];
    let mut entrances = Vec::new();
    for (i, (midi, fault, spoilt)) in notes.iter().enumerate() {
        let off_s = (0.012 * dice.normal()).clamp(-0.03, 0.03);
        let speaks_s = FIRST_BEAT_S + beat_s * i as f64 + off_s;
        let onset = ((speaks_s - spoilt.played.speak_s) * rate_hz).round();
        add(&mut out, &spoilt.played, onset as usize, dice.within(BODY_DB.0, BODY_DB.1));
        entrances.push(truth_of(*midi, *fault, spoilt, onset / rate_hz, off_s * 1e3));
    }
    add_floor(&mut out, rate_hz, FLOOR_DB.0, 50.0, FLOOR_DB.1, dice);
    let highest = out.iter().fold(0.95f64, |a, s| a.max(s.abs()));
    let samples = out.iter().map(|s| (s * 0.95 / highest) as f32).collect();
    let truth = TakeTruth {
        kind: "placed".into(),
        bpm: BPM,
        grid_start_s: FIRST_BEAT_S,
        sample_rate_hz: rate_hz,
        a4_hz: 440.0,
        judged: Spoil::ALL.map(|spoil| spoil.name().to_owned()).to_vec(),
        entrances,
    };
    Placed { name, sound: Sound { samples, rate_hz }, truth }
}

/// Adds a note with its body at a level, fading in what was recorded before it and ending it in time.
fn add(out: &mut [f64], played: &Played, onset: usize, body_db: f64) {
    let gain = 10f64.powf(body_db / 20.0) / played.body().max(1e-6);
    let end_s = played.speak_s + NOTE_S;
    for (i, sample) in played.samples.iter().enumerate() {
        let t_s = (i as f64 - played.onset as f64) / played.rate_hz;
        let fade_in = smoothstep(0.0, FADE_IN_S.min(played.onset as f64 / played.rate_hz), i as f64 / played.rate_hz);
        let fade = fade_in * (1.0 - smoothstep(end_s - RELEASE_S, end_s, t_s));
        let Some(place) = (onset + i).checked_sub(played.onset) else { continue };
        if let Some(sum) = out.get_mut(place) {
            *sum += gain * fade * sample;
        }
    }
}

fn truth_of(midi: u8, fault: Option<Spoil>, spoilt: &Spoilt, onset_s: f64, timing_ms: f64) -> NoteTruth {
    let played = &spoilt.played;
    let listed = fault.filter(|fault| !matches!(fault, Spoil::Below | Spoil::Above));
    let air_ms = spoilt.air.map_or(0.0, |air| air.0);
    NoteTruth {
        onset_s,
        speaks_s: onset_s + played.speak_s,
        sound_start_s: onset_s - air_ms / 1e3,
        noise_ms: air_ms,
        noise_db: spoilt.air.map(|air| air.1),
        onset_cents: played.onset_cents(),
        approach_cents: played.approach_cents(),
        settle_ms: played.settle_ms(),
        midi: f64::from(midi),
        settled_hz: played.settled_hz,
        articulation: "tongued".into(),
        rise_ms: None,
        faults: listed.iter().map(|fault| fault.name().to_owned()).collect(),
        end_s: onset_s + played.speak_s + NOTE_S - RELEASE_S / 2.0,
        timing_ms: Some(timing_ms),
        made: Some(fault.map_or("none", Spoil::name).to_owned()),
    }
}
