//! A copy of a WAV file with marks in it: RIFF `cue ` and `LIST` `adtl` with `labl`, `note` and `ltxt`.
//!
//! Every other chunk, and every sample, is copied bit for bit; cue points that are there already are kept
//! and added to. The sound streams through, so memory does not grow with it. Sources \[S\]: RIFF/WAVE
//! (IBM and Microsoft 1991), EBU Tech 3285 (`bext`), EBU Tech 3306 (RF64), ITU-R BS.2088 (BW64).

mod cues;
mod layout;

use crate::atomic_file::{Prepared, WriteError};
use crate::marks::Mark;
use crate::system_error;
use cues::Cues;
use layout::{Chunk, Layout};
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::Path;

/// Sizes that 32 bits cannot hold stand in `ds64`; this stands in their place.
const SEE_DS64: u32 = u32::MAX;
/// Bytes of a `ds64` chunk without a table, with its header.
const DS64_LEN: u64 = 8 + 28;

/// Why no marked copy was made.
#[derive(Debug)]
pub enum MarkError {
    /// Not a WAV file, so there is nowhere for cue points.
    NotWave,
    /// The copy would take the place of the take itself.
    OverOriginal,
    /// A WAV file whose chunks make no sense, with the reason.
    Damaged(&'static str),
    /// The take cannot be read.
    Read(io::Error),
    /// The copy cannot be written.
    Write(WriteError),
}

impl std::fmt::Display for MarkError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::NotWave => write!(f, "it is not a WAV file, and only WAV files hold cue points"),
            Self::OverOriginal => write!(f, "the copy would replace the take itself. Choose another folder"),
            Self::Damaged(reason) => write!(f, "its chunks are damaged ({reason}). Export it again"),
            Self::Read(e) => {
                write!(f, "it could not be read ({}). Check the disk and try again", system_error::in_words(e))
            }
            Self::Write(e) => e.fmt(f),
        }
    }
}

impl std::error::Error for MarkError {}

/// What became of the marks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Marked {
    /// Cue points written, beside those that were there.
    pub num_added: usize,
    /// Cue points that were there.
    pub num_kept: usize,
    /// Marks that were there already, with the same label on the same sample.
    pub num_known: usize,
    /// Marks after the sound's end, or past what 32 bits count (24.9 h at 48 kHz).
    pub num_outside: usize,
    /// The header told a wrong length, as a recorder leaves that lost its power; the copy tells the right one.
    pub is_repaired: bool,
}

/// Prepares a marked copy of the WAV file `original` to stand at `copy`, which must be another file.
///
/// # Errors
/// Every [`MarkError`]. The original is only read.
pub fn prepare(original: &Path, copy: &Path, marks: &[Mark]) -> Result<(Prepared, Marked), MarkError> {
    if is_same_file(original, copy) {
        return Err(MarkError::OverOriginal);
    }
    let mut source = File::open(original).map_err(MarkError::Read)?;
    let layout = Layout::read(&mut source)?;
    let mut cues = Cues::read(&mut source, &layout)?;
    let marked = add(&mut cues, &layout, marks);
    let prepared =
        Prepared::from_file(copy, |out| write(&mut source, &layout, &cues, out)).map_err(MarkError::Write)?;
    Ok((prepared, marked))
}

fn add(cues: &mut Cues, layout: &Layout, marks: &[Mark]) -> Marked {
    let mut marked = Marked { num_kept: cues.num_points(), is_repaired: layout.is_repaired, ..Marked::default() };
    for mark in marks {
        let at = samples(mark.time_s, layout.sample_rate_hz);
        let is_inside = layout.num_frames.is_none_or(|num_frames| at < num_frames);
        match u32::try_from(at).ok().filter(|_| is_inside) {
            None => marked.num_outside += 1,
            Some(at) => {
                let length = samples(mark.length_s, layout.sample_rate_hz);
                let length = u32::try_from(length).unwrap_or(u32::MAX);
                let is_new = cues.add(at, length, &mark.label, &mark.sentence);
                marked.num_added += usize::from(is_new);
                marked.num_known += usize::from(!is_new);
            }
        }
    }
    marked
}

/// Nearest sample; negative and absurd times saturate.
fn samples(seconds: f64, sample_rate_hz: u32) -> u64 {
    (seconds * f64::from(sample_rate_hz)).round() as u64
}

/// Also through links and other spellings of the name.
fn is_same_file(a: &Path, b: &Path) -> bool {
    a == b || a.canonicalize().ok().zip(b.canonicalize().ok()).is_some_and(|(a, b)| a == b)
}

fn write(source: &mut File, layout: &Layout, cues: &Cues, out: &mut impl Write) -> io::Result<()> {
    let (cue, adtl) = (cues.cue_chunk(), cues.adtl_chunk());
    let kept: u64 = layout.kept().map(Chunk::padded_len).sum();
    let body_len = 4 + kept + cue.len() as u64 + adtl.len() as u64;
    let is_long = layout.ds64.is_some() || body_len > u64::from(SEE_DS64 - 1);
    write_top(layout, body_len, is_long, out)?;
    for chunk in layout.kept() {
        let len = if is_long && chunk.is_data() { SEE_DS64 } else { chunk.len_field() };
        out.write_all(&chunk.tag)?;
        out.write_all(&len.to_le_bytes())?;
        copy(source, chunk, out)?;
    }
    out.write_all(&cue)?;
    out.write_all(&adtl)
}

/// Everything before the kept chunks: the form's header, and `ds64` where sizes need 64 bits.
fn write_top(layout: &Layout, body_len: u64, is_long: bool, out: &mut impl Write) -> io::Result<()> {
    if !is_long {
        out.write_all(b"RIFF")?;
        out.write_all(&(body_len as u32).to_le_bytes())?;
        return out.write_all(b"WAVE");
    }
    let ds64 = match &layout.ds64 {
        Some(ds64) => ds64.clone(),
        None => layout.new_ds64(),
    };
    // The length of the form counts `ds64` too, but not the form's own header.
    let riff_len = body_len + 8 + ds64.len() as u64 + ds64.len() as u64 % 2;
    out.write_all(if layout.is_bw64 { b"BW64" } else { b"RF64" })?;
    out.write_all(&SEE_DS64.to_le_bytes())?;
    out.write_all(b"WAVEds64")?;
    out.write_all(&(ds64.len() as u32).to_le_bytes())?;
    out.write_all(&riff_len.to_le_bytes())?;
    out.write_all(&layout.data_len().to_le_bytes())?;
    out.write_all(&ds64[16..])?;
    out.write_all(&[0][..ds64.len() % 2])
}

/// A chunk's body with its pad, which writers leave out at the end of a file.
fn copy(source: &mut File, chunk: &Chunk, out: &mut impl Write) -> io::Result<()> {
    source.seek(SeekFrom::Start(chunk.start))?;
    let copied = io::copy(&mut Read::by_ref(source).take(chunk.len), out)?;
    if copied != chunk.len {
        return Err(io::Error::new(io::ErrorKind::UnexpectedEof, "the take became shorter while it was copied"));
    }
    out.write_all(&[0][..(chunk.len % 2) as usize])
}

#[cfg(test)]
mod tests;
