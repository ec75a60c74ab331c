-- Several machines work at one queue: each is a row here and says now and then
-- that it lives. No two clocks are compared: a beat is a number that grows.

-- +goose Up
CREATE TABLE workers (
    id    TEXT NOT NULL PRIMARY KEY, -- of one run of a program
    name  TEXT NOT NULL, -- of the machine
    state TEXT NOT NULL CHECK (state IN ('working', 'draining', 'gone')),
    beat  BIGINT NOT NULL DEFAULT 0,
    began TEXT NOT NULL,
    seen  TEXT NOT NULL, -- when it beat last, by its own clock
    jobs  INTEGER NOT NULL, -- readings at once
    version TEXT NOT NULL
);
ALTER TABLE clips ADD COLUMN worker TEXT NOT NULL DEFAULT ''; -- who reads or publishes it
ALTER TABLE clips ADD COLUMN stored TEXT NOT NULL DEFAULT ''; -- key of its lesson in the depot
ALTER TABLE clips ADD COLUMN stocked BIGINT NOT NULL DEFAULT 0; -- the depot has the original and what travels with it as they were then, nanoseconds since 1970 by the office's clock; 0: it hasn't
ALTER TABLE clips ADD COLUMN home BIGINT NOT NULL DEFAULT 0; -- fence of the outcome that was brought to the office's folders

-- +goose Down
-- It fails, and all stays, where files are stored for several machines: nothing would
-- tell where.
CREATE TABLE refused (n BIGINT NOT NULL CHECK (n = 0));
INSERT INTO refused SELECT count(*) FROM clips WHERE stored <> '' OR stocked <> 0;
DROP TABLE refused;
ALTER TABLE clips DROP COLUMN home;
ALTER TABLE clips DROP COLUMN stocked;
ALTER TABLE clips DROP COLUMN stored;
ALTER TABLE clips DROP COLUMN worker;
DROP TABLE workers;
