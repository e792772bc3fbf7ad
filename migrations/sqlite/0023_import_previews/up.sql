-- What files would do, looked at before they are imported: kept for some hours, so that what is
-- confirmed are the bytes that were looked at.
CREATE TABLE import_previews (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    -- Who chose the files.
    account_id BIGINT NOT NULL REFERENCES accounts (id),
    -- SHA-256 over the files in their order, lower-case hexadecimal: the preview's name.
    digest TEXT NOT NULL CHECK (length(digest) = 64),
    -- JSON: what each file would do, or did, or what is wrong with it.
    outcome TEXT NOT NULL,
    made_at TIMESTAMP NOT NULL,
    expires_at TIMESTAMP NOT NULL,
    -- When the files were imported; their bytes are gone from then on.
    imported_at TIMESTAMP,
    UNIQUE (branch_id, digest)
);
CREATE INDEX import_previews_account ON import_previews (account_id);
CREATE INDEX import_previews_expiry ON import_previews (expires_at);

CREATE TABLE import_preview_files (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    preview_id BIGINT NOT NULL REFERENCES import_previews (id),
    -- In the order in which the files are imported, from 0.
    place INTEGER NOT NULL CHECK (place >= 0),
    -- SHA-256 of the bytes, lower-case hexadecimal.
    digest TEXT NOT NULL CHECK (length(digest) = 64),
    content BLOB NOT NULL,
    UNIQUE (preview_id, place)
);
CREATE INDEX import_preview_files_branch ON import_preview_files (branch_id);
