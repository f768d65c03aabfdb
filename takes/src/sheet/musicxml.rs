//! Written notes from MusicXML 4.0 (W3C), partwise, plain or compressed: repeats played out, ties joined,
//! transposing parts brought to sounding pitch.

use super::repeats::{Signs, order};
use super::{MAX_LEN, MAX_NOTES, Position, Sheet, SheetError, SheetNote, choose_part};
use roxmltree::{Document, Node, ParsingOptions};
use std::collections::HashMap;
use std::io::{Cursor, Read};

/// Nodes of a document, at most: some fifteen for each of 500 000 notes, and under 1 GiB of memory.
const MAX_NODES: u32 = 8_000_000;

/// The score inside a compressed file: where its container says, else the first score in it.
pub fn unpack(bytes: &[u8]) -> Result<String, SheetError> {
    let broken = |e: zip::result::ZipError| SheetError::NotNotes(e.to_string());
    let mut archive = zip::ZipArchive::new(Cursor::new(bytes)).map_err(broken)?;
    let container = member(&mut archive, "META-INF/container.xml").ok();
    let root = container.as_deref().and_then(root_file);
    let first = || archive.file_names().flatten().filter(|n| is_score(n)).map(|n| n.into_owned()).min();
    let name = root.or_else(first).ok_or_else(|| SheetError::NotNotes("an archive without a score".into()))?;
    member(&mut archive, &name)
}

fn is_score(name: &str) -> bool {
    let name = name.to_lowercase();
    !name.starts_with("meta-inf") && (name.ends_with(".xml") || name.ends_with(".musicxml"))
}

fn root_file(container: &str) -> Option<String> {
    let document = Document::parse(container).ok()?;
    let root = document.descendants().find(|n| n.has_tag_name("rootfile"))?;
    root.attribute("full-path").map(str::to_owned)
}

fn member(archive: &mut zip::ZipArchive<Cursor<&[u8]>>, name: &str) -> Result<String, SheetError> {
    let file = archive.by_name(name).map_err(|e| SheetError::NotNotes(e.to_string()))?;
    let mut bytes = Vec::new();
    file.take(MAX_LEN + 1).read_to_end(&mut bytes).map_err(|e| SheetError::NotNotes(e.to_string()))?;
    if bytes.len() as u64 > MAX_LEN {
        return Err(SheetError::NotNotes("over 64 MiB when unpacked".into()));
    }
    text(&bytes)
}

/// UTF-8, or UTF-16 with its mark.
pub fn text(bytes: &[u8]) -> Result<String, SheetError> {
    let wide = |bytes: &[u8], unit: fn([u8; 2]) -> u16| {
        let units: Vec<u16> = bytes.chunks_exact(2).map(|pair| unit([pair[0], pair[1]])).collect();
        String::from_utf16(&units).ok()
    };
    let text = match bytes {
        [0xFF, 0xFE, rest @ ..] => wide(rest, u16::from_le_bytes),
        [0xFE, 0xFF, rest @ ..] => wide(rest, u16::from_be_bytes),
        [0xEF, 0xBB, 0xBF, rest @ ..] => String::from_utf8(rest.to_vec()).ok(),
        _ => String::from_utf8(bytes.to_vec()).ok(),
    };
    text.ok_or_else(|| SheetError::NotNotes("neither MIDI nor text in UTF-8 or UTF-16".into()))
}

