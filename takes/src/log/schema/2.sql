-- The way from the note before, where an entrance grew out of it: figures of the evidence, as columns of their own.
ALTER TABLE entrance ADD COLUMN passage_ms REAL
    GENERATED ALWAYS AS (json_extract(evidence, '$.passage.length_ms.Ok.value')) VIRTUAL;
ALTER TABLE entrance ADD COLUMN dip_db REAL
    GENERATED ALWAYS AS (json_extract(evidence, '$.passage.dip_db')) VIRTUAL;
ALTER TABLE entrance ADD COLUMN between_ms REAL
    GENERATED ALWAYS AS (json_extract(evidence, '$.passage.between.duration_ms')) VIRTUAL;
