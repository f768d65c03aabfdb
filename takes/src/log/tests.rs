//! The log as a whole: kept and read back, twice the same, earlier forms, odd files, two writers.

use super::*;
use crate::fixtures::{self, MONDAY_S, clear, with};
use heard::{HeardSound, Room};
use notefront_dsp::{CannotTell, Faults, Settings};
use std::collections::HashSet;
use tempfile::TempDir;

fn folder() -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("practice.log");
    (folder, path)
}

fn entry(player: &str, sound: u8, begun_s: i64) -> TakeEntry {
    TakeEntry {
        player: player.into(),
        name: format!("take-{sound}.wav"),
        begun_s,
        utc_offset_min: 60,
        is_when_given: false,
        duration_s: 65.5,
        sample_rate_hz: 48_000.0,
        settings: Settings::default(),
        warnings: vec!["clipped at 12.40 s".into()],
        sound: HeardSound {
            fingerprint: [sound; 32],
            room: Some(Room { floor_db: -62.5, floor_tilt_db: Some(-3.25), tone_tilt_db: None }),
        },
        entrances: fixtures::take().entrances.iter().copied().map(LoggedEntrance::of).collect(),
        has_all_corrections: false,
        tags: vec!["warm-up".into()],
        note: String::new(),
    }
}

fn all(log: &Log, player: &str) -> Vec<(LoggedTake, Vec<LoggedEntrance>)> {
    let id = log.player(Some(player)).expect("in the log");
    let takes = log.takes(id, &Span::default()).expect("readable");
    takes.into_iter().map(|take| (take.clone(), log.entrances(&take).expect("readable"))).collect()
}

#[test]
fn what_is_kept_comes_back_to_the_places_that_are_told() {
    let (_folder, path) = folder();
    let mut log = Log::open(&path).expect("room");
    let entry = entry("Vesna", 1, MONDAY_S);
    assert_eq!(log.keep(&entry).expect("room"), Kept::New);
    let (take, entrances) = all(&log, "vesna").remove(0);
    assert_eq!((take.name.as_str(), take.day().to_string().as_str()), ("take-1.wav", "2026-03-02"));
    assert_eq!((take.room, take.settings), (entry.sound.room, Settings::default()));
    assert_eq!(entrances.len(), 5);
    for (kept, given) in entrances.iter().zip(&entry.entrances) {
        let (kept, given) = (kept.entrance, given.entrance);
        assert_eq!((kept.verdict.faults, kept.verdict.timing_ms), (given.verdict.faults, given.verdict.timing_ms));
        assert!((kept.verdict.clarity - given.verdict.clarity).abs() <= 0.005, "kept to hundredths");
        let named = renamed(given);
        assert_eq!(kept.front.midi_note, named.front.midi_note);
        for (kept, named) in kept.front.positions.iter().zip(named.front.positions.iter()) {
            assert_eq!((kept.partial, kept.trigger), (named.partial, named.trigger));
            // 0.0001 Hz of 116 Hz is 0.0015 cents, a hundred thousandth of a position.
            assert!((kept.position - named.position).abs() < 1e-4);
        }
        let told: [fn(&Entrance) -> notefront_dsp::Told; 3] =
            [|e| e.front.settle_ms, |e| e.front.approach_cents, |e| e.front.noise_before_tone_db];
        for of in told {
            assert_eq!(of(&kept), of(&given));
        }
        assert_eq!((kept.front.speaks_s, kept.front.end_s), (given.front.speaks_s, given.front.end_s));
        assert_eq!(kept.front.evidence, given.front.evidence);
        // Kept to 0.0001 Hz.
        let hz = |e: Entrance| e.front.settled_hz.expect("told").value;
        assert!((hz(kept) - hz(given)).abs() <= 0.5e-4);
    }
}

/// What the log makes of the name and the positions: they follow from the pitch.
fn renamed(mut entrance: Entrance) -> Entrance {
    notefront_dsp::trombone::name_note(&mut entrance.front, &Settings::default());
    entrance
}

#[test]
fn figures_that_are_no_numbers_are_kept_as_untold() {
    let (_folder, path) = folder();
    let mut log = Log::open(&path).expect("room");
    let odd = with(clear(0, 46, f64::NAN), |e| {
        e.front.settle_ms = fixtures::told(f64::NAN, f64::INFINITY);
        e.front.level_db = f64::NEG_INFINITY;
        e.verdict.clarity = f64::NAN;
    });
    let mut entry = entry("Vesna", 1, MONDAY_S);
    entry.entrances = vec![LoggedEntrance::of(odd)];
    log.keep(&entry).expect("room");
    let kept = all(&log, "Vesna").remove(0).1[0].entrance;
    assert_eq!(kept.front.settle_ms, Err(CannotTell::NotMeasured));
    assert!(kept.front.level_db.is_nan());
}