pub fn parse(text: &str, part: Option<&str>) -> Result<Sheet, SheetError> {
    let options = ParsingOptions { allow_dtd: true, nodes_limit: MAX_NODES, ..ParsingOptions::default() };
    let document = Document::parse_with_options(text, options).map_err(|e| SheetError::NotNotes(e.to_string()))?;
    let root = document.root_element();
    match root.tag_name().name() {
        "score-partwise" => {}
        "score-timewise" => return Err(SheetError::NotNotes("a timewise score: export it partwise".into())),
        other => return Err(SheetError::NotNotes(format!("a document of kind {other:?}"))),
    }
    let parts: Vec<Node> = children(root, "part").collect();
    let names: Vec<_> = parts.iter().map(|p| (name(root, *p), num_notes(*p))).collect();
    let chosen = choose_part(&names, part)?;
    let mut sheet = played_out(&bars(parts[chosen]));
    sheet.part = Some(names[chosen].0.clone()).filter(|name| !name.is_empty());
    if parts.len() > 1 && part.is_none() {
        sheet.remarks.push(format!("of {} parts, {:?} was taken", parts.len(), names[chosen].0));
    }
    Ok(sheet)
}

fn children<'a, 'i>(node: Node<'a, 'i>, tag: &'static str) -> impl Iterator<Item = Node<'a, 'i>> {
    node.children().filter(move |child| child.has_tag_name(tag))
}

fn child<'a, 'i>(node: Node<'a, 'i>, tag: &'static str) -> Option<Node<'a, 'i>> {
    children(node, tag).next()
}

fn number<T: std::str::FromStr>(node: Node, tag: &'static str) -> Option<T> {
    child(node, tag)?.text()?.trim().parse().ok()
}

fn name(root: Node, part: Node) -> String {
    let list = child(root, "part-list");
    let entry =
        list.and_then(|list| children(list, "score-part").find(|entry| entry.attribute("id") == part.attribute("id")));
    let name = entry.and_then(|entry| child(entry, "part-name")).and_then(|name| name.text());
    name.unwrap_or("").trim().to_owned()
}

fn num_notes(part: Node) -> usize {
    part.descendants().filter(|n| n.has_tag_name("pitch")).count()
}

/// A note in its bar.
struct BarNote {
    /// Quarter notes from the bar's start.
    offset: f64,
    length_beats: f64,
    midi_note: u8,
    is_grace: bool,
    /// Tied to the note before.
    is_tied: bool,
    position: Option<Position>,
}

#[derive(Default)]
struct Bar {
    number: String,
    length_beats: f64,
    notes: Vec<BarNote>,
    tempi: Vec<(f64, f64)>,
    signs: Signs,
}

/// What holds from bar to bar.
struct State<'a> {
    divisions: f64,
    transpose: i32,
    bar_beats: f64,
    volta: Vec<u32>,
    /// The voice that is read: the one with the most notes.
    voice: Option<&'a str>,
}

fn bars(part: Node) -> Vec<Bar> {
    let mut state = State { divisions: 1.0, transpose: 0, bar_beats: 4.0, volta: Vec::new(), voice: main_voice(part) };
    children(part, "measure").map(|measure| bar(measure, &mut state)).collect()
}

fn main_voice<'a>(part: Node<'a, '_>) -> Option<&'a str> {
    let mut counts: HashMap<&str, usize> = HashMap::new();
    for note in part.descendants().filter(|n| n.has_tag_name("note") && child(*n, "pitch").is_some()) {
        *counts.entry(voice(note)).or_default() += 1;
    }
    // The lower name wins a tie, so that every run reads the same.
    counts.into_iter().max_by(|a, b| a.1.cmp(&b.1).then(b.0.cmp(a.0))).map(|(voice, _)| voice)
}

fn voice<'a>(note: Node<'a, '_>) -> &'a str {
    child(note, "voice").and_then(|v| v.text()).map_or("1", str::trim)
}

