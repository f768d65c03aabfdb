//! The form of the log, and how a file of an earlier form becomes one of today's. Each step runs in the transaction
//! that also raises `user_version`, so that a crash leaves the old form or the new one.
//!
//! Figures are whole numbers, since SQLite keeps those in as few bytes as they need: a column `x_ms_e2` holds
//! hundredths of a millisecond, `_e4` ten-thousandths, `_e6` millionths. The view `entrance_in_units` tells them in
//! their units.

use super::{LogError, measures};
use rusqlite::{Connection, Transaction, TransactionBehavior};
use std::path::Path;

/// Marks the file as ours, in the place that SQLite gives programs for it: "NFLG".
const APPLICATION_ID: i64 = 0x4E46_4C47;

/// The steps, each from the version of its place in the list to the next.
pub(super) const STEPS: [&str; 5] = [
    include_str!("schema/1.sql"),
    include_str!("schema/2.sql"),
    include_str!("schema/3.sql"),
    include_str!("schema/4.sql"),
    include_str!("schema/5.sql"),
];

/// The form this program writes.
pub(super) const VERSION: i64 = STEPS.len() as i64;

/// Makes a new file a log, or brings an old log up to date.
///
/// # Errors
/// A file that is no log, is damaged, locked, or of a later version.
pub(super) fn prepare(connection: &mut Connection, path: &Path) -> Result<(), LogError> {
    let because = |e| LogError::of(path, e);
    connection.pragma_update(None, "foreign_keys", true).map_err(because)?;
    // Beside a log that is open, one file more: the journal goes with the transaction, and the log is one file to copy.
    if version(connection).map_err(because)? == VERSION && is_ours(connection).map_err(because)? {
        return Ok(());
    }
    let change = connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(because)?;
    // Looked at again with the lock held: another program may have done it meanwhile.
    let found = version(&change).map_err(because)?;
    if !is_ours(&change).map_err(because)? && (found != 0 || !is_empty(&change).map_err(because)?) {
        return Err(LogError::NotALog(path.to_owned()));
    }
    if found > VERSION {
        return Err(LogError::Newer { path: path.to_owned(), found, known: VERSION });
    }
    climb(&change, found).map_err(because)?;
    change.commit().map_err(because)
}

fn climb(change: &Transaction<'_>, found: i64) -> rusqlite::Result<()> {
    for step in STEPS.iter().skip(found as usize) {
        change.execute_batch(step)?;
    }
    if found < VERSION {
        change.execute_batch(&format!("DROP VIEW IF EXISTS entrance_in_units; {}", measures::view()))?;
    }
    change.pragma_update(None, "application_id", APPLICATION_ID)?;
    change.pragma_update(None, "user_version", VERSION)
}

fn version(connection: &Connection) -> rusqlite::Result<i64> {
    connection.query_row("PRAGMA user_version", [], |row| row.get(0))
}

fn is_ours(connection: &Connection) -> rusqlite::Result<bool> {
    let id: i64 = connection.query_row("PRAGMA application_id", [], |row| row.get(0))?;
    Ok(id == APPLICATION_ID)
}

fn is_empty(connection: &Connection) -> rusqlite::Result<bool> {
    connection.query_row("SELECT count(*) = 0 FROM sqlite_schema", [], |row| row.get(0))
}

#[cfg(test)]
pub(super) fn make_version(path: &Path, version: usize) {
    let mut connection = Connection::open(path).expect("room");
    let change = connection.transaction().expect("alone");
    STEPS.iter().take(version).for_each(|step| change.execute_batch(step).expect("a valid step"));
    if version == STEPS.len() {
        change.execute_batch(&measures::view()).expect("a valid view");
    }
    change.pragma_update(None, "application_id", APPLICATION_ID).expect("room");
    change.pragma_update(None, "user_version", version as i64).expect("room");
    change.commit().expect("room");
}
