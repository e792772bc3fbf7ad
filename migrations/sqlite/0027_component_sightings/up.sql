-- Days on which a part was seen good before a later such day took their place in components.last_seen_good_on. They
-- tell how long each of two parts was seen good when a late report says that one took the other's place between.
CREATE TABLE component_sightings (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    component_id BIGINT NOT NULL REFERENCES components (id),
    seen_good_on DATE NOT NULL,
    UNIQUE (component_id, seen_good_on)
);
CREATE INDEX component_sightings_branch ON component_sightings (branch_id);
