//! Encoder priming: frames a lossy encoder puts before the sound, which have to come off again for a take to be in time.
//!
//! MP3 (LAME's tag) and Vorbis say it where their readers take it off by themselves, Opus in its head (pre-skip, RFC
//! 7845). In MP4 it stands in
//! the edit list (ISO/IEC 14496-12) or in iTunes' note of gapless playing; where neither says, an encoder's priming is
//! 2112 frames (QuickTime File Format, "Audio priming" \[M\]). Bare AAC (ADTS) cannot say: an encoder needs one frame of
//! 1024 at least (ISO/IEC 14496-3), and that is taken off.

use mp4_atom::{Decode, Elst, Hdlr, Header, Mdhd};
use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use symphonia::core::codecs::audio::well_known::{CODEC_ID_AAC, CODEC_ID_OPUS};
use symphonia::core::formats::{FormatReader, Track};

/// Priming of AAC in MP4 that says nothing, and of bare AAC, frames at its own rate.
const UNTOLD: u64 = 2_112;
const BARE: u64 = 1_024;
/// A `moov` box larger than this is not read, bytes: two hours of phone video make 10 MB.
const MAX_MOOV: u64 = 64 << 20;

/// Frames at `rate_hz` to take off the beginning of a track.
pub fn frames(file: &mut File, format: &mut dyn FormatReader, track: &Track, rate_hz: u32) -> u64 {
    let codec = track.codec_params.as_ref().and_then(|params| params.audio()).map(|audio| audio.codec);
    let is_aac = codec == Some(CODEC_ID_AAC);
    if let Some(moov) = moov(file) {
        let told = edited_s(&moov).map(|s| (s * f64::from(rate_hz)).round() as u64);
        return told.or_else(|| gapless(format)).unwrap_or(if is_aac { UNTOLD } else { 0 });
    }
    match codec {
        Some(CODEC_ID_AAC) => BARE,
        // The reader of Ogg leaves the pre-skip to us.
        Some(CODEC_ID_OPUS) => u64::from(track.delay.unwrap_or(0)),
        _ => 0,
    }
}

/// The box that describes an MP4 file; `None` for any other file.
fn moov(file: &mut File) -> Option<Vec<u8>> {
    let mut at = 0;
    let mut is_first = true;
    loop {
        let mut head = [0; 16];
        file.seek(SeekFrom::Start(at)).ok()?;
        let num = file.read(&mut head).ok()?;
        let mut rest = &head[..num];
        let header = Header::decode(&mut rest).ok()?;
        let (len, body) = (header.size? as u64, (num - rest.len()) as u64);
        // What does not begin as one is no MP4, whatever its bytes would make of a length.
        if is_first && !matches!(header.kind.as_ref(), b"ftyp" | b"moov" | b"wide" | b"mdat" | b"free" | b"skip") {
            return None;
        }
        if header.kind.as_ref() == b"moov" {
            let mut moov = Vec::new();
            file.seek(SeekFrom::Start(at + body)).ok()?;
            file.take(len.min(MAX_MOOV)).read_to_end(&mut moov).ok()?;
            return Some(moov);
        }
        is_first = false;
        at = at.checked_add(body)?.checked_add(len)?;
    }
}

/// The boxes in a box: kind, and the whole box with its header.
fn boxes(mut body: &[u8]) -> impl Iterator<Item = ([u8; 4], &[u8], &[u8])> {
    std::iter::from_fn(move || {
        let mut rest = body;
        let header = Header::decode(&mut rest).ok()?;
        let len = header.size.unwrap_or(rest.len());
        let inner = rest.get(..len)?;
        let whole = &body[..body.len() - rest.len() + len];
        body = &rest[len..];
        Some((header.kind.into(), whole, inner))
    })
}

fn inside<'a>(body: &'a [u8], kind: &[u8; 4]) -> Option<(&'a [u8], &'a [u8])> {
    boxes(body).find(|found| found.0 == *kind).map(|found| (found.1, found.2))
}

/// Where the first sounding edit of the first audio track begins, s.
fn edited_s(moov: &[u8]) -> Option<f64> {
    let is_audio = |trak: &&[u8]| {
        let hdlr = inside(trak, b"mdia").and_then(|mdia| inside(mdia.1, b"hdlr"));
        hdlr.and_then(|mut hdlr| Hdlr::decode(&mut hdlr.0).ok()).is_some_and(|hdlr| hdlr.handler.as_ref() == b"soun")
    };
    let trak = boxes(moov).filter(|found| &found.0 == b"trak").map(|found| found.2).find(is_audio)?;
    let mut mdhd = inside(inside(trak, b"mdia")?.1, b"mdhd")?.0;
    let mut elst = inside(inside(trak, b"edts")?.1, b"elst")?.0;
    let timescale = Mdhd::decode(&mut mdhd).ok()?.timescale;
    let first = Elst::decode(&mut elst).ok()?.entries.into_iter().find_map(|entry| entry.media_time)?;
    (timescale > 0).then(|| first as f64 / f64::from(timescale))
}

/// Priming by iTunes' note of gapless playing: its second number, in hexadecimal.
fn gapless(format: &mut dyn FormatReader) -> Option<u64> {
    let metadata = format.metadata();
    let tags = &metadata.current()?.media.tags;
    let note = tags.iter().find(|tag| tag.raw.key.ends_with("iTunSMPB"))?;
    u64::from_str_radix(note.raw.value.to_string().split_whitespace().nth(1)?, 16).ok()
}
