-- Programs: the tokens that people make for them. The secrets, and the answers to
-- requests that name a key, are no facts: no event speaks of them, check does not
-- rebuild them, and a backup leaves them out.

-- +goose Up
CREATE TABLE tokens (
	id TEXT PRIMARY KEY, estate_id TEXT REFERENCES estates (id), parent_id TEXT REFERENCES people (id), sort TEXT NOT NULL, version INTEGER NOT NULL CHECK (version > 0), seq INTEGER NOT NULL,
	at TEXT NOT NULL, by_id TEXT NOT NULL, act TEXT NOT NULL, retired_at TEXT, body TEXT NOT NULL
);
CREATE INDEX tokens_person ON tokens (parent_id, sort, id);
CREATE TABLE token_secrets (
	token_id TEXT PRIMARY KEY,
	hash TEXT NOT NULL CHECK (length(hash) = 64) -- SHA-256 of the secret part
);
CREATE TABLE answers (
	key TEXT PRIMARY KEY CHECK (length(key) = 64), -- SHA-256 of who asked and the key
	request TEXT NOT NULL CHECK (length(request) = 64), -- SHA-256 of what was asked
	holder TEXT NOT NULL, -- who works on it; a try that was taken over commits nothing
	until TEXT NOT NULL CHECK (length(until) = 24), -- to when the holder has it
	expires_at TEXT NOT NULL CHECK (length(expires_at) = 24),
	act TEXT NOT NULL, -- of what was kept, in the same transaction; empty: nothing yet
	answer TEXT NOT NULL -- as it was given; empty: not yet
);
CREATE INDEX answers_expiry ON answers (expires_at);

-- +goose Down
DROP TABLE answers;
DROP TABLE token_secrets;
DROP TABLE tokens;
