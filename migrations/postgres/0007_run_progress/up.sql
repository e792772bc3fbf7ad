-- Long work says how far it is and whether it lives, and can be asked to stop.

ALTER TABLE runs ADD COLUMN progress DOUBLE PRECISION CHECK (progress BETWEEN 0 AND 1);
ALTER TABLE runs ADD COLUMN heard_at TIMESTAMP;
ALTER TABLE runs ADD COLUMN stop_asked_at TIMESTAMP;
