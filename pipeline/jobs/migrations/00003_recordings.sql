-- Recordings of a whole lesson, and the swings cut out of them: a cut is a clip
-- with the recording as its parent, and from_ms is where in it it begins. How
-- often the program itself broke down over a clip is counted.

-- +goose Up
ALTER TABLE clips ADD COLUMN kind TEXT NOT NULL DEFAULT 'clip'; -- or 'recording'
ALTER TABLE clips ADD COLUMN parent TEXT NOT NULL DEFAULT ''; -- hash of the recording
ALTER TABLE clips ADD COLUMN from_ms BIGINT NOT NULL DEFAULT 0;
ALTER TABLE clips ADD COLUMN length_ms BIGINT NOT NULL DEFAULT 0; -- of a recording or a cut
CREATE UNIQUE INDEX clips_cut ON clips (parent, from_ms) WHERE parent <> '';

CREATE TABLE deaths (
    clip    TEXT NOT NULL PRIMARY KEY, -- hash
    n       INTEGER NOT NULL, -- in a row
    looking INTEGER NOT NULL CHECK (looking IN (0, 1)) -- it is being looked at now
);

-- +goose Down
-- It fails, and all stays, where there are recordings: nothing would join them to
-- their cuts.
CREATE TABLE refused (n BIGINT NOT NULL CHECK (n = 0));
INSERT INTO refused SELECT count(*) FROM clips WHERE kind = 'recording' OR parent <> '';
DROP TABLE refused;
DROP TABLE deaths;
DROP INDEX clips_cut;
ALTER TABLE clips DROP COLUMN length_ms;
ALTER TABLE clips DROP COLUMN from_ms;
ALTER TABLE clips DROP COLUMN parent;
ALTER TABLE clips DROP COLUMN kind;
