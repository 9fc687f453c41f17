-- What search and the pages of large blocks read, in narrow columns. The tables
-- are filled anew from the events when the program first opens the folder
-- (projectionForm), so that the new columns need no values here.

-- +goose Up
-- How the rows that follow from events were made; see projectionForm.
CREATE TABLE projection (form INTEGER NOT NULL);

ALTER TABLE trees ADD COLUMN tag_key TEXT NOT NULL DEFAULT '';     -- tag and species as search compares them
ALTER TABLE trees ADD COLUMN species_key TEXT NOT NULL DEFAULT '';
ALTER TABLE trees ADD COLUMN stems INTEGER NOT NULL DEFAULT 0;     -- stems with a reading
DROP INDEX trees_order;
DROP INDEX trees_tag;
-- All that lists, counts, maps and samples ask of a block stands in the index.
CREATE INDEX trees_order ON trees (parent_id, sort, id, retired_at, tag, tag_key, species_key, status, diameter_cm, stems, x_m, y_m, lat, lon);
CREATE INDEX trees_tag ON trees (estate_id, tag_key, id);
CREATE INDEX trees_species ON trees (estate_id, species_key, id);

-- The names of estates, blocks, cards and plans from each of their words on.
CREATE TABLE names (
	type TEXT NOT NULL, key TEXT NOT NULL CHECK (key <> ''), entity_id TEXT NOT NULL,
	estate_id TEXT NOT NULL, parent_id TEXT NOT NULL, text TEXT NOT NULL,
	PRIMARY KEY (type, key, entity_id)
);
CREATE INDEX names_entity ON names (entity_id);

-- +goose Down
DROP TABLE names;
DROP INDEX trees_species;
DROP INDEX trees_tag;
DROP INDEX trees_order;
CREATE INDEX trees_tag ON trees (tag, id);
CREATE INDEX trees_order ON trees (parent_id, sort, id);
ALTER TABLE trees DROP COLUMN stems;
ALTER TABLE trees DROP COLUMN species_key;
ALTER TABLE trees DROP COLUMN tag_key;
DROP TABLE projection;
