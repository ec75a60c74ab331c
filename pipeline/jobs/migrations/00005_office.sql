-- Which work folder's office was the last one.

-- +goose Up
CREATE TABLE office (
    one INTEGER NOT NULL PRIMARY KEY CHECK (one = 1),
    id  TEXT NOT NULL -- random, of the work folder
);

-- +goose Down
DROP TABLE office;
