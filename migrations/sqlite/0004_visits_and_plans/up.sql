CREATE TABLE visits (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    agreement_id BIGINT REFERENCES agreements (id),
    site_id BIGINT NOT NULL REFERENCES sites (id),
    kind TEXT NOT NULL,
    window_first DATE NOT NULL,
    window_last DATE NOT NULL,
    within_first DATE NOT NULL,
    within_last DATE NOT NULL,
    state TEXT NOT NULL,
    day DATE,
    technician_id BIGINT REFERENCES technicians (id),
    -- The slot told to the household, of the branch's clock.
    starts TIME,
    ends TIME,
    duration_seconds INTEGER NOT NULL CHECK (duration_seconds > 0),
    priority INTEGER NOT NULL,
    reason TEXT,
    version BIGINT NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL,
    UNIQUE (agreement_id, kind, window_first),
    CHECK (window_last >= window_first),
    CHECK (within_last >= within_first),
    CHECK ((starts IS NULL) = (ends IS NULL)),
    CHECK ((day IS NULL) = (technician_id IS NULL)),
    CHECK (state NOT IN ('placed', 'announced', 'agreed') OR day IS NOT NULL)
);
CREATE INDEX visits_branch ON visits (branch_id, state);
CREATE INDEX visits_site ON visits (site_id);
CREATE INDEX visits_technician_day ON visits (technician_id, day);

CREATE TABLE visit_events (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    visit_id BIGINT NOT NULL REFERENCES visits (id),
    at TIMESTAMP NOT NULL,
    who TEXT NOT NULL,
    from_state TEXT,
    to_state TEXT NOT NULL,
    day_before DATE,
    day_after DATE,
    technician_before_id BIGINT REFERENCES technicians (id),
    technician_after_id BIGINT REFERENCES technicians (id),
    why TEXT
);
CREATE INDEX visit_events_visit ON visit_events (visit_id, id);
CREATE INDEX visit_events_branch ON visit_events (branch_id, at);
CREATE INDEX visit_events_technician_before ON visit_events (technician_before_id);
CREATE INDEX visit_events_technician_after ON visit_events (technician_after_id);

CREATE TABLE visit_results (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    visit_id BIGINT NOT NULL REFERENCES visits (id),
    client_key TEXT NOT NULL CHECK (client_key <> ''),
    technician_id BIGINT REFERENCES technicians (id),
    payload TEXT NOT NULL,
    received_at TIMESTAMP NOT NULL,
    UNIQUE (branch_id, client_key)
);
CREATE INDEX visit_results_visit ON visit_results (visit_id, id);
CREATE INDEX visit_results_technician ON visit_results (technician_id);

CREATE TABLE plans (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    run_id BIGINT NOT NULL REFERENCES runs (id),
    state TEXT NOT NULL,
    first_day DATE NOT NULL,
    last_day DATE NOT NULL,
    seed BIGINT NOT NULL,
    objective TEXT NOT NULL,
    figures TEXT NOT NULL,
    version BIGINT NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL,
    CHECK (last_day >= first_day)
);
CREATE INDEX plans_branch ON plans (branch_id, state);
CREATE INDEX plans_run ON plans (run_id);

CREATE TABLE plan_stops (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    plan_id BIGINT NOT NULL REFERENCES plans (id),
    visit_id BIGINT NOT NULL REFERENCES visits (id),
    day DATE NOT NULL,
    technician_id BIGINT NOT NULL REFERENCES technicians (id),
    place INTEGER NOT NULL,
    -- Seconds after midnight of the branch's clock.
    arrival_seconds INTEGER NOT NULL,
    start_seconds INTEGER NOT NULL,
    leave_seconds INTEGER NOT NULL,
    pinned BOOLEAN NOT NULL,
    reason TEXT NOT NULL,
    UNIQUE (plan_id, visit_id),
    UNIQUE (plan_id, technician_id, day, place),
    CHECK (arrival_seconds <= start_seconds AND start_seconds <= leave_seconds)
);
CREATE INDEX plan_stops_branch ON plan_stops (branch_id);
CREATE INDEX plan_stops_visit ON plan_stops (visit_id);
CREATE INDEX plan_stops_technician ON plan_stops (technician_id);

CREATE TABLE plan_unplaced (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    plan_id BIGINT NOT NULL REFERENCES plans (id),
    visit_id BIGINT NOT NULL REFERENCES visits (id),
    reason TEXT NOT NULL,
    UNIQUE (plan_id, visit_id)
);
CREATE INDEX plan_unplaced_branch ON plan_unplaced (branch_id);
CREATE INDEX plan_unplaced_visit ON plan_unplaced (visit_id);

-- A changed route is a new revision; the earlier one stays as what was told to the technician.
CREATE TABLE routes (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    technician_id BIGINT NOT NULL REFERENCES technicians (id),
    day DATE NOT NULL,
    revision INTEGER NOT NULL CHECK (revision > 0),
    plan_id BIGINT REFERENCES plans (id),
    state TEXT NOT NULL,
    created_at TIMESTAMP NOT NULL,
    UNIQUE (technician_id, day, revision)
);
CREATE UNIQUE INDEX routes_one_current ON routes (technician_id, day) WHERE state = 'current';
CREATE INDEX routes_branch ON routes (branch_id, day);
CREATE INDEX routes_plan ON routes (plan_id);

CREATE TABLE route_stops (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    route_id BIGINT NOT NULL REFERENCES routes (id),
    visit_id BIGINT NOT NULL REFERENCES visits (id),
    place INTEGER NOT NULL,
    arrival_seconds INTEGER NOT NULL,
    start_seconds INTEGER NOT NULL,
    leave_seconds INTEGER NOT NULL,
    UNIQUE (route_id, place),
    UNIQUE (route_id, visit_id),
    CHECK (arrival_seconds <= start_seconds AND start_seconds <= leave_seconds)
);
CREATE INDEX route_stops_branch ON route_stops (branch_id);
CREATE INDEX route_stops_visit ON route_stops (visit_id);

CREATE TABLE load_lists (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    route_id BIGINT NOT NULL UNIQUE REFERENCES routes (id),
    run_id BIGINT REFERENCES runs (id),
    -- The bound that was asked for, and the chance of missing any part that is left.
    chance_bound DOUBLE PRECISION NOT NULL CHECK (chance_bound BETWEEN 0 AND 1),
    chance_short DOUBLE PRECISION NOT NULL CHECK (chance_short BETWEEN 0 AND 1),
    created_at TIMESTAMP NOT NULL
);
CREATE INDEX load_lists_branch ON load_lists (branch_id);
CREATE INDEX load_lists_run ON load_lists (run_id);

CREATE TABLE load_list_lines (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    load_list_id BIGINT NOT NULL REFERENCES load_lists (id),
    class TEXT NOT NULL,
    rating TEXT NOT NULL,
    quantity INTEGER NOT NULL CHECK (quantity >= 0),
    chance_short DOUBLE PRECISION NOT NULL CHECK (chance_short BETWEEN 0 AND 1),
    why TEXT NOT NULL,
    UNIQUE (load_list_id, class, rating)
);
CREATE INDEX load_list_lines_branch ON load_list_lines (branch_id);
