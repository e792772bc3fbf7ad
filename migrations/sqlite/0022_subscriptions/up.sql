-- A program of the office that is told of every change, in the order of the change feed.
CREATE TABLE subscriptions (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    key TEXT NOT NULL CHECK (key <> ''),
    url TEXT NOT NULL CHECK (url <> ''),
    -- Kinds of record, joined by semicolons; empty means all.
    resources TEXT NOT NULL,
    active BOOLEAN NOT NULL,
    version BIGINT NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL,
    UNIQUE (branch_id, key)
);

-- How far a subscription has come: beside it, since telling a change is no change of the subscription.
CREATE TABLE subscription_positions (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    branch_id BIGINT NOT NULL REFERENCES branches (id),
    subscription_id BIGINT NOT NULL REFERENCES subscriptions (id),
    -- What signs the calls; it leaves the service once, when it is made.
    secret TEXT NOT NULL CHECK (secret <> ''),
    -- Number of the last change that is done with.
    last_change BIGINT NOT NULL,
    -- Calls for the next change that failed.
    failures INTEGER NOT NULL,
    next_attempt_at TIMESTAMP NOT NULL,
    claimed_by TEXT,
    claimed_until TIMESTAMP,
    last_delivered_at TIMESTAMP,
    last_error TEXT,
    last_error_at TIMESTAMP,
    given_up_at TIMESTAMP,
    UNIQUE (subscription_id),
    CHECK ((claimed_by IS NULL) = (claimed_until IS NULL))
);
CREATE INDEX subscription_positions_branch ON subscription_positions (branch_id);
CREATE INDEX subscription_positions_due ON subscription_positions (next_attempt_at);
