//! What a pass is packed in, piece by piece: a head, its entrances by [`PART_LEN`], and the pictures of each so many.
//!
//! Nobody waits for more than a piece. One stays packed while nothing in it changes, which its print tells: a pass that runs
//! changes its head and its last piece, and another judgement changes pictures only, since verdicts are computed anew from
//! what is read.

use crate::fronts;
use crate::packed;
use crate::passes::Pass;
use notefront_dsp::{Entrance, Front, FrontPicture, Verdict};
use serde::Serialize;
use serde_json::ser::{CompactFormatter, Formatter, Serializer};
use serde_json::{Value, json};
use std::collections::HashSet;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::io::{self, Write};
use std::path::Path;
use std::sync::Arc;

/// Entrances of a piece, at most: some 5 ms of packing in a release \[C\].
pub const PART_LEN: usize = 200;
/// Points of the outline that are kept of one pass.
pub const MAX_WAVE_POINTS: usize = 2000;

/// Which piece of a pass.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Piece {
    /// Everything but the entrances.
    Head,
    /// So many entrances from `PART_LEN` times this on.
    Part(usize),
    /// Their pictures.
    Pictures(usize),
}

/// A pass as it is taken apart: what was measured, in the order it is written. What the player says is laid over it again
/// when it is read.
pub struct Pieces<'a> {
    pass: &'a Pass,
    measured: Vec<&'a Entrance>,
    spoken_of: HashSet<usize>,
}

impl<'a> Pieces<'a> {
    /// Those of a pass.
    pub fn of(pass: &'a Pass) -> Self {
        Self { pass, measured: pass.measured_in_place(), spoken_of: pass.indices_spoken_of().collect() }
    }

    /// How many parts there are.
    pub fn num_parts(&self) -> usize {
        self.measured.len().div_ceil(PART_LEN)
    }

    fn part(&self, i: usize) -> &[&'a Entrance] {
        let end = self.measured.len().min((i + 1) * PART_LEN);
        &self.measured[end.min(i * PART_LEN)..end]
    }

    /// The entrances of a part that a picture is kept of, by their places in it.
    fn looked_at(&self, i: usize) -> impl Iterator<Item = (usize, &'a Entrance)> {
        let all = self.part(i).iter().copied().enumerate();
        all.filter(|(_, e)| fronts::is_looked_at(e, &self.spoken_of))
    }

    /// What can change of a piece, as one number; `None` where there is nothing to keep.
    pub fn print(&self, piece: Piece) -> Option<u64> {
        match piece {
            Piece::Head => Some(print_of_head(self.pass)),
            Piece::Part(i) => print_of(self.part(i).iter().copied().enumerate()),
            Piece::Pictures(i) => print_of(self.looked_at(i)),
        }
    }

    /// A copy of what is packed, so that nobody waits meanwhile.
    pub fn material(&self, piece: Piece) -> Material {
        match piece {
            Piece::Head => Material::Head(write_head(self.pass)),
            Piece::Part(i) => Material::Part(self.part(i).iter().map(|e| **e).collect()),
            Piece::Pictures(i) => {
                Material::Pictures(self.looked_at(i).map(|(place, e)| (place, e.front.picture)).collect())
            }
        }
    }
}

/// What can change of entrances at these places, and of what is kept for them.
pub fn print_of<'a>(entrances: impl Iterator<Item = (usize, &'a Entrance)>) -> Option<u64> {
    let mut entrances = entrances.peekable();
    entrances.peek()?;
    let mut hasher = DefaultHasher::new();
    for (place, Entrance { front, .. }) in entrances {
        (place, front.index, front.speaks_s.to_bits(), front.end_s.map(f64::to_bits)).hash(&mut hasher);
    }
    Some(hasher.finish())
}

/// What can change of a pass beside its entrances.
pub fn print_of_head(pass: &Pass) -> u64 {
    let mut hasher = DefaultHasher::new();
    (&pass.name, pass.kept, pass.start_samples, pass.num_lost, pass.num_left_out).hash(&mut hasher);
    (pass.duration_s.to_bits(), pass.clipped_at_s.len(), pass.beats.bends().len()).hash(&mut hasher);
    pass.corrections.corrections.iter().for_each(|said| said.id.hash(&mut hasher));
    (&pass.corrections.undone, &pass.take, pass.waits_since).hash(&mut hasher);
    hasher.finish()
}

/// What a piece is packed of.
pub enum Material {
    Head(Value),
    Part(Vec<Entrance>),
    Pictures(Vec<(usize, FrontPicture)>),
}

impl Material {
    /// Packs it.
    pub fn packed(&self) -> io::Result<Arc<str>> {
        let text = match self {
            Self::Head(head) => serde_json::to_vec(head)?,
            Self::Part(entrances) => rounded(&entrances.iter().map(WrittenEntrance::of).collect::<Vec<_>>())?,
            Self::Pictures(pictures) => {
                let written = |(place, picture): &(usize, FrontPicture)| Some((*place, fronts::write(picture)?));
                serde_json::to_vec(&pictures.iter().filter_map(written).collect::<Vec<_>>())?
            }
        };
        Ok(packed::pack(&text)?.into())
    }
}

fn write_head(pass: &Pass) -> Value {
    let (wave, wave_per_s) = pass.wave.thinned(MAX_WAVE_POINTS);
    json!({
        "id": pass.id,
        "name": pass.name,
        "kept": pass.kept,
        "origin": pass.origin,
        "sample_rate_hz": pass.sample_rate_hz,
        "start_samples": pass.start_samples,
        "beats": pass.beats,
        "duration_s": pass.duration_s,
        "num_lost": pass.num_lost,
        "num_left_out": pass.num_left_out,
        "clipped_at_s": pass.clipped_at_s,
        "wave": wave,
        "wave_per_s": wave_per_s,
        "corrections": pass.corrections,
        "waits_since": pass.waits_since,
        "take": pass.take.as_deref().map(Path::to_string_lossy),
    })
}

/// An entrance as it is written, without its picture.
#[derive(Serialize)]
struct WrittenEntrance<'a> {
    measured: &'a Front,
    verdict: &'a Verdict,
}

impl<'a> WrittenEntrance<'a> {
    fn of(entrance: &'a Entrance) -> Self {
        Self { measured: &entrance.front, verdict: &entrance.verdict }
    }
}

/// JSON of which every fraction is rounded to a millionth.
pub fn rounded(value: &impl Serialize) -> io::Result<Vec<u8>> {
    let mut text = Vec::new();
    value.serialize(&mut Serializer::with_formatter(&mut text, ToMillionths))?;
    Ok(text)
}

/// A millionth is finer than any uncertainty here (instants are in seconds): 17 digits a number would double the project.
struct ToMillionths;

impl Formatter for ToMillionths {
    fn write_f32<W: Write + ?Sized>(&mut self, writer: &mut W, value: f32) -> io::Result<()> {
        self.write_f64(writer, f64::from(value))
    }

    fn write_f64<W: Write + ?Sized>(&mut self, writer: &mut W, value: f64) -> io::Result<()> {
        let rounded = (value * 1e6).round() / 1e6;
        match rounded.is_finite() {
            true => CompactFormatter.write_f64(writer, rounded),
            false => CompactFormatter.write_null(writer),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fractions_are_rounded_and_what_is_too_large_for_that_is_nothing() {
        let text = rounded(&json!([1.234_567_8, 2, 0.1_f32, 1e308, "x", f64::NAN])).expect("memory");
        assert_eq!(String::from_utf8(text).as_deref(), Ok(r#"[1.234568,2,0.1,null,"x",null]"#));
    }
}
