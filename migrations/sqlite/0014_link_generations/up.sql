-- How often a person's links were taken back; a link of an earlier generation counts no more.
CREATE TABLE link_generations (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    contact_id BIGINT NOT NULL REFERENCES contacts (id),
    generation INTEGER NOT NULL,
    raised_at TIMESTAMP NOT NULL,
    UNIQUE (contact_id)
);
CREATE INDEX link_generations_branch ON link_generations (branch_id);