#[test]
fn the_same_sound_twice_is_one_entry_and_keeps_what_the_player_said() {
    let (_folder, path) = folder();
    let mut log = Log::open(&path).expect("room");
    let mut entry = entry("Vesna", 1, MONDAY_S);
    entry.note = "new mouthpiece".into();
    let fine =
        notefront_dsp::Verdict { faults: Faults::default(), clarity: 100.0, ..entry.entrances[2].entrance.verdict };
    entry.entrances[2].corrected = Some(fine);
    log.keep(&entry).expect("room");
    // Scanned again, later, from a copy, by a version that finds the note 3 ms later and one note less.
    let mut again = self::entry("Vesna", 1, MONDAY_S + 86_400);
    again.entrances.remove(0);
    again.entrances.iter_mut().for_each(|e| e.entrance.front.speaks_s += 0.003);
    again.tags = vec!["scales".into()];
    assert_eq!(log.keep(&again).expect("room"), Kept::Again);
    let kept = all(&log, "Vesna");
    assert_eq!(kept.len(), 1);
    assert_eq!((kept[0].0.begun_s, kept[0].1.len()), (MONDAY_S, 4));
    assert_eq!(kept[0].1[1].corrected.map(|v| v.clarity), Some(100.0), "the correction stays with its note");
    let (note, tags): (String, i64) = log
        .connection
        .query_row("SELECT note, (SELECT count(*) FROM tag) FROM take", [], |row| Ok((row.get(0)?, row.get(1)?)))
        .expect("one take");
    assert_eq!((note.as_str(), tags), ("new mouthpiece", 2));
    // Given to another player, and with a day.
    let moved = TakeEntry { player: "Ilo".into(), is_when_given: true, ..again };
    assert_eq!(log.keep(&moved).expect("room"), Kept::Moved { from: "Vesna".into() });
    assert_eq!((all(&log, "Ilo").len(), all(&log, "Vesna").len()), (1, 0));
    assert_eq!(all(&log, "Ilo")[0].0.begun_s, MONDAY_S + 86_400);
    log.check().expect("whole");
}

#[test]
fn takes_gather_into_sessions_in_whatever_order_they_come() {
    let minutes = |m: i64| MONDAY_S + 60 * m;
    let (_folder, path) = folder();
    let mut log = Log::open(&path).expect("room");
    // 0 and 60 are too far apart, until 30 joins them; 200 is another session.
    for (sound, at) in [(1, 0), (2, 60), (3, 200)] {
        log.keep(&entry("Vesna", sound, minutes(at))).expect("room");
    }
    let sessions = |log: &Log| all(log, "Vesna").iter().map(|(take, _)| take.session).collect::<HashSet<_>>().len();
    assert_eq!(sessions(&log), 3);
    log.note_session(log.player(None).expect("alone"), minutes(300), "hall was cold").expect("room");
    log.keep(&entry("Vesna", 4, minutes(30))).expect("room");
    assert_eq!(sessions(&log), 2);
    let begun: Vec<f64> = all(&log, "Vesna").iter().map(|(take, _)| take.into_session_s() / 60.0).collect();
    assert_eq!(begun, [0.0, 30.0, 60.0, 0.0]);
    // Another player's takes at the same time are another session.
    log.keep(&entry("Ilo", 5, minutes(30))).expect("room");
    assert_eq!((sessions(&log), all(&log, "Ilo").len()), (2, 1));
    // The joining take moves away: its day was wrong. The long session stays one, as it was practised.
    let away = TakeEntry { is_when_given: true, ..entry("Vesna", 3, minutes(9_000)) };
    log.keep(&away).expect("room");
    assert_eq!(all(&log, "Vesna").last().map(|(take, _)| take.into_session_s()), Some(0.0));
    log.check().expect("whole");
}

