//! A sheet as MusicXML 4.0 (W3C), with the slide positions above the notes.

use super::{BAR, COUNT_IN_BARS, Exercise, Note, PracticeSheet};
use crate::words;
use quick_xml::Writer;
use quick_xml::events::{BytesDecl, BytesText, Event};
use std::io;

/// Parts of a quarter that lengths are told in: half a beat is one.
const DIVISIONS: f64 = 2.0;
/// Steps and alterations of the twelve notes, spelled as the rest of the program does.
const SPELLING: [(&str, i8); 12] = [
    ("C", 0),
    ("C", 1),
    ("D", 0),
    ("E", -1),
    ("E", 0),
    ("F", 0),
    ("F", 1),
    ("G", 0),
    ("A", -1),
    ("A", 0),
    ("B", -1),
    ("B", 0),
];
/// From this note on (G4) exercises stand in the tenor clef \[P\].
const TENOR_FROM: u8 = 67;

type Out = Writer<Vec<u8>>;

/// The text of the file.
#[must_use]
pub fn musicxml(sheet: &PracticeSheet) -> String {
    let mut out = Writer::new_with_indent(Vec::new(), b' ', 2);
    // Writing to memory cannot fail.
    let _ = score(&mut out, sheet);
    String::from_utf8(out.into_inner()).unwrap_or_default() + "\n"
}

fn text(out: &mut Out, name: &str, content: &str) -> io::Result<()> {
    out.create_element(name).write_text_content(BytesText::new(content)).map(drop)
}

fn within(out: &mut Out, name: &str, inner: impl FnOnce(&mut Out) -> io::Result<()>) -> io::Result<()> {
    out.create_element(name).write_inner_content(inner).map(drop)
}

fn score(out: &mut Out, sheet: &PracticeSheet) -> io::Result<()> {
    out.write_event(Event::Decl(BytesDecl::new("1.0", Some("UTF-8"), None)))?;
    let root = out.create_element("score-partwise").with_attribute(("version", "4.0"));
    root.write_inner_content(|out| {
        within(out, "work", |out| text(out, "work-title", &sheet.title))?;
        within(out, "identification", |out| {
            within(out, "encoding", |out| text(out, "software", concat!("Notefront ", env!("CARGO_PKG_VERSION"))))
        })?;
        within(out, "part-list", |out| {
            let part = out.create_element("score-part").with_attribute(("id", "P1"));
            part.write_inner_content(|out| text(out, "part-name", "Trombone")).map(drop)
        })?;
        let part = out.create_element("part").with_attribute(("id", "P1"));
        part.write_inner_content(|out| part_bars(out, sheet)).map(drop)
    })
    .map(drop)
}

fn part_bars(out: &mut Out, sheet: &PracticeSheet) -> io::Result<()> {
    bar(out, 1, |out| {
        attributes(out, sheet)?;
        tempo(out, sheet.bpm)?;
        rest(out, f64::from(BAR))
    })?;
    for (from, exercise) in sheet.placed() {
        debug_assert!(from >= COUNT_IN_BARS);
        for k in 0..exercise.num_bars {
            bar(out, from + k + 1, |out| {
                if k == 0 {
                    clef_of(out, exercise)?;
                    words_above(out, &format!("{}. {}", exercise.title, exercise.aim))?;
                }
                bar_notes(out, exercise, k)
            })?;
        }
    }
    Ok(())
}

fn bar(out: &mut Out, number: u32, inner: impl FnOnce(&mut Out) -> io::Result<()>) -> io::Result<()> {
    let bar = out.create_element("measure").with_attribute(("number", number.to_string().as_str()));
    bar.write_inner_content(inner).map(drop)
}

fn attributes(out: &mut Out, sheet: &PracticeSheet) -> io::Result<()> {
    within(out, "attributes", |out| {
        text(out, "divisions", &format!("{DIVISIONS}"))?;
        within(out, "key", |out| text(out, "fifths", "0"))?;
        within(out, "time", |out| {
            text(out, "beats", &BAR.to_string())?;
            text(out, "beat-type", "4")
        })?;
        clef(out, sheet.exercises.first())
    })
}

fn clef(out: &mut Out, exercise: Option<&Exercise>) -> io::Result<()> {
    let is_high = exercise.is_some_and(|e| e.notes.iter().any(|note| note.midi_note >= TENOR_FROM));
    within(out, "clef", |out| {
        text(out, "sign", if is_high { "C" } else { "F" })?;
        text(out, "line", "4")
    })
}

fn clef_of(out: &mut Out, exercise: &Exercise) -> io::Result<()> {
    within(out, "attributes", |out| clef(out, Some(exercise)))
}

