//! Finds the sound in WAV, RF64, BW64 and AIFF files by their chunks, and hands the decoder a plain file.
//!
//! The decoder library reads neither RF64 nor BW64, and gives up where a recorder that lost power left
//! sizes of 0, or where a file is cut short. The layout is all that is touched here; samples stay the
//! decoder's work. Sources: RIFF/WAVE (1991); EBU Tech 3306 (RF64) and ITU-R BS.2088 (BW64, `ds64`);
//! AIFF 1.3 and AIFF-C \[S\].

use std::io::{self, Read, Seek, SeekFrom};
use symphonia::core::io::MediaSource;

/// Size that stands for "see `ds64`", or for "not known when written".
const UNKNOWN_LEN: u32 = u32::MAX;
/// Format chunks are 16 to 40 bytes, AIFF's common chunk up to 280 with its name; longer ones are damaged.
const MAX_FORMAT_LEN: u64 = 4096;
/// More chunks than any writer makes before the sound; a file of chunks without end is damaged.
const MAX_CHUNKS: usize = 10_000;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Family {
    /// Little-endian: RIFF, RF64, BW64.
    Wave,
    /// Big-endian: AIFF, and AIFC when true.
    Aiff { compressed: bool },
}

/// Where the sound of a chunked file lies.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Layout {
    /// A plain header that describes the sound as far as it is there.
    header: Vec<u8>,
    /// First byte of the sound in the file.
    data_start: u64,
    /// Bytes of sound that are there.
    data_len: u64,
    /// Frames the file's own header promises, where it tells.
    pub promised_frames: Option<u64>,
}

/// Looks for the sound in a WAV or AIFF file; `None` when it is another kind of file, or too damaged.
/// The position in `file` is left anywhere.
///
/// # Errors
/// Those of reading, but not the end of the file; `InvalidData` for a header that cannot be.
pub fn find_sound<F: Read + Seek>(file: &mut F) -> io::Result<Option<Layout>> {
    match scan(file) {
        Err(e) if e.kind() == io::ErrorKind::UnexpectedEof => Ok(None),
        found => found,
    }
}

fn scan<F: Read + Seek>(file: &mut F) -> io::Result<Option<Layout>> {
    let file_len = file.seek(SeekFrom::End(0))?;
    file.seek(SeekFrom::Start(0))?;
    let top: [u8; 12] = read_array(file)?;
    let Some(family) = family(&top) else { return Ok(None) };

    let (mut format, mut sound) = (None, None);
    let mut long_data_len = None;
    for _ in 0..MAX_CHUNKS {
        let Some(chunk) = next_chunk(file, family)? else { break };
        match (&chunk.tag, family) {
            (b"ds64", Family::Wave) if chunk.len >= 16 => {
                let sizes: [u8; 16] = read_array(file)?;
                long_data_len = Some(u64::from_le_bytes(array_at(&sizes, 8)));
            }
            (b"fmt ", Family::Wave) | (b"COMM", Family::Aiff { .. }) if chunk.len <= MAX_FORMAT_LEN => {
                let mut body = vec![0; chunk.len as usize];
                file.read_exact(&mut body)?;
                format = Some(body);
            }
            (b"data", Family::Wave) => {
                sound = Some(wave_sound(&chunk, long_data_len));
            }
            (b"SSND", Family::Aiff { .. }) => {
                let offsets: [u8; 8] = read_array(file)?;
                let offset = 8 + u64::from(u32::from_be_bytes(array_at(&offsets, 0)));
                sound = Some(Sound { start: chunk.start + offset, claimed: chunk.len.checked_sub(offset) });
            }
            _ => {}
        }
        // AIFF may describe the sound after it; WAV may not.
        let complete = sound.is_some() && (format.is_some() || family == Family::Wave);
        if complete || file.seek(SeekFrom::Start(chunk.end()))? > file_len {
            break;
        }
    }
    match format.zip(sound) {
        Some((format, sound)) => plain(family, &format, sound, file_len),
        None => Ok(None),
    }
}

