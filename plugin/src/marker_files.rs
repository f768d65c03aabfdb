//! Markers of a pass as files and as text: a Standard MIDI File on the session's tempo, CSV and JSON.
//!
//! Each format is a [`MarkerFormat`]; files are written whole or not at all.

use crate::passes::Pass;
use crate::words;
use midly::num::{u15, u24, u28};
use midly::{Format, Header, MetaMessage, Smf, Timing, TrackEvent, TrackEventKind};
use notefront_dsp::{Entrance, Told};
use notefront_takes::words::because;
use serde_json::{Value, json};
use std::io::Write;
use std::path::{Path, PathBuf};

/// Ticks of a quarter note: every 64th note, triplet and quintuplet of one is a whole number of them.
const TICKS_PER_QUARTER: u16 = 960;
/// Tempo where the host gave none, quarter notes per minute: the default of the Standard MIDI File 1.0.
const DEFAULT_BPM: f64 = 120.0;

/// A kind of marker file.
pub trait MarkerFormat {
    /// Ending of its files, without the dot.
    fn ending(&self) -> &'static str;

    /// The file's content.
    ///
    /// # Errors
    /// What cannot be written in this format, in words.
    fn write(&self, pass: &Pass) -> Result<Vec<u8>, String>;
}

/// Standard MIDI File 1.0 with a marker (FF 06) for each flagged entrance.
pub struct MidiMarkers;
/// One line for each entrance.
pub struct CsvTable;
/// The whole pass.
pub struct JsonDocument;

/// All formats.
#[must_use]
pub fn formats() -> [&'static dyn MarkerFormat; 3] {
    [&MidiMarkers, &CsvTable, &JsonDocument]
}