fn bar(measure: Node, state: &mut State) -> Bar {
    let mut bar = Bar { number: measure.attribute("number").unwrap_or("").to_owned(), ..Bar::default() };
    let (mut now, mut note_start) = (0.0_f64, 0.0);
    for element in measure.children().filter(Node::is_element) {
        let length = number(element, "duration").unwrap_or(0.0) / state.divisions;
        match element.tag_name().name() {
            "attributes" => attributes(element, state),
            "note" => {
                let is_chord = child(element, "chord").is_some();
                if !is_chord {
                    note_start = now;
                }
                bar.notes.extend(bar_note(element, note_start, length, state));
                if !is_chord && child(element, "grace").is_none() {
                    now += length;
                }
            }
            "backup" => now = (now - length).max(0.0),
            "forward" => now += length,
            "direction" => direction(element, now, &mut bar),
            "sound" => sound(element, now, &mut bar),
            "barline" => barline(element, state, &mut bar),
            _ => {}
        }
        bar.length_beats = bar.length_beats.max(now);
    }
    if bar.length_beats == 0.0 {
        bar.length_beats = state.bar_beats;
    }
    if bar.signs.volta.is_empty() {
        bar.signs.volta.clone_from(&state.volta);
    }
    bar
}

fn attributes(element: Node, state: &mut State) {
    if let Some(divisions) = number::<f64>(element, "divisions").filter(|d| d.is_finite() && *d > 0.0) {
        state.divisions = divisions;
    }
    if let Some(time) = child(element, "time") {
        let beats: f64 = number(time, "beats").unwrap_or(4.0);
        let kind: f64 = number(time, "beat-type").unwrap_or(4.0);
        state.bar_beats = (beats * 4.0 / kind).clamp(0.25, 64.0);
    }
    if let Some(transpose) = child(element, "transpose") {
        let chromatic = number(transpose, "chromatic").unwrap_or(0.0) as i32;
        let octaves = number(transpose, "octave-change").unwrap_or(0.0) as i32;
        state.transpose = chromatic.clamp(-48, 48) + 12 * octaves.clamp(-4, 4);
    }
}

/// A note of the voice that is read; rests, cues and percussion are none.
fn bar_note(note: Node, offset: f64, length_beats: f64, state: &State) -> Option<BarNote> {
    if child(note, "cue").is_some() || Some(voice(note)) != state.voice {
        return None;
    }
    let is_grace = child(note, "grace").is_some();
    let is_tied = children(note, "tie").any(|tie| tie.attribute("type") == Some("stop"));
    let midi_note = sounding(child(note, "pitch")?, state.transpose)?;
    let length_beats = if is_grace { 0.0 } else { length_beats };
    Some(BarNote { offset, length_beats, midi_note, is_grace, is_tied, position: position(note) })
}

/// What stands above a note as fingering is its slide position.
fn position(note: Node) -> Option<Position> {
    let technical = children(note, "notations").flat_map(|notations| children(notations, "technical"));
    let mut fingerings = technical.flat_map(|technical| children(technical, "fingering"));
    fingerings.find_map(|fingering| Position::read(fingering.text()?))
}

fn sounding(pitch: Node, transpose: i32) -> Option<u8> {
    let step = match child(pitch, "step")?.text()?.trim() {
        "C" => 0,
        "D" => 2,
        "E" => 4,
        "F" => 5,
        "G" => 7,
        "A" => 9,
        "B" => 11,
        _ => return None,
    };
    let octave: i32 = number(pitch, "octave").filter(|o| (0..=9).contains(o))?;
    let alter = number(pitch, "alter").unwrap_or(0.0_f64).round().clamp(-3.0, 3.0) as i32;
    // MIDI note 60 is C4 (MusicXML's octave 4 begins with middle C).
    u8::try_from(12 * (octave + 1) + step + alter + transpose).ok().filter(|&n| n < 128)
}

fn direction(element: Node, now: f64, bar: &mut Bar) {
    for kind in children(element, "direction-type").flat_map(|kind| kind.children()) {
        match kind.tag_name().name() {
            "metronome" => bar.tempi.extend(metronome(kind).map(|bpm| (now, bpm))),
            "segno" => bar.signs.segno = true,
            "words" => words(kind.text().unwrap_or(""), &mut bar.signs),
            _ => {}
        }
    }
    if let Some(element) = child(element, "sound") {
        sound(element, now, bar);
    }
}

