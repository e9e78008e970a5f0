-- Two schemas. `access`: who may do what, small and global (reference tables where the database is spread). `record`: what
-- happened; every key begins with utility_id, every foreign key carries it, and row security shows a session only the utility it
-- has named in `nonreturn.utility`. The service works as `nonreturn_service`, which can neither bypass row security nor change
-- what is append-only.

CREATE SCHEMA access;
CREATE SCHEMA record;

CREATE TABLE access.organisation (
    organisation_id uuid PRIMARY KEY,
    kind text NOT NULL CHECK (kind IN ('utility', 'testing_company', 'regulator', 'operator')),
    name text NOT NULL,
    created_at timestamptz NOT NULL
);

CREATE TABLE access.key (
    key_id uuid PRIMARY KEY,
    organisation_id uuid NOT NULL REFERENCES access.organisation,
    label text NOT NULL,
    secret_hash bytea NOT NULL,
    rights text[] NOT NULL,
    created_at timestamptz NOT NULL,
    expires_at timestamptz,
    revoked_at timestamptz
);
CREATE INDEX key_of_organisation ON access.key (organisation_id, key_id);

CREATE TABLE access.utility_grant (
    utility_id text COLLATE "C" NOT NULL,
    organisation_id uuid NOT NULL REFERENCES access.organisation,
    granted_at timestamptz NOT NULL,
    PRIMARY KEY (utility_id, organisation_id)
);
CREATE INDEX utility_grant_of_organisation ON access.utility_grant (organisation_id, utility_id);

CREATE TABLE record.utility (
    utility_id text COLLATE "C" PRIMARY KEY CHECK (utility_id ~ '^[a-z0-9][a-z0-9-]{1,30}$'),
    version bigint NOT NULL,
    created_at timestamptz NOT NULL,
    changed_at timestamptz NOT NULL,
    name text NOT NULL,
    rulebook text NOT NULL,
    time_zone text NOT NULL,
    due_soon_days integer NOT NULL
);

-- One row a utility: how many changes and reports it has recorded. Whoever records locks it, so that no later commit can
-- slip in front of an earlier number.
CREATE TABLE record.utility_log (
    utility_id text COLLATE "C" PRIMARY KEY REFERENCES record.utility,
    changes bigint NOT NULL DEFAULT 0,
    reports bigint NOT NULL DEFAULT 0
);

CREATE TABLE record.change (
    utility_id text COLLATE "C" NOT NULL REFERENCES record.utility,
    sequence bigint NOT NULL,
    resource text NOT NULL,
    id text NOT NULL,
    version bigint NOT NULL,
    recorded_at timestamptz NOT NULL,
    PRIMARY KEY (utility_id, sequence)
);

CREATE TABLE record.premises (
    utility_id text COLLATE "C" NOT NULL REFERENCES record.utility,
    id uuid NOT NULL,
    version bigint NOT NULL,
    created_at timestamptz NOT NULL,
    changed_at timestamptz NOT NULL,
    reference text,
    name text NOT NULL,
    address text NOT NULL,
    category text,
    connection text NOT NULL,
    hazard text,
    location jsonb,
    PRIMARY KEY (utility_id, id)
);

CREATE TABLE record.assembly (
    utility_id text COLLATE "C" NOT NULL,
    id uuid NOT NULL,
    version bigint NOT NULL,
    created_at timestamptz NOT NULL,
    changed_at timestamptz NOT NULL,
    premises_id uuid NOT NULL,
    kind text NOT NULL,
    hazard text NOT NULL,
    purpose text NOT NULL,
    serial_number text,
    nominal_size jsonb,
    position text,
    installed_on date,
    in_service boolean NOT NULL,
    PRIMARY KEY (utility_id, id),
    FOREIGN KEY (utility_id, premises_id) REFERENCES record.premises (utility_id, id)
);
CREATE INDEX assembly_of_premises ON record.assembly (utility_id, premises_id, id);