fn tempo(out: &mut Out, bpm: f64) -> io::Result<()> {
    let direction = out.create_element("direction").with_attribute(("placement", "above"));
    direction
        .write_inner_content(|out| {
            within(out, "direction-type", |out| {
                within(out, "metronome", |out| {
                    text(out, "beat-unit", "quarter")?;
                    text(out, "per-minute", &format!("{bpm}"))
                })
            })?;
            out.create_element("sound").with_attribute(("tempo", format!("{bpm}").as_str())).write_empty().map(drop)
        })
        .map(drop)
}

fn words_above(out: &mut Out, words: &str) -> io::Result<()> {
    let direction = out.create_element("direction").with_attribute(("placement", "above"));
    direction.write_inner_content(|out| within(out, "direction-type", |out| text(out, "words", words))).map(drop)
}

/// The notes and rests of bar `k` of an exercise.
fn bar_notes(out: &mut Out, exercise: &Exercise, k: u32) -> io::Result<()> {
    let (from, to) = (f64::from(k * BAR), f64::from((k + 1) * BAR));
    let mut at = from;
    for (i, note) in exercise.notes.iter().enumerate().filter(|(_, n)| (from..to).contains(&n.beat)) {
        rests(out, at, note.beat)?;
        let next_is_slurred = exercise.notes.get(i + 1).is_some_and(|next| next.is_slurred);
        self::note(out, note, next_is_slurred)?;
        at = note.beat + note.length_beats;
    }
    rests(out, at, to)
}

/// Rests that fill a stretch, each within a beat or of whole beats.
fn rests(out: &mut Out, mut at: f64, to: f64) -> io::Result<()> {
    while to - at > 1e-9 {
        let length = match to - at {
            left if at.fract() > 0.0 || left < 1.0 => 0.5_f64.min(left),
            left if left >= f64::from(BAR) => f64::from(BAR),
            left if left >= 2.0 && (at % 2.0) == 0.0 => 2.0,
            _ => 1.0,
        };
        rest(out, length)?;
        at += length;
    }
    Ok(())
}

fn rest(out: &mut Out, length: f64) -> io::Result<()> {
    within(out, "note", |out| {
        if length == f64::from(BAR) {
            out.create_element("rest").with_attribute(("measure", "yes")).write_empty()?;
        } else {
            out.create_element("rest").write_empty()?;
        }
        text(out, "duration", &format!("{}", length * DIVISIONS))?;
        text(out, "voice", "1")?;
        kind(out, length)
    })
}

/// The written value of a length in beats.
fn kind(out: &mut Out, length: f64) -> io::Result<()> {
    let (name, is_dotted) = match length {
        l if l >= 4.0 => ("whole", false),
        l if l >= 3.0 => ("half", true),
        l if l >= 2.0 => ("half", false),
        l if l >= 1.5 => ("quarter", true),
        l if l >= 1.0 => ("quarter", false),
        _ => ("eighth", false),
    };
    text(out, "type", name)?;
    if is_dotted { out.create_element("dot").write_empty().map(drop) } else { Ok(()) }
}

fn note(out: &mut Out, note: &Note, next_is_slurred: bool) -> io::Result<()> {
    let (step, alter) = SPELLING[usize::from(note.midi_note % 12)];
    within(out, "note", |out| {
        within(out, "pitch", |out| {
            text(out, "step", step)?;
            if alter != 0 {
                text(out, "alter", &alter.to_string())?;
            }
            text(out, "octave", &(i32::from(note.midi_note / 12) - 1).to_string())
        })?;
        text(out, "duration", &format!("{}", note.length_beats * DIVISIONS))?;
        text(out, "voice", "1")?;
        kind(out, note.length_beats)?;
        within(out, "notations", |out| notations(out, note, next_is_slurred))
    })
}

fn notations(out: &mut Out, note: &Note, next_is_slurred: bool) -> io::Result<()> {
    let slur = |out: &mut Out, kind: &str| {
        out.create_element("slur")
            .with_attribute(("number", "1"))
            .with_attribute(("type", kind))
            .write_empty()
            .map(drop)
    };
    match (note.is_slurred, next_is_slurred) {
        (false, true) => slur(out, "start")?,
        (true, false) => slur(out, "stop")?,
        _ => {}
    }
    let Some(position) = note.position else { return Ok(()) };
    within(out, "technical", |out| {
        let fingering = out.create_element("fingering").with_attribute(("placement", "above"));
        fingering.write_text_content(BytesText::new(&words::position(&position))).map(drop)
    })
}
