-- The position that the written notes gave for an entrance: 1 to 7, 8 more with the attachment; none where they gave none.
ALTER TABLE entrance ADD COLUMN position INTEGER;
