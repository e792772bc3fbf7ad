-- What was begun within the last minute is counted before more is.
CREATE INDEX notices_updated ON notices (updated_at);
