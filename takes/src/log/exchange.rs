//! The whole log as JSON lines, out and in: one line for each player, session note and take, so that it can be kept
//! elsewhere, read by other programs, and joined with another log. A line tells all there is of a take.

use super::heard::{HeardSound, Room};
use super::keep::{TakeEntry, keep, player};
use super::{Log, LogError, LoggedEntrance, read};
use notefront_dsp::Settings;
use rusqlite::{Connection, OptionalExtension, TransactionBehavior, params};
use serde::{Deserialize, Serialize};
use std::io::{BufRead, Write};

/// The form of the lines; rises when a field changes meaning.
const VERSION: u32 = 1;

/// One line.
#[derive(Debug, Serialize, Deserialize)]
#[serde(tag = "record", rename_all = "kebab-case")]
enum Line {
    /// The first.
    Log {
        format: String,
        version: u32,
    },
    Player {
        name: String,
        note: String,
    },
    Session {
        player: String,
        begun_s: i64,
        note: String,
    },
    Take(Box<TakeLine>),
}

#[derive(Debug, Serialize, Deserialize)]
struct TakeLine {
    player: String,
    fingerprint: String,
    name: String,
    begun_s: i64,
    utc_offset_min: i32,
    duration_s: f64,
    sample_rate_hz: f64,
    settings: Settings,
    warnings: Vec<String>,
    floor_db: Option<f64>,
    floor_tilt_db: Option<f64>,
    tone_tilt_db: Option<f64>,
    program: String,
    tags: Vec<String>,
    note: String,
    entrances: Vec<LoggedEntrance>,
}

/// Name of the form, in its first line.
const FORMAT: &str = "notefront.log";

/// What an import brought.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Imported {
    /// Takes that were not in the log.
    pub num_new: usize,
    /// Takes that were there, with their latest figures now those of the file.
    pub num_known: usize,
}

/// Writes the whole log, or one player's part of it, as JSON lines; how many takes that are.
///
/// # Errors
/// A log that cannot be read, or a place that cannot be written.
pub fn export(log: &Log, only: Option<&str>, out: &mut dyn Write) -> Result<usize, LogError> {
    let only = only.map(|name| log.player(Some(name))).transpose()?;
    let db = &log.connection;
    let told = |e| LogError::of(&log.path, e);
    put(out, &Line::Log { format: FORMAT.into(), version: VERSION })?;
    let mut num_takes = 0;
    for (id, name, note) in players(db).map_err(told)? {
        if only.is_some_and(|only| only != id) {
            continue;
        }
        put(out, &Line::Player { name: name.clone(), note })?;
        for (begun_s, note) in session_notes(db, id).map_err(told)? {
            put(out, &Line::Session { player: name.clone(), begun_s, note })?;
        }
        for take in take_ids(db, id).map_err(told)? {
            put(out, &Line::Take(Box::new(take_line(db, &name, take).map_err(told)?)))?;
            num_takes += 1;
        }
    }
    out.flush().map_err(LogError::Exchange)?;
    Ok(num_takes)
}

fn put(out: &mut dyn Write, line: &Line) -> Result<(), LogError> {
    let text = serde_json::to_string(line).map_err(|e| LogError::Exchange(e.into()))?;
    writeln!(out, "{text}").map_err(LogError::Exchange)
}

fn players(db: &Connection) -> rusqlite::Result<Vec<(i64, String, String)>> {
    let mut ask = db.prepare("SELECT id, name, note FROM player ORDER BY name")?;
    ask.query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?.collect()
}

fn session_notes(db: &Connection, player: i64) -> rusqlite::Result<Vec<(i64, String)>> {
    let mut ask = db.prepare("SELECT begun_s, note FROM session WHERE player = ?1 AND note <> '' ORDER BY begun_s")?;
    ask.query_map([player], |row| Ok((row.get(0)?, row.get(1)?)))?.collect()
}

fn take_ids(db: &Connection, player: i64) -> rusqlite::Result<Vec<i64>> {
    let mut ask = db.prepare(
        "SELECT take.id FROM take JOIN session ON session.id = session WHERE player = ?1 ORDER BY take.begun_s, take.id",
    )?;
    ask.query_map([player], |row| row.get(0))?.collect()
}

