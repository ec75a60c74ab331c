-- Only what SQLite and PostgreSQL understand alike. Instants are RFC 3339 in
-- UTC, days 2006-01-02; names of files are quoted ASCII, whatever bytes they
-- hold.

-- +goose Up
CREATE TABLE clips (
    hash     TEXT NOT NULL PRIMARY KEY, -- SHA-256 of the bytes, hex
    player   TEXT NOT NULL DEFAULT '',
    how      TEXT NOT NULL DEFAULT '', -- how the player is known
    day      TEXT NOT NULL,
    dated    INTEGER NOT NULL CHECK (dated IN (0, 1)),
    state    TEXT NOT NULL CHECK (state IN ('waiting', 'running', 'publishing', 'done', 'failed', 'unplaced', 'held')),
    fence    BIGINT NOT NULL DEFAULT 0, -- grows with every claim
    tries    INTEGER NOT NULL DEFAULT 0,
    lies     TEXT NOT NULL, -- folder in which the original lies now
    stem     TEXT NOT NULL, -- its name there without the ending
    ext      TEXT NOT NULL,
    sidecar  INTEGER NOT NULL CHECK (sidecar IN (0, 1)),
    voice    TEXT NOT NULL DEFAULT '', -- ending of the voice note
    came     TEXT NOT NULL, -- path it was dropped at
    size     BIGINT NOT NULL,
    modified BIGINT NOT NULL, -- nanoseconds since 1970
    staging  TEXT NOT NULL DEFAULT '', -- where the lesson is made
    final    TEXT NOT NULL DEFAULT '', -- where it appears
    copies   INTEGER NOT NULL DEFAULT 0, -- of the same bytes that came later
    reason   TEXT NOT NULL DEFAULT '', -- a code
    detail   TEXT NOT NULL DEFAULT '',
    step     TEXT NOT NULL DEFAULT '',
    part     INTEGER NOT NULL DEFAULT 0,
    whole    INTEGER NOT NULL DEFAULT 0,
    added    TEXT NOT NULL,
    changed  TEXT NOT NULL
);
CREATE INDEX clips_state ON clips (state, added);

-- A night's run is begun once, whatever the clock does.
CREATE TABLE nights (
    night TEXT NOT NULL PRIMARY KEY,
    began TEXT NOT NULL
);

-- +goose Down
-- It fails, and all stays, where there are clips: each would be read once more.
CREATE TABLE refused (n BIGINT NOT NULL CHECK (n = 0));
INSERT INTO refused SELECT count(*) FROM clips;
DROP TABLE refused;
DROP TABLE nights;
DROP TABLE clips;
