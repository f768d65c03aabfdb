//! Takes gathered into sessions: a player's takes with little time between them, whatever the order they are kept in.

use rusqlite::{Connection, OptionalExtension, params};

/// Takes with less than this between them are of one session, s: longer than a rest, shorter than a meal \[H\].
pub const GAP_S: i64 = 45 * 60;

/// The session a take of these times belongs to. A new one is made where there is none; several that it joins become
/// one.
pub(super) fn place(db: &Connection, player: i64, begun_s: i64, ended_s: i64) -> rusqlite::Result<i64> {
    let near: Vec<i64> = db
        .prepare_cached(
            "SELECT id FROM session WHERE player = ?1 AND begun_s < ?3 + ?4 AND ended_s > ?2 - ?4 ORDER BY begun_s",
        )?
        .query_map(params![player, begun_s, ended_s, GAP_S], |row| row.get(0))?
        .collect::<rusqlite::Result<_>>()?;
    let Some((&first, rest)) = near.split_first() else {
        db.prepare_cached("INSERT INTO session (player, begun_s, ended_s) VALUES (?1, ?2, ?3)")?
            .execute(params![player, begun_s, ended_s])?;
        return Ok(db.last_insert_rowid());
    };
    for other in rest {
        db.execute("UPDATE take SET session = ?1 WHERE session = ?2", params![first, other])?;
        db.execute(
            "UPDATE session SET note = trim(note || char(10) || (SELECT note FROM session WHERE id = ?2), char(10)),
                begun_s = min(begun_s, (SELECT begun_s FROM session WHERE id = ?2)),
                ended_s = max(ended_s, (SELECT ended_s FROM session WHERE id = ?2)) WHERE id = ?1",
            params![first, other],
        )?;
        db.execute("DELETE FROM session WHERE id = ?1", [other])?;
    }
    db.execute(
        "UPDATE session SET begun_s = min(begun_s, ?2), ended_s = max(ended_s, ?3) WHERE id = ?1",
        params![first, begun_s, ended_s],
    )?;
    Ok(first)
}

/// After a take has left a session: its times are those of the takes that stay; without any it goes.
pub(super) fn mend(db: &Connection, session: i64) -> rusqlite::Result<()> {
    let left: Option<i64> =
        db.query_row("SELECT 1 FROM take WHERE session = ?1 LIMIT 1", [session], |row| row.get(0)).optional()?;
    if left.is_none() {
        db.execute("DELETE FROM session WHERE id = ?1", [session])?;
        return Ok(());
    }
    db.execute(
        "UPDATE session SET begun_s = (SELECT min(begun_s) FROM take WHERE session = ?1),
            ended_s = (SELECT max(begun_s + CAST(ceil(duration_s) AS INTEGER)) FROM take WHERE session = ?1)
         WHERE id = ?1",
        [session],
    )
    .map(drop)
}
