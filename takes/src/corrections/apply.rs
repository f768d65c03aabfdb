//! Corrections laid over what was measured. The measured entrances stay as they are beside the corrected ones.

use super::{Correction, What, file::Found};
use notefront_dsp::entrance::InstantUncertainty;
use notefront_dsp::verdict::clarity;
use notefront_dsp::{
    Articulation, CannotTell, Entrance, Evidence, Fault, FaultName, Faults, Front, FrontPicture, Positions, Settings,
    Verdict,
};
use std::path::PathBuf;

/// An entrance is the one a correction speaks of within this, s: a later version of the analysis may place it a little
/// elsewhere, and the next note is further away than that. \[H\]
pub const NEAR_S: f64 = 0.08;
/// Added entrances nearer to one another than this were added twice, s.
const SAME_S: f64 = 0.05;
/// How exactly an entrance is placed by hand, ms. \[H\]
const BY_HAND_MS: f64 = 10.0;

/// What the ear says of an entrance.
#[derive(Debug, Clone, PartialEq)]
pub enum Heard {
    /// It is clear; why, where that was told.
    Fine(Option<String>),
    /// It is unclear, by this fault where one was named.
    Unclear(Option<FaultName>),
}

/// What was said of one entrance of a take, beside what was measured.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ByEar {
    /// What the ear says of it, the last word.
    pub heard: Option<Heard>,
    /// As it was found and judged; `None` for an entrance that the player added.
    pub found: Option<Entrance>,
    /// Everything said of it, in order, in the times of the take.
    pub said: Vec<Correction>,
}

/// The corrections of a take as they were applied.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Corrected {
    /// Where they are kept.
    pub file: PathBuf,
    /// By how much the take's times are later than those kept, s.
    pub later_s: f64,
    /// One for each entrance of the take, in order.
    pub by_ear: Vec<ByEar>,
    /// Entrances that are none: what was said, and what was found there.
    pub removed: Vec<(Correction, Entrance)>,
    /// Corrections whose entrance is not there.
    pub lost: Vec<Correction>,
    /// Entrances found, and how many of them were flagged.
    pub as_measured: (usize, usize),
}

impl Corrected {
    /// What was said of an entrance, by its place in the take.
    #[must_use]
    pub fn of(&self, place: usize) -> Option<&ByEar> {
        self.by_ear.get(place).filter(|by_ear| !by_ear.said.is_empty())
    }
}

/// An entrance on its way: when it speaks now and when it was found to, s, small beside the rest, since they are looked
/// through for every correction.
struct Item {
    now_s: f64,
    found_s: Option<f64>,
    rest: Box<(Entrance, ByEar)>,
}

impl Item {
    fn new(entrance: Entrance, by_ear: ByEar) -> Self {
        let found_s = by_ear.found.map(|found| found.front.speaks_s);
        Self { now_s: entrance.front.speaks_s, found_s, rest: Box::new((entrance, by_ear)) }
    }

    fn front(&mut self) -> &mut Front {
        &mut self.rest.0.front
    }

    fn by_ear(&mut self) -> &mut ByEar {
        &mut self.rest.1
    }
}

/// Lays corrections over the entrances of a take, before they are held against beats and written notes: what is where.
/// What the ear says of the fronts follows in [`hear`]. `None` where nothing holds: the take is as it was measured.
#[must_use]
pub fn place(entrances: &mut Vec<Entrance>, found: &Found, duration_s: f64, settings: &Settings) -> Option<Corrected> {
    let active = found.corrections.active();
    if active.is_empty() {
        return None;
    }
    let num_flagged = entrances.iter().filter(|e| e.is_flagged()).count();
    let mut corrected = Corrected {
        file: found.path.clone(),
        later_s: found.later_s,
        as_measured: (entrances.len(), num_flagged),
        ..Corrected::default()
    };
    let with_found = |entrance: Entrance| Item::new(entrance, ByEar { found: Some(entrance), ..ByEar::default() });
    let mut items: Vec<Item> = entrances.drain(..).map(with_found).collect();
    for correction in active {
        let said = correction.shifted(found.later_s);
        // What lies in a part that was cut off has no place any more.
        match (0.0..=duration_s).contains(&said.at_s) {
            true => say(&mut items, said, &mut corrected, settings),
            false => corrected.lost.push(said),
        }
        items.sort_by(|a, b| a.now_s.total_cmp(&b.now_s));
    }
    for (index, item) in items.into_iter().enumerate() {
        let (mut entrance, by_ear) = *item.rest;
        entrance.front.index = index;
        entrances.push(entrance);
        corrected.by_ear.push(by_ear);
    }
    Some(corrected)
}

