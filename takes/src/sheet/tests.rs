//! Files written here byte by byte or as text, by the standards: SMF 1.0 and MusicXML 4.0 \[S\].

use super::*;
use crate::fixtures;
use notefront_dsp::Entrance;
use std::io::Write;

/// A part of four-four bars, one string of note elements each, with 4 divisions to a quarter.
fn score(bars: &[&str]) -> String {
    let mut xml =
        "<?xml version=\"1.0\"?><!DOCTYPE score-partwise PUBLIC \"-//Recordare//DTD MusicXML 4.0 Partwise//EN\" \
         \"http://www.musicxml.org/dtds/partwise.dtd\"><score-partwise version=\"4.0\"><part-list>\
         <score-part id=\"P1\"><part-name>Trombone</part-name></score-part></part-list><part id=\"P1\">"
            .to_owned();
    for (i, bar) in bars.iter().enumerate() {
        let first = if i == 0 { "<attributes><divisions>4</divisions></attributes>" } else { "" };
        xml += &format!("<measure number=\"{}\">{first}{bar}</measure>", i + 1);
    }
    xml + "</part></score-partwise>"
}

fn note(step: char, octave: u8, duration: u32) -> String {
    format!("<note><pitch><step>{step}</step><octave>{octave}</octave></pitch><duration>{duration}</duration></note>")
}

fn read(xml: &str) -> Sheet {
    parse(xml.as_bytes(), None).expect("a score")
}

fn pitches(sheet: &Sheet) -> Vec<u8> {
    sheet.notes.iter().map(|n| n.midi_note).collect()
}

fn beats(sheet: &Sheet) -> Vec<f64> {
    sheet.notes.iter().map(|n| n.beat).collect()
}

#[test]
fn notes_lie_on_their_beats_at_their_pitch() {
    let rest = "<note><rest/><duration>4</duration></note>";
    let sheet = read(&score(&[&(note('C', 4, 4) + rest + &note('B', 2, 8)), &note('F', 3, 16)]));
    // C4 is MIDI note 60, B2 47, F3 53.
    assert_eq!((pitches(&sheet), beats(&sheet)), (vec![60, 47, 53], vec![0.0, 2.0, 4.0]));
    assert_eq!(sheet.notes[2].bar.as_deref(), Some("2"));
    assert_eq!(sheet.part.as_deref(), Some("Trombone"));
}

#[test]
fn transposing_parts_sound_where_they_sound() {
    // A trombone in treble clef, as in brass bands: B-flat, a ninth down.
    let transpose = "<attributes><transpose><diatonic>-1</diatonic><chromatic>-2</chromatic>\
                     <octave-change>-1</octave-change></transpose></attributes>";
    assert_eq!(pitches(&read(&score(&[&(transpose.to_owned() + &note('C', 5, 16))]))), [58]);
}

#[test]
fn tied_notes_are_one_and_graces_take_no_time() {
    let tied = |kind: &str| {
        format!(
            "<note><pitch><step>G</step><octave>3</octave></pitch><duration>16</duration><tie type=\"{kind}\"/></note>"
        )
    };
    let grace = "<note><grace/><pitch><step>A</step><alter>-1</alter><octave>3</octave></pitch></note>";
    let sheet = read(&score(&[&tied("start"), &tied("stop"), &(grace.to_owned() + &note('G', 3, 16))]));
    assert_eq!((pitches(&sheet), beats(&sheet)), (vec![55, 56, 55], vec![0.0, 8.0, 8.0]));
    assert_eq!(sheet.notes[0].length_beats, 8.0);
    assert!(sheet.notes[1].is_grace && !sheet.notes[2].is_grace);
}

#[test]
fn repeats_and_voltas_are_played_out() {
    let ending = |number: u8, kind: &str, repeat: &str| {
        format!("<barline><ending number=\"{number}\" type=\"{kind}\"/>{repeat}</barline>")
    };
    let back = "<repeat direction=\"backward\"/>";
    let sheet = read(&score(&[
        &("<barline><repeat direction=\"forward\"/></barline>".to_owned() + &note('C', 3, 16)),
        &(ending(1, "start", "") + &note('D', 3, 16) + &ending(1, "stop", back)),
        &(ending(2, "start", "") + &note('E', 3, 16) + &ending(2, "discontinue", "")),
        &note('F', 3, 16),
    ]));
    assert_eq!(pitches(&sheet), [48, 50, 48, 52, 53]);
    assert_eq!(beats(&sheet), [0.0, 4.0, 8.0, 12.0, 16.0]);
}

