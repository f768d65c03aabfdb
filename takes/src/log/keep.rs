//! Keeping a take: one transaction, whole or not at all. The same sound again is the same entry, measured anew.

use super::heard::HeardSound;
use super::{Log, LogError, LoggedEntrance, digest, measures, sessions};
use crate::patterns::loud_db;
use notefront_dsp::Settings;
use rusqlite::{Connection, OptionalExtension, Transaction, TransactionBehavior, ffi, params, params_from_iter};
use std::borrow::Cow;
use std::collections::HashMap;
use std::time::Duration;

/// Entrances between two looks whether to go on: some milliseconds of writing.
const ASK_EVERY: usize = 100;
/// A corrected note is known again within this, ms: its place may move a little under another version.
const SAME_NOTE_MS: f64 = 20.0;

/// A take to keep: a file that was scanned, or a pass of the insert.
#[derive(Debug, Clone, PartialEq)]
pub struct TakeEntry {
    /// Whose it is.
    pub player: String,
    /// Name of the file or the pass.
    pub name: String,
    /// When it began, seconds since 1970-01-01 UTC.
    pub begun_s: i64,
    /// The player's clock then, minutes from UTC.
    pub utc_offset_min: i32,
    /// Whether somebody said when it began: that goes before what the log knew of it.
    pub is_when_given: bool,
    /// Length, s.
    pub duration_s: f64,
    /// Rate of the recording, Hz.
    pub sample_rate_hz: f64,
    /// All that shaped the numbers.
    pub settings: Settings,
    /// What is odd about the recording, as sentences.
    pub warnings: Vec<String>,
    /// The sound.
    pub sound: HeardSound,
    /// The entrances, with the player's corrections where there are any.
    pub entrances: Vec<LoggedEntrance>,
    /// Whether these are all corrections that hold: then those go that the log had of the take, since they were undone.
    pub has_all_corrections: bool,
    /// Words to find it by.
    pub tags: Vec<String>,
    /// A free note; an empty one leaves what is there.
    pub note: String,
}

/// What became of a take.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Kept {
    /// It is in the log now.
    New,
    /// It was there, and is measured anew.
    Again,
    /// It was there under another name, and is this player's now.
    Moved {
        /// Whose it was.
        from: String,
    },
}

/// What the log knew of the same sound.
struct Known {
    take: i64,
    session: i64,
    player: i64,
    player_name: String,
    begun_s: i64,
    utc_offset_min: i32,
}

/// Opens the log at a place, or makes it, and keeps a take in it as long as `goes_on`, which is asked every few entrances: all
/// that the insert's "keep" asks for, off the audio thread.
///
/// # Errors
/// Those of [`Log::open`] and [`Log::keep`]; another writer is waited for as long as is said. [`LogError::GivenUp`] where it is
/// not to go on: then the log is as it was.
pub fn keep_in(
    path: &std::path::Path,
    entry: &TakeEntry,
    patience: Duration,
    goes_on: &dyn Fn() -> bool,
) -> Result<Kept, LogError> {
    let mut log = Log::open_within(path, patience)?;
    // Nothing reaches the file before the end (some MB at most), so that to give up is to forget, and takes no time.
    log.connection.pragma_update(None, "cache_spill", false).map_err(|e| LogError::of(path, e))?;
    log.keep_while(entry, goes_on)
}

impl Log {
    /// Keeps a take. Another writer is waited for; a crash leaves the take out or in, never a part of it.
    ///
    /// # Errors
    /// A name that is none, or a log that cannot be written.
    pub fn keep(&mut self, entry: &TakeEntry) -> Result<Kept, LogError> {
        self.keep_while(entry, &|| true)
    }

    fn keep_while(&mut self, entry: &TakeEntry, goes_on: &dyn Fn() -> bool) -> Result<Kept, LogError> {
        if entry.player.trim().is_empty() {
            return Err(LogError::BadName);
        }
        let path = self.path.clone();
        let keep = |db: &mut Connection| {
            go_on(goes_on)?;
            let change = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let kept = keep(&change, entry, goes_on)?;
            // A change that is dropped leaves nothing.
            go_on(goes_on)?;
            change.commit()?;
            Ok(kept)
        };
        keep(&mut self.connection).map_err(|e| LogError::of(&path, e))
    }
}

