-- One set of files serves SQLite and PostgreSQL: text identifiers made by the
-- program, no auto-increment, no type that only one of them has. SQLite does not
-- enforce the declared types, so CHECKs say what matters.

-- +goose Up

-- Every fact, in order, with its hash chain: the audit log and the history.
CREATE TABLE events (
	seq       INTEGER PRIMARY KEY CHECK (seq > 0),
	id        TEXT NOT NULL CHECK (length(id) = 36),
	act       TEXT NOT NULL CHECK (length(act) = 36),
	at        TEXT NOT NULL CHECK (length(at) = 24),
	clock_at  TEXT NOT NULL DEFAULT '' CHECK (length(clock_at) IN (0, 24)),
	by_id     TEXT NOT NULL CHECK (by_id <> ''),
	type      TEXT NOT NULL,
	verb      TEXT NOT NULL CHECK (verb <> ''),
	estate_id TEXT NOT NULL DEFAULT '',
	entity_id TEXT NOT NULL CHECK (entity_id <> ''),
	parent_id TEXT NOT NULL DEFAULT '',
	sort      TEXT NOT NULL DEFAULT '',
	version   INTEGER NOT NULL CHECK (version > 0),
	reason    TEXT NOT NULL DEFAULT '',
	body      TEXT NOT NULL,
	prev      TEXT NOT NULL,
	hash      TEXT NOT NULL CHECK (length(hash) = 64),
	UNIQUE (entity_id, version)
);
CREATE INDEX events_parent ON events (parent_id, seq);
CREATE INDEX events_estate ON events (estate_id, seq);
CREATE INDEX events_act ON events (act, seq);

