//! Asking the log: who plays, which takes there are, and what was played in them.

use super::digest::{self, Counted, DigestNote};
use super::heard::Room;
use super::{Log, LogError, LoggedEntrance, measures, when};
use crate::patterns::{Facet, Kind, facet};
use notefront_dsp::Settings;
use rusqlite::{Connection, OpenFlags, OptionalExtension, Row, ToSql, params};

/// Which takes are asked for.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Span {
    /// From this time on, seconds since 1970-01-01 UTC.
    pub from_s: Option<i64>,
    /// Up to this time.
    pub until_s: Option<i64>,
    /// Only those with this tag.
    pub tag: Option<String>,
}

/// A take of the log, without its notes.
#[derive(Debug, Clone, PartialEq)]
pub struct LoggedTake {
    /// Its row.
    pub id: i64,
    /// Its session.
    pub session: i64,
    /// When that began, seconds since 1970-01-01 UTC.
    pub session_begun_s: i64,
    /// Name of the file or the pass.
    pub name: String,
    /// When it began, seconds since 1970-01-01 UTC.
    pub begun_s: i64,
    /// The player's clock then, minutes from UTC.
    pub utc_offset_min: i32,
    /// Length, s.
    pub duration_s: f64,
    /// All that shaped the numbers.
    pub settings: Settings,
    /// Room and microphone.
    pub room: Option<Room>,
    /// Level of the loud notes, dB re full scale.
    pub loud_db: Option<f64>,
    /// Its tags that say something of its notes, such as `D4=4` ([`super::alternates`]).
    pub said: Vec<String>,
}

impl LoggedTake {
    /// The day it was played on, by the player's own clock.
    #[must_use]
    pub fn day(&self) -> jiff::civil::Date {
        when::day(self.begun_s, self.utc_offset_min)
    }

    /// Seconds into the session at its beginning.
    #[must_use]
    pub fn into_session_s(&self) -> f64 {
        (self.begun_s - self.session_begun_s) as f64
    }
}

/// A take with its notes, packed.
#[derive(Debug, Clone, PartialEq)]
pub struct Played {
    /// The take.
    pub take: LoggedTake,
    packed: Vec<u8>,
    /// Counted once: asking the calendar for every note would cost more than all else.
    weekday: Kind,
}

impl Played {
    /// A take of entrances that are in no log.
    #[must_use]
    pub fn of(take: LoggedTake, entrances: &[LoggedEntrance]) -> Self {
        Self::packed(take, digest::pack(entrances))
    }

    fn packed(take: LoggedTake, packed: Vec<u8>) -> Self {
        let weekday = take.day().weekday().to_monday_zero_offset() as Kind;
        Self { take, packed, weekday }
    }

    /// Its notes, in the order of the sound.
    pub fn notes(&self) -> impl Iterator<Item = DigestNote<'_>> {
        digest::unpack(&self.packed)
    }

    /// Its notes as counting sees them, with all their kinds.
    pub(super) fn counted(&self) -> impl Iterator<Item = Counted> + '_ {
        let into_session_ms = 1000 * (self.take.begun_s - self.take.session_begun_s);
        let mut part = facet::part_of_session(0);
        self.notes().map(move |note| {
            let mut note = note.counted();
            let at_ms = (into_session_ms + i64::from(note.speaks_ms)).max(0);
            // Asked anew only where it is another: hundreds of notes are of the same.
            if !part.1.contains(&at_ms) {
                part = facet::part_of_session(at_ms);
            }
            note.kinds[Facet::Minutes as usize] = part.0;
            note.kinds[Facet::Weekday as usize] = self.weekday;
            note
        })
    }

    /// How many notes there are.
    #[must_use]
    pub fn num_notes(&self) -> usize {
        self.packed.len() / digest::LEN
    }

    /// The kinds of one of its notes, in the order of [`Facet::ALL`].
    #[must_use]
    pub fn kinds(&self, note: DigestNote) -> [Option<Kind>; Facet::ALL.len()] {
        let [place, register, dynamic, articulation, interval] = note.kinds();
        let minutes = facet::minutes_kind(self.take.into_session_s() + note.speaks_s());
        [place, register, dynamic, articulation, interval, Some(minutes), Some(self.weekday)]
    }
}

