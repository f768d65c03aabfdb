//! A project's passes read back, as far as each part can be.
//!
//! Each entrance is read straight from its own stretch of text: a tree of values over a whole project would take ten times its
//! memory and time.

use super::ahead::Ahead;
use super::pieces::{MAX_WAVE_POINTS, PART_LEN, Piece, print_of, print_of_head};
use super::{SavedSession, VERSION};
use crate::beats::BeatMap;
use crate::bounds;
use crate::fronts;
use crate::older_state;
use crate::packed;
use crate::passes::{MAX_ENTRANCES, MAX_SAID, Origin, Pass, Revision};
use crate::wave::Wave;
use notefront_dsp::{Entrance, Front, Verdict};
use notefront_takes::corrections::{By, Correction, Corrections, Fingerprint, What};
use serde::de::{DeserializeOwned, MapAccess, Visitor};
use serde::{Deserialize, Deserializer};
use serde_json::Value;
use serde_json::value::RawValue;
use std::collections::{HashMap, HashSet};
use std::path::PathBuf;
use std::sync::Arc;

/// Most passes that are read.
const MAX_PASSES: usize = 1000;
/// Most notices about damage; the rest are the same.
const MAX_NOTICES: usize = 4;

/// Reads as much as there is.
#[must_use]
pub fn read(value: &Value) -> SavedSession {
    with_texts(value.clone()).0
}

/// Reads as much as there is, and tells which texts say the same as what was read. Each pass goes as it is read, so that
/// nothing is held twice.
pub fn with_texts(mut value: Value) -> (SavedSession, Ahead) {
    let mut reader = Reader { room: packed::MAX_UNPACKED, ..Reader::default() };
    let damage = &mut reader.damage;
    let version = value.get("version").and_then(Value::as_u64);
    damage.whole = value.get("damaged").is_some() || !value.is_object();
    damage.newer = version.is_some_and(|v| v > VERSION);
    damage.num_left_out = value.get("num_left_out").and_then(Value::as_u64).unwrap_or(0);
    match (value.get_mut("packed").map(Value::take), value.get_mut("passes").map(Value::take)) {
        (Some(Value::Array(passes)), _) => passes.into_iter().for_each(|pass| reader.packed_pass(&pass)),
        (Some(all), _) => reader.version_3(&all),
        // Up to version 2 they lay open.
        (None, Some(Value::Array(passes))) => passes.into_iter().for_each(|pass| reader.pass(&pass.to_string())),
        (None, _) => {}
    }
    let reference = value.get("reference").and_then(Value::as_u64);
    let damage = reader.damage.in_words();
    let ahead = if damage.is_empty() && version == Some(VERSION) { reader.ahead } else { Ahead::default() };
    (SavedSession { passes: reader.passes, reference, damage }, ahead)
}

/// What was read so far, and how many more bytes may be unpacked.
#[derive(Default)]
struct Reader {
    passes: Vec<Pass>,
    damage: Damage,
    room: usize,
    ahead: Ahead,
}

impl Reader {
    fn unpacked(&mut self, text: &Value) -> Option<String> {
        let text = String::from_utf8(packed::unpack(text.as_str()?, self.room)?).ok()?;
        self.room -= text.len();
        Some(text)
    }

    fn packed_pass(&mut self, pass: &Value) {
        if pass.is_object() {
            return self.pass_in_pieces(pass);
        }
        // In versions 4 and 5 each pass was one text.
        match self.unpacked(pass) {
            Some(text) => self.pass(&text),
            None => self.damage.num_passes += 1,
        }
    }

    /// Version 3 packed all passes into one text.
    fn version_3(&mut self, text: &Value) {
        let text = self.unpacked(text);
        match text.as_deref().and_then(|text| serde_json::from_str::<Vec<&RawValue>>(text).ok()) {
            Some(passes) => passes.into_iter().for_each(|pass| self.pass(pass.get())),
            None => self.damage.whole = true,
        }
    }

