ALTER TABLE readings DROP COLUMN taken_at;