#[test]
fn da_capo_al_fine_is_played_out() {
    let words = |text: &str| format!("<direction><direction-type><words>{text}</words></direction-type></direction>");
    let sheet = read(&score(&[
        &(note('C', 3, 16) + &words("Fine")),
        &(note('D', 3, 16) + "<direction><sound dacapo=\"yes\"/></direction>"),
    ]));
    assert_eq!(pitches(&sheet), [48, 50, 48]);
}

#[test]
fn voices_chords_and_cues_leave_one_line() {
    let chord = "<note><chord/><pitch><step>E</step><octave>3</octave></pitch><duration>16</duration></note>";
    let cue = "<note><cue/><pitch><step>C</step><octave>6</octave></pitch><duration>16</duration></note>";
    let second = "<backup><duration>16</duration></backup><note><pitch><step>C</step><octave>2</octave></pitch>\
                  <duration>16</duration><voice>2</voice></note>";
    let sheet = read(&score(&[&(note('C', 3, 16) + chord + second), cue, &note('D', 3, 16)]));
    assert_eq!((pitches(&sheet), beats(&sheet)), (vec![52, 50], vec![0.0, 8.0]));
    assert!(sheet.remarks.iter().any(|r| r.contains("chords")));
}

#[test]
fn tempi_are_those_that_sound() {
    let metronome = "<direction><direction-type><metronome><beat-unit>half</beat-unit>\
                     <per-minute>36</per-minute></metronome></direction-type></direction>";
    let sheet = read(&score(&[
        &(metronome.to_owned() + &note('C', 3, 16)),
        &("<sound tempo=\"120\"/>".to_owned() + &note('D', 3, 16)),
    ]));
    assert_eq!(sheet.tempi, [(0.0, 72.0), (4.0, 120.0)]);
    // Four quarters at 72 are 3.333 s, two more at 120 one second [C].
    assert!((sheet.clock().seconds(6.0) - (240.0 / 72.0 + 1.0)).abs() < 1e-9);
}

/// An archive of files, as .mxl is one.
fn zipped(files: &[(&str, &[u8])]) -> Vec<u8> {
    let mut zip = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    for (name, content) in files {
        zip.start_file(*name, zip::write::SimpleFileOptions::default()).expect("memory");
        zip.write_all(content).expect("memory");
    }
    zip.finish().expect("memory").into_inner()
}

#[test]
fn compressed_scores_are_found_by_their_container() {
    let container = "<container><rootfiles><rootfile full-path=\"b/tune.xml\"/></rootfiles></container>";
    let tune = score(&[&note('C', 3, 16)]);
    let bytes = zipped(&[
        ("META-INF/container.xml", container.as_bytes()),
        ("a.xml", b"<wrong/>"),
        ("b/tune.xml", tune.as_bytes()),
    ]);
    assert_eq!(pitches(&parse(&bytes, None).expect("a score")), [48]);
    assert!(parse(&bytes[..bytes.len() / 2], None).is_err(), "cut short");
}

#[test]
fn utf_16_scores_are_read() {
    let xml = score(&[&note('C', 3, 16)]);
    let bytes: Vec<u8> = [0xFF, 0xFE].into_iter().chain(xml.encode_utf16().flat_map(u16::to_le_bytes)).collect();
    assert_eq!(pitches(&parse(&bytes, None).expect("a score")), [48]);
}

/// A part from the folder of scores, as the tests of the whole program use it.
fn kept(name: &str) -> Sheet {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/scores");
    open(&folder.join(name), None).expect("a score in the repository")
}

/// Pitches and beats of the Laendler, by hand: bars 1 2 3, 1 2 4, 5 to 8, and from the beginning 1 2 4. Up to the da
/// capo music21 10.3, a reference library for scores, plays the same out (`expandRepeats`, `stripTies`).
const LAENDLER: [(u8, f64); 30] = [
    (53, 0.0),
    (57, 1.0),
    (60, 2.0),
    (58, 3.0),
    (57, 4.5),
    (55, 5.0),
    (53, 6.0),
    (53, 9.0),
    (57, 10.0),
    (60, 11.0),
    (58, 12.0),
    (57, 13.5),
    (55, 14.0),
    (53, 15.0),
    (50, 18.0),
    (52, 19.0),
    (53, 20.0),
    (55, 21.0),
    (53, 25.0),
    (52, 26.0),
    (50, 27.0),
    (49, 28.0),
    (48, 28.0),
    (53, 30.0),
    (57, 31.0),
    (60, 32.0),
    (58, 33.0),
    (57, 34.5),
    (55, 35.0),
    (53, 36.0),
];

