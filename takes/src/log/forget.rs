//! Notes to a player, session or take, and forgetting a player for good.

use super::{Log, LogError};
use rusqlite::params;

/// What was forgotten.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Forgotten {
    /// Takes that are gone.
    pub num_takes: usize,
}

impl Log {
    /// Forgets a player with all takes, and overwrites where they stood, so that nothing can be brought back from the
    /// file.
    ///
    /// # Errors
    /// Nobody of that name, or a log that cannot be written; then nothing is gone.
    pub fn forget(&mut self, name: &str) -> Result<Forgotten, LogError> {
        let player = self.player(Some(name))?;
        let forget = || -> rusqlite::Result<Forgotten> {
            let db = &self.connection;
            db.pragma_update(None, "secure_delete", true)?;
            let num_takes: i64 = db.query_row(
                "SELECT count(*) FROM take JOIN session ON session.id = session WHERE player = ?1",
                [player],
                |row| row.get(0),
            )?;
            db.execute("DELETE FROM player WHERE id = ?1", [player])?;
            // What stood there is overwritten already; a file that cannot be made smaller now is no failure.
            let _ = db.execute_batch("VACUUM");
            Ok(Forgotten { num_takes: num_takes as usize })
        };
        forget().map_err(|e| self.because(e))
    }

    /// Writes a note beside a player's last session up to a time; whether there is one.
    ///
    /// # Errors
    /// A log that cannot be written.
    pub fn note_session(&mut self, player: i64, until_s: i64, note: &str) -> Result<bool, LogError> {
        let write = || {
            self.connection.execute(
                "UPDATE session SET note = trim(note || char(10) || ?3, char(10)) WHERE id =
                    (SELECT id FROM session WHERE player = ?1 AND begun_s <= ?2 ORDER BY begun_s DESC LIMIT 1)",
                params![player, until_s, note],
            )
        };
        write().map(|num| num > 0).map_err(|e| self.because(e))
    }
}
