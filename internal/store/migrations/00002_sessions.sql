-- Who is signed in. These are no facts: no event speaks of them, check does not
-- rebuild them, and a backup leaves them out.

-- +goose Up
CREATE TABLE sessions (
	hash TEXT PRIMARY KEY CHECK (length(hash) = 64), -- SHA-256 of the browser's token
	person_id TEXT NOT NULL CHECK (person_id <> ''),
	created_at TEXT NOT NULL CHECK (length(created_at) = 24),
	seen_at TEXT NOT NULL CHECK (length(seen_at) = 24),
	expires_at TEXT NOT NULL CHECK (length(expires_at) = 24),
	data TEXT NOT NULL
);
CREATE INDEX sessions_person ON sessions (person_id);
CREATE INDEX sessions_expiry ON sessions (expires_at);

-- +goose Down
DROP TABLE sessions;