/// Lays what the ear says over the verdicts. An entrance that is fine has no faults; one that is unclear keeps those that
/// were measured, and what was heard stays the player's word.
pub fn hear(entrances: &mut [Entrance], corrected: &mut Corrected) {
    for (entrance, by_ear) in entrances.iter_mut().zip(&mut corrected.by_ear) {
        if let Some(found) = &mut by_ear.found {
            found.verdict = entrance.verdict;
        }
        if let Some(Heard::Fine(_)) = by_ear.heard {
            dismiss(entrance);
        }
    }
}

/// The verdict on an entrance that the player calls fine: no faults, and as clear as one that is just not flagged.
pub fn dismiss(entrance: &mut Entrance) {
    let nearest = if entrance.is_flagged() { 1.0 } else { 0.0 };
    entrance.verdict.clarity = entrance.verdict.clarity.max(clarity(&Faults::default(), nearest));
    entrance.verdict.faults = Faults::default();
}

/// How severe a fault is that the ear alone tells, 0 to 1: the ear says that it is there and not how much \[H\].
const SEVERITY_BY_EAR: f64 = 0.5;

/// The verdict on an entrance, after [`hear`], with what the ear says in it: where it hears a fault that was not measured,
/// that one is there, for sure. A fault that the ear does not name leaves the measured ones and lowers the clarity.
#[must_use]
pub fn verdict_by_ear(entrance: &Entrance, heard: &Heard) -> Verdict {
    let mut verdict = entrance.verdict;
    let by_ear = |name| Fault { name, severity: SEVERITY_BY_EAR, sureness: 1.0 };
    match *heard {
        Heard::Fine(_) => {}
        Heard::Unclear(Some(name)) if verdict.faults.get(name).is_none() => {
            verdict.faults.insert(by_ear(name));
            verdict.clarity = verdict.clarity.min(clarity(&verdict.faults, 1.0));
        }
        Heard::Unclear(None) if !entrance.is_flagged() => {
            let mut as_one = Faults::default();
            as_one.insert(by_ear(FaultName::Below));
            verdict.clarity = verdict.clarity.min(clarity(&as_one, 1.0));
        }
        Heard::Unclear(_) => {}
    }
    verdict
}

/// True for a verdict by ear on an entrance that is unclear without the name of a fault: it has none, and is less clear than one
/// that the ear calls fine is at least.
#[must_use]
pub fn is_unclear_without_a_fault(by_ear: &Verdict) -> bool {
    by_ear.faults.is_empty() && by_ear.clarity < clarity(&Faults::default(), 1.0)
}

fn say(items: &mut Vec<Item>, said: Correction, corrected: &mut Corrected, settings: &Settings) {
    if let What::Added { midi_note } = said.what {
        return add(items, said.at_s, midi_note, said, settings);
    }
    let Some(i) = nearest(items, said.at_s, NEAR_S) else { return corrected.lost.push(said) };
    match said.what.clone() {
        What::Fine { reason } => items[i].by_ear().heard = Some(Heard::Fine(reason)),
        What::Unclear { fault } => items[i].by_ear().heard = Some(Heard::Unclear(fault)),
        What::Moved { to_s } => {
            shift(items[i].front(), to_s);
            items[i].now_s = to_s;
        }
        What::Note { midi_note } => rename(items[i].front(), midi_note),
        What::Split { second_s } => {
            let note = items[i].front().midi_note;
            items[i].by_ear().said.push(said.clone());
            return add(items, second_s, note, said, settings);
        }
        What::Removed => {
            let item = items.remove(i);
            // The player's own was added and taken away again: nothing is left to tell.
            corrected.removed.extend(item.rest.1.found.map(|found| (said, found)));
            return;
        }
        What::Joined if i == 0 => return corrected.lost.push(said),
        What::Joined => {
            let item = items.remove(i);
            items[i - 1].front().end_s = item.rest.0.front.end_s;
            items[i - 1].by_ear().said.push(said.clone());
            corrected.removed.extend(item.rest.1.found.map(|found| (said, found)));
            return;
        }
        What::Added { .. } => return,
    }
    items[i].by_ear().said.push(said);
}

