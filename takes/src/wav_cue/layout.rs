//! The chunks of a WAV file: which there are, where, and which length the header should have told.

use super::{MarkError, SEE_DS64};
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};

/// More chunks than any writer makes; a file of chunks without end is damaged.
const MAX_CHUNKS: usize = 10_000;
/// `fmt ` is 16 to 40 bytes, with codec data some hundred.
const MAX_FORMAT_LEN: u64 = 4096;
/// `ds64` is 28 bytes and 12 for each further long chunk.
const MAX_DS64_LEN: u64 = 28 + 12 * MAX_CHUNKS as u64;
/// Format tags (RFC 2361) whose block is one sample of every channel: PCM, float, A-law, mu-law, extensible.
const FRAME_TAGS: [u16; 5] = [1, 3, 6, 7, 0xFFFE];

/// One chunk of the file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Chunk {
    pub tag: [u8; 4],
    /// First byte of its body in the file.
    pub start: u64,
    /// Bytes of its body, without header and pad.
    pub len: u64,
    /// For `LIST` chunks the kind.
    kind: Option<[u8; 4]>,
}

impl Chunk {
    /// Bytes in a file, with header and pad.
    pub fn padded_len(&self) -> u64 {
        8 + self.len + self.len % 2
    }

    pub fn is_data(&self) -> bool {
        &self.tag == b"data"
    }

    pub fn is_cue(&self) -> bool {
        &self.tag == b"cue "
    }

    pub fn is_adtl(&self) -> bool {
        self.kind == Some(*b"adtl")
    }

    /// The length as 32 bits tell it.
    pub fn len_field(&self) -> u32 {
        u32::try_from(self.len).unwrap_or(SEE_DS64)
    }
}

/// A WAV file's chunks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Layout {
    pub chunks: Vec<Chunk>,
    /// Body of `ds64`, at least 28 bytes.
    pub ds64: Option<Vec<u8>>,
    pub is_bw64: bool,
    pub sample_rate_hz: u32,
    /// Samples of each channel; `None` for codecs that pack several.
    pub num_frames: Option<u64>,
    /// The sound is longer or shorter than the file's own header tells.
    pub is_repaired: bool,
}

impl Layout {
    /// Reads the headers of all chunks. The position in `file` is left anywhere.
    pub fn read(file: &mut File) -> Result<Self, MarkError> {
        let mut top = [0; 12];
        let file_len = file.seek(SeekFrom::End(0)).map_err(MarkError::Read)?;
        read_at(file, 0, &mut top).map_err(|e| match e.kind() {
            io::ErrorKind::UnexpectedEof => MarkError::NotWave,
            _ => MarkError::Read(e),
        })?;
        if !matches!((&top[..4], &top[8..]), (b"RIFF" | b"RF64" | b"BW64", b"WAVE")) {
            return Err(MarkError::NotWave);
        }
        let is_closed = u64::from(u32_at(&top, 4)) + 8 == file_len;
        let mut walk = Walk { file, file_len, is_closed, ds64: None, chunks: Vec::new(), is_repaired: false };
        walk.run()?;
        let Walk { mut ds64, chunks, is_repaired, .. } = walk;
        let (format, data) = format_and_data(file, &chunks)?;
        let num_frames = num_frames(&format, data.len);
        if let Some(ds64) = ds64.as_mut().filter(|_| is_repaired) {
            ds64[16..24].copy_from_slice(&num_frames.unwrap_or(0).to_le_bytes());
        }
        Ok(Self {
            sample_rate_hz: u32_at(&format, 4),
            num_frames,
            is_bw64: &top[..4] == b"BW64",
            chunks,
            ds64,
            is_repaired,
        })
    }

    /// The chunks that go into a copy as they are.
    pub fn kept(&self) -> impl Iterator<Item = &Chunk> {
        self.chunks.iter().filter(|c| !c.is_cue() && !c.is_adtl())
    }

    /// Bytes of sound.
    pub fn data_len(&self) -> u64 {
        self.chunks.iter().find(|c| c.is_data()).map_or(0, |c| c.len)
    }

    /// A `ds64` body for a file that had none; the first two of its fields are filled in when written.
    pub fn new_ds64(&self) -> Vec<u8> {
        let mut body = vec![0; (super::DS64_LEN - 8) as usize];
        body[16..24].copy_from_slice(&self.num_frames.unwrap_or(0).to_le_bytes());
        body
    }
}

struct Walk<'a> {
    file: &'a mut File,
    file_len: u64,
    /// The form's length is that of the file, so its writer finished it.
    is_closed: bool,
    ds64: Option<Vec<u8>>,
    chunks: Vec<Chunk>,
    is_repaired: bool,
}

