CREATE TABLE answer_links (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    visit_id BIGINT REFERENCES visits (id),
    contact_id BIGINT NOT NULL REFERENCES contacts (id),
    purpose TEXT NOT NULL,
    token_digest TEXT NOT NULL UNIQUE,
    created_at TIMESTAMP NOT NULL,
    expires_at TIMESTAMP NOT NULL,
    revoked_at TIMESTAMP,
    used_at TIMESTAMP
);
CREATE INDEX answer_links_branch ON answer_links (branch_id);
CREATE INDEX answer_links_visit ON answer_links (visit_id);
CREATE INDEX answer_links_contact ON answer_links (contact_id);
