-- A take as the first form of the log kept it: two entrances, one with a fault, one too short to settle.
INSERT INTO player (id, name, note) VALUES (1, 'Vesna', 'left-handed');
INSERT INTO session (id, player, begun_s, ended_s, note) VALUES (1, 1, 1772474400, 1772474466, 'stairwell');
INSERT INTO take (id, session, fingerprint, name, begun_s, utc_offset_min, duration_s, sample_rate_hz, settings, warnings,
    floor_db, floor_tilt_db, tone_tilt_db, loud_db, program, note) VALUES (1, 1,
    x'0101010101010101010101010101010101010101010101010101010101010101', 'old.wav', 1772474400, 60, 65.5, 48000,
    '{"a4_hz":440.0,"strictness":0.5,"instrument":"f-attachment","source":"horn","grid":null}', '[]', -60, -3, -8, -14.2,
    '0.1.0', 'first take');
INSERT INTO tag (take, word) VALUES (1, 'warm-up');
INSERT INTO untold (id, reasons) VALUES (1, '{"noise_before_tone_db":"no-air","timing_ms":"no-grid"}'),
    (2, '{"noise_before_tone_db":"no-air","settle_ms":"too-short","timing_ms":"no-grid"}');
INSERT INTO entrance (take, place, sound_start_s_e6, onset_s_e6, speaks_s_e6, end_s_e6, articulation, level_db_e2,
    settled_hz_e4, settled_hz_pm_e4, tuning_cents_e2, tuning_cents_pm_e2, approach_cents_e2, approach_cents_pm_e2,
    settle_ms_e2, settle_ms_pm_e2, untold, clarity_e2, faults) VALUES
    (1, 0, 1008500, 1008500, 1011500, 1790000, 0, -1420, 1163400, 1000, -290, 100, -4100, 300, 11250, 600, 1, 5800,
        '{"below":[0.42,0.97]}'),
    (1, 1, 2008500, 2008500, 2011500, 2090000, 0, -1420, 1163400, 1000, -290, 100, -200, 300, NULL, NULL, 2, 9700, NULL);
