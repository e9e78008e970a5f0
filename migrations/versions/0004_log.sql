-- The hash of a report's leaf in its utility's log (RFC 9162), written with it; NULL in rows from before, whose leaf is hashed from the row.
ALTER TABLE record.report ADD COLUMN leaf_hash bytea;

-- The log's tree in tiles: the hashes of 256 whole subtrees of 256^level leaves each, and the root over them. Only whole tiles are kept.
CREATE TABLE record.log_tile (
    utility_id text COLLATE "C" NOT NULL REFERENCES record.utility,
    level smallint NOT NULL,
    number bigint NOT NULL,
    hashes bytea NOT NULL CHECK (octet_length(hashes) = 8192),
    root bytea NOT NULL,
    PRIMARY KEY (utility_id, level, number)
);

-- The tree heads that were signed. `tail` holds the leaf hashes beyond the last whole tile, so that a row changed there can be named.
CREATE TABLE record.log_head (
    utility_id text COLLATE "C" NOT NULL REFERENCES record.utility,
    size bigint NOT NULL,
    root bytea NOT NULL,
    made_at timestamptz NOT NULL,
    tail bytea NOT NULL,
    signed text NOT NULL,
    PRIMARY KEY (utility_id, size)
);

CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.log_tile FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.log_tile FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.log_head FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.log_head FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();

ALTER TABLE record.log_tile ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.log_tile FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.log_tile USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.log_head ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.log_head FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.log_head USING (utility_id = current_setting('nonreturn.utility', true));

GRANT SELECT, INSERT ON record.log_tile, record.log_head TO nonreturn_service;