/// The item that speaks nearest to a time, where it is now or where it was found.
fn nearest(items: &[Item], at_s: f64, within_s: f64) -> Option<usize> {
    let off = |item: &Item| {
        let now = (item.now_s - at_s).abs();
        item.found_s.map_or(now, |found_s| now.min((found_s - at_s).abs()))
    };
    let near = items.iter().map(off).enumerate().filter(|(_, off)| *off <= within_s);
    near.min_by(|a, b| a.1.total_cmp(&b.1)).map(|(i, _)| i)
}

fn add(items: &mut Vec<Item>, at_s: f64, midi_note: Option<u8>, said: Correction, settings: &Settings) {
    if let Some(i) = nearest(items, at_s, SAME_S).filter(|&i| items[i].found_s.is_none()) {
        return items[i].by_ear().said.push(said);
    }
    let mut front = by_hand(at_s, midi_note);
    let before = items.iter_mut().rev().find(|item| item.now_s < at_s);
    if let Some(before) = before.map(Item::front).filter(|b| b.end_s.is_some_and(|end| end > at_s)) {
        // Inside a note that sounded on: that one ends here.
        front.end_s = before.end_s.replace(at_s);
        front.level_db = before.level_db;
    }
    let by_ear = ByEar { said: vec![said], ..ByEar::default() };
    items.push(Item::new(Entrance::of(front, None, settings), by_ear));
}

fn shift(front: &mut Front, to_s: f64) {
    let later_s = to_s - front.speaks_s;
    front.sound_start_s += later_s;
    front.onset_s += later_s;
    front.speaks_s = to_s;
    front.end_s = front.end_s.map(|end| end.max(to_s));
    front.instant_uncertainty = BY_HAND;
}

fn rename(front: &mut Front, midi_note: u8) {
    front.midi_note = Some(midi_note);
    (front.partial, front.positions) = (None, Positions::default());
    front.tuning_cents = Err(CannotTell::NotMeasured);
}

const BY_HAND: InstantUncertainty =
    InstantUncertainty { sound_start_ms: BY_HAND_MS, onset_ms: BY_HAND_MS, speaks_ms: BY_HAND_MS };

/// Whether a front was placed by the player, and nothing of it measured.
#[must_use]
pub fn is_by_hand(front: &Front) -> bool {
    let not = Err(CannotTell::NotMeasured);
    front.settled_hz == not && front.speak_ms == not && front.attack_ms == not && front.settle_ms == not
}

/// A front placed by the player: nothing of it was measured.
fn by_hand(at_s: f64, midi_note: Option<u8>) -> Front {
    let not = Err(CannotTell::NotMeasured);
    Front {
        index: 0,
        sound_start_s: at_s,
        onset_s: at_s,
        speaks_s: at_s,
        instant_uncertainty: BY_HAND,
        end_s: None,
        midi_note,
        settled_hz: not,
        tuning_cents: not,
        partial: None,
        positions: Positions::default(),
        articulation: Articulation::Tongued,
        noise_before_tone_ms: not,
        noise_before_tone_db: not,
        approach_cents: not,
        onset_cents: not,
        speak_ms: not,
        settle_ms: not,
        attack_ms: not,
        log_attack_time: not,
        growth_db_per_s: not,
        overshoot_db: not,
        level_db: f64::NAN,
        evidence: Evidence::default(),
        picture: FrontPicture::empty(),
    }
}