#[test]
fn a_whole_part_is_played_out_in_every_clef() {
    for name in ["landler.musicxml", "landler-treble-clef.musicxml"] {
        let sheet = kept(name);
        let played: Vec<(u8, f64)> = sheet.notes.iter().map(|n| (n.midi_note, n.beat)).collect();
        assert_eq!(played, LAENDLER, "{name}");
        assert_eq!((sheet.tempi.as_slice(), sheet.notes[21].is_grace), (&[(0.0, 96.0)][..], true));
        assert_eq!(sheet.notes[17].length_beats, 4.0, "tied over the bar");
    }
}

/// A MIDI file of tracks, 480 ticks to a quarter.
fn midi(tracks: &[&[u8]]) -> Vec<u8> {
    let mut bytes = b"MThd\0\0\0\x06\0\x01\0".to_vec();
    bytes.push(tracks.len() as u8);
    bytes.extend([0x01, 0xE0]);
    for track in tracks {
        bytes.extend(b"MTrk");
        bytes.extend((track.len() as u32 + 4).to_be_bytes());
        bytes.extend(*track);
        bytes.extend([0, 0xFF, 0x2F, 0]);
    }
    bytes
}

#[test]
fn a_midi_file_is_read_with_its_tempo_and_running_status() {
    // 833 333 us a quarter (72 a minute); Bb2 for a quarter, F3 after another, ended by velocity 0.
    let tempo = [0, 0xFF, 0x51, 3, 0x0C, 0xB7, 0x35];
    let notes = [0, 0x90, 46, 80, 0x83, 0x60, 46, 0, 0x83, 0x60, 53, 80, 0x83, 0x60, 0x80, 53, 0];
    let named = [&[0, 0xFF, 0x03, 4][..], b"Tbn.", &notes].concat();
    let drums = [0, 0x99, 36, 80, 0x83, 0x60, 0x89, 36, 0];
    let sheet = parse(&midi(&[&tempo, &drums, &named]), None).expect("a MIDI file");
    assert_eq!((pitches(&sheet), beats(&sheet)), (vec![46, 53], vec![0.0, 2.0]));
    assert_eq!((sheet.part.as_deref(), sheet.notes[0].length_beats), (Some("Tbn."), 1.0));
    assert!((sheet.tempi[0].1 - 72.0).abs() < 1e-3);
}

#[test]
fn a_part_is_chosen_by_number_or_name() {
    let names = [("Piano".to_owned(), 9), ("Bass Trombone".to_owned(), 5), ("Tuba".to_owned(), 7)];
    let chosen = |asked| choose_part(&names, asked).ok();
    assert_eq!([chosen(None), chosen(Some("3")), chosen(Some("tuba"))], [Some(1), Some(2), Some(2)]);
    assert_eq!([chosen(Some("0")), chosen(Some("4")), chosen(Some("harp"))], [None; 3]);
    assert!(choose_part(&names, Some("harp")).expect_err("no harp").to_string().contains("2 Bass Trombone"));
}

#[test]
fn what_is_no_score_is_refused_with_a_reason() {
    let refused = |bytes: &[u8]| parse(bytes, None).expect_err("no score").to_string();
    assert!(refused(b"").contains("no written notes"));
    assert!(refused(b"hello").contains("no written notes"));
    assert!(refused(b"MThd").contains("no written notes"));
    assert!(refused(&midi(&[])).contains("no notes"));
    assert!(refused(b"PK\x03\x04nothing").contains("no written notes"));
    assert!(refused(&[0xC0, 0xFF, 0xEE]).contains("UTF-8"));
    assert!(refused(b"<score-timewise/>").contains("timewise"));
    assert!(refused(b"<score-partwise/>").contains("no such part"));
    assert!(refused(score(&["<note><rest/><duration>16</duration></note>"]).as_bytes()).contains("no notes"));
    assert!(parse(score(&[&note('C', 3, 16)]).as_bytes(), Some("9")).is_err());
}