/// Signs that editors write as words only.
fn words(text: &str, signs: &mut Signs) {
    let text = text.trim().to_lowercase();
    let begins = |with: &[&str]| with.iter().any(|w| text.starts_with(w));
    signs.da_capo |= begins(&["d.c.", "d. c.", "da capo"]);
    signs.dal_segno |= begins(&["d.s.", "d. s.", "dal segno"]);
    signs.fine |= text == "fine";
    signs.to_coda |= begins(&["to coda", "al coda"]);
}

fn sound(element: Node, now: f64, bar: &mut Bar) {
    let has = |name| element.attribute(name).is_some();
    // The tempo as it sounds overrules the one as it is written.
    if let Some(bpm) = element.attribute("tempo").and_then(|t| t.trim().parse().ok()) {
        bar.tempi.retain(|&(at, _)| at != now);
        bar.tempi.push((now, bpm));
    }
    bar.signs.da_capo |= has("dacapo");
    bar.signs.dal_segno |= has("dalsegno");
    bar.signs.segno |= has("segno");
    bar.signs.coda |= has("coda");
    bar.signs.to_coda |= has("tocoda");
    bar.signs.fine |= has("fine");
}

/// Quarter notes a minute.
fn metronome(element: Node) -> Option<f64> {
    let quarters = match child(element, "beat-unit")?.text()?.trim() {
        "whole" => 4.0,
        "half" => 2.0,
        "quarter" => 1.0,
        "eighth" => 0.5,
        "16th" => 0.25,
        _ => return None,
    };
    let dotted = if child(element, "beat-unit-dot").is_some() { 1.5 } else { 1.0 };
    let per_minute: f64 = number(element, "per-minute")?;
    Some(per_minute * quarters * dotted)
}

fn barline(element: Node, state: &mut State, bar: &mut Bar) {
    if let Some(ending) = child(element, "ending") {
        let passes = ending.attribute("number").unwrap_or("");
        let passes: Vec<u32> = passes.split([',', ' ']).filter_map(|n| n.trim().parse().ok()).collect();
        bar.signs.volta.clone_from(&passes);
        state.volta = if ending.attribute("type") == Some("start") { passes } else { Vec::new() };
    }
    match child(element, "repeat").and_then(|r| Some((r.attribute("direction")?, r.attribute("times")))) {
        Some(("forward", _)) => bar.signs.forward = true,
        Some(("backward", times)) => {
            let times = times.and_then(|t| t.parse().ok()).unwrap_or(2);
            bar.signs.backward = Some(times);
        }
        _ => {}
    }
}

fn played_out(bars: &[Bar]) -> Sheet {
    let signs: Vec<_> = bars.iter().map(|bar| bar.signs.clone()).collect();
    let mut sheet = Sheet::default();
    let mut start = 0.0;
    for i in order(&signs) {
        let bar = &bars[i];
        for note in &bar.notes {
            if sheet.notes.len() < MAX_NOTES {
                add(&mut sheet.notes, note, start, &bar.number);
            }
        }
        sheet.tempi.extend(bar.tempi.iter().map(|&(offset, bpm)| (start + offset, bpm)));
        start += bar.length_beats;
    }
    sheet
}

/// Adds a note, or its length to the one it is tied to.
fn add(notes: &mut Vec<SheetNote>, note: &BarNote, start: f64, bar: &str) {
    let beat = start + note.offset;
    let meets = |n: &SheetNote| n.midi_note == note.midi_note && (n.beat + n.length_beats - beat).abs() < 1e-6;
    if note.is_tied
        && let Some(before) = notes.iter_mut().rev().take(16).find(|n| meets(n))
    {
        before.length_beats += note.length_beats;
        return;
    }
    notes.push(SheetNote {
        midi_note: note.midi_note,
        beat,
        length_beats: note.length_beats,
        bar: Some(bar.to_owned()).filter(|bar| !bar.is_empty()),
        is_grace: note.is_grace,
        position: note.position,
    });
}
