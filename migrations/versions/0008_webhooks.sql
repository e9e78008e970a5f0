-- Which utilities have, or once had, a webhook: whoever delivers looks through these and no others. Never struck from again; one that
-- has no webhook any more costs a look-up.
CREATE TABLE access.webhook_utility (
    utility_id text COLLATE "C" PRIMARY KEY
);

-- A subscription to the change feed. Its secret is derived from the service's master key, its id and `secret_number`, and is not
-- kept; `master_mark` says which master key that was. No resources: all of them.
CREATE TABLE record.webhook (
    utility_id text COLLATE "C" NOT NULL REFERENCES record.utility,
    id uuid NOT NULL,
    version bigint NOT NULL,
    created_at timestamptz NOT NULL,
    changed_at timestamptz NOT NULL,
    url text NOT NULL,
    resources text[],
    description text,
    enabled boolean NOT NULL,
    disabled_because text,
    secret_number bigint NOT NULL,
    previous_secret_until timestamptz,
    master_mark text NOT NULL,
    PRIMARY KEY (utility_id, id)
);

-- How far a subscription has come in the feed: deliveries cover everything to `cursor`, and nothing up to `scanned` concerns it
-- besides. One process at a time delivers for it, the one that holds the lease.
CREATE TABLE record.webhook_progress (
    utility_id text COLLATE "C" NOT NULL,
    webhook_id uuid NOT NULL,
    cursor bigint NOT NULL,
    scanned bigint NOT NULL,
    lease uuid,
    leased_until timestamptz,
    PRIMARY KEY (utility_id, webhook_id),
    FOREIGN KEY (utility_id, webhook_id) REFERENCES record.webhook (utility_id, id) ON DELETE CASCADE
);

-- One message: the changes of those resources after one number of the feed, up to and with another. What it says is read from the
-- feed at each attempt, which never changes. `tries` counts since it was last taken up, `attempts` all.
CREATE TABLE record.webhook_delivery (
    utility_id text COLLATE "C" NOT NULL,
    webhook_id uuid NOT NULL,
    id uuid NOT NULL,
    created_at timestamptz NOT NULL,
    after_sequence bigint NOT NULL,
    last_sequence bigint NOT NULL,
    resources text[],
    state text NOT NULL CHECK (state IN ('pending', 'delivered', 'dead', 'replaced')),
    due_at timestamptz NOT NULL,
    tries integer NOT NULL DEFAULT 0,
    attempts integer NOT NULL DEFAULT 0,
    finished_at timestamptz,
    refused boolean NOT NULL DEFAULT false,
    because text,
    PRIMARY KEY (utility_id, webhook_id, id),
    FOREIGN KEY (utility_id, webhook_id) REFERENCES record.webhook (utility_id, id) ON DELETE CASCADE
);
CREATE INDEX webhook_delivery_pending ON record.webhook_delivery (utility_id, webhook_id, after_sequence, id) WHERE state = 'pending';
CREATE INDEX webhook_delivery_by_state ON record.webhook_delivery (utility_id, webhook_id, state, id);

CREATE TABLE record.webhook_attempt (
    utility_id text COLLATE "C" NOT NULL,
    webhook_id uuid NOT NULL,
    delivery_id uuid NOT NULL,
    number integer NOT NULL,
    attempted_at timestamptz NOT NULL,
    seconds double precision NOT NULL,
    status integer,
    because text,
    PRIMARY KEY (utility_id, webhook_id, delivery_id, number),
    FOREIGN KEY (utility_id, webhook_id, delivery_id) REFERENCES record.webhook_delivery (utility_id, webhook_id, id) ON DELETE CASCADE
);

ALTER TABLE record.webhook ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.webhook FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.webhook USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.webhook_progress ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.webhook_progress FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.webhook_progress USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.webhook_delivery ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.webhook_delivery FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.webhook_delivery USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.webhook_attempt ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.webhook_attempt FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.webhook_attempt USING (utility_id = current_setting('nonreturn.utility', true));

GRANT SELECT, INSERT ON access.webhook_utility TO nonreturn_service;
GRANT SELECT, INSERT, UPDATE, DELETE ON record.webhook TO nonreturn_service;
GRANT SELECT, INSERT, UPDATE ON record.webhook_progress TO nonreturn_service;
GRANT SELECT, INSERT, UPDATE, DELETE ON record.webhook_delivery TO nonreturn_service;
GRANT SELECT, INSERT ON record.webhook_attempt TO nonreturn_service;