/// In the database's own words that it was interrupted, where nothing is to go on.
fn go_on(goes_on: &dyn Fn() -> bool) -> rusqlite::Result<()> {
    let interrupted = || rusqlite::Error::SqliteFailure(ffi::Error::new(ffi::SQLITE_INTERRUPT), None);
    goes_on().then_some(()).ok_or_else(interrupted)
}

/// Keeps a take within a change that is under way.
pub(super) fn keep(db: &Transaction<'_>, entry: &TakeEntry, goes_on: &dyn Fn() -> bool) -> rusqlite::Result<Kept> {
    let player = player(db, entry.player.trim())?;
    let known = known(db, &entry.sound.fingerprint)?;
    let (begun_s, utc_offset_min) = match &known {
        Some(known) if !entry.is_when_given => (known.begun_s, known.utc_offset_min),
        _ => (entry.begun_s, entry.utc_offset_min),
    };
    let ended_s = begun_s + entry.duration_s.ceil() as i64;
    let session = sessions::place(db, player, begun_s, ended_s)?;
    let take = match &known {
        Some(known) => known.take,
        None => {
            db.prepare_cached(
                "INSERT INTO take (session, fingerprint, name, begun_s, utc_offset_min, duration_s, sample_rate_hz,
                    settings, warnings, program) VALUES (?1, ?2, '', 0, 0, 0, 0, '', '', '')",
            )?
            .execute(params![session, entry.sound.fingerprint])?;
            db.last_insert_rowid()
        }
    };
    describe(db, take, entry, session, (begun_s, utc_offset_min))?;
    if let Some(known) = &known
        && known.session != session
    {
        sessions::mend(db, known.session)?;
    }
    put_entrances(db, take, entry, goes_on)?;
    for tag in entry.tags.iter().map(|tag| tag.trim()).filter(|tag| !tag.is_empty()) {
        db.execute("INSERT OR IGNORE INTO tag (take, word) VALUES (?1, ?2)", params![take, tag])?;
    }
    Ok(match known {
        None => Kept::New,
        Some(known) if known.player == player => Kept::Again,
        Some(known) => Kept::Moved { from: known.player_name },
    })
}

/// The row of a player; a new one where there is none of that name.
pub(super) fn player(db: &Connection, name: &str) -> rusqlite::Result<i64> {
    db.execute("INSERT INTO player (name) VALUES (?1) ON CONFLICT DO NOTHING", [name])?;
    db.query_row("SELECT id FROM player WHERE name = ?1", [name], |row| row.get(0))
}

fn known(db: &Connection, fingerprint: &[u8; 32]) -> rusqlite::Result<Option<Known>> {
    db.prepare_cached(
        "SELECT take.id, session.id, player.id, player.name, take.begun_s, take.utc_offset_min FROM take
         JOIN session ON session.id = take.session JOIN player ON player.id = session.player
         WHERE fingerprint = ?1",
    )?
    .query_row([fingerprint], |row| {
        Ok(Known {
            take: row.get(0)?,
            session: row.get(1)?,
            player: row.get(2)?,
            player_name: row.get(3)?,
            begun_s: row.get(4)?,
            utc_offset_min: row.get(5)?,
        })
    })
    .optional()
}

fn describe(
    db: &Connection,
    take: i64,
    entry: &TakeEntry,
    session: i64,
    (begun_s, utc_offset_min): (i64, i32),
) -> rusqlite::Result<()> {
    let loud_db = loud_db(entry.entrances.iter().map(|logged| &logged.entrance));
    let room = entry.sound.room;
    db.prepare_cached(
        "UPDATE take SET session = ?2, name = ?3, begun_s = ?4, utc_offset_min = ?5, duration_s = ?6,
            sample_rate_hz = ?7, settings = ?8, warnings = ?9, floor_db = ?10, floor_tilt_db = ?11,
            tone_tilt_db = ?12, loud_db = ?13, program = ?14, note = iif(?15 = '', note, ?15) WHERE id = ?1",
    )?
    .execute(params![
        take,
        session,
        entry.name,
        begun_s,
        utc_offset_min,
        entry.duration_s,
        entry.sample_rate_hz,
        serde_json::to_string(&entry.settings).unwrap_or_default(),
        serde_json::to_string(&entry.warnings).unwrap_or_default(),
        room.map(|room| room.floor_db),
        room.and_then(|room| room.floor_tilt_db),
        room.and_then(|room| room.tone_tilt_db),
        (!entry.entrances.is_empty()).then_some(loud_db),
        env!("CARGO_PKG_VERSION"),
        entry.note.trim(),
    ])
    .map(drop)
}

