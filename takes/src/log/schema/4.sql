-- The tone of the body of an entrance: harmonics over noise, how far pitch and level wander, brightness.
ALTER TABLE entrance ADD COLUMN hnr_db_e2 INTEGER;
ALTER TABLE entrance ADD COLUMN pitch_wander_cents_e2 INTEGER;
ALTER TABLE entrance ADD COLUMN level_wander_db_e2 INTEGER;
ALTER TABLE entrance ADD COLUMN brightness_hz_e1 INTEGER;
