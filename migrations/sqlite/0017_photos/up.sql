-- What pictures show, once for each branch: in the database, so that a backup of it holds them.
CREATE TABLE photo_contents (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    -- SHA-256 of the bytes, lower-case hexadecimal.
    digest TEXT NOT NULL CHECK (length(digest) = 64),
    media_type TEXT NOT NULL,
    size_bytes BIGINT NOT NULL CHECK (size_bytes > 0),
    content BLOB NOT NULL,
    UNIQUE (branch_id, digest)
);

-- A picture of a visit.
CREATE TABLE photos (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    visit_id BIGINT NOT NULL REFERENCES visits (id),
    content_id BIGINT NOT NULL REFERENCES photo_contents (id),
    technician_id BIGINT REFERENCES technicians (id),
    note TEXT,
    received_at TIMESTAMP NOT NULL,
    UNIQUE (visit_id, content_id)
);
CREATE INDEX photos_branch ON photos (branch_id);
CREATE INDEX photos_content ON photos (content_id);
CREATE INDEX photos_technician ON photos (technician_id);
