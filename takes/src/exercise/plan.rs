//! From habits to exercises: two or three things, each with what aims at it. Which exercise helps against what is practice of
//! the trade \[P\].

use super::{Exercise, arpeggio, breath_attacks, long_starts, repeats, scale, steps};
use crate::log::habits::{Habits, Row, Standing};
use crate::patterns::facet::Place;
use crate::patterns::{Facet, Kind};
use crate::summary::Register;
use crate::words;
use notefront_dsp::units::{hz_to_midi, midi_to_hz};
use notefront_dsp::{FaultName, SlidePosition};

/// Most exercises of a day's sheet: about ten minutes.
const MOST_EXERCISES: usize = 6;

/// Tomorrow's sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// Why, a sentence for each thing that is practised.
    pub reasons: Vec<String>,
    /// What.
    pub exercises: Vec<Exercise>,
}

/// What to practise after these habits.
#[must_use]
pub fn of(habits: &Habits) -> Plan {
    let mut plan = Plan { reasons: Vec::new(), exercises: Vec::new() };
    for standing in &habits.standing {
        plan.reasons.push(crate::log::words::standing(standing, habits));
        let row = habits.rows.iter().find(|row| row.facet == standing.facet && row.kind == standing.kind);
        plan.exercises.extend(for_standing(standing, row));
    }
    if plan.exercises.is_empty() {
        let (why, exercises) = without_standing(habits);
        plan.reasons.push(why);
        plan.exercises = exercises;
    }
    let mut seen = Vec::new();
    plan.exercises.retain(|exercise| {
        let is_new = !seen.contains(&exercise.title);
        seen.push(exercise.title.clone());
        is_new
    });
    plan.exercises.truncate(MOST_EXERCISES);
    plan
}

fn worst_fault(row: Option<&Row>) -> Option<FaultName> {
    row.and_then(|row| row.cell.most_frequent().first().map(|&(name, _)| name))
}

fn for_standing(standing: &Standing, row: Option<&Row>) -> Vec<Exercise> {
    let fault = worst_fault(row);
    match standing.facet {
        Facet::Place => for_place(standing.kind, fault),
        Facet::Register => {
            let register = Register::ALL.get(usize::from(standing.kind)).copied().unwrap_or(Register::Middle);
            vec![against(fault, register), long_starts(register)]
        }
        Facet::Dynamic => vec![breath_attacks(Register::Middle), long_starts(Register::Middle)],
        Facet::Articulation if standing.kind == 0 => vec![repeats(53, None), against(fault, Register::Middle)],
        Facet::Articulation => vec![arpeggio(1, 6, true), arpeggio(3, 6, true)],
        Facet::Interval => for_interval(standing.kind),
        // Late in the session or at its beginning: few notes, long rests.
        Facet::Minutes | Facet::Weekday => vec![long_starts(Register::Middle)],
    }
}

/// The note itself, then the way to it from the partials below, slurred and tongued; where it is the clock that it misses, a
/// scale with the click instead of the slur.
fn for_place(kind: Kind, fault: Option<FaultName>) -> Vec<Exercise> {
    let Some(Place { partial, position, trigger }) = Place::of_kind(kind) else { return Vec::new() };
    if trigger {
        return vec![long_starts(Register::Low)];
    }
    let pedal_hz = midi_to_hz(34.0, 440.0);
    let hz = pedal_hz * f64::from(partial) / (f64::from(position - 1) / 12.0).exp2();
    let place = SlidePosition { position: f64::from(position), trigger, partial };
    let note = hz_to_midi(hz, 440.0).round().clamp(0.0, 127.0) as u8;
    let mut exercises = vec![repeats(note, Some(place))];
    if matches!(fault, Some(FaultName::Early | FaultName::Late)) {
        exercises.push(against(fault, Register::of(note)));
        return exercises;
    }
    if partial <= super::MOST_PARTIAL {
        let to_partial = if partial == 7 { 8 } else { partial.max(4) };
        exercises.extend([arpeggio(position, to_partial, true), arpeggio(position, to_partial, false)]);
    }
    exercises
}

/// The kinds of steps of the facet, as semitones.
fn for_interval(kind: Kind) -> Vec<Exercise> {
    match kind {
        0 => vec![long_starts(Register::Middle), breath_attacks(Register::Middle)],
        1 => vec![repeats(53, None)],
        2 => vec![steps(2), scale(46)],
        3 => vec![steps(-2), scale(46)],
        4 => vec![steps(4)],
        5 => vec![steps(-3)],
        6 => vec![steps(7)],
        7 => vec![steps(-5)],
        8 => vec![steps(9), arpeggio(1, 8, false)],
        _ => vec![steps(-9), arpeggio(1, 8, false)],
    }
}

/// What players usually practise against a fault, in a register.
fn against(fault: Option<FaultName>, register: Register) -> Exercise {
    match fault {
        Some(FaultName::Airy | FaultName::HeldBreath | FaultName::Stutter) => breath_attacks(register),
        Some(FaultName::Smear | FaultName::Early | FaultName::Late) => scale(match register {
            Register::Pedal | Register::Low => 41,
            Register::Middle => 46,
            Register::High | Register::Top => 58,
        }),
        Some(FaultName::Slow | FaultName::Split | FaultName::Hard) => repeats(
            match register {
                Register::Pedal => 34,
                Register::Low => 41,
                Register::Middle => 53,
                Register::High => 62,
                Register::Top => 72,
            },
            None,
        ),
        Some(FaultName::Below | FaultName::Above) | None => long_starts(register),
    }
}

/// Nothing stands out: what happens most often, and the daily round.
fn without_standing(habits: &Habits) -> (String, Vec<Exercise>) {
    let round = || vec![long_starts(Register::Middle), arpeggio(1, 6, true), scale(46)];
    match habits.all.cell.most_frequent().first() {
        Some(&(name, num)) => {
            let share = 100.0 * num as f64 / habits.all.cell.num.max(1) as f64;
            let why = format!(
                "Nothing stands out beyond what chance would do. What happens most often is {} ({share:.0} % of the notes).",
                words::word(name)
            );
            let mut exercises = vec![against(Some(name), Register::Middle)];
            exercises.extend(round());
            (why, exercises)
        }
        None => ("Nothing stands out. This is a daily round.".into(), round()),
    }
}
