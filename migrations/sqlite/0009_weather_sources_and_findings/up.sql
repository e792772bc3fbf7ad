-- What a finding is about, beside its sentence: the last day, the value, what would have been
-- plausible, and what was done. Nothing where an earlier release did not keep it.
ALTER TABLE weather_findings ADD COLUMN last_day DATE;
ALTER TABLE weather_findings ADD COLUMN value_celsius DOUBLE PRECISION;
ALTER TABLE weather_findings ADD COLUMN expected_low_celsius DOUBLE PRECISION;
ALTER TABLE weather_findings ADD COLUMN expected_high_celsius DOUBLE PRECISION;
ALTER TABLE weather_findings ADD COLUMN remedy TEXT;

-- What a source said of the file that was stored last, for conditional requests, and until when it
-- asked to be left alone. Of a station, since two stations may lie in one cell of a forecast.
CREATE TABLE weather_sources (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    station_id BIGINT NOT NULL REFERENCES weather_stations (id),
    url TEXT NOT NULL,
    etag TEXT,
    last_modified TEXT,
    stored_at TIMESTAMP,
    retry_at TIMESTAMP,
    UNIQUE (station_id, url)
);