/// Writes a file of each format into `folder`, which is made if it is not there.
///
/// # Errors
/// What could not be written, and what to do. Files written before it stay.
pub fn write_all(pass: &Pass, folder: &Path) -> Result<Vec<PathBuf>, String> {
    let advise =
        |e: std::io::Error, path: &Path| format!("{}: {e}. Choose another folder or make room.", path.display());
    std::fs::create_dir_all(folder).map_err(|e| advise(e, folder))?;
    let mut written = Vec::new();
    for format in formats() {
        let content = format.write(pass)?;
        let path = folder.join(format!("{}.{}", stem(pass), format.ending()));
        write_whole(&path, &content).map_err(|e| advise(e, &path))?;
        written.push(path);
    }
    Ok(written)
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

/// Through a temporary file beside it: a crash or a full disk leaves the old file or none, never half.
fn write_whole(path: &Path, content: &[u8]) -> std::io::Result<()> {
    let temporary = path.with_extension(format!("{}.tmp", std::process::id()));
    let write = || {
        let mut file = std::fs::File::create(&temporary)?;
        file.write_all(content)?;
        file.sync_all()?;
        std::fs::rename(&temporary, path)
    };
    write().inspect_err(|_| {
        let _ = std::fs::remove_file(&temporary);
    })
}

/// File name of a pass: what every file system takes.
fn stem(pass: &Pass) -> String {
    let clean: String =
        pass.title().chars().map(|c| if c.is_alphanumeric() || c == '-' || c == '.' { c } else { '_' }).collect();
    let clean: String = clean.chars().take(80).collect();
    format!("notefront_{}", clean.trim_matches(['.', '_']))
}

impl MarkerFormat for MidiMarkers {
    fn ending(&self) -> &'static str {
        "mid"
    }

    fn write(&self, pass: &Pass) -> Result<Vec<u8>, String> {
        let texts: Vec<(f64, String)> =
            pass.entrances.iter().filter(|e| e.is_flagged()).map(|e| (quarters(pass, e.speaks_s), label(e))).collect();
        let tempos: Vec<(f64, f64)> = match pass.beats.bends() {
            [] => vec![(0.0, DEFAULT_BPM)],
            bends => bends.iter().map(|b| (b.beats, b.tempo_bpm)).collect(),
        };
        let shift = shift_quarters(pass, texts.iter().chain(&[]).map(|t| t.0).chain(tempos.iter().map(|t| t.0)));
        let mut events: Vec<(u32, MetaMessage<'_>)> = Vec::new();
        for (i, (at, bpm)) in tempos.iter().enumerate() {
            // The first tempo holds from the start, so that the seconds before the pass are right too.
            let at = if i == 0 { 0 } else { ticks(at + shift) };
            events.push((at, MetaMessage::Tempo(micros_per_quarter(*bpm))));
        }
        events.extend(texts.iter().map(|(at, text)| (ticks(at + shift), MetaMessage::Marker(text.as_bytes()))));
        events.sort_by_key(|e| e.0);
        smf_bytes(&events)
    }
}

/// Position of a time of the pass on the session's time line, quarter notes.
fn quarters(pass: &Pass, s: f64) -> f64 {
    pass.beats.beats_at(s).unwrap_or_else(|| (s + pass.span_s().map_or(0.0, |span| span.0)) * DEFAULT_BPM / 60.0)
}

/// Whole bars to add so that nothing lies before the start of the file.
fn shift_quarters(pass: &Pass, positions: impl Iterator<Item = f64>) -> f64 {
    let first = positions.fold(0.0, f64::min);
    let bar = pass.beats.bends().first().map_or(4.0, |b| b.bar_beats);
    (-first / bar).ceil().max(0.0) * bar
}

fn ticks(quarters: f64) -> u32 {
    (quarters * f64::from(TICKS_PER_QUARTER)).round().max(0.0) as u32
}

fn micros_per_quarter(bpm: f64) -> u24 {
    u24::from_int_lossy((60e6 / bpm).round().clamp(1.0, 16_777_215.0) as u32)
}

fn smf_bytes(events: &[(u32, MetaMessage<'_>)]) -> Result<Vec<u8>, String> {
    let mut track = Vec::with_capacity(events.len() + 2);
    let mut meta = |delta: u32, message| {
        track.push(TrackEvent { delta: u28::from_int_lossy(delta), kind: TrackEventKind::Meta(message) });
    };
    meta(0, MetaMessage::TrackName(b"Notefront"));
    let mut last = 0;
    for (at, message) in events {
        meta(at - last, *message);
        last = *at;
    }
    meta(0, MetaMessage::EndOfTrack);
    let header = Header::new(Format::SingleTrack, Timing::Metrical(u15::from_int_lossy(TICKS_PER_QUARTER)));
    let mut bytes = Vec::new();
    Smf { header, tracks: vec![track] }.write_std(&mut bytes).map_err(|e| e.to_string())?;
    Ok(bytes)
}

/// A marker's text, plain ASCII: Standard MIDI Files do not say how other letters are written.
fn label(entrance: &Entrance) -> String {
    let faults: Vec<&str> = entrance.faults.iter().map(|f| f.name.as_str()).collect();
    format!("{} {}", words::note(entrance), faults.join(" "))
}

const COLUMNS: [&str; 15] = [
    "index",
    "bar",
    "beat",
    "speaks_s",
    "note",
    "articulation",
    "clarity",
    "faults",
    "onset_cents",
    "settle_ms",
    "noise_before_tone_ms",
    "noise_before_tone_db",
    "attack_ms",
    "timing_ms",
    "level_db",
];

impl MarkerFormat for CsvTable {
    fn ending(&self) -> &'static str {
        "csv"
    }

    fn write(&self, pass: &Pass) -> Result<Vec<u8>, String> {
        let mut table = csv::Writer::from_writer(Vec::new());
        let said = |e: csv::Error| e.to_string();
        table.write_record(COLUMNS).map_err(said)?;
        for entrance in &pass.entrances {
            table.write_record(row(pass, entrance)).map_err(said)?;
        }
        table.into_inner().map_err(|e| e.to_string())
    }
}

fn row(pass: &Pass, e: &Entrance) -> [String; 15] {
    let told = |t: Told, decimals: usize| t.map_or(String::new(), |m| format!("{:.decimals$}", m.value));
    let place = pass.beats.bar_and_beat(e.speaks_s);
    let faults: Vec<&str> = e.faults.iter().map(|f| f.name.as_str()).collect();
    [
        e.index.to_string(),
        place.map_or(String::new(), |p| p.0.to_string()),
        place.map_or(String::new(), |p| format!("{:.3}", p.1)),
        format!("{:.4}", e.speaks_s),
        words::note(e),
        words::articulation(e.articulation).to_owned(),
        format!("{:.0}", e.clarity),
        faults.join(" "),
        told(e.onset_cents, 1),
        told(e.settle_ms, 1),
        told(e.noise_before_tone_ms, 1),
        told(e.noise_before_tone_db, 1),
        told(e.attack_ms, 1),
        told(e.timing_ms, 1),
        format!("{:.1}", e.level_db),
    ]
}

impl MarkerFormat for JsonDocument {
    fn ending(&self) -> &'static str {
        "json"
    }

    fn write(&self, pass: &Pass) -> Result<Vec<u8>, String> {
        let document = json!({
            "format": "notefront.pass",
            "version": 1,
            "title": pass.title(),
            "sample_rate_hz": pass.sample_rate_hz,
            "start_samples": pass.start_samples,
            "duration_s": pass.duration_s,
            "tempo_bpm": pass.beats.tempo_bpm(),
            "num_lost_samples": pass.num_lost,
            "entrances": pass.entrances.iter().map(|e| entrance_value(pass, e)).collect::<Vec<_>>(),
        });
        serde_json::to_vec_pretty(&document).map_err(|e| e.to_string())
    }
}

fn entrance_value(pass: &Pass, e: &Entrance) -> Value {
    let told = |t: Told| t.ok().map(|m| m.value);
    let place = pass.beats.bar_and_beat(e.speaks_s);
    let faults: Vec<Value> = e
        .faults
        .iter()
        .map(|f| json!({ "name": f.name, "severity": f.severity, "because": because(e, f.name) }))
        .collect();
    json!({
        "index": e.index, "bar": place.map(|p| p.0), "beat": place.map(|p| p.1),
        "sound_start_s": e.sound_start_s, "onset_s": e.onset_s, "speaks_s": e.speaks_s, "end_s": e.end_s,
        "midi_note": e.midi_note, "note": e.midi_note.map(notefront_dsp::units::note_name),
        "settled_hz": told(e.settled_hz), "tuning_cents": told(e.tuning_cents),
        "articulation": e.articulation,
        "noise_before_tone_ms": told(e.noise_before_tone_ms), "noise_before_tone_db": told(e.noise_before_tone_db),
        "onset_cents": told(e.onset_cents), "settle_ms": told(e.settle_ms), "attack_ms": told(e.attack_ms),
        "timing_ms": told(e.timing_ms), "level_db": e.level_db, "clarity": e.clarity, "faults": faults,
    })
}

/// The flagged entrances as text, a line each.
#[must_use]
pub fn text(pass: &Pass) -> String {
    let mut text = format!("{}: {} of {} flagged\n", pass.title(), pass.num_flagged(), pass.entrances.len());
    for entrance in pass.entrances.iter().filter(|e| e.is_flagged()) {
        let place = match pass.beats.bar_and_tenth(entrance.speaks_s) {
            Some((bar, tenths)) => format!("bar {bar}, beat {:.1}", tenths as f64 / 10.0),
            None => words::clock(entrance.speaks_s),
        };
        let why: Vec<String> = entrance.faults.iter().map(|f| because(entrance, f.name)).collect();
        text.push_str(&format!("{place}\t{}\t{}\n", words::note(entrance), why.join("; ")));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::beats::Bend;
    use crate::fixture;

    /// Markers and tempos with their ticks, read back by the library's own reader.
    /// Markers (tick, text) and tempos (tick, microseconds a quarter).
    type ReadBack = (Vec<(u32, String)>, Vec<(u32, u32)>);

    fn read_back(bytes: &[u8]) -> ReadBack {
        let smf = Smf::parse(bytes).expect("a Standard MIDI File");
        let (mut at, mut markers, mut tempos) = (0, Vec::new(), Vec::new());
        for event in &smf.tracks[0] {
            at += event.delta.as_int();
            match event.kind {
                TrackEventKind::Meta(MetaMessage::Marker(text)) => {
                    markers.push((at, String::from_utf8_lossy(text).into_owned()));
                }
                TrackEventKind::Meta(MetaMessage::Tempo(t)) => tempos.push((at, t.as_int())),
                _ => {}
            }
        }
        (markers, tempos)
    }

    #[test]
    fn markers_stand_on_the_sessions_tempo() {
        let pass = fixture::showcase(0);
        let (markers, tempos) = read_back(&MidiMarkers.write(&pass).expect("it can be written"));
        assert_eq!(markers.len(), pass.num_flagged());
        // 60 a minute is 1 000 000 microseconds a quarter; the second entrance speaks at 1.004 s = 963.84 ticks.
        assert_eq!(tempos, [(0, 1_000_000)]);
        assert_eq!(markers[0], (964, "B2 airy".into()));
    }

    #[test]
    fn the_file_begins_as_the_standard_says() {
        let bytes = MidiMarkers.write(&fixture::showcase(0)).expect("it can be written");
        // SMF 1.0: "MThd", length 6, format 0, one track, division 960.
        assert_eq!(bytes[..14], *b"MThd\x00\x00\x00\x06\x00\x00\x00\x01\x03\xc0");
        assert!(bytes.windows(2).any(|w| w == [0xff, 0x06]), "a marker is FF 06");
    }

    #[test]
    fn a_pass_before_the_start_is_moved_by_whole_bars() {
        let mut pass = fixture::showcase(0);
        let mut beats = crate::beats::BeatMap::default();
        let bend =
            Bend { at_s: 0.0, beats: -6.0, tempo_bpm: 60.0, bar_beats: 4.0, bar_start_beats: 0.0, beat_beats: 1.0 };
        beats.push(bend);
        beats.push(Bend { at_s: 10.0, beats: 4.0, tempo_bpm: 120.0, ..bend });
        pass.beats = beats;
        let (markers, tempos) = read_back(&MidiMarkers.write(&pass).expect("it can be written"));
        // -6 quarters + 8 of two bars; the entrance at 1.004 s stands at 3.004 quarters.
        assert_eq!(markers[0].0, 2884);
        assert_eq!(tempos, [(0, 1_000_000), (12 * 960, 500_000)]);
    }

    #[test]
    fn tables_have_a_line_for_each_entrance() {
        let pass = fixture::showcase(0);
        let bytes = CsvTable.write(&pass).expect("it can be written");
        let mut reader = csv::Reader::from_reader(bytes.as_slice());
        assert_eq!(reader.headers().expect("a header"), COLUMNS.as_slice());
        assert_eq!(reader.records().filter_map(Result::ok).count(), 16);
        let document: Value =
            serde_json::from_slice(&JsonDocument.write(&pass).expect("it can be written")).expect("JSON");
        assert_eq!(document["entrances"].as_array().map(Vec::len), Some(16));
        assert_eq!(document["entrances"][1]["faults"][0]["name"], "airy");
    }

    #[test]
    fn files_are_written_whole_or_not_at_all() {
        let folder = std::env::temp_dir().join(format!("notefront-markers-{}", std::process::id()));
        let pass = Pass { name: Some("a/b: c?".into()), ..fixture::showcase(0) };
        let files = write_all(&pass, &folder).expect("a temporary folder");
        assert_eq!(files.len(), 3);
        assert!(files.iter().all(|f| f.is_file()));
        assert_eq!(std::fs::read_dir(&folder).expect("it is there").count(), 3, "no temporary file stays");
        // A file where the folder should be.
        assert!(write_all(&pass, &files[0]).is_err());
        std::fs::remove_dir_all(&folder).expect("it is ours");
    }

    #[test]
    fn the_text_names_place_note_and_reason() {
        let text = text(&fixture::showcase(0));
        assert!(text.contains("bar 1, beat 2.0\tB2\t"), "{text}");
        assert_eq!(text.lines().count(), 13);
    }
}