#[test]
fn the_whole_log_goes_out_and_comes_back() {
    let (_folder, path) = folder();
    let mut log = Log::open(&path).expect("room");
    let mut corrected = entry("Vesna", 1, MONDAY_S);
    corrected.entrances[0].corrected = Some(corrected.entrances[1].entrance.verdict);
    log.keep(&corrected).expect("room");
    log.keep(&entry("Ilo", 2, MONDAY_S + 500)).expect("room");
    log.note_session(log.player(Some("Ilo")).expect("there"), i64::MAX, "with the teacher").expect("room");
    let mut out = Vec::new();
    assert_eq!(export(&log, None, &mut out).expect("readable"), 2);
    let mut other = Log::open(&path.with_extension("other")).expect("room");
    assert_eq!(import(&mut other, &mut &out[..]).expect("readable"), Imported { num_new: 2, num_known: 0 });
    let mut out_again = Vec::new();
    export(&other, None, &mut out_again).expect("readable");
    assert_eq!(String::from_utf8(out.clone()).expect("text"), String::from_utf8(out_again).expect("text"));
    // Once more changes nothing.
    assert_eq!(import(&mut other, &mut &out[..]).expect("readable"), Imported { num_new: 0, num_known: 2 });
    assert_eq!(all(&other, "Vesna")[0].1[0].corrected, all(&log, "Vesna")[0].1[0].corrected);
    // One player alone.
    let mut one = Vec::new();
    assert_eq!(export(&log, Some("ilo"), &mut one).expect("readable"), 1);
    assert!(!String::from_utf8_lossy(&one).contains("Vesna"));
}

#[test]
fn an_export_that_is_cut_short_is_not_taken_over_at_all() {
    let (_folder, path) = folder();
    let mut log = Log::open(&path).expect("room");
    log.keep(&entry("Vesna", 1, MONDAY_S)).expect("room");
    log.keep(&entry("Vesna", 2, MONDAY_S)).expect("room");
    let mut out = Vec::new();
    export(&log, None, &mut out).expect("readable");
    out.truncate(out.len() - 40);
    let mut other = Log::open(&path.with_extension("other")).expect("room");
    let refused = import(&mut other, &mut &out[..]).expect_err("cut");
    assert!(matches!(refused, LogError::BadLine { line: 4, .. }), "{refused}");
    assert!(other.players().expect("readable").is_empty());
    for odd in ["{}", "[1,2]", "RIFF", "{\"record\":\"player\",\"name\":\"x\",\"note\":\"\"}"] {
        assert!(import(&mut other, &mut odd.as_bytes()).is_err(), "{odd}");
    }
}

#[test]
fn a_player_is_forgotten_for_good() {
    let (_folder, path) = folder();
    let mut log = Log::open(&path).expect("room");
    let mut secret = entry("Vesna Quill", 1, MONDAY_S);
    secret.note = "an unmistakable sentence".into();
    log.keep(&secret).expect("room");
    log.keep(&entry("Ilo", 2, MONDAY_S)).expect("room");
    assert!(log.forget("nobody").expect_err("not there").to_string().contains("Ilo, Vesna Quill"));
    assert_eq!(log.forget("vesna quill").expect("there").num_takes, 1);
    assert_eq!(log.players().expect("readable").len(), 1);
    log.check().expect("whole");
    drop(log);
    let bytes = std::fs::read(&path).expect("a file");
    for trace in [&b"unmistakable"[..], b"Vesna Quill", b"take-1.wav"] {
        assert!(!bytes.windows(trace.len()).any(|w| w == trace), "{}", String::from_utf8_lossy(trace));
    }
}

#[test]
fn files_that_are_no_log_are_told_and_left_alone() {
    let (folder, path) = folder();
    let refused = |path: &Path| Log::open(path).expect_err("no log").to_string();
    std::fs::write(&path, b"some other file, and not a short one at that, so that it is looked at").expect("room");
    assert!(refused(&path).contains("not a practice log"), "{}", refused(&path));
    assert!(std::fs::read(&path).expect("there").starts_with(b"some other"));
    // SQLite would take so short a file for an empty one.
    std::fs::write(&path, b"x").expect("room");
    assert!(refused(&path).contains("not a practice log"));
    assert_eq!(std::fs::read(&path).expect("there"), b"x");
    // Another program's database.
    let other = folder.path().join("other.db");
    Connection::open(&other).and_then(|db| db.execute_batch("CREATE TABLE x (y)")).expect("room");
    assert!(refused(&other).contains("not a practice log"));
    assert!(refused(folder.path()).contains("cannot be used"), "{}", refused(folder.path()));
    assert!(
        Log::open_existing(&folder.path().join("none")).expect_err("missing").to_string().contains("no practice log")
    );
}