-- The tables below follow from the events and can be rebuilt from them. Each
-- holds the present state of one type of thing; parent_id is what it belongs to.
CREATE TABLE people (
	id TEXT PRIMARY KEY, estate_id TEXT, parent_id TEXT, sort TEXT NOT NULL, version INTEGER NOT NULL CHECK (version > 0), seq INTEGER NOT NULL,
	at TEXT NOT NULL, by_id TEXT NOT NULL, act TEXT NOT NULL, retired_at TEXT, body TEXT NOT NULL
);
CREATE TABLE settings (
	id TEXT PRIMARY KEY, estate_id TEXT, parent_id TEXT, sort TEXT NOT NULL, version INTEGER NOT NULL CHECK (version > 0), seq INTEGER NOT NULL,
	at TEXT NOT NULL, by_id TEXT NOT NULL, act TEXT NOT NULL, retired_at TEXT, body TEXT NOT NULL
);
CREATE TABLE estates (
	id TEXT PRIMARY KEY, estate_id TEXT REFERENCES estates (id), parent_id TEXT, sort TEXT NOT NULL, version INTEGER NOT NULL CHECK (version > 0), seq INTEGER NOT NULL,
	at TEXT NOT NULL, by_id TEXT NOT NULL, act TEXT NOT NULL, retired_at TEXT, body TEXT NOT NULL
);
CREATE TABLE memberships (
	id TEXT PRIMARY KEY, estate_id TEXT REFERENCES estates (id), parent_id TEXT NOT NULL REFERENCES people (id), sort TEXT NOT NULL, version INTEGER NOT NULL CHECK (version > 0), seq INTEGER NOT NULL,
	at TEXT NOT NULL, by_id TEXT NOT NULL, act TEXT NOT NULL, retired_at TEXT, body TEXT NOT NULL
);
CREATE TABLE blocks (
	id TEXT PRIMARY KEY, estate_id TEXT NOT NULL REFERENCES estates (id), parent_id TEXT NOT NULL REFERENCES estates (id), sort TEXT NOT NULL, version INTEGER NOT NULL CHECK (version > 0), seq INTEGER NOT NULL,
	at TEXT NOT NULL, by_id TEXT NOT NULL, act TEXT NOT NULL, retired_at TEXT, body TEXT NOT NULL
);
CREATE TABLE trees (
	id TEXT PRIMARY KEY, estate_id TEXT NOT NULL REFERENCES estates (id), parent_id TEXT NOT NULL REFERENCES blocks (id), sort TEXT NOT NULL, version INTEGER NOT NULL CHECK (version > 0), seq INTEGER NOT NULL,
	at TEXT NOT NULL, by_id TEXT NOT NULL, act TEXT NOT NULL, retired_at TEXT, body TEXT NOT NULL,
	tag TEXT NOT NULL CHECK (tag <> ''), species TEXT NOT NULL, status TEXT NOT NULL CHECK (status IN ('', 'healthy', 'suspect', 'symptomatic', 'dead')),
	diameter_cm DOUBLE PRECISION NOT NULL CHECK (diameter_cm >= 0), -- of the thickest stem, for display and filters; 0 not measured
	x_m DOUBLE PRECISION, y_m DOUBLE PRECISION, lat DOUBLE PRECISION, lon DOUBLE PRECISION
);
CREATE UNIQUE INDEX trees_once ON trees (parent_id, tag) WHERE retired_at IS NULL;
CREATE INDEX trees_order ON trees (parent_id, sort, id);
CREATE INDEX trees_mark ON trees (parent_id, seq);
CREATE INDEX trees_tag ON trees (tag, id);
CREATE TABLE wounds (
	id TEXT PRIMARY KEY, estate_id TEXT NOT NULL REFERENCES estates (id), parent_id TEXT NOT NULL REFERENCES trees (id), sort TEXT NOT NULL, version INTEGER NOT NULL CHECK (version > 0), seq INTEGER NOT NULL,
	at TEXT NOT NULL, by_id TEXT NOT NULL, act TEXT NOT NULL, retired_at TEXT, body TEXT NOT NULL,
	block_id TEXT NOT NULL REFERENCES blocks (id), closed BOOLEAN NOT NULL
);
CREATE INDEX wounds_tree ON wounds (parent_id, sort, id);
CREATE INDEX wounds_block ON wounds (block_id, seq);
-- Tape readings as they were taken; a new reading of a stem is a new row.
CREATE TABLE readings (
	id TEXT PRIMARY KEY, tree_id TEXT NOT NULL REFERENCES trees (id), seq INTEGER NOT NULL, event_id TEXT NOT NULL, stem TEXT NOT NULL, on_day TEXT NOT NULL,
	by_id TEXT NOT NULL, taker TEXT NOT NULL, instrument TEXT NOT NULL, diameter_cm DOUBLE PRECISION NOT NULL CHECK (diameter_cm > 0),
	at_m TEXT NOT NULL, reason TEXT NOT NULL, entered_at TEXT NOT NULL
);
CREATE INDEX readings_tree ON readings (tree_id, seq);
CREATE TABLE cards (
	id TEXT PRIMARY KEY, estate_id TEXT, parent_id TEXT, sort TEXT NOT NULL, version INTEGER NOT NULL CHECK (version > 0), seq INTEGER NOT NULL,
	at TEXT NOT NULL, by_id TEXT NOT NULL, act TEXT NOT NULL, retired_at TEXT, body TEXT NOT NULL
);
CREATE TABLE card_checks (
	id TEXT PRIMARY KEY, estate_id TEXT, parent_id TEXT NOT NULL REFERENCES cards (id), sort TEXT NOT NULL, version INTEGER NOT NULL CHECK (version > 0), seq INTEGER NOT NULL,
	at TEXT NOT NULL, by_id TEXT NOT NULL, act TEXT NOT NULL, retired_at TEXT, body TEXT NOT NULL
);
CREATE INDEX card_checks_card ON card_checks (parent_id, sort, id);
CREATE TABLE drafts (
	id TEXT PRIMARY KEY, estate_id TEXT NOT NULL REFERENCES estates (id), parent_id TEXT NOT NULL REFERENCES blocks (id), sort TEXT NOT NULL, version INTEGER NOT NULL CHECK (version > 0), seq INTEGER NOT NULL,
	at TEXT NOT NULL, by_id TEXT NOT NULL, act TEXT NOT NULL, retired_at TEXT, body TEXT NOT NULL
);
CREATE INDEX drafts_block ON drafts (parent_id, sort, id);
CREATE TABLE plans (
	id TEXT PRIMARY KEY, estate_id TEXT NOT NULL REFERENCES estates (id), parent_id TEXT NOT NULL REFERENCES blocks (id), sort TEXT NOT NULL, version INTEGER NOT NULL CHECK (version > 0), seq INTEGER NOT NULL,
	at TEXT NOT NULL, by_id TEXT NOT NULL, act TEXT NOT NULL, retired_at TEXT, body TEXT NOT NULL
);
CREATE INDEX plans_block ON plans (parent_id, sort, id);
CREATE TABLE gates (
	id TEXT PRIMARY KEY, estate_id TEXT NOT NULL REFERENCES estates (id), parent_id TEXT NOT NULL REFERENCES plans (id), sort TEXT NOT NULL, version INTEGER NOT NULL CHECK (version > 0), seq INTEGER NOT NULL,
	at TEXT NOT NULL, by_id TEXT NOT NULL, act TEXT NOT NULL, retired_at TEXT, body TEXT NOT NULL
);
CREATE INDEX gates_plan ON gates (parent_id, sort, id);
CREATE TABLE applications (
	id TEXT PRIMARY KEY, estate_id TEXT NOT NULL REFERENCES estates (id), parent_id TEXT NOT NULL REFERENCES blocks (id), sort TEXT NOT NULL, version INTEGER NOT NULL CHECK (version > 0), seq INTEGER NOT NULL,
	at TEXT NOT NULL, by_id TEXT NOT NULL, act TEXT NOT NULL, retired_at TEXT, body TEXT NOT NULL
);
CREATE INDEX applications_block ON applications (parent_id, sort, id);
CREATE TABLE attachments (
	id TEXT PRIMARY KEY, estate_id TEXT REFERENCES estates (id), parent_id TEXT NOT NULL, sort TEXT NOT NULL, version INTEGER NOT NULL CHECK (version > 0), seq INTEGER NOT NULL,
	at TEXT NOT NULL, by_id TEXT NOT NULL, act TEXT NOT NULL, retired_at TEXT, body TEXT NOT NULL
);
CREATE INDEX attachments_of ON attachments (parent_id, sort, id);
CREATE INDEX memberships_person ON memberships (parent_id, sort, id);
CREATE INDEX blocks_estate ON blocks (parent_id, sort, id);

-- Files that facts speak of, kept beside the database under their SHA-256.
CREATE TABLE files (
	hash TEXT NOT NULL CHECK (length(hash) = 64), event_id TEXT NOT NULL, size INTEGER NOT NULL CHECK (size >= 0),
	PRIMARY KEY (hash, event_id)
);

-- +goose Down
DROP TABLE files;
DROP TABLE attachments;
DROP TABLE applications;
DROP TABLE gates;
DROP TABLE plans;
DROP TABLE drafts;
DROP TABLE card_checks;
DROP TABLE cards;
DROP TABLE readings;
DROP TABLE wounds;
DROP TABLE trees;
DROP TABLE blocks;
DROP TABLE memberships;
DROP TABLE estates;
DROP TABLE settings;
DROP TABLE people;
DROP TABLE events;
