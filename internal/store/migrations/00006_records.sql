-- Application records; each row is the newest state of one with all its versions.

-- +goose Up
CREATE TABLE records (
	id TEXT PRIMARY KEY, estate_id TEXT NOT NULL REFERENCES estates (id), parent_id TEXT NOT NULL REFERENCES blocks (id), sort TEXT NOT NULL, version INTEGER NOT NULL CHECK (version > 0), seq INTEGER NOT NULL,
	at TEXT NOT NULL, by_id TEXT NOT NULL, act TEXT NOT NULL, retired_at TEXT, body TEXT NOT NULL
);
CREATE INDEX records_block ON records (parent_id, sort, id);
CREATE INDEX records_estate ON records (estate_id, sort, id);

-- +goose Down
DROP TABLE records;
