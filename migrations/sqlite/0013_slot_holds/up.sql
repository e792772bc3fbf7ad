-- Halves of technicians' days that are kept for a household while it chooses, each for one only.
CREATE TABLE slot_holds (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    visit_id BIGINT NOT NULL REFERENCES visits (id),
    day DATE NOT NULL,
    technician_id BIGINT NOT NULL REFERENCES technicians (id),
    afternoon BOOLEAN NOT NULL,
    start_seconds INTEGER NOT NULL,
    latest_seconds INTEGER NOT NULL,
    held_until TIMESTAMP NOT NULL,
    UNIQUE (technician_id, day, afternoon)
);
CREATE INDEX slot_holds_branch ON slot_holds (branch_id, held_until);
CREATE INDEX slot_holds_visit ON slot_holds (visit_id);
