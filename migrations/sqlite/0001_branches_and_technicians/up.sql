-- Weather stations are public facts shared by branches: the one group of tables without branch_id.
CREATE TABLE weather_stations (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    key TEXT NOT NULL UNIQUE,
    name TEXT NOT NULL,
    latitude_degrees DOUBLE PRECISION NOT NULL CHECK (latitude_degrees BETWEEN -90 AND 90),
    longitude_degrees DOUBLE PRECISION NOT NULL CHECK (longitude_degrees BETWEEN -180 AND 180),
    elevation_metres DOUBLE PRECISION,
    created_at TIMESTAMP NOT NULL
);

CREATE TABLE branches (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    key TEXT NOT NULL UNIQUE CHECK (key <> ''),
    name TEXT NOT NULL,
    time_zone TEXT NOT NULL,
    station_id BIGINT REFERENCES weather_stations (id),
    temperature_unit TEXT NOT NULL,
    -- In the branch's temperature unit.
    degree_day_base DOUBLE PRECISION NOT NULL,
    depot_latitude_degrees DOUBLE PRECISION CHECK (depot_latitude_degrees BETWEEN -90 AND 90),
    depot_longitude_degrees DOUBLE PRECISION CHECK (depot_longitude_degrees BETWEEN -180 AND 180),
    postal_address TEXT NOT NULL,
    phone TEXT,
    reply_to TEXT,
    quiet_from TIME,
    quiet_until TIME,
    -- Bit 0 is Monday.
    working_weekdays INTEGER NOT NULL CHECK (working_weekdays BETWEEN 0 AND 127),
    mains_hertz DOUBLE PRECISION NOT NULL CHECK (mains_hertz > 0),
    version BIGINT NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL,
    CHECK ((depot_latitude_degrees IS NULL) = (depot_longitude_degrees IS NULL)),
    CHECK ((quiet_from IS NULL) = (quiet_until IS NULL))
);
CREATE INDEX branches_station ON branches (station_id);

CREATE TABLE branch_holidays (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    day DATE NOT NULL,
    name TEXT NOT NULL,
    UNIQUE (branch_id, day)
);

CREATE TABLE technicians (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    key TEXT NOT NULL CHECK (key <> ''),
    name TEXT NOT NULL,
    email TEXT,
    phone TEXT,
    language TEXT NOT NULL,
    -- Home; empty means that the day starts and ends at the depot.
    start_latitude_degrees DOUBLE PRECISION CHECK (start_latitude_degrees BETWEEN -90 AND 90),
    start_longitude_degrees DOUBLE PRECISION CHECK (start_longitude_degrees BETWEEN -180 AND 180),
    active_from DATE,
    active_until DATE,
    version BIGINT NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL,
    UNIQUE (branch_id, key),
    CHECK ((start_latitude_degrees IS NULL) = (start_longitude_degrees IS NULL)),
    CHECK (active_until >= active_from)
);

CREATE TABLE technician_skills (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    technician_id BIGINT NOT NULL REFERENCES technicians (id),
    skill TEXT NOT NULL,
    UNIQUE (technician_id, skill)
);
CREATE INDEX technician_skills_branch ON technician_skills (branch_id);

-- One row per weekday (0 is Monday) on which the technician works.
CREATE TABLE technician_shifts (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    technician_id BIGINT NOT NULL REFERENCES technicians (id),
    weekday INTEGER NOT NULL CHECK (weekday BETWEEN 0 AND 6),
    starts TIME NOT NULL,
    ends TIME NOT NULL,
    UNIQUE (technician_id, weekday),
    CHECK (ends > starts)
);
CREATE INDEX technician_shifts_branch ON technician_shifts (branch_id);

CREATE TABLE technician_absences (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    technician_id BIGINT NOT NULL REFERENCES technicians (id),
    first_day DATE NOT NULL,
    last_day DATE NOT NULL,
    reason TEXT,
    UNIQUE (technician_id, first_day, last_day),
    CHECK (last_day >= first_day)
);
CREATE INDEX technician_absences_branch ON technician_absences (branch_id);
