-- Stations beside the branch's own whose heat counts at the homes near them.
CREATE TABLE branch_stations (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    station_id BIGINT NOT NULL REFERENCES weather_stations (id),
    UNIQUE (branch_id, station_id)
);
CREATE INDEX branch_stations_station ON branch_stations (station_id);

-- Above sea level; nothing where it is not known, then heights are not weighed.
ALTER TABLE sites ADD COLUMN elevation_metres DOUBLE PRECISION;
