ALTER TABLE runs DROP COLUMN stop_asked_at;
ALTER TABLE runs DROP COLUMN heard_at;
ALTER TABLE runs DROP COLUMN progress;