/// Every file cut short anywhere, and with single bytes changed: read or refused, never a panic.
#[test]
fn damaged_files_are_read_or_refused() {
    let tempo = [0, 0xFF, 0x51, 3, 0x0C, 0xB7, 0x35];
    let notes = [0, 0x90, 46, 80, 0x83, 0x60, 46, 0, 0x83, 0x60, 53, 80, 0x83, 0x60, 0x80, 53, 0];
    let xml = score(&["<barline><repeat direction=\"backward\"/></barline>", &note('C', 3, 16)]);
    for whole in [midi(&[&tempo, &notes]), xml.clone().into_bytes(), zipped(&[("a.xml", xml.as_bytes())])] {
        for at in 0..whole.len() {
            let _ = parse(&whole[..at], None);
            for flip in [0x01, 0x80, 0xFF] {
                let mut changed = whole.clone();
                changed[at] ^= flip;
                let _ = parse(&changed, None);
            }
        }
    }
}

#[test]
fn a_small_archive_that_grows_without_end_is_refused() {
    let bomb = zipped(&[("a.xml", &vec![b' '; 65 << 20])]);
    assert!(bomb.len() < 1 << 20, "{} bytes hold 65 MiB", bomb.len());
    assert!(parse(&bomb, None).expect_err("too long").to_string().contains("64 MiB"));
}

#[test]
fn hostile_xml_ends_soon() {
    let laughs = "<!DOCTYPE a [<!ENTITY a \"ha\"><!ENTITY b \"&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;\">\
         <!ENTITY c \"&b;&b;&b;&b;&b;&b;&b;&b;&b;&b;\"><!ENTITY d \"&c;&c;&c;&c;&c;&c;&c;&c;&c;&c;\">\
         <!ENTITY e \"&d;&d;&d;&d;&d;&d;&d;&d;&d;&d;\"><!ENTITY f \"&e;&e;&e;&e;&e;&e;&e;&e;&e;&e;\">\
         <!ENTITY g \"&f;&f;&f;&f;&f;&f;&f;&f;&f;&f;\"><!ENTITY h \"&g;&g;&g;&g;&g;&g;&g;&g;&g;&g;\">]><a>&h;</a>";
    assert!(parse(laughs.as_bytes(), None).is_err());
    let deep = "<a>".repeat(100_000) + &"</a>".repeat(100_000);
    assert!(parse(deep.as_bytes(), None).is_err());
    let endless = score(&[&format!(
        "<barline><repeat direction=\"backward\" times=\"4000000000\"/></barline>{}",
        note('C', 3, 16)
    )]);
    assert!(read(&endless).notes.len() <= MAX_NOTES);
}

/// The part of a scale, four quarters to a bar at 72 a minute.
fn scale_sheet() -> Sheet {
    let bar = |steps: &str| steps.chars().map(|step| note(step, 3, 4)).collect::<String>();
    read(&score(&[&("<sound tempo=\"72\"/>".to_owned() + &bar("CDEF")), &bar("GFED"), &bar("CEGE"), &bar("CDEC")]))
}

/// The scale as it should sound, from 2 s on.
fn scale_played(tempo: f64) -> Vec<Entrance> {
    let sheet = scale_sheet();
    let places = sheet.notes.iter().enumerate();
    places.map(|(i, n)| fixtures::clear(i, n.midi_note, 2.0 + n.beat * 60.0 / tempo)).collect()
}

#[test]
fn a_take_as_written_is_right_and_gives_the_written_beats() {
    let reading = read_along(&scale_played(72.0), &scale_sheet());
    assert_eq!((reading.count(Verdict::Right), reading.steps.len(), reading.transposed_semitones), (16, 16, 0));
    let beats = reading.beats.expect("the written tempo is kept");
    assert!((beats.bpm() - 72.0).abs() < 1e-9 && (beats.first_beat_s() - 2.0).abs() < 1e-6, "{beats:?}");
    assert_eq!(beats.per_beat, 1);
}

#[test]
fn another_tempo_gives_no_written_beats() {
    let reading = read_along(&scale_played(90.0), &scale_sheet());
    assert_eq!((reading.count(Verdict::Right), reading.beats.clone()), (16, None));
    assert!((reading.played_bpm.expect("a tempo") - 90.0).abs() < 0.1);
    assert!(reading.remarks.iter().any(|r| r.contains("72") && r.contains("90")), "{:?}", reading.remarks);
}

