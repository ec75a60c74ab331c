-- Only what SQLite and PostgreSQL understand alike. Days are 2006-01-02,
-- instants RFC 3339 in UTC; an event that does not apply is ''.

-- +goose Up
CREATE TABLE players (
    id    TEXT NOT NULL PRIMARY KEY,
    name  TEXT NOT NULL DEFAULT '',
    bats  TEXT NOT NULL DEFAULT '',
    level TEXT NOT NULL DEFAULT '',
    sport TEXT NOT NULL DEFAULT ''
);

CREATE TABLE heights (
    player TEXT NOT NULL REFERENCES players (id) ON DELETE CASCADE,
    day    TEXT NOT NULL,
    cm     DOUBLE PRECISION NOT NULL,
    PRIMARY KEY (player, day)
);

-- A lesson is known by its clip: the SHA-256 of the clip's bytes.
CREATE TABLE lessons (
    id            TEXT NOT NULL PRIMARY KEY,
    player        TEXT NOT NULL REFERENCES players (id) ON DELETE CASCADE,
    day           TEXT NOT NULL,
    day_assumed   INTEGER NOT NULL CHECK (day_assumed IN (0, 1)),
    view          TEXT NOT NULL,
    bats          TEXT NOT NULL,
    height_cm     DOUBLE PRECISION,
    folder        TEXT NOT NULL,
    report_schema INTEGER NOT NULL,
    created       TEXT NOT NULL,
    updated       TEXT NOT NULL
);
CREATE INDEX lessons_player_day ON lessons (player, day);

CREATE TABLE swings (
    lesson TEXT NOT NULL REFERENCES lessons (id) ON DELETE CASCADE,
    swing  INTEGER NOT NULL,
    shown  INTEGER NOT NULL CHECK (shown IN (0, 1)),
    PRIMARY KEY (lesson, swing)
);

-- The phases of a swing, presentation seconds with their 95 % bounds. One that
-- did not happen or is untold has no t, and reason says why.
CREATE TABLE phases (
    lesson   TEXT NOT NULL,
    swing    INTEGER NOT NULL,
    position INTEGER NOT NULL,
    phase    TEXT NOT NULL,
    t        DOUBLE PRECISION,
    lo       DOUBLE PRECISION,
    hi       DOUBLE PRECISION,
    frame    INTEGER,
    reason   TEXT NOT NULL,
    PRIMARY KEY (lesson, swing, phase),
    FOREIGN KEY (lesson, swing) REFERENCES swings (lesson, swing) ON DELETE CASCADE
);

CREATE TABLE measures (
    lesson     TEXT NOT NULL,
    swing      INTEGER NOT NULL,
    position   INTEGER NOT NULL,
    key        TEXT NOT NULL,
    from_event TEXT NOT NULL,
    at_event   TEXT NOT NULL,
    unit       TEXT NOT NULL,
    value      DOUBLE PRECISION,
    lo         DOUBLE PRECISION,
    hi         DOUBLE PRECISION,
    warnings   TEXT NOT NULL, -- codes, a space between them
    PRIMARY KEY (lesson, swing, key, from_event, at_event),
    FOREIGN KEY (lesson, swing) REFERENCES swings (lesson, swing) ON DELETE CASCADE
);

CREATE TABLE findings (
    lesson   TEXT NOT NULL,
    swing    INTEGER NOT NULL,
    position INTEGER NOT NULL,
    rule     TEXT NOT NULL,
    kind     TEXT NOT NULL,
    evidence TEXT NOT NULL, -- a space between them
    words    TEXT NOT NULL, -- the coach's own, '' for a rule's
    PRIMARY KEY (lesson, swing, position),
    FOREIGN KEY (lesson, swing) REFERENCES swings (lesson, swing) ON DELETE CASCADE
);

-- What the measures were held against that day.
CREATE TABLE bands (
    lesson     TEXT NOT NULL REFERENCES lessons (id) ON DELETE CASCADE,
    position   INTEGER NOT NULL,
    rule       TEXT NOT NULL,
    key        TEXT NOT NULL,
    from_event TEXT NOT NULL,
    at_event   TEXT NOT NULL,
    unit       TEXT NOT NULL,
    least      DOUBLE PRECISION,
    most       DOUBLE PRECISION,
    origin     TEXT NOT NULL,
    setting    INTEGER NOT NULL CHECK (setting IN (0, 1)),
    own        INTEGER NOT NULL CHECK (own IN (0, 1)),
    PRIMARY KEY (lesson, position)
);

-- +goose Down
-- It fails, and all stays, where there are lessons.
CREATE TABLE refused (n BIGINT NOT NULL CHECK (n = 0));
INSERT INTO refused SELECT count(*) FROM lessons;
DROP TABLE refused;
DROP TABLE bands;
DROP TABLE findings;
DROP TABLE phases;
DROP TABLE measures;
DROP TABLE swings;
DROP TABLE lessons;
DROP TABLE heights;
DROP TABLE players;
