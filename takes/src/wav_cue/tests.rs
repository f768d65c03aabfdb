//! Chunks of the marked copy against the standards, byte by byte, and files that recorders left damaged.

use super::*;
use crate::mark_note::MarkNote;
use std::path::PathBuf;
use tempfile::TempDir;

/// A file of chunks, read back without the code under test.
struct Wav {
    top: [u8; 12],
    chunks: Vec<([u8; 4], Vec<u8>)>,
}

impl Wav {
    fn chunk(&self, tag: &[u8; 4]) -> &[u8] {
        let found = self.chunks.iter().find(|(t, _)| t == tag);
        &found.unwrap_or_else(|| panic!("no {:?}", String::from_utf8_lossy(tag))).1
    }

    fn tags(&self) -> Vec<String> {
        self.chunks.iter().map(|(tag, _)| String::from_utf8_lossy(tag).into_owned()).collect()
    }
}

fn le32(bytes: &[u8], at: usize) -> u32 {
    u32::from_le_bytes(bytes[at..at + 4].try_into().expect("four bytes"))
}

fn parse(path: &Path) -> Wav {
    let bytes = std::fs::read(path).expect("a file");
    let top: [u8; 12] = bytes[..12].try_into().expect("a form");
    let (mut at, mut chunks, mut long) = (12, Vec::new(), 0);
    while at < bytes.len() {
        let tag: [u8; 4] = bytes[at..at + 4].try_into().expect("four bytes");
        let mut len = le32(&bytes, at + 4) as usize;
        if len == u32::MAX as usize {
            len = long;
        }
        let body = bytes[at + 8..at + 8 + len].to_vec();
        if &tag == b"ds64" {
            long = u64::from_le_bytes(body[8..16].try_into().expect("eight bytes")) as usize;
            assert_eq!(u64::from_le_bytes(body[..8].try_into().expect("eight bytes")), bytes.len() as u64 - 8);
        }
        chunks.push((tag, body));
        at += 8 + len + len % 2;
    }
    assert_eq!(at, bytes.len(), "chunks fill the file");
    if &top[..4] == b"RIFF" {
        assert_eq!(le32(&top, 4) as usize + 8, bytes.len());
    }
    Wav { top, chunks }
}

const RATE: u32 = 48_000;

/// 16-bit mono.
fn format() -> Vec<u8> {
    let mut body = vec![1, 0, 1, 0];
    body.extend(RATE.to_le_bytes());
    body.extend((RATE * 2).to_le_bytes());
    body.extend([2, 0, 16, 0]);
    body
}

fn sound() -> Vec<u8> {
    (0..2 * RATE).flat_map(|i| (i.wrapping_mul(2_654_435_761) >> 16).to_le_bytes()[..2].to_vec()).collect()
}

fn form(tag: &[u8; 4], chunks: &[(&[u8; 4], Vec<u8>)]) -> Vec<u8> {
    let mut body = b"WAVE".to_vec();
    for (tag, chunk) in chunks {
        body.extend(*tag);
        body.extend((chunk.len() as u32).to_le_bytes());
        body.extend(chunk);
        body.extend(&[0][..chunk.len() % 2]);
    }
    let len = if tag == b"RIFF" { body.len() as u32 } else { u32::MAX };
    [tag.as_slice(), &len.to_le_bytes(), &body].concat()
}

struct Place(TempDir);

impl Place {
    fn new(bytes: &[u8]) -> Self {
        let folder = tempfile::tempdir().expect("a temporary folder");
        std::fs::write(folder.path().join("take.wav"), bytes).expect("room");
        Self(folder)
    }

    fn original(&self) -> PathBuf {
        self.0.path().join("take.wav")
    }

    fn mark(&self, marks: &[Mark]) -> (Wav, Marked) {
        let (prepared, marked) = prepare(&self.original(), &self.0.path().join("copy.wav"), marks).expect("a WAV file");
        (parse(&prepared.put_in_place().expect("room")), marked)
    }
}

/// A WAV file holds words and needs no note.
const NOTE: MarkNote = MarkNote { channel: 0, key: 60, velocity: 1 };

fn mark(time_s: f64, length_s: f64, label: &str) -> Mark {
    Mark { time_s, length_s, label: label.into(), sentence: String::new(), note: NOTE }
}