impl Walk<'_> {
    fn run(&mut self) -> Result<(), MarkError> {
        let mut at = 12;
        while at + 8 <= self.file_len {
            if self.chunks.len() == MAX_CHUNKS {
                return Err(MarkError::Damaged("more chunks than any writer makes"));
            }
            let mut head = [0; 8];
            read_at(self.file, at, &mut head).map_err(MarkError::Read)?;
            let tag = [head[0], head[1], head[2], head[3]];
            let told = u32_at(&head, 4);
            let Some(chunk) = self.chunk(tag, at + 8, told)? else { break };
            at += chunk.padded_len();
            if &chunk.tag == b"ds64" && self.ds64.is_none() {
                self.ds64 = Some(self.body(&chunk)?);
            } else {
                self.chunks.push(chunk);
            }
        }
        Ok(())
    }

    /// The chunk at a place, or `None` where bytes that are no chunk end the file.
    fn chunk(&mut self, tag: [u8; 4], start: u64, told: u32) -> Result<Option<Chunk>, MarkError> {
        let there = self.file_len - start;
        let is_data = &tag == b"data";
        let claimed = match told {
            SEE_DS64 => self.long_len(&tag),
            // A recorder that lost its power never came to fill the length in.
            0 if is_data && !self.is_closed => None,
            told => Some(u64::from(told)),
        };
        let len = claimed.unwrap_or(there).min(there);
        if claimed != Some(len) {
            if !is_data {
                // Padding or a torn chunk after the sound; before it, there is nothing to trust.
                return if self.has_data() { Ok(None) } else { Err(MarkError::Damaged("a chunk ends after the file")) };
            }
            self.is_repaired |= claimed.is_some() || len > 0;
        }
        let kind = if &tag == b"LIST" && len >= 4 { Some(self.four_at(start)?) } else { None };
        Ok(Some(Chunk { tag, start, len, kind }))
    }

    fn has_data(&self) -> bool {
        self.chunks.iter().any(Chunk::is_data)
    }

    /// Length of a long chunk by `ds64`: that of `data` in its own field, others in the table.
    fn long_len(&self, tag: &[u8; 4]) -> Option<u64> {
        let ds64 = self.ds64.as_ref()?;
        if tag == b"data" {
            return Some(u64_at(ds64, 8)).filter(|&len| len > 0);
        }
        let table = ds64.get(28..)?.chunks_exact(12);
        table.into_iter().find(|row| &row[..4] == tag).map(|row| u64_at(row, 4))
    }

    fn body(&mut self, ds64: &Chunk) -> Result<Vec<u8>, MarkError> {
        if !(28..=MAX_DS64_LEN).contains(&ds64.len) {
            return Err(MarkError::Damaged("`ds64` of an impossible length"));
        }
        let mut body = vec![0; ds64.len as usize];
        read_at(self.file, ds64.start, &mut body).map_err(MarkError::Read)?;
        Ok(body)
    }

    fn four_at(&mut self, at: u64) -> Result<[u8; 4], MarkError> {
        let mut four = [0; 4];
        read_at(self.file, at, &mut four).map_err(MarkError::Read)?;
        Ok(four)
    }
}

fn format_and_data<'a>(file: &mut File, chunks: &'a [Chunk]) -> Result<(Vec<u8>, &'a Chunk), MarkError> {
    let format = chunks.iter().find(|c| &c.tag == b"fmt ").ok_or(MarkError::Damaged("no `fmt `"))?;
    let data = chunks.iter().find(|c| c.is_data()).ok_or(MarkError::Damaged("no `data`"))?;
    if !(16..=MAX_FORMAT_LEN).contains(&format.len) {
        return Err(MarkError::Damaged("`fmt ` of an impossible length"));
    }
    let mut body = vec![0; format.len as usize];
    read_at(file, format.start, &mut body).map_err(MarkError::Read)?;
    Ok((body, data))
}

fn num_frames(format: &[u8], data_len: u64) -> Option<u64> {
    let short = |at: usize| u16::from_le_bytes([format[at], format[at + 1]]);
    let frame_len = u64::from(short(2)) * u64::from(short(14).div_ceil(8));
    (FRAME_TAGS.contains(&short(0)) && frame_len > 0).then(|| data_len / frame_len)
}

fn u32_at(bytes: &[u8], at: usize) -> u32 {
    u32::from_le_bytes([bytes[at], bytes[at + 1], bytes[at + 2], bytes[at + 3]])
}

fn u64_at(bytes: &[u8], at: usize) -> u64 {
    let mut eight = [0; 8];
    eight.copy_from_slice(&bytes[at..at + 8]);
    u64::from_le_bytes(eight)
}

pub fn read_at(file: &mut File, at: u64, bytes: &mut [u8]) -> io::Result<()> {
    file.seek(SeekFrom::Start(at))?;
    file.read_exact(bytes)
}
