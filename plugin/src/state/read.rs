//! A project's passes read back, as far as each part can be.
//!
//! Entrances are read straight from their text, and each from its own stretch of it where one of them is damaged: a tree of
//! values over a whole project would take ten times its memory and time.

use super::ahead::Ahead;
use super::part::{Part, read_entrance};
use super::pieces::{MAX_WAVE_POINTS, PART_LEN, Piece, print_of, print_of_head};
use super::{PackedPass, SavedSession, VERSION};
use crate::beats::BeatMap;
use crate::bounds;
use crate::fronts;
use crate::packed;
use crate::passes::{MAX_ENTRANCES, MAX_SAID, Origin, Pass, Revision};
use crate::wave::Wave;
use notefront_dsp::Entrance;
use notefront_takes::corrections::{By, Correction, Corrections, Fingerprint, What};
use parking_lot::Mutex;
use serde::de::{DeserializeOwned, MapAccess, Visitor};
use serde::{Deserialize, Deserializer};
use serde_json::Value;
use serde_json::value::RawValue;
use std::collections::{HashMap, HashSet};
use std::num::NonZero;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Most threads that read passes.
const MAX_READERS: usize = 4;
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
    let room = Room::new();
    let (mut passes, mut damage, mut ahead) = (Vec::new(), Damage::default(), Ahead::default());
    let version = value.get("version").and_then(Value::as_u64);
    damage.whole = value.get("damaged").is_some() || !value.is_object();
    damage.newer = version.is_some_and(|v| v > VERSION);
    damage.num_left_out = value.get("num_left_out").and_then(Value::as_u64).unwrap_or(0);
    let read = match (value.get_mut("packed").map(Value::take), value.get_mut("passes").map(Value::take)) {
        (Some(Value::Array(passes)), _) => {
            on_all_cores(passes.into_iter().map(Packed::of).collect(), |pass| packed_pass(pass, &room))
        }
        (Some(all), _) => version_3(&all, &room).unwrap_or_else(|| {
            damage.whole = true;
            Vec::new()
        }),
        // Up to version 2 they lay open.
        (None, Some(Value::Array(passes))) => passes.into_iter().map(|pass| open_pass(&pass.to_string())).collect(),
        (None, _) => Vec::new(),
    };
    for one in read {
        damage.add(&one.damage);
        match one.pass.filter(|pass| passes.len() < MAX_PASSES && !passes.iter().any(|p: &Pass| p.id == pass.id)) {
            Some(pass) => {
                one.texts.into_iter().for_each(|(piece, print, text)| ahead.insert((pass.id, piece), print, text));
                passes.push(pass);
            }
            None => damage.num_passes += 1,
        }
    }
    let reference = value.get("reference").and_then(Value::as_u64);
    let damage = damage.in_words();
    let ahead = if damage.is_empty() && version == Some(VERSION) { ahead } else { Ahead::default() };
    (SavedSession { passes, reference, damage }, ahead)
}

/// Does something to each, a few at a time, and gives what comes of it in their order. Each goes as it is dealt with.
fn on_all_cores<T: Send, R: Send>(all: Vec<T>, deal_with: impl Fn(&T) -> R + Sync) -> Vec<R> {
    let num_readers = std::thread::available_parallelism().map_or(1, NonZero::get).min(MAX_READERS).min(all.len());
    let waiting = Mutex::new(all.into_iter().enumerate());
    let deal_with_some = || {
        let next = || waiting.lock().next();
        std::iter::from_fn(next).map(|(i, one)| (i, deal_with(&one))).collect::<Vec<_>>()
    };
    let mut done = std::thread::scope(|scope| {
        let spawn = |_| std::thread::Builder::new().name("notefront open".into()).spawn_scoped(scope, deal_with_some);
        let others: Vec<_> = (1..num_readers).map_while(|i| spawn(i).ok()).collect();
        let mut done = deal_with_some();
        for other in others {
            done.extend(other.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)));
        }
        done
    });
    done.sort_unstable_by_key(|(i, _)| *i);
    done.into_iter().map(|(_, done)| done).collect()
}

/// How many more bytes may be unpacked. Where a project holds more, what is read last is not.
struct Room(AtomicUsize);

impl Room {
    fn new() -> Self {
        Self(AtomicUsize::new(packed::MAX_UNPACKED))
    }

    fn unpacked(&self, text: &str) -> Option<String> {
        let text = String::from_utf8(packed::unpack(text, self.0.load(Ordering::Relaxed))?).ok()?;
        let less = |room: usize| room.checked_sub(text.len());
        self.0.fetch_update(Ordering::Relaxed, Ordering::Relaxed, less).ok()?;
        Some(text)
    }
}

/// A pass as far as it could be read, and the texts that say the same.
#[derive(Default)]
struct ReadPass {
    pass: Option<Pass>,
    damage: Damage,
    texts: Vec<(Piece, u64, Arc<str>)>,
}

/// A pass as it is packed; what is no text is an empty one, which nothing unpacks to. Texts are made ready to be kept here, on
/// one thread: memory that another thread takes for them is not that which their tree of values gives back.
enum Packed {
    InPieces(PackedPass),
    /// In versions 4 and 5 each pass was one text.
    Whole(Arc<str>),
}

impl Packed {
    fn of(mut pass: Value) -> Self {
        if !pass.is_object() {
            return Self::Whole(text(pass));
        }
        let mut list = |name: &str| match pass[name].take() {
            Value::Array(texts) => texts,
            _ => Vec::new(),
        };
        let parts = list("parts").into_iter().map(text).collect();
        let pictures = list("pictures").into_iter().map(|one| (!one.is_null()).then(|| text(one))).collect();
        Self::InPieces(PackedPass { head: text(pass["head"].take()), parts, pictures })
    }
}

