-- Addresses at which a calendar program finds an estate's due dates; the secret
-- part is kept as a hash.

-- +goose Up
CREATE TABLE feeds (
	id TEXT PRIMARY KEY, estate_id TEXT NOT NULL REFERENCES estates (id), parent_id TEXT NOT NULL REFERENCES estates (id), sort TEXT NOT NULL, version INTEGER NOT NULL CHECK (version > 0), seq INTEGER NOT NULL,
	at TEXT NOT NULL, by_id TEXT NOT NULL, act TEXT NOT NULL, retired_at TEXT, body TEXT NOT NULL
);
CREATE INDEX feeds_estate ON feeds (parent_id, sort, id);

-- +goose Down
DROP TABLE feeds;
