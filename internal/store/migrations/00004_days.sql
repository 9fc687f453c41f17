-- Days at the trees: the day, the phones that joined it, and what was noted.

-- +goose Up
CREATE TABLE days (
	id TEXT PRIMARY KEY, estate_id TEXT NOT NULL REFERENCES estates (id), parent_id TEXT NOT NULL REFERENCES plans (id), sort TEXT NOT NULL, version INTEGER NOT NULL CHECK (version > 0), seq INTEGER NOT NULL,
	at TEXT NOT NULL, by_id TEXT NOT NULL, act TEXT NOT NULL, retired_at TEXT, body TEXT NOT NULL
);
CREATE INDEX days_plan ON days (parent_id, sort, id);
CREATE TABLE phones (
	id TEXT PRIMARY KEY, estate_id TEXT NOT NULL REFERENCES estates (id), parent_id TEXT NOT NULL REFERENCES days (id), sort TEXT NOT NULL, version INTEGER NOT NULL CHECK (version > 0), seq INTEGER NOT NULL,
	at TEXT NOT NULL, by_id TEXT NOT NULL, act TEXT NOT NULL, retired_at TEXT, body TEXT NOT NULL
);
CREATE INDEX phones_day ON phones (parent_id, sort, id);
CREATE TABLE notes (
	id TEXT PRIMARY KEY, estate_id TEXT NOT NULL REFERENCES estates (id), parent_id TEXT NOT NULL REFERENCES days (id), sort TEXT NOT NULL, version INTEGER NOT NULL CHECK (version > 0), seq INTEGER NOT NULL,
	at TEXT NOT NULL, by_id TEXT NOT NULL, act TEXT NOT NULL, retired_at TEXT, body TEXT NOT NULL
);
CREATE INDEX notes_day ON notes (parent_id, sort, id);

-- +goose Down
DROP TABLE notes;
DROP TABLE phones;
DROP TABLE days;
