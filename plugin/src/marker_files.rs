//! Markers of a pass as files and as text. The files are written by the same code as those of the program: a Standard
//! MIDI File, a CSV table and a JSON document, all of them or none.
//!
//! What is the insert's own is the time line: the files of a played pass count from the start of the host's session, so
//! that its markers fall into place when the MIDI file is imported there at the first bar.

use crate::passes::Pass;
use crate::words;
use notefront_dsp::{Entrance, Front};
use notefront_takes::beats::{Beats, Course, Origin};
use notefront_takes::corrections::{self, ByEar};
use notefront_takes::mark_files::mark_sound;
pub use notefront_takes::marks::Which;
use notefront_takes::marks::{Marking, Place};
use notefront_takes::words::because;
use std::ffi::OsStr;
use std::path::{Path, PathBuf};

/// Most files of one pass, track and day.
const MAX_COPIES: usize = 1000;

/// Writes MIDI, CSV and JSON of a pass into `folder`, which is made if it is not there. Their name carries the track
/// (empty where the host does not tell it), the pass and the day; files that exist are never replaced, the name gets a
/// number.
///
/// # Errors
/// What could not be written, and what to do. Then no file is written.
pub fn write_all(pass: &Pass, track: &str, folder: &Path, which: Which) -> Result<Vec<PathBuf>, String> {
    std::fs::create_dir_all(folder)
        .map_err(|e| format!("{} cannot be made ({e}). Choose another folder.", folder.display()))?;
    let shift_s = session_start_s(pass);
    let entrances: Vec<Entrance> =
        (0..pass.entrances.len()).map(|place| later(&pass.as_scanned(place), shift_s)).collect();
    let by_ear = said_later(pass, shift_s);
    let beats = session_beats(pass, shift_s);
    let places: Vec<Place> = pass.entrances.iter().map(|e| place(pass, e)).collect();
    let marking = Marking {
        entrances: &entrances,
        which,
        beats: beats.as_ref(),
        places: &places,
        by_ear: &by_ear,
        duration_s: pass.duration_s + shift_s,
        ..Marking::default()
    };
    mark_sound(OsStr::new(&free_stem(pass, track, folder)?), folder, marking).map_err(|e| e.to_string())
}

/// What the player says of the entrances, in the times of the files; empty where nothing is said.
fn said_later(pass: &Pass, shift_s: f64) -> Vec<ByEar> {
    let mut by_ear = pass.corrected.as_ref().map_or_else(Vec::new, |corrected| corrected.by_ear.clone());
    for said in by_ear.iter_mut().flat_map(|by_ear| &mut by_ear.said) {
        *said = said.shifted(shift_s);
    }
    by_ear
}

/// Bar and beat of an entrance where the host tells them.
fn place(pass: &Pass, entrance: &Entrance) -> Place {
    let found = pass.beats.bar_and_tenth(entrance.front.speaks_s);
    Place { bar: found.map(|(bar, _)| bar.to_string()), beat: found.map(|(_, tenths)| tenths as f64 / 10.0) }
}

/// Where the pass begins on the time line of its files, seconds. Where an entrance lies before the session's start, all
/// is moved by as many whole bars as it takes, since no file counts below zero. A pass that merely begins there is not
/// moved: one host gives positions a block before the start when it plays from the start.
fn session_start_s(pass: &Pass) -> f64 {
    let start_s = pass.span_s().map_or(0.0, |span| span.0);
    match pass.beats.bends().first() {
        Some(bend) => start_s + bars_before(pass) * 60.0 / bend.tempo_bpm,
        None => start_s + (-start_s - first_s(pass)).max(0.0),
    }
}

fn first_s(pass: &Pass) -> f64 {
    pass.entrances.first().map_or(0.0, |e| e.front.speaks_s)
}

/// Whole bars from the start of the files to that of the session, quarter notes.
fn bars_before(pass: &Pass) -> f64 {
    let (Some(bend), Some(first)) = (pass.beats.bends().first(), pass.beats.beats_at(first_s(pass))) else {
        return 0.0;
    };
    (-first / bend.bar_beats).ceil().max(0.0) * bend.bar_beats
}