    fn pass_in_pieces(&mut self, packed: &Value) {
        let head = if self.passes.len() < MAX_PASSES { self.unpacked(&packed["head"]) } else { None };
        let Some(head) = head else {
            self.damage.num_passes += 1;
            return;
        };
        let list = |name: &str| packed[name].as_array().map_or(&[][..], Vec::as_slice);
        let (mut entrances, mut with_picture) = (Vec::new(), Vec::new());
        for (i, part) in list("parts").iter().enumerate() {
            let pictures = list("pictures").get(i).unwrap_or(&Value::Null);
            with_picture.push(self.part(part, pictures, &mut entrances));
        }
        let is_as_written = entrances.is_sorted_by(|a: &Entrance, b| a.front.speaks_s <= b.front.speaks_s);
        let entrances = in_order(entrances);
        let read = serde_json::from_str(&head).ok().and_then(|head| read_pass(&head, entrances, &mut self.damage));
        let Some(pass) = read.filter(|pass| self.is_new(pass)) else {
            self.damage.num_passes += 1;
            return;
        };
        if is_as_written && let Some(with_picture) = with_picture.into_iter().collect::<Option<Vec<_>>>() {
            self.keep_texts(&pass, packed, &with_picture);
        }
        self.passes.push(pass);
    }

    /// Reads a part of a pass; the places that have a picture. `None` where it is not as this version writes it.
    fn part(&mut self, part: &Value, pictures: &Value, entrances: &mut Vec<Entrance>) -> Option<Vec<usize>> {
        let is_where_one_begins = entrances.len().is_multiple_of(PART_LEN);
        let text = self.unpacked(part);
        let Some(texts) = text.as_deref().and_then(|text| serde_json::from_str::<Vec<&RawValue>>(text).ok()) else {
            self.damage.num_parts += 1;
            return None;
        };
        let kept = if pictures.is_null() { Some("[]".to_owned()) } else { self.unpacked(pictures) };
        let kept = kept.as_deref().and_then(|text| serde_json::from_str::<Vec<(usize, Value)>>(text).ok());
        self.damage.num_parts += usize::from(kept.is_none());
        let (kept, before) = (kept.unwrap_or_default(), entrances.len());
        let mut pictures: HashMap<usize, &Value> = kept.iter().map(|(place, picture)| (*place, picture)).collect();
        let read = |(place, text): (usize, &&RawValue)| {
            let mut entrance = read_entrance(text.get())?;
            if let Some(picture) = pictures.remove(&place) {
                entrance.front.picture = fronts::read(Some(picture));
            }
            Some(entrance).filter(bounds::is_entrance)
        };
        let room = MAX_ENTRANCES.saturating_sub(entrances.len());
        if entrances.is_empty() {
            // Most passes are one part.
            entrances.reserve_exact(texts.len().min(room));
        }
        entrances.extend(texts.iter().enumerate().filter_map(read).take(room));
        let num_read = entrances.len() - before;
        self.damage.num_entrances += texts.len() - num_read;
        let is_ours = is_where_one_begins && num_read == texts.len() && num_read <= PART_LEN && pictures.is_empty();
        is_ours.then(|| kept.into_iter().map(|(place, _)| place).collect())
    }

    /// What a pass was read from is what it would be packed to.
    fn keep_texts(&mut self, pass: &Pass, packed: &Value, with_picture: &[Vec<usize>]) {
        let text = |value: &Value| value.as_str().map(Arc::from);
        let entrances = || pass.entrances.chunks(PART_LEN).enumerate();
        let head = (Piece::Head, Some(print_of_head(pass)), text(&packed["head"]));
        let parts =
            entrances().map(|(i, part)| (Piece::Part(i), print_of(part.iter().enumerate()), text(&packed["parts"][i])));
        let pictures = entrances().zip(with_picture).map(|((i, part), places)| {
            let print = print_of(places.iter().map(|&place| (place, &part[place])));
            (Piece::Pictures(i), print, text(&packed["pictures"][i]))
        });
        for (piece, print, text) in std::iter::once(head).chain(parts).chain(pictures) {
            if let (Some(print), Some(text)) = (print, text) {
                self.ahead.insert((pass.id, piece), print, text);
            }
        }
    }

    fn is_new(&self, pass: &Pass) -> bool {
        !self.passes.iter().any(|p| p.id == pass.id)
    }

    /// A pass that lies open, all in one.
    fn pass(&mut self, text: &str) {
        let written =
            if self.passes.len() < MAX_PASSES { serde_json::from_str::<Written<'_>>(text).ok() } else { None };
        let pass = written.and_then(|written| {
            let (entrances, num_unread) = read_entrances(written.entrances.as_deref()?);
            self.damage.num_entrances += num_unread;
            read_pass(&written, entrances, &mut self.damage)
        });
        match pass {
            Some(pass) if self.is_new(&pass) => self.passes.push(pass),
            _ => self.damage.num_passes += 1,
        }
    }
}

/// A pass as it is written: its entrances, and every other field, as texts. What cannot be read of one costs only that.
#[derive(Default)]
struct Written<'a> {
    entrances: Option<Vec<&'a RawValue>>,
    fields: HashMap<String, &'a RawValue>,
}