fn text(value: Value) -> Arc<str> {
    match value {
        Value::String(text) => text.into(),
        _ => "".into(),
    }
}

fn packed_pass(pass: &Packed, room: &Room) -> ReadPass {
    let read = match pass {
        Packed::InPieces(pieces) => pass_in_pieces(pieces, room),
        Packed::Whole(text) => room.unpacked(text).map(|text| open_pass(&text)),
    };
    read.unwrap_or_default()
}

/// Version 3 packed all passes into one text.
fn version_3(text: &Value, room: &Room) -> Option<Vec<ReadPass>> {
    let text = room.unpacked(text.as_str()?)?;
    let passes = serde_json::from_str::<Vec<&RawValue>>(&text).ok()?;
    Some(passes.into_iter().map(|pass| open_pass(pass.get())).collect())
}

fn pass_in_pieces(packed: &PackedPass, room: &Room) -> Option<ReadPass> {
    let head = room.unpacked(&packed.head)?;
    let mut read = ReadPass::default();
    let (mut entrances, mut with_picture) = (Vec::new(), Vec::new());
    for (i, part) in packed.parts.iter().enumerate() {
        let pictures = packed.pictures.get(i).and_then(Option::as_deref);
        with_picture.push(read_part(part, pictures, room, &mut entrances, &mut read.damage));
    }
    let is_as_written = entrances.is_sorted_by(|a: &Entrance, b| a.front.speaks_s <= b.front.speaks_s);
    let entrances = in_order(entrances);
    read.pass = serde_json::from_str(&head).ok().and_then(|head| read_pass(&head, entrances, &mut read.damage));
    let with_picture = with_picture.into_iter().collect::<Option<Vec<_>>>().filter(|_| is_as_written);
    if let (Some(pass), Some(with_picture)) = (&read.pass, with_picture) {
        read.texts = texts(pass, packed, &with_picture);
    }
    Some(read)
}

/// Reads a part of a pass; the places that have a picture. `None` where it is not as this version writes it.
fn read_part(
    part: &str,
    pictures: Option<&str>,
    room: &Room,
    entrances: &mut Vec<Entrance>,
    damage: &mut Damage,
) -> Option<Vec<usize>> {
    let before = entrances.len();
    let Some((read, num_written)) = room.unpacked(part).and_then(|text| Part::read(&text, entrances)) else {
        damage.num_parts += 1;
        return None;
    };
    let kept = match pictures {
        Some(text) => room.unpacked(text).and_then(|text| read_pictures(&text)),
        None => Some(Vec::new()),
    };
    damage.num_parts += usize::from(kept.is_none());
    let kept = kept.unwrap_or_default();
    let mut pictures: HashMap<usize, &fronts::Written> =
        kept.iter().map(|(place, picture)| (*place, picture)).collect();
    for (entrance, place) in entrances[before..].iter_mut().zip(&read) {
        if let Some(picture) = pictures.remove(place) {
            entrance.front.picture = picture.picture();
        }
    }
    damage.num_entrances += num_written - read.len();
    let is_whole = read.len() == num_written && num_written <= PART_LEN && pictures.is_empty();
    (is_whole && before.is_multiple_of(PART_LEN)).then(|| kept.into_iter().map(|(place, _)| place).collect())
}

/// What a pass was read from is what it would be packed to.
fn texts(pass: &Pass, packed: &PackedPass, with_picture: &[Vec<usize>]) -> Vec<(Piece, u64, Arc<str>)> {
    let entrances = || pass.entrances.chunks(PART_LEN).enumerate();
    let head = (Piece::Head, Some(print_of_head(pass)), Some(&packed.head));
    let parts = entrances().map(|(i, part)| (Piece::Part(i), print_of(part.iter().enumerate()), packed.parts.get(i)));
    let pictures = entrances().zip(with_picture).map(|((i, part), places)| {
        let print = print_of(places.iter().map(|&place| (place, &part[place])));
        (Piece::Pictures(i), print, packed.pictures.get(i).and_then(Option::as_ref))
    });
    let all = std::iter::once(head).chain(parts).chain(pictures);
    all.filter_map(|(piece, print, text)| Some((piece, print?, text?.clone()))).collect()
}

/// A pass that lies open, all in one.
fn open_pass(text: &str) -> ReadPass {
    let mut damage = Damage::default();
    let pass = serde_json::from_str::<Written<'_>>(text).ok().and_then(|written| {
        let (entrances, num_unread) = read_entrances(written.entrances.as_deref()?);
        damage.num_entrances += num_unread;
        read_pass(&written, entrances, &mut damage)
    });
    ReadPass { pass, damage, texts: Vec::new() }
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
        waits_since: written.read("waits_since").filter(bounds::is_moment),
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

/// Pictures with their places, each as far as it can be read; `None` where they are no such list.
fn read_pictures(text: &str) -> Option<Vec<(usize, fronts::Written)>> {
    serde_json::from_str(text).ok().or_else(|| {
        let all = serde_json::from_str::<Vec<(usize, Value)>>(text).ok()?;
        Some(all.into_iter().map(|(place, picture)| (place, fronts::Written::of_damaged(&picture))).collect())
    })
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
    fn add(&mut self, other: &Self) {
        self.num_passes += other.num_passes;
        self.num_parts += other.num_parts;
        self.num_entrances += other.num_entrances;
        self.num_beats += other.num_beats;
        self.num_said += other.num_said;
    }

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