/// The host's quarter notes from the start of the files on; those before the pass, which nobody has heard, evenly.
fn session_beats(pass: &Pass, shift_s: f64) -> Option<Beats> {
    let bars = bars_before(pass);
    let first = pass.beats.beats_at(0.0)?.ceil().max(-bars);
    let last = pass.beats.beats_at(pass.duration_s)?.ceil().max(first) + 1.0;
    let heard = (0..=(last - first) as usize).filter_map(|i| pass.beats.seconds_at(first + i as f64));
    let heard: Vec<f64> = heard.map(|s| (s + shift_s).max(0.0)).collect();
    let num_before = (first + bars).max(0.0) as usize;
    let until = *heard.first()?;
    let before = (0..num_before).map(|i| until * i as f64 / num_before as f64);
    let course = Course::Listed(before.chain(heard.iter().copied()).collect());
    Some(Beats { course, per_beat: 1, origin: Origin::Given, confidence: 1.0, followed: None })
}

/// The same entrance on a time line that begins earlier.
fn later(entrance: &Entrance, s: f64) -> Entrance {
    let front = Front {
        sound_start_s: entrance.front.sound_start_s + s,
        onset_s: entrance.front.onset_s + s,
        speaks_s: entrance.front.speaks_s + s,
        end_s: entrance.front.end_s.map(|end_s| end_s + s),
        ..entrance.front
    };
    Entrance { front, ..*entrance }
}

/// Where files go until the player names another folder: "Notefront" in the player's own directory.
#[must_use]
pub fn default_folder() -> PathBuf {
    let home = ["HOME", "USERPROFILE"].into_iter().find_map(std::env::var_os);
    home.map_or_else(std::env::temp_dir, PathBuf::from).join("Notefront")
}

/// Opens a folder in the system's file window.
///
/// # Errors
/// The folder or the system's opener is not there.
pub fn open_folder(folder: &Path) -> Result<(), String> {
    let opener = if cfg!(target_os = "windows") {
        "explorer"
    } else if cfg!(target_os = "macos") {
        "open"
    } else {
        "xdg-open"
    };
    if !folder.is_dir() {
        return Err(format!("{} is not there yet: write the files first.", folder.display()));
    }
    let said = |e| format!("{} cannot be opened from here ({opener}: {e}).", folder.display());
    let mut child = std::process::Command::new(opener).arg(folder).spawn().map_err(said)?;
    // Waited for aside, so that no dead process stays behind.
    std::thread::spawn(move || child.wait());
    Ok(())
}

/// A name of which none of the files is there yet.
fn free_stem(pass: &Pass, track: &str, folder: &Path) -> Result<String, String> {
    let stem = stem(pass, track, &day(seconds_since_1970()));
    let names = (1..=MAX_COPIES).map(|n| if n == 1 { stem.clone() } else { format!("{stem}_{n}") });
    let is_free =
        |name: &String| ["mid", "csv", "json"].iter().all(|end| !folder.join(format!("{name}.marks.{end}")).exists());
    names.into_iter().find(is_free).ok_or_else(|| format!("{} is full of files of this pass.", folder.display()))
}

/// File name of a pass: what every file system takes.
fn stem(pass: &Pass, track: &str, day: &str) -> String {
    let clean = |text: &str, most: usize| -> String {
        let kept = text.chars().map(|c| if c.is_alphanumeric() || c == '-' || c == '.' { c } else { '_' });
        kept.take(most).collect::<String>().trim_matches(['.', '_']).to_owned()
    };
    let parts = ["notefront".to_owned(), clean(track, 40), clean(&pass.title(), 60), day.to_owned()];
    parts.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join("_")
}

fn seconds_since_1970() -> u64 {
    std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).map_or(0, |since| since.as_secs())
}

