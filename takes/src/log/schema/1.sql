-- The first form of the practice log. Steps are never changed once they are in a release: the next one changes what is.
CREATE TABLE player (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE COLLATE NOCASE,
    note TEXT NOT NULL DEFAULT ''
) STRICT;

-- Takes with less than three quarters of an hour between them.
CREATE TABLE session (
    id INTEGER PRIMARY KEY,
    player INTEGER NOT NULL REFERENCES player (id) ON DELETE CASCADE,
    begun_s INTEGER NOT NULL, -- since 1970-01-01 UTC
    ended_s INTEGER NOT NULL,
    note TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE INDEX session_of_player ON session (player, begun_s);

CREATE TABLE take (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES session (id) ON DELETE CASCADE,
    fingerprint BLOB NOT NULL UNIQUE, -- SHA-256 of the sound that was judged
    name TEXT NOT NULL,               -- of the file or the pass
    begun_s INTEGER NOT NULL,
    utc_offset_min INTEGER NOT NULL,  -- the player's clock then, for days and weekdays
    duration_s REAL NOT NULL,
    sample_rate_hz REAL NOT NULL,
    settings TEXT NOT NULL,           -- JSON: all that shaped the numbers
    warnings TEXT NOT NULL,           -- JSON: sentences about the recording
    floor_db REAL,                    -- the quiet between the notes, dB re full scale
    floor_tilt_db REAL,               -- its fall, dB an octave
    tone_tilt_db REAL,                -- that of the playing
    loud_db REAL,                     -- level of the loud notes
    program TEXT NOT NULL,            -- the version that measured it
    note TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE INDEX take_of_session ON take (session, begun_s);

CREATE TABLE tag (
    take INTEGER NOT NULL REFERENCES take (id) ON DELETE CASCADE,
    word TEXT NOT NULL,
    PRIMARY KEY (take, word)
) STRICT, WITHOUT ROWID;

-- Why measures are not told; few kinds for very many entrances.
CREATE TABLE untold (
    id INTEGER PRIMARY KEY,
    reasons TEXT NOT NULL UNIQUE -- JSON: reason by measure
) STRICT;

CREATE TABLE entrance (
    take INTEGER NOT NULL REFERENCES take (id) ON DELETE CASCADE,
    place INTEGER NOT NULL,
    sound_start_s_e6 INTEGER NOT NULL,
    onset_s_e6 INTEGER NOT NULL,
    speaks_s_e6 INTEGER NOT NULL,
    end_s_e6 INTEGER,
    sound_start_pm_ms_e2 INTEGER,
    onset_pm_ms_e2 INTEGER,
    speaks_pm_ms_e2 INTEGER,
    articulation INTEGER NOT NULL,  -- 0 tongued, 1 legato, 2 slurred
    level_db_e2 INTEGER,
    settled_hz_e4 INTEGER,
    settled_hz_pm_e4 INTEGER,
    tuning_cents_e2 INTEGER,
    tuning_cents_pm_e2 INTEGER,
    noise_before_tone_ms_e2 INTEGER,
    noise_before_tone_ms_pm_e2 INTEGER,
    noise_before_tone_db_e2 INTEGER,
    noise_before_tone_db_pm_e2 INTEGER,
    approach_cents_e2 INTEGER,
    approach_cents_pm_e2 INTEGER,
    onset_cents_e2 INTEGER,
    onset_cents_pm_e2 INTEGER,
    speak_ms_e2 INTEGER,
    speak_ms_pm_e2 INTEGER,
    settle_ms_e2 INTEGER,
    settle_ms_pm_e2 INTEGER,
    attack_ms_e2 INTEGER,
    attack_ms_pm_e2 INTEGER,
    log_attack_time_e4 INTEGER,
    log_attack_time_pm_e4 INTEGER,
    growth_db_per_s_e2 INTEGER,
    growth_db_per_s_pm_e2 INTEGER,
    overshoot_db_e2 INTEGER,
    overshoot_db_pm_e2 INTEGER,
    timing_ms_e2 INTEGER,
    timing_ms_pm_e2 INTEGER,
    untold INTEGER REFERENCES untold (id),
    evidence TEXT,                  -- JSON, where there is any
    clarity_e2 INTEGER NOT NULL,
    faults TEXT,                    -- JSON: [severity, sureness] by fault, where there are any
    corrected TEXT,                 -- JSON: the player's own verdict, where they gave one
    PRIMARY KEY (take, place)
) STRICT, WITHOUT ROWID;

-- What patterns ask of a take, packed: derived from the entrances, and made anew when it is missing or older.
CREATE TABLE digest (
    take INTEGER PRIMARY KEY REFERENCES take (id) ON DELETE CASCADE,
    version INTEGER NOT NULL,
    notes BLOB NOT NULL
) STRICT;
