CREATE TABLE weather_days (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    station_id BIGINT NOT NULL REFERENCES weather_stations (id),
    day DATE NOT NULL,
    tmin_celsius DOUBLE PRECISION,
    tmax_celsius DOUBLE PRECISION,
    source TEXT NOT NULL,
    flag TEXT,
    fetched_at TIMESTAMP NOT NULL,
    UNIQUE (station_id, day)
);

-- What a day said before a correction: a risk that was computed from it stays explicable.
CREATE TABLE weather_day_corrections (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    station_id BIGINT NOT NULL REFERENCES weather_stations (id),
    day DATE NOT NULL,
    tmin_celsius DOUBLE PRECISION,
    tmax_celsius DOUBLE PRECISION,
    source TEXT NOT NULL,
    flag TEXT,
    fetched_at TIMESTAMP NOT NULL,
    corrected_at TIMESTAMP NOT NULL
);
CREATE INDEX weather_day_corrections_station ON weather_day_corrections (station_id, day);

CREATE TABLE weather_forecast_days (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    station_id BIGINT NOT NULL REFERENCES weather_stations (id),
    issued_at TIMESTAMP NOT NULL,
    day DATE NOT NULL,
    tmin_celsius DOUBLE PRECISION,
    tmax_celsius DOUBLE PRECISION,
    source TEXT NOT NULL,
    fetched_at TIMESTAMP NOT NULL,
    UNIQUE (station_id, issued_at, day)
);

CREATE TABLE weather_findings (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    station_id BIGINT NOT NULL REFERENCES weather_stations (id),
    day DATE,
    kind TEXT NOT NULL,
    detail TEXT NOT NULL,
    found_at TIMESTAMP NOT NULL
);
CREATE INDEX weather_findings_station ON weather_findings (station_id, day);

CREATE TABLE runs (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    kind TEXT NOT NULL,
    started_at TIMESTAMP NOT NULL,
    finished_at TIMESTAMP,
    engine_version TEXT NOT NULL,
    inputs TEXT NOT NULL,
    input_digest TEXT NOT NULL,
    outcome TEXT NOT NULL,
    detail TEXT
);
CREATE INDEX runs_branch_kind ON runs (branch_id, kind, id);

CREATE TABLE scores (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    run_id BIGINT NOT NULL REFERENCES runs (id),
    component_id BIGINT NOT NULL REFERENCES components (id),
    as_of DATE NOT NULL,
    horizon TEXT NOT NULL,
    p_season DOUBLE PRECISION NOT NULL CHECK (p_season BETWEEN 0 AND 1),
    p_season_low DOUBLE PRECISION NOT NULL CHECK (p_season_low BETWEEN 0 AND 1),
    p_season_high DOUBLE PRECISION NOT NULL CHECK (p_season_high BETWEEN 0 AND 1),
    heat_age DOUBLE PRECISION NOT NULL,
    expected_heat_left DOUBLE PRECISION NOT NULL,
    reasons TEXT NOT NULL,
    UNIQUE (run_id, component_id)
);
CREATE INDEX scores_component ON scores (component_id, id);
CREATE INDEX scores_branch ON scores (branch_id, as_of);
CREATE INDEX scores_run_risk ON scores (run_id, p_season);

CREATE TABLE risk_models (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    run_id BIGINT NOT NULL UNIQUE REFERENCES runs (id),
    model TEXT NOT NULL,
    created_at TIMESTAMP NOT NULL
);
CREATE INDEX risk_models_branch ON risk_models (branch_id, id);