/// The day of a time, UTC, as ISO 8601 writes it.
fn day(seconds_since_1970: u64) -> String {
    const IN_400_YEARS: u64 = 146_097;
    // Counted from 1 March of the year 0, so that a leap day ends its year; 719 468 days before 1970.
    let days = seconds_since_1970 / 86_400 + 719_468;
    let (era, within) = (days / IN_400_YEARS, days % IN_400_YEARS);
    let year = (within - within / 1_460 + within / 36_524 - within / 146_096) / 365;
    let of_year = within - (365 * year + year / 4 - year / 100);
    let from_march = (5 * of_year + 2) / 153;
    let date = of_year - (153 * from_march + 2) / 5 + 1;
    let month = if from_march < 10 { from_march + 3 } else { from_march - 9 };
    format!("{:04}-{month:02}-{date:02}", 400 * era + year + u64::from(month <= 2))
}

/// The flagged entrances as text, a line each.
#[must_use]
pub fn text(pass: &Pass) -> String {
    let mut text = format!("{}: {} of {} flagged\n", pass.title(), pass.num_flagged(), pass.entrances.len());
    for (index, entrance) in pass.entrances.iter().enumerate().filter(|(i, _)| pass.is_flagged(*i)) {
        let place = match pass.beats.bar_and_tenth(entrance.front.speaks_s) {
            Some((bar, tenths)) => format!("bar {bar}, beat {:.1}", tenths as f64 / 10.0),
            None => words::clock(entrance.front.speaks_s),
        };
        let measured = entrance.verdict.faults.iter().filter(|f| !pass.is_by_ear(index, f.name));
        let said = pass.said_of(index).map(corrections::words::of);
        let why: Vec<String> = measured.map(|f| because(entrance, f.name)).chain(said).collect();
        text.push_str(&format!("{place}\t{}\t{}\n", words::note(entrance), why.join("; ")));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::beats::{BeatMap, Bend};
    use crate::fixture;
    use midly::{MetaMessage, Smf, Timing, TrackEventKind};
    use notefront_dsp::FaultName;
    use notefront_takes::corrections::{By, What};

    /// Markers (quarter note, seconds, text), by the library's own reader and the tempo map in the file.
    fn read_back(bytes: &[u8]) -> Vec<(f64, f64, String)> {
        let smf = Smf::parse(bytes).expect("a Standard MIDI File");
        let Timing::Metrical(per_quarter) = smf.header.timing else { panic!("ticks of a quarter note") };
        // SMF 1.0: 120 quarter notes a minute until the file says otherwise.
        let (mut quarters, mut s, mut micros, mut found) = (0.0, 0.0, 500_000.0, Vec::new());
        for event in &smf.tracks[0] {
            let step = f64::from(event.delta.as_int()) / f64::from(per_quarter.as_int());
            (quarters, s) = (quarters + step, s + step * micros / 1e6);
            match event.kind {
                TrackEventKind::Meta(MetaMessage::Tempo(t)) => micros = f64::from(t.as_int()),
                TrackEventKind::Meta(MetaMessage::Marker(text)) => {
                    found.push((quarters, s, String::from_utf8_lossy(text).into_owned()));
                }
                _ => {}
            }
        }
        found
    }

    struct Folder(PathBuf);

    impl Folder {
        fn new(name: &str) -> Self {
            Self(std::env::temp_dir().join(format!("notefront-{name}-{}", std::process::id())))
        }
    }

    impl Drop for Folder {
        fn drop(&mut self) {
            let _ = std::fs::remove_dir_all(&self.0);
        }
    }

    fn midi_of(pass: &Pass, name: &str) -> Vec<(f64, f64, String)> {
        let folder = Folder::new(name);
        let files = write_all(pass, "", &folder.0, Which::Flagged).expect("a temporary folder");
        let midi = files.iter().find(|f| f.extension().is_some_and(|e| e == "mid")).expect("a MIDI file");
        read_back(&std::fs::read(midi).expect("it was written"))
    }

    /// Tempo in a file is whole microseconds a quarter, and takes' map follows a beat within 0.1 ms: 0.001 quarters.
    const QUARTER_TOLERANCE: f64 = 1e-3;

    #[test]
    fn markers_stand_on_the_sessions_beats() {
        // From the third bar of a session at 90, from 1.7 quarters before it: an export plays from anywhere.
        let mut pass = fixture::showcase(0);
        let start_beats = 8.0 - 1.7;
        let start_s = start_beats * 60.0 / 90.0;
        pass.start_samples = Some((start_s * 48_000.0_f64).round() as i64);
        let bend = Bend { beats: start_beats, tempo_bpm: 90.0, ..pass.beats.bends()[0] };
        pass.beats = BeatMap::default();
        pass.beats.push(bend);
        let markers = midi_of(&pass, "session");
        assert_eq!(markers.len(), pass.num_flagged());
        let flagged = pass.entrances.iter().filter(|e| e.is_flagged());
        for (entrance, (quarter, s, text)) in flagged.zip(markers) {
            let expected = start_beats + entrance.front.speaks_s * 90.0 / 60.0;
            assert!((quarter - expected).abs() < QUARTER_TOLERANCE, "{quarter} against {expected}");
            assert!((s - (start_s + entrance.front.speaks_s)).abs() < 1e-3, "{s}");
            assert!(text.starts_with(&words::note(entrance)), "{text}");
        }
    }

    #[test]
    fn a_tempo_change_within_the_pass_is_followed() {
        let mut pass = fixture::showcase(0);
        let first = pass.beats.bends()[0];
        // 60 for 8 quarters, then 120.
        pass.beats.push(Bend { at_s: 8.0, beats: 8.0, tempo_bpm: 120.0, ..first });
        let markers = midi_of(&pass, "bend");
        let flagged: Vec<&Entrance> = pass.entrances.iter().filter(|e| e.is_flagged()).collect();
        for (entrance, (quarter, s, _)) in flagged.iter().zip(&markers) {
            let after = (entrance.front.speaks_s - 8.0).max(0.0);
            let expected = entrance.front.speaks_s + after;
            assert!((quarter - expected).abs() < QUARTER_TOLERANCE, "{quarter} against {expected}");
            assert!((s - entrance.front.speaks_s).abs() < 1e-3);
        }
    }

    #[test]
    fn a_pass_before_the_start_is_moved_by_whole_bars() {
        let mut pass = fixture::showcase(0);
        pass.start_samples = Some(-6 * 48_000);
        let bend = Bend { beats: -6.0, ..pass.beats.bends()[0] };
        pass.beats = BeatMap::default();
        pass.beats.push(bend);
        let markers = midi_of(&pass, "early");
        // -6 quarters and 8 of two bars; the entrance at 1.004 s stands at 3.004 quarters.
        assert!((markers[0].0 - 3.004).abs() < QUARTER_TOLERANCE, "{}", markers[0].0);
    }

    #[test]
    fn a_pass_that_begins_a_hair_before_the_session_is_not_moved() {
        // As Ardour 7.3 plays from the start: the first block lies before it.
        let mut pass = fixture::showcase(0);
        pass.entrances.remove(0);
        pass.start_samples = Some(-960);
        let bend = Bend { beats: -0.02, ..pass.beats.bends()[0] };
        pass.beats = BeatMap::default();
        pass.beats.push(bend);
        let markers = midi_of(&pass, "hair");
        assert!((markers[0].0 - 0.984).abs() < QUARTER_TOLERANCE, "{}", markers[0].0);
        assert!((markers[0].1 - 0.984).abs() < 1e-3, "{}", markers[0].1);
    }

    #[test]
    fn a_pass_without_beats_or_place_has_its_own_seconds() {
        let pass = Pass { start_samples: None, beats: BeatMap::default(), ..fixture::showcase(0) };
        let markers = midi_of(&pass, "free");
        assert!((markers[0].1 - 1.004).abs() < 1e-3, "{}", markers[0].1);
    }

    #[test]
    fn all_files_are_written_or_none() {
        let folder = Folder::new("whole");
        let pass = Pass { name: Some("a/b: c?".into()), ..fixture::showcase(0) };
        let files = write_all(&pass, "horn", &folder.0, Which::All).expect("a temporary folder");
        let endings: Vec<&str> = files.iter().filter_map(|f| f.extension()?.to_str()).collect();
        assert_eq!(endings, ["mid", "csv", "json"]);
        assert_eq!(std::fs::read_dir(&folder.0).expect("it is there").count(), 3, "no temporary file stays");
        let table = std::fs::read_to_string(&files[1]).expect("it was written");
        assert_eq!(table.lines().count(), 1 + pass.entrances.len());
        // A file where the folder should be.
        assert!(write_all(&pass, "", &files[0], Which::All).is_err());
    }

    #[test]
    fn what_the_player_says_is_marked_as_the_players_and_what_is_dismissed_is_not() {
        let judging = crate::choices::Choices::default().judging();
        let mut pass = fixture::mixed_pass(40, 3);
        pass.rejudge(&judging);
        let place = |is_flagged: bool| pass.entrances.iter().position(|e| e.is_flagged() == is_flagged);
        let (flagged, clear) = (place(true).expect("some are"), place(false).expect("some are"));
        let at = |place: usize| pass.entrances[place].front.speaks_s;
        let (fine_s, airy_s, moved_s) = (at(flagged), at(clear), at(clear + 3));
        pass.say(By::Insert, fine_s, What::Fine { reason: None }, &judging);
        pass.say(By::Insert, airy_s, What::Unclear { fault: Some(FaultName::Airy) }, &judging);
        pass.say(By::Insert, moved_s, What::Moved { to_s: moved_s + 0.05 }, &judging);
        let folder = Folder::new("said");
        let files = write_all(&pass, "", &folder.0, Which::Flagged).expect("a temporary folder");
        let table = std::fs::read_to_string(&files[1]).expect("it was written");
        assert_eq!(table.lines().count(), 1 + pass.num_flagged());
        assert!(table.contains("airy by ear") && table.contains("unclear by ear: air first"), "{table}");
        assert!(!table.contains("fine"), "{table}");
        let text = text(&pass);
        assert!(text.lines().any(|line| line.ends_with("\tunclear by ear: air first")), "{text}");
        let all = write_all(&pass, "all", &folder.0, Which::All).expect("a temporary folder");
        let table = std::fs::read_to_string(&all[1]).expect("it was written");
        assert!(table.contains("fine by ear") && table.contains("speaks at "), "{table}");
    }

    #[test]
    fn files_that_are_there_are_never_replaced() {
        let folder = Folder::new("there");
        let pass = fixture::showcase(0);
        let write = |track: &str| write_all(&pass, track, &folder.0, Which::All).expect("a temporary folder");
        let first = write("horn");
        let kept = std::fs::read(&first[0]).expect("it was written");
        std::fs::write(&first[0], b"another's").expect("a temporary folder");
        let (again, other) = (write("horn"), write("second horn"));
        assert_eq!(std::fs::read(&first[0]).expect("it is there"), b"another's");
        assert_eq!(std::fs::read(&again[0]).expect("it was written").len(), kept.len());
        assert!(other[0].to_string_lossy().contains("second_horn"));
        assert_eq!(std::fs::read_dir(&folder.0).expect("it is there").count(), 9);
    }

    #[test]
    fn days_are_those_of_the_calendar() {
        // By `date -u -d @N +%F` of GNU coreutils.
        for (seconds, name) in [
            (0, "1970-01-01"),
            (951_782_400, "2000-02-29"),
            (1_735_689_599, "2024-12-31"),
            (4_107_542_400, "2100-03-01"),
        ] {
            assert_eq!(day(seconds), name);
        }
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn a_folder_that_cannot_be_written_to_says_what_to_do() {
        for folder in ["/proc/notefront", "/dev/null/notefront"] {
            let why = write_all(&fixture::showcase(0), "", Path::new(folder), Which::All)
                .expect_err("nobody can write there");
            assert!(why.contains(folder) && why.contains("hoose another"), "{why}");
        }
    }

    #[test]
    fn the_text_names_place_note_and_reason() {
        let text = text(&fixture::showcase(0));
        assert!(text.contains("bar 1, beat 2.0\tB2\t"), "{text}");
        assert_eq!(text.lines().count(), 13);
    }
}
