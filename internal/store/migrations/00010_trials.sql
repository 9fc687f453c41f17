-- Trials of a block, each with its layout as it was dealt, and what was measured
-- in them apart from the block's visits.

-- +goose Up
CREATE TABLE trials (
	id TEXT PRIMARY KEY, estate_id TEXT NOT NULL REFERENCES estates (id), parent_id TEXT NOT NULL REFERENCES blocks (id), sort TEXT NOT NULL, version INTEGER NOT NULL CHECK (version > 0), seq INTEGER NOT NULL,
	at TEXT NOT NULL, by_id TEXT NOT NULL, act TEXT NOT NULL, retired_at TEXT, body TEXT NOT NULL
);
CREATE INDEX trials_block ON trials (parent_id, sort, id);
CREATE INDEX trials_estate ON trials (estate_id, sort, id);
CREATE TABLE assessments (
	id TEXT PRIMARY KEY, estate_id TEXT NOT NULL REFERENCES estates (id), parent_id TEXT NOT NULL REFERENCES trials (id), sort TEXT NOT NULL, version INTEGER NOT NULL CHECK (version > 0), seq INTEGER NOT NULL,
	at TEXT NOT NULL, by_id TEXT NOT NULL, act TEXT NOT NULL, retired_at TEXT, body TEXT NOT NULL
);
CREATE INDEX assessments_trial ON assessments (parent_id, sort, id);

-- +goose Down
DROP TABLE assessments;
DROP TABLE trials;