impl Written<'_> {
    fn read<T: DeserializeOwned>(&self, name: &str) -> Option<T> {
        serde_json::from_str(self.fields.get(name)?.get()).ok()
    }
}

/// By hand, since `serde(flatten)` copies everything first.
impl<'de: 'a, 'a> Deserialize<'de> for Written<'a> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Fields;
        impl<'de> Visitor<'de> for Fields {
            type Value = Written<'de>;

            fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str("a pass")
            }

            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Self::Value, A::Error> {
                let mut written = Written::default();
                while let Some(name) = map.next_key::<String>()? {
                    if name == "entrances" {
                        written.entrances = Some(map.next_value()?);
                    } else {
                        written.fields.insert(name, map.next_value()?);
                    }
                }
                Ok(written)
            }
        }
        deserializer.deserialize_map(Fields)
    }
}

fn read_pass(written: &Written<'_>, entrances: Vec<Entrance>, damage: &mut Damage) -> Option<Pass> {
    let wave = written.read::<Vec<u8>>("wave").filter(|w| w.len() <= MAX_WAVE_POINTS).unwrap_or_default();
    let wave_per_s = written.read("wave_per_s").filter(|r| (1e-3..=1e3).contains(r)).unwrap_or(1.0);
    let mut clipped_at_s = written.read::<Vec<f64>>("clipped_at_s").unwrap_or_default();
    clipped_at_s.retain(|s| bounds::is_time(*s));
    let beats = written.read::<BeatMap>("beats").unwrap_or_default();
    let is_odd = !bounds::are_beats(beats.bends());
    damage.num_beats += usize::from(is_odd);
    let corrections = read_corrections(written, &entrances, damage);
    let last_s = entrances.last().map_or(0.0, |e| e.front.speaks_s);
    Some(Pass {
        id: written.read("id").filter(|id| bounds::is_id(*id))?,
        name: written.read("name"),
        kept: written.read("kept").unwrap_or(false),
        origin: written.read("origin").unwrap_or(Origin::Free),
        sample_rate_hz: written.read::<f64>("sample_rate_hz").filter(|hz| bounds::is_rate(*hz))?,
        start_samples: written.read("start_samples").filter(|at| bounds::is_place(*at)),
        beats: if is_odd { BeatMap::default() } else { beats },
        to_beat: None,
        entrances,
        corrections,
        corrected: None,
        take: written.read::<String>("take").filter(|path| bounds::is_name(path)).map(PathBuf::from),
        num_left_out: written.read("num_left_out").unwrap_or(0),
        duration_s: written.read("duration_s").filter(|s| bounds::is_time(*s)).unwrap_or(0.0).max(last_s),
        wave: Wave::from_points(wave, wave_per_s),
        num_lost: written.read("num_lost").unwrap_or(0),
        clipped_at_s,
        live: false,
        revision: Revision::fresh(),
    })
}

/// What the player said. Up to version 4 that was which entrances are fine as they are, by their index.
fn read_corrections(written: &Written<'_>, entrances: &[Entrance], damage: &mut Damage) -> Corrections {
    let mut corrections = Corrections::new("", Fingerprint::default());
    if let Some(fine) = written.read::<Vec<usize>>("fine") {
        let is_fine = |e: &&Entrance| fine.contains(&e.front.index);
        for entrance in entrances.iter().filter(is_fine).take(MAX_SAID) {
            corrections.say(By::Insert, entrance.front.speaks_s, What::Fine { reason: None });
        }
        return corrections;
    }
    let Some(text) = written.fields.get("corrections") else { return corrections };
    let Ok(kept) = serde_json::from_str::<WrittenCorrections>(text.get()) else {
        damage.num_said += 1;
        return corrections;
    };
    let said = kept.corrections.iter().filter_map(|said| Correction::deserialize(said).ok());
    let mut known = HashSet::new();
    let is_new = |said: &Correction| known.insert(said.id.clone());
    corrections.corrections = said.filter(bounds::is_correction).filter(is_new).take(MAX_SAID).collect();
    damage.num_said += kept.corrections.len() - corrections.corrections.len();
    let is_known = |id: &String| corrections.corrections.iter().any(|said| said.id == *id);
    corrections.undone = kept.undone.iter().filter_map(|id| Some(id.as_str()?.to_owned())).filter(is_known).collect();
    corrections.take = kept.take.as_str().filter(|name| bounds::is_name(name)).unwrap_or_default().to_owned();
    match Fingerprint::deserialize(&kept.sound) {
        Ok(sound) if bounds::is_fingerprint(&sound) => corrections.sound = sound,
        _ => damage.num_said += 1,
    }
    corrections
}

