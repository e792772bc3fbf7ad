-- A branch's own lines in one kind of mail to households, in one language. What is not there stands as delivered.
CREATE TABLE notice_wordings (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    kind TEXT NOT NULL,
    language TEXT NOT NULL,
    -- After the greeting.
    opening TEXT CHECK (opening <> ''),
    -- Before the foot.
    closing TEXT CHECK (closing <> ''),
    version BIGINT NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL,
    UNIQUE (branch_id, kind, language)
);