CREATE TABLE record.tester (
    utility_id text COLLATE "C" NOT NULL REFERENCES record.utility,
    id uuid NOT NULL,
    version bigint NOT NULL,
    created_at timestamptz NOT NULL,
    changed_at timestamptz NOT NULL,
    name text NOT NULL,
    organisation_id uuid,
    certificates jsonb NOT NULL,
    PRIMARY KEY (utility_id, id)
);

CREATE TABLE record.gauge (
    utility_id text COLLATE "C" NOT NULL REFERENCES record.utility,
    id uuid NOT NULL,
    version bigint NOT NULL,
    created_at timestamptz NOT NULL,
    changed_at timestamptz NOT NULL,
    serial_number text NOT NULL,
    organisation_id uuid,
    units jsonb NOT NULL,
    accuracy double precision NOT NULL,
    resolution double precision NOT NULL,
    calibrations jsonb NOT NULL,
    PRIMARY KEY (utility_id, id)
);

-- A report with its verdict; appended, never changed. `content` is what was sent, `judged` the test as it was judged (with what
-- the registry knew then), `previous` the readings of the test before it, `verdict` the answer: text, because they are kept to the byte and not searched in.
CREATE TABLE record.report (
    utility_id text COLLATE "C" NOT NULL,
    id uuid NOT NULL,
    log_index bigint NOT NULL,
    assembly_id uuid NOT NULL,
    tester_id uuid NOT NULL,
    gauge_id uuid NOT NULL,
    performed_at timestamptz NOT NULL,
    performed_on date NOT NULL,
    received_at timestamptz NOT NULL,
    reason text NOT NULL,
    supersedes uuid,
    organisation_id uuid NOT NULL,
    key_id uuid NOT NULL,
    content_hash bytea NOT NULL,
    content text NOT NULL,
    judged text NOT NULL,
    verdict text NOT NULL,
    outcome text NOT NULL CHECK (outcome IN ('pass', 'fail', 'incomplete')),
    protection text NOT NULL CHECK (protection IN ('full', 'degraded', 'lost', 'unknown')),
    acceptance text NOT NULL CHECK (acceptance IN ('accepted', 'held', 'refused')),
    rulebook text NOT NULL,
    rulebook_digest text NOT NULL,
    previous text,
    PRIMARY KEY (utility_id, id),
    UNIQUE (utility_id, log_index),
    UNIQUE (utility_id, supersedes),
    FOREIGN KEY (utility_id, assembly_id) REFERENCES record.assembly (utility_id, id),
    FOREIGN KEY (utility_id, tester_id) REFERENCES record.tester (utility_id, id),
    FOREIGN KEY (utility_id, gauge_id) REFERENCES record.gauge (utility_id, id),
    FOREIGN KEY (utility_id, supersedes) REFERENCES record.report (utility_id, id)
);
CREATE INDEX report_of_assembly ON record.report (utility_id, assembly_id, performed_at, id);

-- Which report a key's Idempotency-Key made, so that a retried POST finds it again.
CREATE TABLE record.report_request (
    utility_id text COLLATE "C" NOT NULL,
    organisation_id uuid NOT NULL,
    idempotency_key text NOT NULL,
    report_id uuid NOT NULL,
    PRIMARY KEY (utility_id, organisation_id, idempotency_key),
    FOREIGN KEY (utility_id, report_id) REFERENCES record.report (utility_id, id)
);

-- What follows from the reports of an assembly: one row, written with the report, and always to be had again from them.
CREATE TABLE record.standing (
    utility_id text COLLATE "C" NOT NULL,
    assembly_id uuid NOT NULL,
    version bigint NOT NULL,
    due_on date,
    basis text NOT NULL,
    PRIMARY KEY (utility_id, assembly_id),
    FOREIGN KEY (utility_id, assembly_id) REFERENCES record.assembly (utility_id, id)
);

CREATE FUNCTION record.refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '%.% is append-only: record a report that supersedes the wrong one', TG_TABLE_SCHEMA, TG_TABLE_NAME
        USING ERRCODE = 'integrity_constraint_violation';
END
$$;

CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.report FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.report FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.change FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.change FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();

