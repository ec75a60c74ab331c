-- Several machines read clips: a lesson is written under the fence of the claim
-- it was made in, and one that is slow can't write over a newer one.

-- +goose Up
ALTER TABLE lessons ADD COLUMN fence BIGINT NOT NULL DEFAULT 0; -- 0: not made by the queue

-- +goose Down
ALTER TABLE lessons DROP COLUMN fence;