/// What counts for tomorrow: what was played so many days before the last take. A weakness that is mended is none \[H\].
pub const RECENT_DAYS: i64 = 21;

/// The takes of the last [`RECENT_DAYS`] days that were played on, of takes in their order.
#[must_use]
pub fn recent(played: &[Played]) -> &[Played] {
    let from_s = played.last().map_or(0, |last| last.take.begun_s - 86_400 * RECENT_DAYS);
    &played[played.partition_point(|played| played.take.begun_s < from_s)..]
}

/// Takes in the order they were played, parted into sessions.
#[must_use]
pub fn sessions(played: &[Played]) -> Vec<&[Played]> {
    played.chunk_by(|a, b| a.take.session == b.take.session).collect()
}

/// A player and how much of them there is.
#[derive(Debug, Clone, PartialEq)]
pub struct Players {
    /// Name.
    pub name: String,
    /// Sessions.
    pub num_sessions: usize,
    /// Takes.
    pub num_takes: usize,
    /// Entrances.
    pub num_entrances: usize,
    /// First and last day, seconds since 1970-01-01 UTC.
    pub days_s: Option<(i64, i64)>,
}

/// Takes whose notes are read at two places at once: a year of daily playing. Fewer are read before another thread is there.
const MANY_TAKES: usize = 300;

const TAKE_COLUMNS: &str = "take.id, take.session, session.begun_s, take.name, take.begun_s, take.utc_offset_min,
    take.duration_s, take.settings, take.floor_db, take.floor_tilt_db, take.tone_tilt_db, take.loud_db,
    (SELECT json_group_array(word) FROM tag WHERE tag.take = take.id AND instr(word, '=') > 0)";

fn take(row: &Row<'_>) -> rusqlite::Result<LoggedTake> {
    let floor_db: Option<f64> = row.get(8)?;
    let (floor_tilt_db, tone_tilt_db) = (row.get(9)?, row.get(10)?);
    Ok(LoggedTake {
        id: row.get(0)?,
        session: row.get(1)?,
        session_begun_s: row.get(2)?,
        name: row.get(3)?,
        begun_s: row.get(4)?,
        utc_offset_min: row.get(5)?,
        duration_s: row.get(6)?,
        settings: serde_json::from_str(&row.get::<_, String>(7)?).unwrap_or_default(),
        room: floor_db.map(|floor_db| Room { floor_db, floor_tilt_db, tone_tilt_db }),
        loud_db: row.get(11)?,
        said: serde_json::from_str(&row.get::<_, String>(12)?).unwrap_or_default(),
    })
}

impl Log {
    /// Everybody in the log, by name.
    ///
    /// # Errors
    /// A log that cannot be read.
    pub fn players(&self) -> Result<Vec<Players>, LogError> {
        let ask = || -> rusqlite::Result<Vec<Players>> {
            self.connection
                .prepare(
                    "SELECT name, (SELECT count(*) FROM session WHERE player = player.id),
                        (SELECT count(*) FROM take JOIN session ON session.id = session WHERE player = player.id),
                        (SELECT total(length(notes)) / ?1 FROM digest JOIN take ON take.id = take
                            JOIN session ON session.id = session WHERE player = player.id),
                        (SELECT min(begun_s) FROM session WHERE player = player.id),
                        (SELECT max(ended_s) FROM session WHERE player = player.id)
                     FROM player ORDER BY name",
                )?
                .query_map([digest::LEN as i64], |row| {
                    Ok(Players {
                        name: row.get(0)?,
                        num_sessions: row.get::<_, i64>(1)? as usize,
                        num_takes: row.get::<_, i64>(2)? as usize,
                        num_entrances: row.get::<_, f64>(3)? as usize,
                        days_s: row.get::<_, Option<i64>>(4)?.zip(row.get::<_, Option<i64>>(5)?),
                    })
                })?
                .collect()
        };
        ask().map_err(|e| self.because(e))
    }

