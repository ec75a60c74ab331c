-- What a worker says of itself beside that it lives: what it is here for, which
-- process it is, what it has in hand and why it can't go on.

-- +goose Up
ALTER TABLE workers ADD COLUMN role TEXT NOT NULL DEFAULT 'reader'; -- office, reader or both
ALTER TABLE workers ADD COLUMN process BIGINT NOT NULL DEFAULT 0; -- its number on its machine
ALTER TABLE workers ADD COLUMN hand INTEGER NOT NULL DEFAULT 0; -- clips it was at when it beat last, or was taken for gone
ALTER TABLE workers ADD COLUMN trouble TEXT NOT NULL DEFAULT ''; -- why it can't go on, a code; empty: it can
ALTER TABLE workers ADD COLUMN since TEXT NOT NULL DEFAULT ''; -- of the first beat that said so

-- +goose Down
ALTER TABLE workers DROP COLUMN since;
ALTER TABLE workers DROP COLUMN trouble;
ALTER TABLE workers DROP COLUMN hand;
ALTER TABLE workers DROP COLUMN process;
ALTER TABLE workers DROP COLUMN role;
