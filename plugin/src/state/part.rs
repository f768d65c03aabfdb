//! Entrances read back: straight from the text of their part, and one by one only where one of them is damaged.

use super::pieces::PART_LEN;
use crate::bounds;
use crate::fronts;
use crate::older_state;
use crate::passes::MAX_ENTRANCES;
use notefront_dsp::{Entrance, Front, Verdict};
use serde::de::{DeserializeSeed, SeqAccess, Visitor};
use serde::{Deserialize, Deserializer};
use serde_json::Value;
use serde_json::value::RawValue;

/// The entrances of a part as they are read behind those before them.
pub struct Part<'a> {
    entrances: &'a mut Vec<Entrance>,
    /// Of those that were read, their places in the part.
    places: Vec<usize>,
    num_written: usize,
}

impl<'a> Part<'a> {
    /// The places of those that could be read, and how many are written; `None` where the text is no list. They are read one
    /// by one only where one is not as it is written now.
    pub fn read(text: &str, entrances: &'a mut Vec<Entrance>) -> Option<(Vec<usize>, usize)> {
        let before = entrances.len();
        if entrances.is_empty() {
            // Most passes are one part.
            entrances.reserve_exact(PART_LEN);
        }
        let mut part = Self { entrances, places: Vec::new(), num_written: 0 };
        let mut all = serde_json::Deserializer::from_str(text);
        if (&mut part).deserialize(&mut all).and_then(|()| all.end()).is_ok() {
            return Some((part.places, part.num_written));
        }
        part.entrances.truncate(before);
        (part.places, part.num_written) = (Vec::new(), 0);
        let texts = serde_json::from_str::<Vec<&RawValue>>(text).ok()?;
        texts.into_iter().for_each(|text| part.take(read_entrance(text.get())));
        Some((part.places, part.num_written))
    }

    fn take(&mut self, entrance: Option<Entrance>) {
        if let Some(entrance) = entrance
            && self.entrances.len() < MAX_ENTRANCES
            && bounds::is_entrance(&entrance)
        {
            self.entrances.push(entrance);
            self.places.push(self.num_written);
        }
        self.num_written += 1;
    }
}

impl<'de> DeserializeSeed<'de> for &mut Part<'_> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_seq(self)
    }
}

impl<'de> Visitor<'de> for &mut Part<'_> {
    type Value = ();

    fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("entrances")
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut all: A) -> Result<(), A::Error> {
        while let Some(written) = all.next_element::<WrittenEntrance>()? {
            self.take(Some(written.entrance()));
        }
        Ok(())
    }
}

/// An entrance as it is written; up to version 5 with its picture.
#[derive(Deserialize)]
struct WrittenEntrance {
    measured: Front,
    verdict: Verdict,
    picture: Option<Value>,
}

impl WrittenEntrance {
    fn entrance(self) -> Entrance {
        let mut entrance = Entrance { front: self.measured, verdict: self.verdict };
        if let Some(picture) = &self.picture {
            entrance.front.picture = fronts::read(Some(picture));
        }
        entrance
    }
}

/// An entrance, of whichever version.
pub fn read_entrance(text: &str) -> Option<Entrance> {
    let written = serde_json::from_str::<WrittenEntrance>(text);
    written.map_or_else(|_| read_older_entrance(text), |written| Some(written.entrance()))
}

/// Up to version 3 the measures and the verdict lay flat beside the picture, which was called front.
fn read_older_entrance(text: &str) -> Option<Entrance> {
    let value: Value = serde_json::from_str(text).ok()?;
    let picture = fronts::read(value.get("front"));
    let mut entrance = Entrance::deserialize(older_state::completed(&value, &picture)).ok()?;
    entrance.front.picture = picture;
    Some(entrance)
}