    /// The row of a player by name; without a name the only one there is.
    ///
    /// # Errors
    /// Nobody of that name, or several to choose from.
    pub fn player(&self, name: Option<&str>) -> Result<i64, LogError> {
        let all: Vec<(i64, String)> = (|| -> rusqlite::Result<Vec<(i64, String)>> {
            let mut ask = self.connection.prepare("SELECT id, name FROM player ORDER BY name")?;
            ask.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?.collect()
        })()
        .map_err(|e| self.because(e))?;
        let known = || all.iter().map(|(_, name)| name.clone()).collect();
        match (name, all.as_slice()) {
            (Some(name), all) => all
                .iter()
                .find(|(_, known)| known.to_lowercase() == name.trim().to_lowercase())
                .map(|(id, _)| *id)
                .ok_or_else(|| LogError::NoSuchPlayer { name: name.into(), known: known() }),
            (None, [(id, _)]) => Ok(*id),
            (None, []) => Err(LogError::NoSuchPlayer { name: super::place::ALONE.into(), known: Vec::new() }),
            (None, _) => Err(LogError::WhichPlayer(known())),
        }
    }

    /// A player's takes in the order they were played.
    ///
    /// # Errors
    /// A log that cannot be read.
    pub fn takes(&self, player: i64, span: &Span) -> Result<Vec<LoggedTake>, LogError> {
        self.takes_of(player, span).map_err(|e| self.because(e))
    }

    fn takes_of(&self, player: i64, span: &Span) -> rusqlite::Result<Vec<LoggedTake>> {
        let (sql, values) = selection(player, span);
        let values: Vec<&dyn ToSql> = values.iter().map(|v| &**v).collect();
        self.connection.prepare_cached(&sql)?.query_map(values.as_slice(), take)?.collect()
    }

    /// A player's takes with their notes, in the order they were played.
    ///
    /// # Errors
    /// A log that cannot be read.
    pub fn played(&self, player: i64, span: &Span) -> Result<Vec<Played>, LogError> {
        let ask = || -> rusqlite::Result<Vec<Played>> {
            self.renew_digests()?;
            self.with_notes(self.takes_of(player, span)?)
        };
        ask().map_err(|e| self.because(e))
    }

    /// Takes with their notes; those of years are read at two places of the file at once.
    fn with_notes(&self, mut takes: Vec<LoggedTake>) -> rusqlite::Result<Vec<Played>> {
        let other = (takes.len() >= MANY_TAKES).then(|| self.beside().ok()).flatten();
        let Some(other) = other else { return with_notes(&self.connection, takes) };
        let later = takes.split_off(takes.len() / 2);
        let (earlier, later) = std::thread::scope(|threads| {
            let later = threads.spawn(move || with_notes(&other, later));
            (with_notes(&self.connection, takes), later.join())
        });
        let mut played = earlier?;
        played.extend(later.unwrap_or_else(|panic| std::panic::resume_unwind(panic))?);
        Ok(played)
    }

    /// The same log once more, to read.
    fn beside(&self) -> rusqlite::Result<Connection> {
        let connection = Connection::open_with_flags(
            self.path(),
            OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX,
        )?;
        connection.busy_timeout(super::PATIENCE)?;
        Ok(connection)
    }

