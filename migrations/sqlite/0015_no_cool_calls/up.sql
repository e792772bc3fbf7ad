-- What a household said when it called because nothing cools.
CREATE TABLE no_cool_calls (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    visit_id BIGINT NOT NULL REFERENCES visits (id),
    vulnerabilities TEXT NOT NULL,
    words TEXT,
    called_at TIMESTAMP NOT NULL,
    grounds TEXT NOT NULL,
    UNIQUE (visit_id)
);
CREATE INDEX no_cool_calls_branch ON no_cool_calls (branch_id, called_at);