/// Puts the entrances of a take in place of those it had. Corrections and written positions stay with their notes where
/// the take comes without a word of its own on them.
fn put_entrances(db: &Connection, take: i64, entry: &TakeEntry, goes_on: &dyn Fn() -> bool) -> rusqlite::Result<()> {
    let entrances = with_old_words(db, take, entry)?;
    let num_old: i64 =
        db.query_row("SELECT ifnull(max(place) + 1, 0) FROM entrance WHERE take = ?1", [take], |row| row.get(0))?;
    // A bit at a time: 20 000 in one go take longer than a host waits.
    for from in (0..num_old).step_by(ASK_EVERY) {
        go_on(goes_on)?;
        db.prepare_cached("DELETE FROM entrance WHERE take = ?1 AND place < ?2")?
            .execute([take, from + ASK_EVERY as i64])?;
    }
    let marks = vec!["?"; measures::NUM + 1].join(", ");
    let mut insert =
        db.prepare_cached(&format!("INSERT INTO entrance (take, {}) VALUES ({marks})", measures::names()))?;
    let mut untold: HashMap<String, i64> = HashMap::new();
    for (i, logged) in entrances.iter().enumerate() {
        if i.is_multiple_of(ASK_EVERY) {
            go_on(goes_on)?;
        }
        let reasons = measures::reasons(&logged.entrance);
        let row = match reasons {
            Some(reasons) => Some(row_of(db, &mut untold, reasons)?),
            None => None,
        };
        let mut values = measures::values(logged, row);
        values.insert(0, Box::new(take));
        insert.execute(params_from_iter(values.iter()))?;
    }
    db.prepare_cached("INSERT OR REPLACE INTO digest (take, version, notes) VALUES (?1, ?2, ?3)")?
        .execute(params![take, digest::VERSION, digest::pack(&entrances)])
        .map(drop)
}

/// The row of these reasons.
fn row_of(db: &Connection, known: &mut HashMap<String, i64>, reasons: String) -> rusqlite::Result<i64> {
    if let Some(&row) = known.get(&reasons) {
        return Ok(row);
    }
    db.execute("INSERT INTO untold (reasons) VALUES (?1) ON CONFLICT DO NOTHING", [&reasons])?;
    let row = db.query_row("SELECT id FROM untold WHERE reasons = ?1", [&reasons], |row| row.get(0))?;
    known.insert(reasons, row);
    Ok(row)
}

fn with_old_words<'a>(db: &Connection, take: i64, entry: &'a TakeEntry) -> rusqlite::Result<Cow<'a, [LoggedEntrance]>> {
    let mut entrances = Cow::Borrowed(entry.entrances.as_slice());
    let has_positions = entrances.iter().any(|logged| logged.position.is_some());
    let has_old: bool = db
        .prepare_cached(
            "SELECT EXISTS (SELECT 1 FROM entrance WHERE take = ?1 AND (corrected IS NOT NULL OR position IS NOT NULL))",
        )?
        .query_row([take], |row| row.get(0))?;
    if !has_old {
        return Ok(entrances);
    }
    for old in super::read::entrances(db, take, &entry.settings)? {
        let late_ms = |new: &LoggedEntrance| (new.entrance.front.speaks_s - old.entrance.front.speaks_s) * 1e3;
        // They stand in the order of time.
        let first = entrances.partition_point(|new| late_ms(new) < -SAME_NOTE_MS);
        let Some(new) = entrances.to_mut().get_mut(first).filter(|new| late_ms(new) <= SAME_NOTE_MS) else { continue };
        if !entry.has_all_corrections {
            new.corrected = new.corrected.or(old.corrected);
        }
        if !has_positions {
            new.position = old.position;
        }
    }
    Ok(entrances)
}
