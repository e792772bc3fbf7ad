CREATE TABLE sites (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    key TEXT NOT NULL CHECK (key <> ''),
    name TEXT NOT NULL,
    address_1 TEXT NOT NULL,
    address_2 TEXT,
    city TEXT NOT NULL,
    region TEXT NOT NULL,
    postal_code TEXT NOT NULL,
    -- Empty means unknown: travel to the site cannot be planned, and whoever plans says so.
    latitude_degrees DOUBLE PRECISION CHECK (latitude_degrees BETWEEN -90 AND 90),
    longitude_degrees DOUBLE PRECISION CHECK (longitude_degrees BETWEEN -180 AND 180),
    access_notes TEXT,
    -- Bit 0 is Monday.
    refused_weekdays INTEGER NOT NULL CHECK (refused_weekdays BETWEEN 0 AND 127),
    visit_from TIME,
    visit_until TIME,
    -- What the household itself has said; not empty means that a no-cool call here goes first.
    vulnerability TEXT CHECK (vulnerability <> ''),
    language TEXT NOT NULL,
    version BIGINT NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL,
    UNIQUE (branch_id, key),
    CHECK ((latitude_degrees IS NULL) = (longitude_degrees IS NULL)),
    CHECK (visit_until > visit_from)
);

CREATE TABLE site_absences (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    site_id BIGINT NOT NULL REFERENCES sites (id),
    first_day DATE NOT NULL,
    last_day DATE NOT NULL,
    reason TEXT,
    UNIQUE (site_id, first_day, last_day),
    CHECK (last_day >= first_day)
);
CREATE INDEX site_absences_branch ON site_absences (branch_id);

CREATE TABLE contacts (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    key TEXT NOT NULL CHECK (key <> ''),
    site_id BIGINT NOT NULL REFERENCES sites (id),
    name TEXT NOT NULL,
    email TEXT,
    phone TEXT,
    role TEXT,
    mail_consent BOOLEAN NOT NULL,
    consent_at TIMESTAMP,
    consent_how TEXT,
    -- When the person stopped the mail; consent must be given anew after it.
    stopped_at TIMESTAMP,
    reachable_by_mail BOOLEAN NOT NULL,
    unreachable_reason TEXT,
    version BIGINT NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL,
    UNIQUE (branch_id, key),
    CHECK (NOT mail_consent OR (consent_at IS NOT NULL AND consent_how IS NOT NULL))
);
CREATE INDEX contacts_site ON contacts (site_id);

CREATE TABLE agreements (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    key TEXT NOT NULL CHECK (key <> ''),
    site_id BIGINT NOT NULL REFERENCES sites (id),
    first_day DATE NOT NULL,
    last_day DATE,
    rules TEXT NOT NULL,
    version BIGINT NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL,
    UNIQUE (branch_id, key),
    CHECK (last_day >= first_day)
);
CREATE INDEX agreements_site ON agreements (site_id);

CREATE TABLE units (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    key TEXT NOT NULL CHECK (key <> ''),
    site_id BIGINT NOT NULL REFERENCES sites (id),
    kind TEXT NOT NULL,
    label TEXT,
    capacity_watts DOUBLE PRECISION CHECK (capacity_watts > 0),
    -- Equal when the day is known, apart when only a range is, empty on a side that is unknown.
    installed_earliest DATE,
    installed_latest DATE,
    removed_on DATE,
    exposure TEXT NOT NULL,
    supply_volts DOUBLE PRECISION NOT NULL CHECK (supply_volts > 0),
    version BIGINT NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL,
    UNIQUE (branch_id, key),
    CHECK (installed_latest >= installed_earliest),
    CHECK (removed_on >= installed_earliest)
);
CREATE INDEX units_site ON units (site_id);

-- One part in one position for one stretch of time. A replaced part keeps its row for good.
CREATE TABLE components (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    key TEXT NOT NULL CHECK (key <> ''),
    unit_id BIGINT NOT NULL REFERENCES units (id),
    position TEXT NOT NULL CHECK (position <> ''),
    class TEXT NOT NULL,
    rating TEXT,
    installed_earliest DATE,
    installed_latest DATE,
    -- Left truncation: before this day a failure would not have been noticed.
    observed_from DATE NOT NULL,
    -- Whether every part that ever sat in the position is on record.
    history_complete BOOLEAN NOT NULL,
    -- The day on which the end was found; the end itself lies after last_seen_good_on.
    ended_on DATE,
    end_kind TEXT,
    last_seen_good_on DATE,
    replaced_by_id BIGINT REFERENCES components (id),
    batch TEXT,
    version BIGINT NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL,
    UNIQUE (branch_id, key),
    CHECK (installed_latest >= installed_earliest),
    CHECK (ended_on >= installed_earliest),
    CHECK (ended_on >= last_seen_good_on),
    CHECK ((ended_on IS NULL) = (end_kind IS NULL)),
    CHECK (replaced_by_id IS NULL OR ended_on IS NOT NULL),
    CHECK (replaced_by_id <> id)
);
CREATE UNIQUE INDEX components_one_living_occupant ON components (unit_id, position)
    WHERE ended_on IS NULL;
CREATE INDEX components_unit ON components (unit_id);
CREATE INDEX components_replaced_by ON components (replaced_by_id);

CREATE TABLE readings (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    -- Made by whoever measured, so that the same submission counts once.
    client_key TEXT NOT NULL CHECK (client_key <> ''),
    component_id BIGINT NOT NULL REFERENCES components (id),
    taken_on DATE NOT NULL,
    technician_id BIGINT REFERENCES technicians (id),
    section TEXT NOT NULL,
    microfarads DOUBLE PRECISION CHECK (microfarads >= 0),
    volts DOUBLE PRECISION CHECK (volts >= 0),
    amperes DOUBLE PRECISION CHECK (amperes >= 0),
    conditions TEXT NOT NULL,
    note TEXT,
    version BIGINT NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL,
    UNIQUE (branch_id, client_key),
    CHECK ((volts IS NULL) = (amperes IS NULL))
);
CREATE INDEX readings_component ON readings (component_id, taken_on);
CREATE INDEX readings_technician ON readings (technician_id);