fn take_line(db: &Connection, player: &str, take: i64) -> rusqlite::Result<TakeLine> {
    let tags = db
        .prepare_cached("SELECT word FROM tag WHERE take = ?1 ORDER BY word")?
        .query_map([take], |row| row.get(0))?
        .collect::<rusqlite::Result<_>>()?;
    let mut line = db
        .prepare_cached(
            "SELECT fingerprint, name, begun_s, utc_offset_min, duration_s, sample_rate_hz, settings, warnings,
                floor_db, floor_tilt_db, tone_tilt_db, program, note FROM take WHERE id = ?1",
        )?
        .query_row([take], |row| {
            let fingerprint: Vec<u8> = row.get(0)?;
            Ok(TakeLine {
                player: player.into(),
                fingerprint: fingerprint.iter().map(|byte| format!("{byte:02x}")).collect(),
                name: row.get(1)?,
                begun_s: row.get(2)?,
                utc_offset_min: row.get(3)?,
                duration_s: row.get(4)?,
                sample_rate_hz: row.get(5)?,
                settings: serde_json::from_str(&row.get::<_, String>(6)?).unwrap_or_default(),
                warnings: serde_json::from_str(&row.get::<_, String>(7)?).unwrap_or_default(),
                floor_db: row.get(8)?,
                floor_tilt_db: row.get(9)?,
                tone_tilt_db: row.get(10)?,
                program: row.get(11)?,
                note: row.get(12)?,
                tags,
                entrances: Vec::new(),
            })
        })?;
    line.entrances = read::entrances(db, take, &line.settings)?;
    Ok(line)
}

impl TakeLine {
    fn into_entry(self) -> Option<TakeEntry> {
        let room = self.floor_db.map(|floor_db| Room {
            floor_db,
            floor_tilt_db: self.floor_tilt_db,
            tone_tilt_db: self.tone_tilt_db,
        });
        Some(TakeEntry {
            sound: HeardSound { fingerprint: bytes(&self.fingerprint)?, room },
            player: self.player,
            name: self.name,
            begun_s: self.begun_s,
            utc_offset_min: self.utc_offset_min,
            is_when_given: true,
            duration_s: self.duration_s,
            sample_rate_hz: self.sample_rate_hz,
            settings: self.settings,
            warnings: self.warnings,
            entrances: self.entrances,
            has_all_corrections: false,
            tags: self.tags,
            note: self.note,
        })
    }
}

fn bytes(hex: &str) -> Option<[u8; 32]> {
    let digit = |i: usize| u8::from_str_radix(hex.get(i..i + 2)?, 16).ok();
    let all: Option<Vec<u8>> = (0..hex.len()).step_by(2).map(digit).collect();
    all?.try_into().ok()
}

/// Takes JSON lines over: all of them, or nothing where one cannot be read. Takes that are in the log already stay one
/// entry.
///
/// # Errors
/// [`LogError::BadLine`], or a log that cannot be written.
pub fn import(log: &mut Log, lines: &mut dyn BufRead) -> Result<Imported, LogError> {
    let path = log.path.clone();
    let told = |e| LogError::of(&path, e);
    let change = log.connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(told)?;
    let mut imported = Imported::default();
    let mut is_begun = false;
    for (i, text) in lines.lines().enumerate() {
        let text = text.map_err(LogError::Exchange)?;
        if text.trim().is_empty() {
            continue;
        }
        let bad = |why: String| LogError::BadLine { line: i + 1, why };
        let line: Line = serde_json::from_str(&text).map_err(|e| bad(e.to_string()))?;
        if !is_begun && !matches!(line, Line::Log { .. }) {
            return Err(bad("it does not begin as an export of a practice log does".into()));
        }
        is_begun = true;
        match line {
            Line::Log { format, version } if format == FORMAT && version <= VERSION => {}
            Line::Log { .. } => return Err(bad("of another form, or of a later version".into())),
            Line::Player { name, note } => take_player(&change, &name, &note).map_err(told)?,
            Line::Session { player, begun_s, note } => {
                take_session_note(&change, &player, begun_s, &note).map_err(told)?;
            }
            Line::Take(take) => {
                let entry = take.into_entry().ok_or_else(|| bad("its fingerprint is none".into()))?;
                match keep(&change, &entry, &|| true).map_err(told)? {
                    super::Kept::New => imported.num_new += 1,
                    _ => imported.num_known += 1,
                }
            }
        }
    }
    change.commit().map_err(told)?;
    Ok(imported)
}

fn take_player(db: &Connection, name: &str, note: &str) -> rusqlite::Result<()> {
    let id = player(db, name)?;
    db.execute("UPDATE player SET note = ?2 WHERE id = ?1 AND ?2 <> ''", params![id, note]).map(drop)
}

/// A session that holds only a note so far gets its takes later: they lie in its time.
fn take_session_note(db: &Connection, name: &str, begun_s: i64, note: &str) -> rusqlite::Result<()> {
    let player = player(db, name)?;
    let known: Option<i64> = db
        .query_row(
            "SELECT id FROM session WHERE player = ?1 AND begun_s <= ?2 AND ended_s >= ?2",
            params![player, begun_s],
            |row| row.get(0),
        )
        .optional()?;
    match known {
        Some(id) => db.execute("UPDATE session SET note = ?2 WHERE id = ?1", params![id, note]).map(drop),
        None => db
            .execute(
                "INSERT INTO session (player, begun_s, ended_s, note) VALUES (?1, ?2, ?2, ?3)",
                params![player, begun_s, note],
            )
            .map(drop),
    }
}