#[test]
fn a_damaged_log_is_told() {
    let (folder, path) = folder();
    let mut log = Log::open(&path).expect("room");
    for sound in 0..40 {
        log.keep(&entry("Vesna", sound, MONDAY_S + 7200 * i64::from(sound))).expect("room");
    }
    drop(log);
    let whole = std::fs::read(&path).expect("a log");
    // Pages in the middle overwritten; the file cut in half; only its beginning.
    for (name, bytes) in [
        ("scrawled", {
            let mut b = whole.clone();
            let n = b.len();
            b[4096..n - 4096].fill(0x5a);
            b
        }),
        ("halved", whole[..whole.len() / 2].to_vec()),
        ("stub", whole[..100].to_vec()),
    ] {
        let path = folder.path().join(name);
        std::fs::write(&path, &bytes).expect("room");
        let told = match Log::open(&path) {
            Err(e) => e,
            Ok(mut log) => match log.check() {
                Err(e) => e,
                Ok(()) => log.keep(&entry("Vesna", 3, MONDAY_S)).expect_err(name),
            },
        };
        let text = told.to_string();
        assert!(text.contains("damaged") || text.contains("not a practice log"), "{name}: {text}");
    }
}

#[test]
fn a_later_version_s_log_is_left_alone() {
    let (_folder, path) = folder();
    drop(Log::open(&path).expect("room"));
    Connection::open(&path).and_then(|db| db.pragma_update(None, "user_version", 99)).expect("room");
    assert!(Log::open(&path).expect_err("newer").to_string().contains("later version"));
}

#[test]
fn every_earlier_form_becomes_today_s_without_losing_a_row() {
    for version in 1..=schema::STEPS.len() {
        let (_folder, path) = folder();
        schema::make_version(&path, version);
        let before = Connection::open(&path).expect("a log");
        before
            .execute_batch(include_str!("tests/rows-1.sql"))
            .expect("rows that the first form takes, every later one takes too");
        let counts = |db: &Connection| {
            ["player", "session", "take", "tag", "untold", "entrance"].map(|table| {
                db.query_row(&format!("SELECT count(*) FROM {table}"), [], |row| row.get::<_, i64>(0)).expect("a table")
            })
        };
        let rows = counts(&before);
        drop(before);
        let log = Log::open(&path).expect("brought up to date");
        assert_eq!(counts(&log.connection), rows, "from form {version}");
        let found: i64 = log.connection.query_row("PRAGMA user_version", [], |row| row.get(0)).expect("a number");
        assert_eq!(found, schema::VERSION);
        let (take, entrances) = all(&log, "Vesna").remove(0);
        assert_eq!((take.name.as_str(), entrances.len()), ("old.wav", 2));
        let first = entrances[0].entrance;
        assert_eq!((first.front.midi_note, first.verdict.clarity), (Some(46), 58.0));
        assert_eq!(first.front.settle_ms.map(|m| m.value), Ok(112.5));
        assert_eq!(entrances[1].entrance.front.settle_ms, Err(CannotTell::TooShort));
        // What is derived is made anew.
        let played = log.played(log.player(None).expect("alone"), &Span::default()).expect("readable");
        let num_notes: usize = played.iter().map(|take| take.notes().count()).sum();
        assert_eq!(num_notes, 2);
        log.check().expect("whole");
        let told: f64 = log
            .connection
            .query_row("SELECT settle_ms FROM entrance_in_units WHERE place = 0", [], |row| row.get(0))
            .expect("the view is today's");
        assert_eq!(told, 112.5);
    }
}

#[test]
fn two_writers_wait_for_each_other() {
    let (_folder, path) = folder();
    drop(Log::open(&path).expect("room"));
    std::thread::scope(|threads| {
        for writer in 0..2_u8 {
            let path = &path;
            threads.spawn(move || {
                let mut log = Log::open(path).expect("there");
                for take in 0..40_u8 {
                    // Half of the takes are the same sound for both.
                    let sound = if take % 2 == 0 { take } else { 100 * (writer + 1) + take };
                    log.keep(&entry("Vesna", sound, MONDAY_S + 9_000 * i64::from(sound))).expect("waited for");
                }
            });
        }
    });
    let log = Log::open(&path).expect("there");
    assert_eq!(all(&log, "Vesna").len(), 20 + 20 + 20);
    log.check().expect("whole");
}

