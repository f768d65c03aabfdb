//! Sheets read back: by the program's own reader, which is what judges a take against them.

use super::*;
use crate::sheet;
use crate::summary::Register;

fn sheet() -> PracticeSheet {
    PracticeSheet {
        title: "Tomorrow".into(),
        bpm: 66.0,
        a4_hz: 442.0,
        exercises: vec![
            repeats(63, None),
            arpeggio(3, 6, true),
            arpeggio(1, 8, false),
            scale(46),
            long_starts(Register::Low),
            breath_attacks(Register::High),
            steps(-5),
        ],
    }
}

#[test]
fn arpeggios_are_the_partials_of_the_position() {
    // Third position is a whole tone under first: Ab2 Eb3 Ab3 C4 Eb4 (measures page: Eb4 is 3(6)).
    let notes: Vec<u8> = arpeggio(3, 6, true).notes.iter().map(|n| n.midi_note).collect();
    assert_eq!(notes, [44, 51, 56, 60, 63, 60, 56, 51, 44]);
    // First position to the eighth partial: Bb2 F3 Bb3 D4 F4 Bb4, without the flat seventh.
    let notes: Vec<u8> = arpeggio(1, 8, false).notes.iter().map(|n| n.midi_note).collect();
    assert_eq!(notes, [46, 53, 58, 62, 65, 70, 65, 62, 58, 53, 46]);
    assert!(arpeggio(3, 6, true).notes.iter().skip(1).all(|n| n.is_slurred));
}

#[test]
fn no_note_crosses_a_bar_line_or_another_note() {
    for (_, exercise) in sheet().placed() {
        let bar = f64::from(BAR);
        for note in &exercise.notes {
            let end = note.beat + note.length_beats;
            assert!((note.beat / bar).floor() == ((end - 1e-9) / bar).floor(), "{}: {note:?}", exercise.title);
            assert!((note.length_beats * 2.0).fract() == 0.0);
        }
        for pair in exercise.notes.windows(2) {
            assert!(pair[0].beat + pair[0].length_beats <= pair[1].beat + 1e-9, "{}: {pair:?}", exercise.title);
        }
        assert!(exercise.notes.iter().all(|note| note.position.is_some()), "{}", exercise.title);
    }
}

#[test]
fn the_program_s_own_reader_finds_every_note_in_time_in_both_files() {
    let sheet = sheet();
    for bytes in [midi(&sheet), musicxml(&sheet).into_bytes()] {
        let read = sheet::parse(&bytes, None).expect("written notes");
        assert_eq!(read.part.as_deref(), Some("Trombone"));
        assert_eq!(read.tempi.len(), 1);
        // A MIDI file tells whole microseconds of a beat.
        assert!((read.tempi[0].1 - 66.0).abs() < 1e-4, "{:?}", read.tempi);
        let wanted: Vec<Note> = sheet.notes().collect();
        assert_eq!(read.notes.len(), wanted.len());
        for (found, wanted) in read.notes.iter().zip(&wanted) {
            assert_eq!((found.midi_note, found.beat), (wanted.midi_note, wanted.beat));
            assert!((found.length_beats - wanted.length_beats).abs() < 1e-9);
        }
    }
}

#[test]
fn the_guide_counts_in_and_sounds_the_pitch() {
    let sheet = PracticeSheet { exercises: vec![repeats(58, None)], ..sheet() };
    let bytes = wav(&sheet);
    assert_eq!(bytes[20..24], [1, 0, 1, 0], "plain PCM of one channel, which no mask calls the left one");
    let mut reader = hound::WavReader::new(&bytes[..]).expect("a WAV file");
    assert_eq!(reader.spec().sample_rate, 48_000);
    let samples: Vec<f32> = reader.samples::<i16>().map(|s| f32::from(s.expect("whole")) / 32_768.0).collect();
    assert!((samples.len() as f64 / 48_000.0 - sheet.duration_s()).abs() < 1e-3);
    let beat = (48_000.0 * 60.0 / sheet.bpm) as usize;
    let loudest = |from: usize, to: usize| samples[from..to].iter().fold(0.0f32, |a, s| a.max(s.abs()));
    for k in 0..4 {
        assert!(loudest(k * beat, k * beat + 900) > 0.2, "beat {k} is counted in");
        assert!(loudest(k * beat + 2000, (k + 1) * beat - 10) < 1e-3, "and nothing else sounds in it");
    }
    // Bb3 at A4 = 442 Hz is 234.14 Hz \[C\]: crossings upwards over 0.3 s of the first note, whose harmonics stay in
    // phase with it.
    let from = 4 * beat + 2000;
    let tone = &samples[from..from + 14_400];
    let crossings = tone.windows(2).filter(|pair| pair[0] < 0.0 && pair[1] >= 0.0).count();
    assert!((crossings as i32 - 70).abs() <= 1, "{crossings}");
    assert!(samples.iter().all(|s| s.abs() < 0.99), "nothing clips");
}

#[test]
fn a_plan_aims_at_what_stands_out() {
    use crate::log::habits::{Cell, Habits, Row, Standing};
    use crate::patterns::{Facet, facet::Place};
    use notefront_dsp::FaultName;
    let kind = Place { partial: 6, position: 3, trigger: false }.kind();
    let planned = |fault: FaultName| {
        let mut cell = Cell { num: 40, num_flagged: 30, ..Cell::default() };
        cell.faults[fault as usize] = 30;
        let row = Row { facet: Facet::Place, kind, cell, unclear: None, typical: [None; 4] };
        let standing = Standing {
            facet: Facet::Place,
            kind,
            num: 40,
            num_sessions: 6,
            points_lower: 20.0,
            uncertainty: 4.0,
            chance: 0.001,
        };
        let habits = Habits { counts: (6, 6, 400), all: row.clone(), rows: vec![row], standing: vec![standing] };
        let plan = plan::of(&habits);
        assert!(plan.reasons[0].contains("partial 6, position 3"), "{:?}", plan.reasons);
        plan.exercises
    };
    let for_splits = planned(FaultName::Split);
    assert_eq!(for_splits.len(), 3);
    // Eb4 itself, in its position, first; then the way to it from below in the same position.
    assert!(for_splits[0].notes.iter().all(|n| n.midi_note == 63 && n.position.is_some_and(|p| p.position == 3.0)));
    assert!(for_splits[1].notes.iter().any(|n| n.midi_note == 63) && for_splits[1].notes[1].is_slurred);
    assert!(for_splits[1].notes.iter().all(|n| n.position.is_some_and(|p| p.position == 3.0)));
    assert!(planned(FaultName::Late)[1].title.starts_with("Scale"));
}

#[test]
fn all_three_files_are_written_or_none() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let paths = write(&sheet(), folder.path(), "tomorrow").expect("room");
    assert_eq!(paths.len(), 3);
    std::fs::create_dir(folder.path().join("other.musicxml")).expect("room");
    assert!(write(&sheet(), folder.path(), "other").is_err());
    assert!(!folder.path().join("other.mid").exists());
}