-- Numbers the rows that a statement wrote and adds them to the feed, in the same transaction; TG_ARGV[0] names the resource.
CREATE FUNCTION record.note_changes() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    utility text;
    added bigint;
    before_them bigint;
BEGIN
    SELECT min(utility_id), count(*) INTO utility, added FROM written;
    IF added = 0 THEN
        RETURN NULL;
    END IF;
    UPDATE record.utility_log SET changes = changes + added WHERE utility_id = utility RETURNING changes - added INTO before_them;
    INSERT INTO record.change (utility_id, sequence, resource, id, version, recorded_at)
    SELECT utility, before_them + row_number() OVER (), TG_ARGV[0],
        coalesce(row_json ->> 'id', row_json ->> 'assembly_id', row_json ->> 'utility_id'),
        coalesce((row_json ->> 'version')::bigint, 1), clock_timestamp()
    FROM (SELECT to_jsonb(written) AS row_json FROM written) AS rows;
    RETURN NULL;
END
$$;

CREATE TRIGGER note_inserts AFTER INSERT ON record.premises REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('premises');
CREATE TRIGGER note_updates AFTER UPDATE ON record.premises REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('premises');
CREATE TRIGGER note_inserts AFTER INSERT ON record.assembly REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('assemblies');
CREATE TRIGGER note_updates AFTER UPDATE ON record.assembly REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('assemblies');
CREATE TRIGGER note_inserts AFTER INSERT ON record.tester REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('testers');
CREATE TRIGGER note_updates AFTER UPDATE ON record.tester REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('testers');
CREATE TRIGGER note_inserts AFTER INSERT ON record.gauge REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('gauges');
CREATE TRIGGER note_updates AFTER UPDATE ON record.gauge REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('gauges');
CREATE TRIGGER note_inserts AFTER INSERT ON record.report REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('reports');
CREATE TRIGGER note_inserts AFTER INSERT ON record.standing REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('standings');
CREATE TRIGGER note_updates AFTER UPDATE ON record.standing REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('standings');
CREATE TRIGGER note_updates AFTER UPDATE ON record.utility REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('utility');

ALTER TABLE record.utility ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.utility FORCE ROW LEVEL SECURITY;
-- The directory of utilities is read with several codes named, parted by spaces; a code holds none.
CREATE POLICY own_utility ON record.utility USING (utility_id = ANY (string_to_array(current_setting('nonreturn.utility', true), ' ')));
ALTER TABLE record.utility_log ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.utility_log FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.utility_log USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.change ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.change FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.change USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.premises ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.premises FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.premises USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.assembly ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.assembly FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.assembly USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.tester ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.tester FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.tester USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.gauge ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.gauge FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.gauge USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.report ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.report FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.report USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.report_request ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.report_request FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.report_request USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.standing ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.standing FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.standing USING (utility_id = current_setting('nonreturn.utility', true));

DO $$
BEGIN
    IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = 'nonreturn_service') THEN
        CREATE ROLE nonreturn_service LOGIN NOSUPERUSER NOBYPASSRLS NOCREATEDB NOCREATEROLE;
    END IF;
    -- Whoever migrates may also work as the service, where one login serves for both. An administrator may have granted that before.
    BEGIN
        GRANT nonreturn_service TO CURRENT_USER;
    EXCEPTION WHEN insufficient_privilege THEN
        IF NOT pg_has_role(current_user, 'nonreturn_service', 'MEMBER') THEN
            RAISE;
        END IF;
    END;
END
$$;
GRANT USAGE ON SCHEMA access, record TO nonreturn_service;
GRANT SELECT, INSERT ON ALL TABLES IN SCHEMA access, record TO nonreturn_service;
GRANT UPDATE (revoked_at) ON access.key TO nonreturn_service;
GRANT DELETE ON access.utility_grant TO nonreturn_service;
GRANT UPDATE ON record.utility, record.utility_log, record.premises, record.assembly, record.tester, record.gauge, record.standing TO nonreturn_service;