#[test]
fn a_log_that_somebody_holds_is_told_and_does_not_hang() {
    let (_folder, path) = folder();
    let mut log = Log::open(&path).expect("room");
    let holder = Connection::open(&path).expect("there");
    holder.execute_batch("BEGIN EXCLUSIVE").expect("alone");
    log.connection.busy_timeout(Duration::from_millis(20)).expect("a setting");
    assert!(matches!(log.keep(&entry("Vesna", 1, MONDAY_S)), Err(LogError::Locked(_))));
    holder.execute_batch("COMMIT").expect("held");
    log.keep(&entry("Vesna", 1, MONDAY_S)).expect("free again");
}

#[test]
fn years_are_read_at_two_places_at_once_and_come_in_their_order() {
    let (_folder, path) = folder();
    let mut log = Log::open(&path).expect("room");
    for day in 0..301_i64 {
        let mut entry = entry("Vesna", 0, MONDAY_S + 86_400 * day);
        entry.sound.fingerprint[..8].copy_from_slice(&day.to_le_bytes());
        entry.entrances.truncate(1 + day as usize % 5);
        assert_eq!(log.keep(&entry).expect("room"), Kept::New);
    }
    let player = log.player(None).expect("the only one");
    let played = log.played(player, &Span::default()).expect("readable");
    assert_eq!(
        played.iter().map(|p| p.take.clone()).collect::<Vec<_>>(),
        log.takes(player, &Span::default()).expect("readable")
    );
    let num: Vec<usize> = played.iter().map(Played::num_notes).collect();
    assert_eq!(num, (0..301).map(|day| 1 + day % 5).collect::<Vec<_>>());
}

#[test]
fn a_name_is_asked_for_where_there_are_several() {
    let (_folder, path) = folder();
    let mut log = Log::open(&path).expect("room");
    assert!(log.player(None).is_err());
    log.keep(&entry("Vesna", 1, MONDAY_S)).expect("room");
    assert!(log.player(None).is_ok());
    log.keep(&entry("Ilo", 2, MONDAY_S)).expect("room");
    assert!(log.player(None).expect_err("two").to_string().contains("Ilo, Vesna"));
    assert!(matches!(log.keep(&entry("  ", 3, MONDAY_S)), Err(LogError::BadName)));
}

#[test]
fn written_positions_stay_where_a_take_comes_again_without_them() {
    let (_folder, path) = folder();
    let mut log = Log::open(&path).expect("room");
    let mut first = entry("Vesna", 1, MONDAY_S);
    first.entrances[1].position = crate::sheet::Position::read("T2");
    first.entrances[3].position = crate::sheet::Position::read("6");
    log.keep(&first).expect("room");
    let told = |log: &Log| -> Vec<Option<String>> {
        all(log, "vesna")[0].1.iter().map(|logged| logged.position.map(|p| p.to_string())).collect()
    };
    let given = [None, Some("T2".to_owned()), None, Some("6".to_owned()), None];
    assert_eq!(told(&log), given);
    assert_eq!(log.keep(&entry("Vesna", 1, MONDAY_S)).expect("room"), Kept::Again);
    assert_eq!(told(&log), given);
    // Read along with other notes, those count.
    let mut other = entry("Vesna", 1, MONDAY_S);
    other.entrances[0].position = crate::sheet::Position::read("1");
    log.keep(&other).expect("room");
    assert_eq!(told(&log), [Some("1".to_owned()), None, None, None, None]);
    // Out and in again.
    let mut lines = Vec::new();
    export(&log, None, &mut lines).expect("room");
    let mut copy = Log::open(&path.with_extension("copy")).expect("room");
    import(&mut copy, &mut lines.as_slice()).expect("our own lines");
    assert_eq!(told(&copy), told(&log));
}

#[test]
fn the_insert_s_keep_waits_for_another_writer_no_longer_than_it_says() {
    let (_folder, path) = folder();
    keep_in(&path, &entry("Vesna", 1, MONDAY_S), PATIENCE, &|| true).expect("room");
    let held = Connection::open(&path).expect("a log");
    held.execute_batch("BEGIN IMMEDIATE").expect("alone");
    let (patience, begun) = (Duration::from_millis(40), std::time::Instant::now());
    let why = keep_in(&path, &entry("Vesna", 2, MONDAY_S), patience, &|| true).expect_err("it is held");
    // The rest is for a machine that does other things too.
    assert!(begun.elapsed() < Duration::from_millis(400), "{:?}", begun.elapsed());
    assert!(matches!(why, LogError::Locked(_)), "{why}");
    held.execute_batch("ROLLBACK").expect("held");
    assert_eq!(keep_in(&path, &entry("Vesna", 2, MONDAY_S), patience, &|| true).expect("free again"), Kept::New);
}