fn family(top: &[u8; 12]) -> Option<Family> {
    match (&top[..4], &top[8..]) {
        (b"RIFF" | b"RF64" | b"BW64", b"WAVE") => Some(Family::Wave),
        (b"FORM", b"AIFF") => Some(Family::Aiff { compressed: false }),
        (b"FORM", b"AIFC") => Some(Family::Aiff { compressed: true }),
        _ => None,
    }
}

struct Chunk {
    tag: [u8; 4],
    start: u64,
    len: u64,
}

impl Chunk {
    /// Chunks lie on even bytes; the pad is not counted in the length.
    fn end(&self) -> u64 {
        self.start + self.len + self.len % 2
    }
}

/// The next chunk's header, or `None` at the end of the file.
fn next_chunk<F: Read + Seek>(file: &mut F, family: Family) -> io::Result<Option<Chunk>> {
    let head: [u8; 8] = match read_array(file) {
        Err(e) if e.kind() == io::ErrorKind::UnexpectedEof => return Ok(None),
        head => head?,
    };
    let len = match family {
        Family::Wave => u32::from_le_bytes(array_at(&head, 4)),
        Family::Aiff { .. } => u32::from_be_bytes(array_at(&head, 4)),
    };
    Ok(Some(Chunk { tag: array_at(&head, 0), start: file.stream_position()?, len: u64::from(len) }))
}

struct Sound {
    start: u64,
    /// Bytes the header claims; `None` when it does not tell.
    claimed: Option<u64>,
}

/// A size of 0 is what a recorder leaves that never came to fill it in: everything after it is sound.
fn wave_sound(chunk: &Chunk, long_len: Option<u64>) -> Sound {
    let claimed = match (chunk.len, long_len) {
        (len, Some(long)) if len == u64::from(UNKNOWN_LEN) => Some(long),
        (0, _) => None,
        (len, _) if len == u64::from(UNKNOWN_LEN) => None,
        (len, _) => Some(len),
    };
    Sound { start: chunk.start, claimed }
}

fn plain(family: Family, format: &[u8], sound: Sound, file_len: u64) -> io::Result<Option<Layout>> {
    let bare = bare_format(family, format);
    let Some((format, block)) = bare.and_then(|format| Some((format, block(family, format)?))) else {
        return Ok(None);
    };
    // WAVE keeps a frame's length in 16 bits, and the decoder computes with 16 bits for AIFF too.
    if block.len == 0 || block.len > u64::from(u16::MAX) {
        return Err(io::Error::new(io::ErrorKind::InvalidData, "its header has impossible channels or bits"));
    }
    let there = file_len.saturating_sub(sound.start);
    let data_len = sound.claimed.unwrap_or(there).min(there) / block.len * block.len;
    Ok(Some(Layout {
        header: header(family, format, data_len),
        data_start: sound.start,
        data_len,
        promised_frames: sound.claimed.filter(|_| block.is_frame).map(|claimed| claimed / block.len),
    }))
}

/// WAVE format tags: plain PCM and float carry nothing past their 16 bytes, whatever the writer appended.
fn bare_format(family: Family, format: &[u8]) -> Option<&[u8]> {
    const BARE_LEN: usize = 16;
    match family {
        Family::Wave if matches!(wave_tag(format)?, TAG_PCM | TAG_FLOAT) => format.get(..BARE_LEN),
        _ => Some(format),
    }
}

const TAG_PCM: u16 = 1;
const TAG_FLOAT: u16 = 3;
const TAG_ALAW: u16 = 6;
const TAG_MULAW: u16 = 7;
const TAG_EXTENSIBLE: u16 = 0xFFFE;

fn wave_tag(format: &[u8]) -> Option<u16> {
    Some(u16::from_le_bytes(format.get(0..2)?.try_into().ok()?))
}

/// The smallest unit of the sound that can be decoded.
struct Block {
    /// In bytes, all channels.
    len: u64,
    /// One sample of each channel; coded formats pack several.
    is_frame: bool,
}