#[test]
fn points_and_texts_follow_the_standard() {
    let place = Place::new(&form(b"RIFF", &[(b"fmt ", format()), (b"data", sound())]));
    let (wav, marked) = place.mark(&[mark(0.5, 0.25, "Bb2: clear"), mark(1.0, 0.0, "F3")]);
    assert_eq!((marked.num_added, marked.is_repaired), (2, false));
    assert_eq!(wav.tags(), ["fmt ", "data", "cue ", "LIST"]);
    // RIFF/WAVE 1991: count, then name, position, 'data', chunk start, block start, sample offset.
    let cue = wav.chunk(b"cue ");
    assert_eq!((cue.len(), le32(cue, 0)), (4 + 2 * 24, 2));
    let point = |i: usize| -> Vec<u32> { (0..6).map(|field| le32(cue, 4 + 24 * i + 4 * field)).collect() };
    let data = u32::from_le_bytes(*b"data");
    assert_eq!(point(0), [1, 24_000, data, 0, 0, 24_000]);
    assert_eq!(point(1), [2, 48_000, data, 0, 0, 48_000]);
    let mut adtl = b"adtllabl\x0f\0\0\0\x01\0\0\0Bb2: clear\0\0".to_vec();
    adtl.extend(b"ltxt\x14\0\0\0\x01\0\0\0\xe0\x2e\0\0rgn \0\0\0\0\0\0\0\0");
    adtl.extend(b"labl\x07\0\0\0\x02\0\0\0F3\0\0");
    assert_eq!(wav.chunk(b"LIST"), adtl, "12000 samples are 0x2ee0");
}

#[test]
fn the_sentence_is_the_note_of_its_point() {
    let place = Place::new(&form(b"RIFF", &[(b"fmt ", format()), (b"data", sound())]));
    let said = Mark { sentence: "F4: burst out".into(), ..mark(0.5, 0.0, "F4 hard") };
    let (wav, _) = place.mark(&[said]);
    // RIFF/WAVE 1991: `note` has the form of `labl`: the point's name, then text that a zero ends.
    let mut adtl = b"adtllabl\x0c\0\0\0\x01\0\0\0F4 hard\0".to_vec();
    adtl.extend(b"note\x12\0\0\0\x01\0\0\0F4: burst out\0");
    assert_eq!(wav.chunk(b"LIST"), adtl);
}

#[test]
fn every_other_chunk_is_kept_in_its_place() {
    let mut bext = vec![b' '; 602];
    bext[338..346].copy_from_slice(&123_456_789_u64.to_le_bytes());
    let info = b"INFOICMT\x05\0\0\0odd!\0\0".to_vec();
    let chunks = [
        (b"bext", bext.clone()),
        (b"fmt ", format()),
        (b"LIST", info.clone()),
        (b"data", sound()),
        (b"iXML", b"<a/>x".to_vec()),
    ];
    let (wav, _) = Place::new(&form(b"RIFF", &chunks)).mark(&[mark(0.1, 0.0, "x")]);
    assert_eq!(wav.tags(), ["bext", "fmt ", "LIST", "data", "iXML", "cue ", "LIST"]);
    for (tag, body) in &chunks {
        assert_eq!(wav.chunk(tag), body);
    }
}

#[test]
fn points_that_are_there_are_kept_and_never_doubled() {
    let place = Place::new(&form(b"RIFF", &[(b"fmt ", format()), (b"data", sound())]));
    let (first, _) = place.mark(&[mark(0.5, 0.1, "a")]);
    std::fs::rename(place.0.path().join("copy.wav"), place.original()).expect("a file");
    let (second, marked) = place.mark(&[mark(0.5, 0.1, "a"), mark(0.75, 0.0, "b")]);
    assert_eq!(marked, Marked { num_added: 1, num_kept: 1, num_known: 1, ..Marked::default() });
    let cue = second.chunk(b"cue ");
    assert_eq!(le32(cue, 0), 2);
    assert_eq!(cue[4..28], first.chunk(b"cue ")[4..]);
    assert_eq!(le32(cue, 28), 2, "a free name");
    assert!(second.chunk(b"LIST").starts_with(first.chunk(b"LIST")));
}

