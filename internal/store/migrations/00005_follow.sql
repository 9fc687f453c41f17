-- Follow-up of a block: how it is followed, what was seen on each visit, and what
-- the laboratory measured.

-- +goose Up
CREATE TABLE follows (
	id TEXT PRIMARY KEY, estate_id TEXT NOT NULL REFERENCES estates (id), parent_id TEXT NOT NULL REFERENCES blocks (id), sort TEXT NOT NULL, version INTEGER NOT NULL CHECK (version > 0), seq INTEGER NOT NULL,
	at TEXT NOT NULL, by_id TEXT NOT NULL, act TEXT NOT NULL, retired_at TEXT, body TEXT NOT NULL
);
CREATE INDEX follows_block ON follows (parent_id, sort, id);
CREATE TABLE visits (
	id TEXT PRIMARY KEY, estate_id TEXT NOT NULL REFERENCES estates (id), parent_id TEXT NOT NULL REFERENCES blocks (id), sort TEXT NOT NULL, version INTEGER NOT NULL CHECK (version > 0), seq INTEGER NOT NULL,
	at TEXT NOT NULL, by_id TEXT NOT NULL, act TEXT NOT NULL, retired_at TEXT, body TEXT NOT NULL
);
CREATE INDEX visits_block ON visits (parent_id, sort, id);
CREATE TABLE assays (
	id TEXT PRIMARY KEY, estate_id TEXT NOT NULL REFERENCES estates (id), parent_id TEXT NOT NULL REFERENCES blocks (id), sort TEXT NOT NULL, version INTEGER NOT NULL CHECK (version > 0), seq INTEGER NOT NULL,
	at TEXT NOT NULL, by_id TEXT NOT NULL, act TEXT NOT NULL, retired_at TEXT, body TEXT NOT NULL
);
CREATE INDEX assays_block ON assays (parent_id, sort, id);

-- +goose Down
DROP TABLE assays;
DROP TABLE visits;
DROP TABLE follows;
