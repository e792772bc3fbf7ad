CREATE TABLE notices (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    -- What happened; with the recipient it makes one message, however often a job runs.
    event_key TEXT NOT NULL CHECK (event_key <> ''),
    kind TEXT NOT NULL,
    channel TEXT NOT NULL,
    recipient TEXT NOT NULL CHECK (recipient <> ''),
    contact_id BIGINT REFERENCES contacts (id),
    technician_id BIGINT REFERENCES technicians (id),
    visit_id BIGINT REFERENCES visits (id),
    language TEXT NOT NULL,
    subject TEXT NOT NULL,
    body_text TEXT NOT NULL,
    body_html TEXT,
    calendar TEXT,
    calendar_sequence INTEGER,
    headers TEXT NOT NULL,
    message_id TEXT NOT NULL UNIQUE,
    state TEXT NOT NULL,
    attempts INTEGER NOT NULL,
    next_attempt_at TIMESTAMP NOT NULL,
    claimed_by TEXT,
    claimed_until TIMESTAMP,
    last_error TEXT,
    delivered_at TIMESTAMP,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL,
    UNIQUE (branch_id, event_key, recipient),
    CHECK ((claimed_by IS NULL) = (claimed_until IS NULL))
);
CREATE INDEX notices_due ON notices (state, next_attempt_at);
CREATE INDEX notices_contact ON notices (contact_id, created_at);
CREATE INDEX notices_technician ON notices (technician_id);
CREATE INDEX notices_visit ON notices (visit_id, id);

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

CREATE TABLE answers (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    visit_id BIGINT REFERENCES visits (id),
    contact_id BIGINT REFERENCES contacts (id),
    token_digest TEXT,
    what TEXT NOT NULL,
    detail TEXT,
    at TIMESTAMP NOT NULL
);
CREATE INDEX answers_branch ON answers (branch_id, at);
CREATE INDEX answers_visit ON answers (visit_id, id);
CREATE INDEX answers_contact ON answers (contact_id);

CREATE TABLE accounts (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    name TEXT NOT NULL,
    -- Lower case.
    email TEXT NOT NULL CHECK (email <> ''),
    role TEXT NOT NULL,
    password_hash TEXT,
    technician_id BIGINT REFERENCES technicians (id),
    contact_id BIGINT REFERENCES contacts (id),
    disabled BOOLEAN NOT NULL,
    version BIGINT NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL,
    UNIQUE (branch_id, email),
    CHECK (role <> 'technician' OR technician_id IS NOT NULL),
    CHECK (role <> 'homeowner' OR contact_id IS NOT NULL)
);
CREATE INDEX accounts_technician ON accounts (technician_id);
CREATE INDEX accounts_contact ON accounts (contact_id);

CREATE TABLE tokens (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    account_id BIGINT NOT NULL REFERENCES accounts (id),
    -- SHA-256, lower-case hexadecimal; the token itself is never stored.
    digest TEXT NOT NULL UNIQUE,
    label TEXT NOT NULL,
    scope TEXT NOT NULL,
    created_at TIMESTAMP NOT NULL,
    expires_at TIMESTAMP,
    last_used_at TIMESTAMP,
    revoked_at TIMESTAMP
);
CREATE INDEX tokens_branch ON tokens (branch_id);
CREATE INDEX tokens_account ON tokens (account_id);

CREATE TABLE audit (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    at TIMESTAMP NOT NULL,
    account_id BIGINT REFERENCES accounts (id),
    action TEXT NOT NULL,
    subject_kind TEXT NOT NULL,
    subject_id BIGINT,
    before_json TEXT,
    after_json TEXT
);
CREATE INDEX audit_branch ON audit (branch_id, at);
CREATE INDEX audit_account ON audit (account_id);
CREATE INDEX audit_subject ON audit (subject_kind, subject_id);

CREATE TABLE job_ledger (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    job TEXT NOT NULL,
    due_for TIMESTAMP NOT NULL,
    claimed_by TEXT,
    claimed_until TIMESTAMP,
    attempts INTEGER NOT NULL,
    started_at TIMESTAMP,
    finished_at TIMESTAMP,
    outcome TEXT,
    detail TEXT,
    UNIQUE (job, branch_id, due_for)
);
CREATE INDEX job_ledger_branch ON job_ledger (branch_id, job, due_for);

CREATE TABLE idempotency_keys (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    account_id BIGINT NOT NULL REFERENCES accounts (id),
    key TEXT NOT NULL CHECK (key <> ''),
    request_digest TEXT NOT NULL,
    -- Empty while the first request is still running.
    status INTEGER,
    response_headers TEXT,
    response_body TEXT,
    created_at TIMESTAMP NOT NULL,
    UNIQUE (account_id, key)
);
CREATE INDEX idempotency_keys_branch ON idempotency_keys (branch_id);
CREATE INDEX idempotency_keys_age ON idempotency_keys (created_at);

CREATE TABLE changes (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    resource TEXT NOT NULL,
    resource_id BIGINT NOT NULL,
    version BIGINT NOT NULL,
    at TIMESTAMP NOT NULL
);
CREATE INDEX changes_branch ON changes (branch_id, id);