#[test]
fn a_foreign_list_keeps_names_notes_and_files() {
    let mut cue = 1_u32.to_le_bytes().to_vec();
    for field in [1, 7, u32::from_le_bytes(*b"data"), 0, 0, 7_u32] {
        cue.extend(field.to_le_bytes());
    }
    let adtl = b"adtlnote\x06\0\0\0\x01\0\0\0A\0".to_vec();
    let chunks = [(b"fmt ", format()), (b"cue ", cue), (b"LIST", adtl.clone()), (b"data", sound())];
    let (wav, marked) = Place::new(&form(b"RIFF", &chunks)).mark(&[mark(0.1, 0.0, "x")]);
    assert_eq!((marked.num_kept, marked.num_added), (1, 1));
    assert!(wav.chunk(b"LIST").starts_with(&adtl));
    assert_eq!(le32(wav.chunk(b"cue "), 28), 2, "the name 1 is taken");
}

#[test]
fn rf64_and_bw64_keep_their_kind_and_count_in_64_bits() {
    for tag in [b"RF64", b"BW64"] {
        let mut ds64 = [0_u64, 2 * 2 * u64::from(RATE), 2 * u64::from(RATE)].map(u64::to_le_bytes).concat();
        ds64.extend(0_u32.to_le_bytes());
        let mut bytes = form(tag, &[(b"ds64", ds64), (b"fmt ", format()), (b"data", sound())]);
        let data_at = bytes.windows(4).position(|w| w == b"data").expect("sound");
        bytes[data_at + 4..data_at + 8].fill(0xFF);
        let (wav, marked) = Place::new(&bytes).mark(&[mark(0.5, 0.0, "x")]);
        assert_eq!((&wav.top[..4], marked.is_repaired), (tag.as_slice(), false));
        assert_eq!(wav.tags(), ["ds64", "fmt ", "data", "cue ", "LIST"]);
        assert_eq!(wav.chunk(b"data"), sound());
    }
}

/// Keeps the first bytes and the last, and counts the rest.
#[derive(Default)]
struct Ends {
    first: Vec<u8>,
    last: Vec<u8>,
    len: u64,
}

const KEPT: usize = 4096;