    /// Packs anew what an earlier version packed otherwise.
    fn renew_digests(&self) -> rusqlite::Result<()> {
        for (version, renew) in [(3, digest::from_version_3 as fn(&[u8]) -> Vec<u8>), (4, digest::from_version_4)] {
            let renewed = self
                .connection
                .prepare_cached("SELECT take, notes FROM digest WHERE version = ?1")?
                .query_map([version], |row| Ok((row.get::<_, i64>(0)?, renew(row.get_ref(1)?.as_blob()?))))?
                .collect::<rusqlite::Result<Vec<_>>>()?;
            for (take, notes) in renewed {
                self.put_digest(take, &notes)?;
            }
        }
        let old: Vec<(i64, String)> = self
            .connection
            .prepare_cached(
                "SELECT id, settings FROM take WHERE id NOT IN (SELECT take FROM digest WHERE version = ?1)",
            )?
            .query_map([digest::VERSION], |row| Ok((row.get(0)?, row.get(1)?)))?
            .collect::<rusqlite::Result<_>>()?;
        for (take, settings) in old {
            let settings = serde_json::from_str(&settings).unwrap_or_default();
            let notes = digest::pack(&entrances(&self.connection, take, &settings)?);
            self.put_digest(take, &notes)?;
        }
        Ok(())
    }

    fn put_digest(&self, take: i64, notes: &[u8]) -> rusqlite::Result<()> {
        self.connection
            .prepare_cached("INSERT OR REPLACE INTO digest (take, version, notes) VALUES (?1, ?2, ?3)")?
            .execute(params![take, digest::VERSION, notes])
            .map(drop)
    }

    /// The entrances of a take with all their measures.
    ///
    /// # Errors
    /// A log that cannot be read.
    pub fn entrances(&self, take: &LoggedTake) -> Result<Vec<LoggedEntrance>, LogError> {
        entrances(&self.connection, take.id, &take.settings).map_err(|e| self.because(e))
    }
}

/// Takes with their notes, one by one: sorted together with them, years of notes would be written to a temporary file and
/// back. What was forgotten meanwhile is left out.
fn with_notes(db: &Connection, takes: Vec<LoggedTake>) -> rusqlite::Result<Vec<Played>> {
    let mut ask = db.prepare_cached("SELECT notes FROM digest WHERE take = ?1")?;
    let mut played = Vec::with_capacity(takes.len());
    for take in takes {
        let notes: Option<Vec<u8>> = ask.query_row([take.id], |row| row.get(0)).optional()?;
        played.extend(notes.map(|notes| Played::packed(take, notes)));
    }
    Ok(played)
}

/// The entrances of a take, in the order of the sound.
pub(super) fn entrances(db: &Connection, take: i64, settings: &Settings) -> rusqlite::Result<Vec<LoggedEntrance>> {
    db.prepare_cached(&format!(
        "SELECT {}, (SELECT reasons FROM untold WHERE id = untold) FROM entrance WHERE take = ?1 ORDER BY place",
        measures::names()
    ))?
    .query_map([take], |row| measures::entrance(row, settings))?
    .collect()
}

/// The question for a player's takes of a span.
fn selection(player: i64, span: &Span) -> (String, Vec<Box<dyn ToSql>>) {
    let mut sql =
        format!("SELECT {TAKE_COLUMNS} FROM session JOIN take ON take.session = session.id WHERE session.player = ?1");
    let mut values: Vec<Box<dyn ToSql>> = vec![Box::new(player)];
    let mut and = |clause: &str, value: Box<dyn ToSql>| {
        values.push(value);
        sql += &format!(" AND {clause}{}", if clause.ends_with('(') { "" } else { " " });
        sql += &format!("?{}", values.len());
    };
    if let Some(from_s) = span.from_s {
        and("take.begun_s >=", Box::new(from_s));
    }
    if let Some(until_s) = span.until_s {
        and("take.begun_s <", Box::new(until_s));
    }
    if let Some(tag) = &span.tag {
        and("take.id IN (SELECT take FROM tag WHERE word =", Box::new(tag.clone()));
        sql.push(')');
    }
    sql += " ORDER BY take.begun_s, take.id";
    (sql, values)
}
