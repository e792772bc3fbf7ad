-- Driving times that a routing engine gave: one row for one origin in one answer. A newer row of the same
-- trip wins; old ones are deleted.
CREATE TABLE travel_times (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    -- A place by its position, rounded to about a metre.
    origin BIGINT NOT NULL,
    -- JSON lists of the same length: places, and seconds of driving (null = no road).
    destinations TEXT NOT NULL,
    seconds TEXT NOT NULL,
    fetched_at TIMESTAMP NOT NULL
);
CREATE INDEX travel_times_branch ON travel_times (branch_id, fetched_at);