impl Write for Ends {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let room = KEPT.saturating_sub(self.first.len()).min(bytes.len());
        self.first.extend(&bytes[..room]);
        self.last.extend(bytes);
        self.last.drain(..self.last.len().saturating_sub(KEPT));
        self.len += bytes.len() as u64;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

fn le64(bytes: &[u8], at: usize) -> u64 {
    u64::from_le_bytes(bytes[at..at + 8].try_into().expect("eight bytes"))
}

/// A mono file of 16 bits with so many bytes of sound, which take no room on the disk; and its marked copy.
fn marked_giant(head: &[u8], data_len: u64, label: &str) -> Ends {
    let place = Place::new(head);
    let file = File::options().write(true).open(place.original()).expect("just written");
    file.set_len(head.len() as u64 + data_len).expect("a file with a hole");
    let mut source = File::open(place.original()).expect("a file");
    let layout = Layout::read(&mut source).expect("a WAV file");
    let mut cues = Cues::read(&mut source, &layout).expect("no cues");
    let at_s = (data_len / 2 - 1) as f64 / f64::from(RATE);
    assert_eq!(add(&mut cues, &layout, &[mark(at_s, 0.0, label)]).num_added, 1);
    let mut ends = Ends::default();
    super::write(&mut source, &layout, &cues, &mut ends).expect("memory");
    ends
}

/// What EBU Tech 3306 and ITU-R BS.2088 ask: sizes of 64 bits in `ds64`, and all bits set in their 32-bit places.
fn assert_giant(copy: &Ends, tag: &[u8; 4], data_len: u64) {
    assert_eq!((&copy.first[..4], le32(&copy.first, 4), &copy.first[8..16]), (&tag[..], u32::MAX, &b"WAVEds64"[..]));
    let ds64 = &copy.first[20..48];
    assert_eq!([le64(ds64, 0), le64(ds64, 8), le64(ds64, 16)], [copy.len - 8, data_len, data_len / 2]);
    let data_at = copy.first.windows(4).position(|w| w == b"data").expect("sound");
    assert_eq!(le32(&copy.first, data_at + 4), u32::MAX);
    let cue_at = copy.last.windows(4).position(|w| w == b"cue ").expect("cue points");
    // The last sample of all is marked, past the 2^31st.
    assert_eq!(u64::from(le32(&copy.last, cue_at + 8 + 4 + 20)), data_len / 2 - 1);
}

#[test]
fn files_of_more_than_4_gib_count_in_64_bits() {
    let data_len = (4 << 30) + 1_000_000_u64;
    let mut ds64 = [data_len + 72, data_len, data_len / 2].map(u64::to_le_bytes).concat();
    ds64.extend(0_u32.to_le_bytes());
    let mut head = form(b"BW64", &[(b"ds64", ds64), (b"fmt ", format())]);
    head.extend(b"data");
    head.extend(u32::MAX.to_le_bytes());
    assert_giant(&marked_giant(&head, data_len, "last"), b"BW64", data_len);
}

#[test]
fn a_file_that_its_marks_bring_over_4_gib_becomes_rf64() {
    let data_len = u64::from(u32::MAX) - 1 - 36;
    let mut head = form(b"RIFF", &[(b"fmt ", format())]);
    head[4..8].copy_from_slice(&((36 + data_len) as u32).to_le_bytes());
    head.extend(b"data");
    head.extend((data_len as u32).to_le_bytes());
    assert_giant(&marked_giant(&head, data_len, "last"), b"RF64", data_len);
}

#[test]
fn what_a_recorder_left_open_is_closed() {
    let mut bytes = form(b"RIFF", &[(b"fmt ", format()), (b"data", sound())]);
    bytes[4..8].fill(0);
    bytes[40..44].fill(0);
    let (wav, marked) = Place::new(&bytes).mark(&[mark(0.5, 0.0, "x")]);
    assert!(marked.is_repaired);
    assert_eq!(wav.chunk(b"data"), sound());
}

#[test]
fn a_cut_file_keeps_what_is_there() {
    let mut bytes = form(b"RIFF", &[(b"fmt ", format()), (b"data", sound())]);
    bytes.truncate(44 + 2 * 1001);
    let (wav, marked) = Place::new(&bytes).mark(&[mark(0.01, 0.0, "in"), mark(1.0, 0.0, "out")]);
    assert_eq!((marked.is_repaired, marked.num_added, marked.num_outside), (true, 1, 1));
    assert_eq!(wav.chunk(b"data"), &sound()[..2002]);
}

#[test]
fn no_marks_make_no_empty_lists() {
    let place = Place::new(&form(b"RIFF", &[(b"fmt ", format()), (b"data", sound())]));
    assert_eq!(place.mark(&[]).0.tags(), ["fmt ", "data"]);
}

#[test]
fn twenty_thousand_marks_are_all_there_and_a_second_run_gives_the_same_bytes() {
    let place = Place::new(&form(b"RIFF", &[(b"fmt ", format()), (b"data", sound())]));
    let marks: Vec<_> = (0..20_000).map(|i| mark(f64::from(i) * 1e-4, 1e-4, &format!("note {i}"))).collect();
    let (wav, marked) = place.mark(&marks);
    assert_eq!((le32(wav.chunk(b"cue "), 0), marked.num_added), (20_000, 20_000));
    let first = std::fs::read(place.0.path().join("copy.wav")).expect("a copy");
    place.mark(&marks);
    assert!(first == std::fs::read(place.0.path().join("copy.wav")).expect("a copy"));
}

#[test]
fn the_original_is_never_written_over() {
    let place = Place::new(&form(b"RIFF", &[(b"fmt ", format()), (b"data", sound())]));
    let other_spelling = place.0.path().join(".").join("take.wav");
    assert!(matches!(prepare(&place.original(), &place.original(), &[]), Err(MarkError::OverOriginal)));
    assert!(matches!(prepare(&place.original(), &other_spelling, &[]), Err(MarkError::OverOriginal)));
}

#[test]
fn other_files_are_refused_with_a_reason() {
    let refused = |bytes: &[u8]| {
        let place = Place::new(bytes);
        prepare(&place.original(), &place.0.path().join("copy.wav"), &[]).expect_err("no WAV file").to_string()
    };
    assert!(refused(b"").contains("not a WAV"));
    assert!(refused(&[b"fLaC".as_slice(), &[0; 100]].concat()).contains("not a WAV"));
    assert!(refused(&form(b"RIFF", &[(b"data", sound())])).contains("no `fmt `"));
    assert!(refused(&form(b"RIFF", &[(b"fmt ", format())])).contains("no `data`"));
    assert!(refused(&form(b"RIFF", &[(b"fmt ", vec![1, 0]), (b"data", sound())])).contains("impossible length"));
    let huge = b"RIFF\0\0\0\0WAVEcue \xf0\xff\xff\xff\x01\0\0\0".to_vec();
    assert!(refused(&huge).contains("ends after the file"));
}