fn block(family: Family, format: &[u8]) -> Option<Block> {
    let le = |at: usize| Some(u64::from(u16::from_le_bytes(format.get(at..at + 2)?.try_into().ok()?)));
    let be = |at: usize| Some(u64::from(u16::from_be_bytes(format.get(at..at + 2)?.try_into().ok()?)));
    Some(match family {
        Family::Wave => match wave_tag(format)? {
            TAG_PCM | TAG_FLOAT | TAG_ALAW | TAG_MULAW | TAG_EXTENSIBLE => {
                Block { len: le(2)? * le(14)?.div_ceil(8), is_frame: true }
            }
            _ => Block { len: le(12)?, is_frame: false },
        },
        Family::Aiff { .. } => Block { len: be(0)? * be(6)?.div_ceil(8), is_frame: true },
    })
}

fn header(family: Family, format: &[u8], data_len: u64) -> Vec<u8> {
    let short = |len: u64| u32::try_from(len).unwrap_or(UNKNOWN_LEN);
    let padded = format.len() as u64 + format.len() as u64 % 2;
    let mut out = Vec::with_capacity(64 + format.len());
    match family {
        Family::Wave => {
            put(&mut out, b"RIFF", &short(4 + 8 + padded + 8 + data_len).to_le_bytes());
            put(&mut out, b"WAVEfmt ", &(format.len() as u32).to_le_bytes());
            put_padded(&mut out, format);
            put(&mut out, b"data", &short(data_len).to_le_bytes());
        }
        Family::Aiff { compressed } => {
            put(&mut out, b"FORM", &short(4 + 8 + padded + 16 + data_len).to_be_bytes());
            put(&mut out, if compressed { b"AIFCCOMM" } else { b"AIFFCOMM" }, &(format.len() as u32).to_be_bytes());
            put_padded(&mut out, format);
            put(&mut out, b"SSND", &short(8 + data_len).to_be_bytes());
            out.extend([0; 8]);
        }
    }
    out
}

fn put(out: &mut Vec<u8>, tag: &[u8], len: &[u8; 4]) {
    out.extend(tag);
    out.extend(len);
}

fn put_padded(out: &mut Vec<u8>, body: &[u8]) {
    out.extend(body);
    out.extend(&[0][..body.len() % 2]);
}

fn read_array<const N: usize, F: Read>(file: &mut F) -> io::Result<[u8; N]> {
    let mut bytes = [0; N];
    file.read_exact(&mut bytes)?;
    Ok(bytes)
}

fn array_at<const N: usize>(bytes: &[u8], start: usize) -> [u8; N] {
    let mut out = [0; N];
    out.copy_from_slice(&bytes[start..start + N]);
    out
}

/// The plain file of a [`Layout`]: its header, then the sound, and nothing after it.
pub struct PlainFile<F> {
    file: F,
    layout: Layout,
    position: u64,
}

impl<F: Read + Seek> PlainFile<F> {
    /// The plain view of `file`.
    pub fn new(file: F, layout: Layout) -> Self {
        Self { file, layout, position: 0 }
    }

    fn header_len(&self) -> u64 {
        self.layout.header.len() as u64
    }

    fn len(&self) -> u64 {
        self.header_len() + self.layout.data_len
    }
}

impl<F: Read + Seek> Read for PlainFile<F> {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        let num_read = if self.position < self.header_len() {
            (&self.layout.header[self.position as usize..]).read(buf)?
        } else {
            let left = self.len().saturating_sub(self.position);
            let wanted = buf.len().min(usize::try_from(left).unwrap_or(usize::MAX));
            self.file.seek(SeekFrom::Start(self.layout.data_start + self.position - self.header_len()))?;
            self.file.read(&mut buf[..wanted])?
        };
        self.position += num_read as u64;
        Ok(num_read)
    }
}

impl<F: Read + Seek> Seek for PlainFile<F> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        let target = match to {
            SeekFrom::Start(at) => Some(at),
            SeekFrom::End(by) => self.len().checked_add_signed(by),
            SeekFrom::Current(by) => self.position.checked_add_signed(by),
        };
        self.position = target.ok_or(io::ErrorKind::InvalidInput)?;
        Ok(self.position)
    }
}

impl<F: Read + Seek + Send + Sync> MediaSource for PlainFile<F> {
    fn is_seekable(&self) -> bool {
        true
    }

    fn byte_len(&self) -> Option<u64> {
        Some(self.len())
    }
}