/// What was said as it is written, so far that one damaged part costs only itself.
#[derive(Deserialize)]
struct WrittenCorrections {
    #[serde(default)]
    take: Value,
    #[serde(default)]
    sound: Value,
    #[serde(default)]
    corrections: Vec<Value>,
    #[serde(default)]
    undone: Vec<Value>,
}

/// The entrances in the order of time, and how many could not be read.
fn read_entrances(texts: &[&RawValue]) -> (Vec<Entrance>, usize) {
    let mut entrances = Vec::with_capacity(texts.len().min(MAX_ENTRANCES));
    let read = texts.iter().filter_map(|text| read_entrance(text.get())).filter(bounds::is_entrance);
    entrances.extend(read.take(MAX_ENTRANCES));
    let num_unread = texts.len() - entrances.len();
    (in_order(entrances), num_unread)
}

/// In the order of time.
fn in_order(mut entrances: Vec<Entrance>) -> Vec<Entrance> {
    let by_time = |a: &Entrance, b: &Entrance| a.front.speaks_s.total_cmp(&b.front.speaks_s);
    // Sorting takes half as much memory again, and they mostly stand in order.
    if !entrances.is_sorted_by(|a, b| by_time(a, b).is_le()) {
        entrances.sort_by(by_time);
    }
    entrances.shrink_to_fit();
    entrances
}

/// An entrance as it is written; up to version 5 with its picture.
#[derive(Deserialize)]
struct WrittenEntrance {
    measured: Front,
    verdict: Verdict,
    picture: Option<Value>,
}

fn read_entrance(text: &str) -> Option<Entrance> {
    let Ok(written) = serde_json::from_str::<WrittenEntrance>(text) else { return read_older_entrance(text) };
    let mut entrance = Entrance { front: written.measured, verdict: written.verdict };
    entrance.front.picture = fronts::read(written.picture.as_ref());
    Some(entrance)
}

/// Up to version 3 the measures and the verdict lay flat beside the picture, which was called front.
fn read_older_entrance(text: &str) -> Option<Entrance> {
    let value: Value = serde_json::from_str(text).ok()?;
    let picture = fronts::read(value.get("front"));
    let mut entrance = Entrance::deserialize(older_state::completed(&value, &picture)).ok()?;
    entrance.front.picture = picture;
    Some(entrance)
}

/// What could not be read.
#[derive(Default)]
struct Damage {
    whole: bool,
    newer: bool,
    num_passes: usize,
    num_parts: usize,
    num_entrances: usize,
    num_left_out: u64,
    num_beats: usize,
    num_said: usize,
}

impl Damage {
    fn in_words(&self) -> Vec<String> {
        let mut words = Vec::new();
        if self.whole {
            words.push("The passes in this project are damaged and could not be read; settings are as saved.".into());
        }
        if self.newer {
            words.push("This project was saved by a newer Notefront; what this one does not know was left out.".into());
        }
        if self.num_passes > 0 {
            words.push(format!("{} of the passes in this project could not be read.", self.num_passes));
        }
        if self.num_parts > 0 {
            words.push(format!(
                "{} stretches of passes in this project could not be read in full: up to {PART_LEN} entrances or their close-ups each.",
                self.num_parts
            ));
        }
        if self.num_entrances > 0 {
            words.push(format!("{} entrances in this project could not be read.", self.num_entrances));
        }
        if self.num_beats > 0 {
            words.push(format!("The beats of {} passes in this project could not be read: no timing.", self.num_beats));
        }
        if self.num_said > 0 {
            words.push(format!("{} of your corrections in this project could not be read.", self.num_said));
        }
        if self.num_left_out > 0 {
            words.push(format!("{} old passes did not fit into the project and were left out.", self.num_left_out));
        }
        words.truncate(MAX_NOTICES);
        words
    }
}
