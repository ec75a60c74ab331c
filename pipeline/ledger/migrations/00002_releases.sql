-- What leaves: the coach's word for it, the letters, and what was forgotten.
-- Only what SQLite and PostgreSQL understand alike; instants RFC 3339 in UTC,
-- '' where there is none yet.

-- +goose Up
-- The first name as it stood when the lesson was made: a code may be given to
-- another child later.
ALTER TABLE lessons ADD COLUMN name TEXT NOT NULL DEFAULT '';
-- Who the family was when it was made: hashes of the guardians' addresses, a
-- space between them; '' where that was not known.
ALTER TABLE lessons ADD COLUMN family TEXT NOT NULL DEFAULT '';
UPDATE lessons SET name = (SELECT players.name FROM players WHERE players.id = lessons.player);

-- Not tied to lessons: one that is recorded again is deleted and put in anew.
CREATE TABLE releases (
    id       TEXT NOT NULL PRIMARY KEY, -- 32 random hex digits, in the Message-ID
    lesson   TEXT NOT NULL,
    player   TEXT NOT NULL,
    name     TEXT NOT NULL, -- first name in what leaves
    family   TEXT NOT NULL, -- when it was released, as in lessons
    note     TEXT NOT NULL, -- the coach's words to this family
    content  TEXT NOT NULL, -- hash of what was released
    word     TEXT NOT NULL CHECK (word IN ('coach', 'auto')), -- whose it was
    at       TEXT NOT NULL,
    state    TEXT NOT NULL CHECK (state IN ('released', 'sent', 'refused', 'unsure', 'stopped')),
    reason   TEXT NOT NULL DEFAULT '', -- a code
    detail   TEXT NOT NULL DEFAULT '',
    changed  TEXT NOT NULL,
    tried    TEXT NOT NULL DEFAULT '', -- first, or first since it was opened again
    fence    BIGINT NOT NULL DEFAULT 0 -- grows with every claim
);
CREATE INDEX releases_lesson ON releases (lesson);
CREATE INDEX releases_player ON releases (player);

-- A letter's row stands before anything is sent and says afterwards what came
-- of it. Phase going: the message may have left; answered: the server spoke.
CREATE TABLE letters (
    release_id TEXT NOT NULL REFERENCES releases (id) ON DELETE CASCADE,
    address    TEXT NOT NULL,
    state      TEXT NOT NULL CHECK (state IN ('open', 'taken', 'refused', 'unsure')),
    phase      TEXT NOT NULL CHECK (phase IN ('', 'begun', 'going', 'answered')),
    message_id TEXT NOT NULL DEFAULT '',
    hash       TEXT NOT NULL DEFAULT '', -- of the message's bytes
    size       BIGINT NOT NULL DEFAULT 0,
    begun      TEXT NOT NULL DEFAULT '',
    gone       TEXT NOT NULL DEFAULT '',
    ended      TEXT NOT NULL DEFAULT '',
    code       INTEGER NOT NULL DEFAULT 0,
    answer     TEXT NOT NULL DEFAULT '',
    tries      INTEGER NOT NULL DEFAULT 0,
    next_try   TEXT NOT NULL DEFAULT '',
    PRIMARY KEY (release_id, address)
);

-- How many addresses were written to when, for the limit of an hour.
CREATE TABLE handed (
    at        TEXT NOT NULL,
    addresses INTEGER NOT NULL
);

CREATE TABLE holds (
    lesson TEXT NOT NULL PRIMARY KEY,
    at     TEXT NOT NULL
);

-- That something was forgotten, and how much: nothing of whom.
CREATE TABLE tombstones (
    day     TEXT NOT NULL,
    why     TEXT NOT NULL CHECK (why IN ('forgotten', 'kept_long')),
    lessons INTEGER NOT NULL,
    letters INTEGER NOT NULL,
    clips   INTEGER NOT NULL
);

-- +goose Down
-- It fails, and all stays, where that would be forgotten: letters would go twice.
CREATE TABLE refused (n BIGINT NOT NULL CHECK (n = 0));
INSERT INTO refused SELECT (SELECT count(*) FROM releases) + (SELECT count(*) FROM holds) + (SELECT count(*) FROM handed);
DROP TABLE refused;
DROP TABLE tombstones;
DROP TABLE holds;
DROP TABLE handed;
DROP TABLE letters;
DROP TABLE releases;
ALTER TABLE lessons DROP COLUMN family;
ALTER TABLE lessons DROP COLUMN name;
