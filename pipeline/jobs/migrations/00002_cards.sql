-- Number cards that were shown: they say whose the clips are that were filmed
-- into the same folder after them.

-- +goose Up
CREATE TABLE cards (
    clip     TEXT NOT NULL PRIMARY KEY, -- hash of the clip that shows it
    folder   TEXT NOT NULL, -- in which that clip was dropped
    name     TEXT NOT NULL, -- of its file there
    recorded BIGINT NOT NULL, -- nanoseconds since 1970 by the file itself; 0: it doesn't say
    came     BIGINT NOT NULL, -- nanoseconds since 1970
    player   TEXT NOT NULL -- empty: which of several is not known
);
CREATE INDEX cards_folder ON cards (folder);

-- +goose Down
DROP TABLE cards;
