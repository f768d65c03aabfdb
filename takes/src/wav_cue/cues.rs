//! Cue points and their labels: those that are there, and ours beside them.

use super::MarkError;
use super::layout::{Chunk, Layout, read_at};
use std::collections::HashSet;
use std::fs::File;

/// Bytes of one cue point.
const POINT_LEN: usize = 24;
/// `ltxt`: name, sample length, purpose, then country, language, dialect and code page of two bytes each.
const RANGE_LEN: u32 = 20;
/// Longer lists of cue points or labels than this are damaged: room for 2.7 million points.
const MAX_LIST_LEN: u64 = 64 << 20;

/// The cue list of a file.
#[derive(Debug, Default)]
pub struct Cues {
    /// Cue points, 24 bytes each.
    points: Vec<u8>,
    /// Sub-chunks of `LIST` `adtl`, with headers and pads.
    texts: Vec<u8>,
    names: HashSet<u32>,
    /// Sample and label of every labelled point.
    labelled: HashSet<(u32, String)>,
    last_name: u32,
}

impl Cues {
    /// Reads the points and labels that a file has.
    pub fn read(file: &mut File, layout: &Layout) -> Result<Self, MarkError> {
        let mut cues = Self::default();
        for chunk in layout.chunks.iter().filter(|c| c.is_cue()) {
            cues.keep_points(&body(file, chunk)?);
        }
        for chunk in layout.chunks.iter().filter(|c| c.is_adtl()) {
            let body = body(file, chunk)?;
            cues.texts.extend(&body[4..]);
            cues.texts.extend(&[0][..cues.texts.len() % 2]);
        }
        cues.index();
        Ok(cues)
    }

    /// As many points as there are, whatever the count says.
    fn keep_points(&mut self, body: &[u8]) {
        let Some((count, points)) = body.split_first_chunk() else { return };
        let num_points = (points.len() / POINT_LEN).min(u32::from_le_bytes(*count) as usize);
        self.points.extend(&points[..num_points * POINT_LEN]);
    }

    fn index(&mut self) {
        let points: Vec<_> =
            self.points.chunks_exact(POINT_LEN).map(|point| (u32_at(point, 0), u32_at(point, 20))).collect();
        self.names = points.iter().map(|&(name, _)| name).collect();
        let at: std::collections::HashMap<_, _> = points.into_iter().collect();
        let labels = Texts(&self.texts).filter(|(tag, body)| *tag == b"labl" && body.len() >= 4);
        self.labelled = labels.filter_map(|(_, body)| Some((*at.get(&u32_at(body, 0))?, text(&body[4..])))).collect();
    }

    /// Points, with those added.
    pub fn num_points(&self) -> usize {
        self.points.len() / POINT_LEN
    }

    /// Adds a point with a label, a note unless it is empty, and unless its length is 0 a range in samples.
    /// False when the same label stands on the same sample already.
    pub fn add(&mut self, at: u32, length: u32, label: &str, note: &str) -> bool {
        if !self.labelled.insert((at, label.to_owned())) {
            return false;
        }
        let name = self.free_name();
        // dwPosition equals dwSampleOffset where there is no play list.
        for field in [name, at, u32::from_le_bytes(*b"data"), 0, 0, at] {
            self.points.extend(field.to_le_bytes());
        }
        self.add_text(b"labl", name, label);
        if !note.is_empty() {
            self.add_text(b"note", name, note);
        }
        if length > 0 {
            self.add_range(name, length);
        }
        true
    }

    fn free_name(&mut self) -> u32 {
        // There are 2^32 names and far fewer points, so this ends.
        loop {
            self.last_name = self.last_name.wrapping_add(1);
            if self.names.insert(self.last_name) {
                return self.last_name;
            }
        }
    }

    fn add_text(&mut self, tag: &[u8; 4], name: u32, text: &str) {
        let len = 4 + text.len() + 1;
        self.texts.extend(tag);
        self.texts.extend((len as u32).to_le_bytes());
        self.texts.extend(name.to_le_bytes());
        self.texts.extend(text.as_bytes());
        // The zero that ends the text, and the pad.
        self.texts.extend(&[0, 0][..1 + len % 2]);
    }

    fn add_range(&mut self, name: u32, length: u32) {
        self.texts.extend(b"ltxt");
        for field in [RANGE_LEN, name, length, u32::from_le_bytes(*b"rgn "), 0, 0] {
            self.texts.extend(field.to_le_bytes());
        }
    }

    /// The chunk `cue `, or nothing for no points.
    pub fn cue_chunk(&self) -> Vec<u8> {
        let num_points = self.num_points() as u32;
        if num_points == 0 {
            return Vec::new();
        }
        let mut chunk = chunk_head(b"cue ", 4 + self.points.len());
        chunk.extend(num_points.to_le_bytes());
        chunk.extend(&self.points);
        chunk
    }

    /// The chunk `LIST` `adtl`, or nothing for no texts.
    pub fn adtl_chunk(&self) -> Vec<u8> {
        if self.texts.is_empty() {
            return Vec::new();
        }
        let mut chunk = chunk_head(b"LIST", 4 + self.texts.len());
        chunk.extend(b"adtl");
        chunk.extend(&self.texts);
        chunk
    }
}

fn chunk_head(tag: &[u8; 4], len: usize) -> Vec<u8> {
    let mut head = Vec::with_capacity(8 + len);
    head.extend(tag);
    head.extend((len as u32).to_le_bytes());
    head
}

fn body(file: &mut File, chunk: &Chunk) -> Result<Vec<u8>, MarkError> {
    if chunk.len > MAX_LIST_LEN {
        return Err(MarkError::Damaged("a cue list of an impossible length"));
    }
    let mut body = vec![0; chunk.len as usize];
    read_at(file, chunk.start, &mut body).map_err(MarkError::Read)?;
    Ok(body)
}

/// Up to the zero that ends it.
fn text(bytes: &[u8]) -> String {
    let end = bytes.iter().position(|&b| b == 0).unwrap_or(bytes.len());
    String::from_utf8_lossy(&bytes[..end]).into_owned()
}

fn u32_at(bytes: &[u8], at: usize) -> u32 {
    let mut four = [0; 4];
    four.copy_from_slice(&bytes[at..at + 4]);
    u32::from_le_bytes(four)
}

/// Sub-chunks of a list: tag and body.
struct Texts<'a>(&'a [u8]);

impl<'a> Iterator for Texts<'a> {
    type Item = (&'a [u8; 4], &'a [u8]);

    fn next(&mut self) -> Option<Self::Item> {
        let (tag, rest) = self.0.split_first_chunk()?;
        let (len, rest) = rest.split_first_chunk()?;
        let len = u32::from_le_bytes(*len) as usize;
        let body = rest.get(..len)?;
        self.0 = rest.get(len + len % 2..).unwrap_or(&[]);
        Some((tag, body))
    }
}
