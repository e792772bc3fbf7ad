-- How full each technician's day of a plan is, and when its pause begins.
CREATE TABLE plan_routes (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    plan_id BIGINT NOT NULL REFERENCES plans (id),
    day DATE NOT NULL,
    technician_id BIGINT NOT NULL REFERENCES technicians (id),
    work_seconds INTEGER NOT NULL,
    travel_seconds INTEGER NOT NULL,
    -- Seconds after midnight of the branch's clock; nothing for a shift without a pause.
    pause_begins_seconds INTEGER,
    ends_seconds INTEGER NOT NULL,
    UNIQUE (plan_id, technician_id, day),
    CHECK (work_seconds >= 0 AND travel_seconds >= 0)
);
CREATE INDEX plan_routes_branch ON plan_routes (branch_id);
CREATE INDEX plan_routes_technician ON plan_routes (technician_id);

CREATE TRIGGER plan_routes_no_update BEFORE UPDATE ON plan_routes
BEGIN
    SELECT RAISE(ABORT, 'plan_routes is append only');
END;
CREATE TRIGGER plan_routes_no_delete BEFORE DELETE ON plan_routes
BEGIN
    SELECT RAISE(ABORT, 'plan_routes is append only');
END;
