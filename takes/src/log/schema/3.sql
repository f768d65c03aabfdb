-- What was heard of an inhalation before an entrance (heard, unheard, masked; none without time for one): figures of the
-- evidence, as columns of their own.
ALTER TABLE entrance ADD COLUMN breath TEXT
    GENERATED ALWAYS AS (iif(json_type(evidence, '$.breath') = 'object', 'heard', json_extract(evidence, '$.breath'))) VIRTUAL;
ALTER TABLE entrance ADD COLUMN breath_to_sound_ms REAL
    GENERATED ALWAYS AS (json_extract(evidence, '$.breath.heard.before_ms')) VIRTUAL;
ALTER TABLE entrance ADD COLUMN inhaled_ms REAL
    GENERATED ALWAYS AS (json_extract(evidence, '$.breath.heard.length_ms')) VIRTUAL;