#[test]
fn every_kind_of_wrong_note_is_told_by_its_kind() {
    let mut played = scale_played(72.0);
    played[2].front.midi_note = Some(51); // E3 as Eb3
    played[4].front.midi_note = Some(55 - 12); // G3 an octave down
    played[9].front.midi_note = None;
    played.insert(13, fixtures::clear(99, 70, played[12].front.speaks_s + 0.4));
    played.remove(6);
    let reading = read_along(&played, &scale_sheet());
    let of = |verdict| reading.steps.iter().position(|step| step.verdict == verdict);
    let places = [Verdict::Wrong, Verdict::Octave, Verdict::Missed, Verdict::Untold, Verdict::Extra].map(of);
    assert_eq!(places, [Some(2), Some(4), Some(6), Some(9), Some(13)]);
    assert_eq!((reading.count(Verdict::Right), reading.steps.len()), (12, 17));
    assert_eq!(reading.steps[6].written.as_ref().and_then(|n| n.bar.as_deref()), Some("2"));
    assert_eq!(reading.steps[13].entrance, Some(99));
}

#[test]
fn a_part_in_another_key_is_read_in_it() {
    let mut played = scale_played(72.0);
    for entrance in &mut played {
        entrance.front.midi_note = entrance.front.midi_note.map(|m| m - 2);
    }
    let reading = read_along(&played, &scale_sheet());
    assert_eq!((reading.transposed_semitones, reading.count(Verdict::Right)), (-2, 16));
    assert!(reading.remarks[0].contains("2 semitones below"));
}

#[test]
fn nothing_played_is_everything_missed() {
    let reading = read_along(&[], &scale_sheet());
    assert_eq!((reading.count(Verdict::Missed), reading.beats), (16, None));
}

#[test]
fn another_piece_is_doubted_aloud() {
    let other = [47, 61, 49, 66, 54, 63, 47, 61, 66, 49, 54, 63];
    let played: Vec<_> = other.iter().enumerate().map(|(i, &m)| fixtures::clear(i, m, 2.0 + 0.83 * i as f64)).collect();
    let reading = read_along(&played, &scale_sheet());
    assert!(reading.remarks[0].contains("is it the part of this take"), "{:?}", reading.remarks);
    assert!(read_along(&scale_played(72.0), &scale_sheet()).remarks.is_empty());
}

#[test]
fn positions_above_the_notes_are_read_and_held_only_by_what_was_played_right() {
    let above = |step: char, text: &str| {
        let plain = note(step, 3, 4);
        let fingering = format!("<notations><technical><fingering>{text}</fingering></technical></notations></note>");
        plain.replace("</note>", &fingering)
    };
    let sheet = read(&score(&[&(above('F', "6") + &above('G', "T 2") + &note('F', 3, 4) + &above('A', "x"))]));
    let told: Vec<_> = sheet.notes.iter().map(|n| n.position.map(|p| p.to_string())).collect();
    assert_eq!(told, [Some("6".to_owned()), Some("T2".to_owned()), None, None]);
    // The second note is played as another one.
    let played: Vec<Entrance> =
        [53, 54, 53, 57].iter().enumerate().map(|(i, &midi)| fixtures::clear(i, midi, 1.0 + i as f64 * 0.5)).collect();
    let reading = read_along(&played, &sheet);
    assert_eq!(reading.positions().collect::<Vec<_>>(), [(0, Position { trigger: false, number: 6 })]);
}

#[test]
fn the_positions_of_our_own_sheets_come_back() {
    let exercise = crate::exercise::arpeggio(3, 6, true);
    let positions: Vec<Option<Position>> = exercise
        .notes
        .iter()
        .map(|note| note.position.map(|p| Position { trigger: p.trigger, number: p.position.round() as u8 }))
        .collect();
    let sheet =
        crate::exercise::PracticeSheet { title: "one".into(), bpm: 60.0, a4_hz: 440.0, exercises: vec![exercise] };
    let folder = std::env::temp_dir().join(format!("notefront-positions-{}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("room");
    let paths = crate::exercise::write(&sheet, &folder, "one").expect("room");
    let notes = paths.iter().find(|path| path.extension().is_some_and(|e| e == "musicxml")).expect("it was written");
    let read: Vec<Option<Position>> = open(notes, None).expect("a score").notes.iter().map(|n| n.position).collect();
    let _ = std::fs::remove_dir_all(&folder);
    assert_eq!(read, positions);
    assert!(read.iter().all(|position| position.is_some_and(|p| p.number == 3)));
}
