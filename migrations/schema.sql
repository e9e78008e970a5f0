-- What the migrations must add up to; a test builds one database from each and compares.
--
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
    assemblies text NOT NULL DEFAULT 'all' CHECK (assemblies IN ('all', 'listed')),
    PRIMARY KEY (utility_id, organisation_id)
);
CREATE INDEX utility_grant_of_organisation ON access.utility_grant (organisation_id, utility_id);

-- Which utilities there are, whoever may act in them: what goes through the whole record begins here.
CREATE TABLE access.utility (utility_id text COLLATE "C" PRIMARY KEY);

CREATE TABLE record.utility (
    utility_id text COLLATE "C" PRIMARY KEY CHECK (utility_id ~ '^[a-z0-9][a-z0-9-]{1,30}$'),
    version bigint NOT NULL,
    created_at timestamptz NOT NULL,
    changed_at timestamptz NOT NULL,
    name text NOT NULL,
    rulebook text NOT NULL,
    time_zone text NOT NULL,
    due_soon_days integer NOT NULL,
    -- The number that the regulator has given the water system.
    system_id text
);

-- One row a utility: how many changes and reports it has recorded. Whoever records locks it, so that no later commit can
-- slip in front of an earlier number.
CREATE TABLE record.utility_log (
    utility_id text COLLATE "C" PRIMARY KEY REFERENCES record.utility,
    changes bigint NOT NULL DEFAULT 0,
    reports bigint NOT NULL DEFAULT 0,
    facts bigint NOT NULL DEFAULT 0
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
    -- Where it is, as columns that an area is searched by.
    latitude double precision GENERATED ALWAYS AS ((location -> 'latitude')::double precision) STORED,
    longitude double precision GENERATED ALWAYS AS ((location -> 'longitude')::double precision) STORED,
    -- Whom to notify about the assemblies there; no more than that needs.
    contact jsonb,
    -- The hazard in the authority's own word; NULL: stated by degree alone.
    hazard_class text,
    PRIMARY KEY (utility_id, id)
);
CREATE INDEX premises_by_place ON record.premises (utility_id, latitude, longitude) WHERE latitude IS NOT NULL;
-- An import finds things by the marks that people know them by.
CREATE INDEX premises_by_reference ON record.premises (utility_id, reference) WHERE reference IS NOT NULL;

CREATE TABLE record.assembly (
    utility_id text COLLATE "C" NOT NULL,
    id uuid NOT NULL,
    version bigint NOT NULL,
    created_at timestamptz NOT NULL,
    changed_at timestamptz NOT NULL,
    premises_id uuid NOT NULL,
    kind text NOT NULL,
    hazard text NOT NULL,
    purpose text,
    serial_number text,
    nominal_size jsonb,
    position text,
    installed_on date,
    in_service boolean NOT NULL,
    -- What makes a test due besides time, as the utility registers it, and a shorter interval of the assembly's own.
    occurrences jsonb NOT NULL DEFAULT '[]',
    season jsonb,
    test_interval_months integer CHECK (test_interval_months > 0),
    -- What is known of the place where it is installed; NULL: not stated.
    backpressure_possible boolean,
    in_plant_air_gap boolean,
    -- The hazard in the authority's own word; NULL: stated by degree alone.
    hazard_class text,
    manufacturer text,
    model text,
    approval text CHECK (approval IN ('approved', 'formerly_approved', 'not_approved')),
    -- The utility's own number of it, and the meter it is behind.
    assembly_number text,
    meter text,
    -- Where the assembly itself is; NULL: where its premises are.
    location jsonb,
    latitude double precision GENERATED ALWAYS AS ((location -> 'latitude')::double precision) STORED,
    longitude double precision GENERATED ALWAYS AS ((location -> 'longitude')::double precision) STORED,
    -- The assembly that it replaced, and that replaced it; when and why it was retired for good.
    replaces uuid,
    replaced_by uuid,
    retired_on date,
    retired_because text,
    -- Another assembly at the premises has the same serial number, and somebody says that it is right.
    serial_number_confirmed boolean,
    -- From which day it is in service or out of it, as `in_service` says, and why.
    service_since date,
    service_because text,
    PRIMARY KEY (utility_id, id),
    FOREIGN KEY (utility_id, premises_id) REFERENCES record.premises (utility_id, id),
    -- An export holds either of the two first.
    CONSTRAINT assembly_replaces FOREIGN KEY (utility_id, replaces) REFERENCES record.assembly (utility_id, id) DEFERRABLE INITIALLY DEFERRED,
    CONSTRAINT assembly_replaced_by FOREIGN KEY (utility_id, replaced_by) REFERENCES record.assembly (utility_id, id) DEFERRABLE INITIALLY DEFERRED,
    CONSTRAINT assembly_replaced_once UNIQUE (utility_id, replaces)
);
CREATE INDEX assembly_by_assembly_number ON record.assembly (utility_id, assembly_number) WHERE assembly_number IS NOT NULL;
CREATE INDEX assembly_by_meter ON record.assembly (utility_id, meter) WHERE meter IS NOT NULL;
CREATE INDEX assembly_by_place ON record.assembly (utility_id, latitude, longitude) WHERE latitude IS NOT NULL;
CREATE INDEX assembly_of_premises ON record.assembly (utility_id, premises_id, id);
CREATE INDEX assembly_of_kind ON record.assembly (utility_id, kind, id);
CREATE INDEX assembly_by_serial_number ON record.assembly (utility_id, serial_number) WHERE serial_number IS NOT NULL;

-- The last of the days that stand under that name in a list. The text is an ISO date whatever the session's settings.
CREATE FUNCTION record.last_day(listed jsonb, named text) RETURNS date LANGUAGE sql IMMUTABLE AS $$
    SELECT max((item ->> named)::date) FROM jsonb_array_elements(listed) AS item
$$;
CREATE TABLE record.tester (
    utility_id text COLLATE "C" NOT NULL REFERENCES record.utility,
    id uuid NOT NULL,
    version bigint NOT NULL,
    created_at timestamptz NOT NULL,
    changed_at timestamptz NOT NULL,
    name text NOT NULL,
    organisation_id uuid,
    certificates jsonb NOT NULL,
    certified_until date GENERATED ALWAYS AS (record.last_day(certificates, 'valid_until')) STORED,
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
    calibrated_on date GENERATED ALWAYS AS (record.last_day(calibrations, 'calibrated_on')) STORED,
    PRIMARY KEY (utility_id, id)
);

-- A report with its verdict; appended, never changed. `content` is what was sent, `judged` the test as it was judged (with what
-- the registry knew then), `previous` the readings of the test before it, `verdict` the answer: text, because they are kept to the byte and not searched in.
CREATE TABLE record.report (
    utility_id text COLLATE "C" NOT NULL,
    id uuid NOT NULL,
    log_index bigint NOT NULL,
    assembly_id uuid NOT NULL,
    tester_id uuid,
    gauge_id uuid,
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
    protection text NOT NULL CHECK (protection IN ('full', 'degraded', 'insufficient', 'unknown', 'lost')),
    acceptance text NOT NULL CHECK (acceptance IN ('accepted', 'held', 'refused')),
    rulebook text NOT NULL,
    rulebook_digest text NOT NULL,
    previous text,
    -- How the first test came out, before any repair; the yearly summary counts by it.
    initial_outcome text GENERATED ALWAYS AS (CASE WHEN verdict <> '' THEN verdict::jsonb #>> '{initial,outcome}' END) STORED,
    -- The hash of the report's leaf in its utility's log (RFC 9162); NULL in rows from before there was one.
    leaf_hash bytea,
    -- Whose report it is, of testing companies: the tester's organisation when it came, else the sender's. Reports from before belong to none.
    company_id uuid,
    -- What the parts would do by the last phase, and by the phase that failed last; which deadline that failure has. They repeat what the
    -- verdict says, for standings and figures; NULL in reports from before.
    mechanical_protection text,
    failed_protection text,
    acts_as text,
    -- Whether the outcome is the one declared on paper. JSON writes a quote within a text otherwise, so this finds the member only.
    declared boolean GENERATED ALWAYS AS (verdict LIKE '%"basis":"declared"%') STORED,
    PRIMARY KEY (utility_id, id),
    -- A test names its tester and gauge. An inspection has no gauge, which distinguishes it from a test, and may name no registered tester.
    CONSTRAINT report_tested_with_gauge CHECK (gauge_id IS NULL OR tester_id IS NOT NULL),
    UNIQUE (utility_id, log_index),
    UNIQUE (utility_id, supersedes),
    FOREIGN KEY (utility_id, assembly_id) REFERENCES record.assembly (utility_id, id),
    FOREIGN KEY (utility_id, tester_id) REFERENCES record.tester (utility_id, id),
    FOREIGN KEY (utility_id, gauge_id) REFERENCES record.gauge (utility_id, id),
    FOREIGN KEY (utility_id, supersedes) REFERENCES record.report (utility_id, id)
);
-- What an assembly has been through, read from the index alone.
CREATE INDEX report_by_assembly ON record.report (utility_id, assembly_id, performed_at, id)
    INCLUDE (received_at, performed_on, outcome, initial_outcome, acceptance, protection, failed_protection, reason, declared);
-- A year's tests are counted from this index alone.
CREATE INDEX report_of_year ON record.report (utility_id, performed_on, log_index)
    INCLUDE (id, assembly_id, performed_at, outcome, initial_outcome, acceptance, protection, declared);
-- Failures are few among the tests, so counting what became of them begins here.
CREATE INDEX report_failures ON record.report (utility_id, performed_on) INCLUDE (id, assembly_id, outcome, acceptance, protection, failed_protection, declared)
    WHERE outcome = 'fail' OR initial_outcome = 'fail';

-- The failures of an assembly are few, and its standing rests on all of them.
CREATE INDEX report_failed_of_assembly ON record.report (utility_id, assembly_id, performed_at) WHERE outcome = 'fail' OR initial_outcome = 'fail';
CREATE INDEX report_of_company ON record.report (utility_id, company_id, log_index) WHERE company_id IS NOT NULL;
CREATE INDEX report_inspections ON record.report (utility_id, log_index) WHERE gauge_id IS NULL;
CREATE INDEX report_of_tester ON record.report (utility_id, tester_id, performed_at);

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
    -- What the basis says, as columns that lists select by; made by Postgres, so that they cannot part from it.
    status text GENERATED ALWAYS AS (basis::jsonb ->> 'status') STORED,
    protection text GENERATED ALWAYS AS (basis::jsonb ->> 'protection') STORED,
    report_id uuid GENERATED ALWAYS AS ((basis::jsonb ->> 'report_id')::uuid) STORED,
    -- What the next report rests on: the tests that count, as JSON, and the moment of the latest. It holds where `rests_version` is the
    -- standing's own version; whoever writes the standing without it raises the version and so leaves it behind.
    rests_version bigint,
    rests_on text,
    latest_at timestamptz,
    PRIMARY KEY (utility_id, assembly_id),
    FOREIGN KEY (utility_id, assembly_id) REFERENCES record.assembly (utility_id, id)
);
-- Due soon and overdue are ranges of the due day among the current ones.
-- The day as it stands: under row security no condition on an expression, such as coalesce, is an index's, since it might leak.
CREATE INDEX standing_by_due_day ON record.standing (utility_id, status, due_on, assembly_id);
-- A page of those that are not current, in the order of assemblies; most standings are, and cost nothing here.
CREATE INDEX standing_exceptional ON record.standing (utility_id, status, assembly_id) WHERE status <> 'current';
-- The same of those whose protection is not known to be full.
CREATE INDEX standing_not_full ON record.standing (utility_id, protection, assembly_id) WHERE protection <> 'full';

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

-- A backflow incident as last revised; `occurred_on` is its day where the utility is.
CREATE TABLE record.incident (
    utility_id text COLLATE "C" NOT NULL REFERENCES record.utility,
    id uuid NOT NULL,
    version bigint NOT NULL,
    created_at timestamptz NOT NULL,
    changed_at timestamptz NOT NULL,
    occurred_at timestamptz NOT NULL,
    occurred_on date NOT NULL,
    status text NOT NULL CHECK (status IN ('suspected', 'confirmed', 'unfounded')),
    description text NOT NULL,
    assemblies uuid[] NOT NULL,
    premises uuid[] NOT NULL,
    place text,
    location jsonb,
    people_affected integer CHECK (people_affected >= 0),
    actions text,
    closed_on date,
    PRIMARY KEY (utility_id, id)
);
CREATE INDEX incident_of_day ON record.incident (utility_id, occurred_on, id);

-- Each revision of an incident, as of the moment it was recorded: a past day's standing rests on what was recorded by then.
CREATE TABLE record.incident_version (
    utility_id text COLLATE "C" NOT NULL,
    incident_id uuid NOT NULL,
    version bigint NOT NULL,
    recorded_at timestamptz NOT NULL,
    organisation_id uuid NOT NULL,
    key_id uuid NOT NULL,
    occurred_at timestamptz NOT NULL,
    occurred_on date NOT NULL,
    counts boolean NOT NULL,
    content jsonb NOT NULL,
    PRIMARY KEY (utility_id, incident_id, version),
    FOREIGN KEY (utility_id, incident_id) REFERENCES record.incident (utility_id, id)
);

-- The assemblies and premises that a revision affects: those it names, and the assemblies that stood at those premises then.
CREATE TABLE record.incident_reach (
    utility_id text COLLATE "C" NOT NULL,
    incident_id uuid NOT NULL,
    version bigint NOT NULL,
    place integer NOT NULL,
    assembly_id uuid,
    premises_id uuid,
    PRIMARY KEY (utility_id, incident_id, version, place),
    CHECK (num_nonnulls(assembly_id, premises_id) = 1),
    FOREIGN KEY (utility_id, incident_id, version) REFERENCES record.incident_version (utility_id, incident_id, version),
    FOREIGN KEY (utility_id, assembly_id) REFERENCES record.assembly (utility_id, id),
    FOREIGN KEY (utility_id, premises_id) REFERENCES record.premises (utility_id, id)
);
CREATE INDEX incident_reach_of_assembly ON record.incident_reach (utility_id, assembly_id) WHERE assembly_id IS NOT NULL;
CREATE INDEX incident_reach_of_premises ON record.incident_reach (utility_id, premises_id) WHERE premises_id IS NOT NULL;

-- An exception from testing, granted for a time. It is never changed but for its early end, and that once.
CREATE TABLE record.exception (
    utility_id text COLLATE "C" NOT NULL,
    id uuid NOT NULL,
    version bigint NOT NULL,
    created_at timestamptz NOT NULL,
    changed_at timestamptz NOT NULL,
    assembly_id uuid NOT NULL,
    since date NOT NULL,
    until date NOT NULL,
    reason text NOT NULL CHECK (reason IN ('premises_empty', 'cannot_be_shut_down', 'not_accessible', 'awaiting_replacement', 'other')),
    because text NOT NULL,
    granted_by text NOT NULL,
    organisation_id uuid NOT NULL,
    key_id uuid NOT NULL,
    ended_on date,
    ended_because text,
    PRIMARY KEY (utility_id, id),
    CHECK (since <= until),
    CHECK (ended_on >= since),
    CHECK ((ended_on IS NULL) = (ended_because IS NULL)),
    FOREIGN KEY (utility_id, assembly_id) REFERENCES record.assembly (utility_id, id)
);
CREATE INDEX exception_of_assembly ON record.exception (utility_id, assembly_id, id);
CREATE INDEX exception_of_day ON record.exception (utility_id, since);

-- A utility's own schedule of notices; without a row, or without steps in it, the common one is followed.
CREATE TABLE record.notice_schedule (
    utility_id text COLLATE "C" PRIMARY KEY REFERENCES record.utility,
    version bigint NOT NULL,
    created_at timestamptz NOT NULL,
    changed_at timestamptz NOT NULL,
    steps jsonb
);

-- A run that prepares notices, and how far it has come. `worker` is who works on it, `beat_at` when that one last did.
CREATE TABLE record.notice_run (
    utility_id text COLLATE "C" NOT NULL REFERENCES record.utility,
    id uuid NOT NULL,
    created_at timestamptz NOT NULL,
    on_day date NOT NULL,
    state text NOT NULL CHECK (state IN ('running', 'finished', 'abandoned')),
    worker uuid NOT NULL,
    beat_at timestamptz NOT NULL,
    finished_at timestamptz,
    total bigint,
    done bigint NOT NULL DEFAULT 0,
    without_addressee bigint NOT NULL DEFAULT 0,
    by_step jsonb NOT NULL DEFAULT '{}',
    PRIMARY KEY (utility_id, id)
);
CREATE UNIQUE INDEX notice_run_unfinished ON record.notice_run (utility_id) WHERE state = 'running';

-- A notice, prepared once for its step and what it is about: the due day of a test, or the failing report. `states` is every state it
-- has had, each with its time.
CREATE TABLE record.notice (
    utility_id text COLLATE "C" NOT NULL,
    id uuid NOT NULL,
    version bigint NOT NULL,
    created_at timestamptz NOT NULL,
    changed_at timestamptz NOT NULL,
    assembly_id uuid NOT NULL,
    run_id uuid NOT NULL,
    step text NOT NULL,
    occasion text NOT NULL CHECK (occasion IN ('due', 'failed', 'unprotected', 'retest')),
    addressee text NOT NULL CHECK (addressee IN ('customer', 'utility')),
    due_on date,
    report_id uuid,
    repair_by date,
    scheduled_for date NOT NULL,
    state text NOT NULL CHECK (state IN ('prepared', 'sent', 'delivery_failed', 'cancelled', 'withdrawn')),
    states jsonb NOT NULL,
    subject text NOT NULL,
    body text NOT NULL,
    PRIMARY KEY (utility_id, id),
    CHECK ((due_on IS NULL) <> (report_id IS NULL)),
    FOREIGN KEY (utility_id, assembly_id) REFERENCES record.assembly (utility_id, id),
    FOREIGN KEY (utility_id, run_id) REFERENCES record.notice_run (utility_id, id),
    FOREIGN KEY (utility_id, report_id) REFERENCES record.report (utility_id, id)
);
-- Whoever prepares them, and however many at once. A withdrawn one does not count: what it was about may come to hold again.
CREATE UNIQUE INDEX notice_once ON record.notice (utility_id, assembly_id, step, due_on, report_id) NULLS NOT DISTINCT WHERE state <> 'withdrawn';
CREATE INDEX notice_of_assembly ON record.notice (utility_id, assembly_id, id);
-- What is still to be sent: looked up by assembly, listed by id. No index begins with the utility and the state, which a planner that has
-- not yet counted the table would take for as good a way to an assembly's notices.
CREATE INDEX notice_unsent ON record.notice (utility_id, assembly_id) WHERE state IN ('prepared', 'delivery_failed');
CREATE INDEX notice_to_send ON record.notice (utility_id, id) WHERE state IN ('prepared', 'delivery_failed');

-- Which assemblies a testing company sees where its grant of the utility says `listed`; they go with that grant.
CREATE TABLE record.assembly_grant (
    utility_id text COLLATE "C" NOT NULL,
    organisation_id uuid NOT NULL,
    assembly_id uuid NOT NULL,
    granted_at timestamptz NOT NULL,
    PRIMARY KEY (utility_id, organisation_id, assembly_id),
    FOREIGN KEY (utility_id, organisation_id) REFERENCES access.utility_grant (utility_id, organisation_id) ON DELETE CASCADE,
    FOREIGN KEY (utility_id, assembly_id) REFERENCES record.assembly (utility_id, id)
);
CREATE INDEX assembly_grant_of_assembly ON record.assembly_grant (utility_id, assembly_id);
CREATE FUNCTION record.list_utility() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    INSERT INTO access.utility (utility_id) VALUES (NEW.utility_id) ON CONFLICT DO NOTHING;
    RETURN NULL;
END
$$;
CREATE TRIGGER list_utility AFTER INSERT ON record.utility FOR EACH ROW EXECUTE FUNCTION record.list_utility();

-- A record that deserves a second look: one row for the same screen, subject and occasion, however often the screens run. Its evidence is
-- renewed while nobody has decided; none of it is in the change feed, which testing companies read.
CREATE TABLE record.screening (
    utility_id text COLLATE "C" NOT NULL REFERENCES record.utility,
    id uuid NOT NULL,
    version bigint NOT NULL,
    created_at timestamptz NOT NULL,
    changed_at timestamptz NOT NULL,
    screen text NOT NULL,
    tester_id uuid,
    gauge_id uuid,
    assembly_id uuid,
    occasion text NOT NULL,
    on_day date NOT NULL,
    message text NOT NULL,
    evidence jsonb NOT NULL,
    disposition text NOT NULL CHECK (disposition IN ('open', 'explained', 'confirmed', 'dismissed')),
    PRIMARY KEY (utility_id, id),
    CHECK (num_nonnulls(tester_id, gauge_id, assembly_id) = 1),
    UNIQUE NULLS NOT DISTINCT (utility_id, screen, tester_id, gauge_id, assembly_id, occasion),
    FOREIGN KEY (utility_id, tester_id) REFERENCES record.tester (utility_id, id),
    FOREIGN KEY (utility_id, gauge_id) REFERENCES record.gauge (utility_id, id),
    FOREIGN KEY (utility_id, assembly_id) REFERENCES record.assembly (utility_id, id)
);

-- What people decided of it, each time: who, when, why.
CREATE TABLE record.screening_decision (
    utility_id text COLLATE "C" NOT NULL,
    screening_id uuid NOT NULL,
    version bigint NOT NULL,
    decided_at timestamptz NOT NULL,
    disposition text NOT NULL,
    because text NOT NULL,
    decided_by text NOT NULL,
    organisation_id uuid NOT NULL,
    key_id uuid NOT NULL,
    PRIMARY KEY (utility_id, screening_id, version),
    FOREIGN KEY (utility_id, screening_id) REFERENCES record.screening (utility_id, id)
);

-- What an assembly's serial number and size on record were before and after each change.
CREATE TABLE record.assembly_identity_change (
    utility_id text COLLATE "C" NOT NULL,
    assembly_id uuid NOT NULL,
    version bigint NOT NULL,
    changed_at timestamptz NOT NULL,
    serial_number_before text,
    serial_number_after text,
    nominal_size_before jsonb,
    nominal_size_after jsonb,
    PRIMARY KEY (utility_id, assembly_id, version),
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
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.log_tile FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.log_tile FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.log_head FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.log_head FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();

CREATE FUNCTION record.only_end_exception() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF OLD.ended_on IS NOT NULL OR NEW.ended_on IS NULL
        OR (to_jsonb(NEW) - '{version,changed_at,ended_on,ended_because}'::text[]) <> (to_jsonb(OLD) - '{version,changed_at,ended_on,ended_because}'::text[])
    THEN
        RAISE EXCEPTION 'record.exception is append-only: an exception may be ended, once' USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    RETURN NEW;
END
$$;
CREATE TRIGGER only_end BEFORE UPDATE ON record.exception FOR EACH ROW EXECUTE FUNCTION record.only_end_exception();
CREATE TRIGGER append_only BEFORE DELETE ON record.exception FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.exception FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.incident_version FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.incident_version FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.incident_reach FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.incident_reach FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();

-- Numbers the rows that a statement wrote and adds them to the feed, in the same transaction; TG_ARGV[0] names the resource. Reports and
-- standings, which come by the thousand and are large, are identified by their own columns; the rest by whichever of these members it has.
CREATE FUNCTION record.note_changes() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
DECLARE
    utility text;
    added bigint;
    reported bigint := 0;
    first_index bigint;
    last_index bigint;
    before_them bigint;
    reports_before bigint;
    fact_number bigint;
BEGIN
    IF TG_TABLE_NAME = 'report' THEN
        SELECT min(utility_id), count(*), min(log_index), max(log_index) INTO utility, added, first_index, last_index FROM written;
        reported := added;
    ELSE
        SELECT min(utility_id), count(*) INTO utility, added FROM written;
    END IF;
    IF added = 0 THEN
        RETURN NULL;
    END IF;
    UPDATE record.utility_log SET changes = changes + added, reports = reports + reported, facts = facts + 1 WHERE utility_id = utility
    RETURNING changes - added, reports - reported, facts - 1 INTO before_them, reports_before, fact_number;
    -- No two reports have one index, so that these two ends leave no gap between them.
    IF reported > 0 AND (first_index <> reports_before OR last_index <> reports_before + reported - 1) THEN
        RAISE EXCEPTION 'record.report: the next report has log index %, and no index is left out', reports_before
            USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    IF TG_TABLE_NAME = 'report' THEN
        INSERT INTO record.change (utility_id, sequence, resource, id, version, recorded_at)
        SELECT utility, before_them + row_number() OVER (), CASE WHEN written.gauge_id IS NULL THEN 'inspections' ELSE TG_ARGV[0] END,
            written.id::text, 1, clock_timestamp()
        FROM written;
    ELSIF TG_TABLE_NAME = 'standing' THEN
        INSERT INTO record.change (utility_id, sequence, resource, id, version, recorded_at)
        SELECT utility, before_them + row_number() OVER (), TG_ARGV[0], written.assembly_id::text, written.version, clock_timestamp()
        FROM written;
    ELSE
        INSERT INTO record.change (utility_id, sequence, resource, id, version, recorded_at)
        SELECT utility, before_them + row_number() OVER (), TG_ARGV[0],
            coalesce(row_json ->> 'id', row_json ->> 'assembly_id', row_json ->> 'utility_id'),
            coalesce((row_json ->> 'version')::bigint, 1), clock_timestamp()
        FROM (SELECT to_jsonb(written) AS row_json FROM written) AS rows;
    END IF;
    PERFORM record.put_facts(utility, fact_number, 'written', 'change', ARRAY[format('%s-%s', before_them + 1, before_them + added)],
        ARRAY[record.feed_text(utility, before_them, before_them + added)]);
    RETURN NULL;
END
$$;

-- Locks a utility's log; the index of the next report, or NULL where something that those reports rest on has changed
-- since the feed stood at `seen`: a standing of these assemblies, a report of one of these ids,
-- anything else but notices, which follow from standings. With `seen`
-- NULL nothing is asked. It holds the lock until the commit; each statement here sees what was committed before the lock was had. How far the
-- feed is now stands in the locked row: where that is as far as before nothing is read, and with both ends named the planner, which does not
-- know them, does not take half the feed to lie between. The log counts reports as they are written (note_changes); `added` no longer counts.
CREATE FUNCTION record.hold_log(utility text, added bigint, seen bigint, reports_ text[], assemblies text[]) RETURNS bigint
LANGUAGE plpgsql AS $$
DECLARE
    first bigint;
    so_far bigint;
BEGIN
    SELECT l.reports, l.changes INTO first, so_far FROM record.utility_log l WHERE l.utility_id = utility FOR UPDATE;
    IF seen < so_far AND EXISTS (
        SELECT FROM record.change c
        WHERE c.utility_id = utility AND c.sequence > seen AND c.sequence <= so_far AND CASE c.resource
            WHEN 'reports' THEN c.id = ANY (reports_)
            WHEN 'inspections' THEN c.id = ANY (reports_)
            WHEN 'standings' THEN c.id = ANY (assemblies)
            WHEN 'notices' THEN false
            WHEN 'notice_schedule' THEN false
            ELSE true
        END
    ) THEN
        RETURN NULL;
    END IF;
    RETURN first;
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
CREATE TRIGGER note_inserts AFTER INSERT ON record.incident REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('incidents');
CREATE TRIGGER note_updates AFTER UPDATE ON record.incident REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('incidents');
CREATE TRIGGER note_inserts AFTER INSERT ON record.exception REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('exceptions');
CREATE TRIGGER note_updates AFTER UPDATE ON record.exception REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('exceptions');

-- Which notice a failed standing calls for, by its `basis`.
CREATE FUNCTION record.failure_occasion(basis text) RETURNS text LANGUAGE sql IMMUTABLE AS $$
    SELECT CASE WHEN basis::jsonb -> 'actions' ? 'retest' THEN 'retest' WHEN basis::jsonb ->> 'protection' = 'lost' THEN 'unprotected' ELSE 'failed' END
$$;

-- A notice that is not yet sent is withdrawn with the standing that it rests on, in the same transaction.
CREATE FUNCTION record.withdraw_notices() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    UPDATE record.notice AS notice SET version = notice.version + 1, changed_at = clock_timestamp(), state = 'withdrawn',
        states = notice.states || jsonb_build_object('state', 'withdrawn', 'at', clock_timestamp(), 'detail', CASE
            WHEN standing.status = 'out_of_service' THEN 'The assembly is out of service.'
            WHEN notice.occasion = 'due' THEN 'The due day that it is about no longer holds.'
            ELSE 'The failing test that it is about no longer decides how the assembly stands.' END)
    FROM written AS standing
    WHERE notice.utility_id = standing.utility_id AND notice.assembly_id = standing.assembly_id
        AND notice.state IN ('prepared', 'delivery_failed')
        AND (CASE notice.occasion
            WHEN 'due' THEN standing.status IN ('current', 'untested') AND standing.due_on = notice.due_on
            ELSE standing.status = 'failed' AND standing.report_id = notice.report_id
                AND record.failure_occasion(standing.basis) = notice.occasion
            END) IS NOT TRUE;
    RETURN NULL;
END
$$;

CREATE TRIGGER withdraw_notices AFTER UPDATE ON record.standing REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.withdraw_notices();
CREATE TRIGGER note_inserts AFTER INSERT ON record.notice REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('notices');
CREATE TRIGGER note_updates AFTER UPDATE ON record.notice REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('notices');
CREATE TRIGGER note_inserts AFTER INSERT ON record.notice_schedule REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('notice_schedule');
CREATE TRIGGER note_updates AFTER UPDATE ON record.notice_schedule REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('notice_schedule');

CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.screening_decision FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.screening_decision FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.assembly_identity_change FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.assembly_identity_change FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();

CREATE FUNCTION record.keep_identity() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    INSERT INTO record.assembly_identity_change (utility_id, assembly_id, version, changed_at,
        serial_number_before, serial_number_after, nominal_size_before, nominal_size_after)
    VALUES (NEW.utility_id, NEW.id, NEW.version, NEW.changed_at, OLD.serial_number, NEW.serial_number, OLD.nominal_size, NEW.nominal_size);
    RETURN NULL;
END
$$;
CREATE TRIGGER keep_identity AFTER UPDATE ON record.assembly FOR EACH ROW
    WHEN ((OLD.serial_number, OLD.nominal_size) IS DISTINCT FROM (NEW.serial_number, NEW.nominal_size))
    EXECUTE FUNCTION record.keep_identity();

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
ALTER TABLE record.log_tile ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.log_tile FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.log_tile USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.log_head ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.log_head FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.log_head USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.incident ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.incident FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.incident USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.incident_version ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.incident_version FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.incident_version USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.incident_reach ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.incident_reach FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.incident_reach USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.exception ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.exception FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.exception USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.notice_schedule ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.notice_schedule FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.notice_schedule USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.notice_run ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.notice_run FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.notice_run USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.notice ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.notice FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.notice USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.screening ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.screening FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.screening USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.screening_decision ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.screening_decision FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.screening_decision USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.assembly_identity_change ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.assembly_identity_change FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.assembly_identity_change USING (utility_id = current_setting('nonreturn.utility', true));

DO $$
BEGIN
    IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = 'nonreturn_service') THEN
        CREATE ROLE nonreturn_service LOGIN NOSUPERUSER NOBYPASSRLS NOCREATEDB NOCREATEROLE;
    END IF;
END
$$;
-- Whoever migrates may also work as the service, where one login serves for both.
GRANT nonreturn_service TO CURRENT_USER;
GRANT USAGE ON SCHEMA access, record TO nonreturn_service;
GRANT SELECT, INSERT ON ALL TABLES IN SCHEMA access, record TO nonreturn_service;
GRANT UPDATE (revoked_at) ON access.key TO nonreturn_service;
GRANT DELETE ON access.utility_grant TO nonreturn_service;
GRANT UPDATE ON record.utility, record.utility_log, record.premises, record.assembly, record.tester, record.gauge, record.standing TO nonreturn_service;
GRANT UPDATE ON record.incident TO nonreturn_service;
GRANT UPDATE (version, changed_at, ended_on, ended_because) ON record.exception TO nonreturn_service;
GRANT UPDATE (version, changed_at, steps) ON record.notice_schedule TO nonreturn_service;
GRANT UPDATE (state, worker, beat_at, finished_at, total, done, without_addressee, by_step) ON record.notice_run TO nonreturn_service;
GRANT UPDATE (version, changed_at, state, states) ON record.notice TO nonreturn_service;

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

-- How much a testing company (the session's `nonreturn.organisation`) sees of a utility: 'all', 'listed', or NULL for nothing. It reads as
-- its owner does, since a company reads nothing of the schema `access`.
CREATE FUNCTION record.company_scope(utility text) RETURNS text LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog AS $$
    SELECT assemblies FROM access.utility_grant
    WHERE utility_id = utility AND organisation_id = nullif(current_setting('nonreturn.organisation', true), '')::uuid
$$;

-- Reports in a company's feed that what the company sees has changed.
CREATE FUNCTION record.note_grants() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
DECLARE
    one record;
    numbered bigint;
    fact_number bigint;
BEGIN
    FOR one IN SELECT DISTINCT utility_id, organisation_id FROM written LOOP
        UPDATE record.utility_log SET changes = changes + 1, facts = facts + 1 WHERE utility_id = one.utility_id
        RETURNING changes, facts - 1 INTO numbered, fact_number;
        IF numbered IS NOT NULL THEN
            INSERT INTO record.change (utility_id, sequence, resource, id, version, recorded_at)
            VALUES (one.utility_id, numbered, 'assembly_grants', one.organisation_id::text, 1, clock_timestamp());
            PERFORM record.put_facts(one.utility_id, fact_number, 'written', 'change', ARRAY[format('%s-%s', numbered, numbered)],
                ARRAY[record.feed_text(one.utility_id, numbered - 1, numbered)]);
        END IF;
    END LOOP;
    RETURN NULL;
END
$$;

CREATE TRIGGER note_inserts AFTER INSERT ON record.assembly_grant REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_grants();
CREATE TRIGGER note_deletes AFTER DELETE ON record.assembly_grant REFERENCING OLD TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_grants();
CREATE TRIGGER note_updates AFTER UPDATE ON access.utility_grant REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_grants();

ALTER TABLE record.assembly_grant ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.assembly_grant FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.assembly_grant USING (utility_id = current_setting('nonreturn.utility', true));

GRANT SELECT, INSERT, DELETE ON record.assembly_grant TO nonreturn_service;
GRANT UPDATE (assemblies) ON access.utility_grant TO nonreturn_service;

-- What is read on behalf of a testing company is read as this role: it may read only, these tables only, and of them what its policies
-- show. A table it is not granted stays closed to testing companies. The service's role does not inherit it, so that its own look at a
-- utility stays whole.
DO $$
BEGIN
    IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = 'nonreturn_company') THEN
        CREATE ROLE nonreturn_company NOLOGIN NOSUPERUSER NOBYPASSRLS NOCREATEDB NOCREATEROLE;
    END IF;
    IF EXISTS (SELECT FROM pg_roles WHERE rolname = 'nonreturn_service' AND rolinherit) THEN
        ALTER ROLE nonreturn_service NOINHERIT;
    END IF;
END
$$;
GRANT nonreturn_company TO nonreturn_service;
GRANT USAGE ON SCHEMA record TO nonreturn_company;
GRANT SELECT ON record.utility, record.utility_log, record.change, record.assembly, record.tester, record.gauge, record.report,
    record.assembly_grant TO nonreturn_company;
-- How an assembly stands, but not the other companies' reports that it rests on.
GRANT SELECT (utility_id, assembly_id, version, due_on, basis, status, protection, report_id) ON record.standing TO nonreturn_company;
-- All but the customer's contact.
GRANT SELECT (utility_id, id, version, created_at, changed_at, reference, name, address, category, connection, hazard, hazard_class, location, latitude,
    longitude) ON record.premises TO nonreturn_company;

CREATE POLICY own_company ON record.utility AS RESTRICTIVE FOR SELECT TO nonreturn_company USING (
    record.company_scope(utility_id) IS NOT NULL
);
CREATE POLICY own_company ON record.utility_log AS RESTRICTIVE FOR SELECT TO nonreturn_company USING (
    record.company_scope(utility_id) IS NOT NULL
);
CREATE POLICY own_company ON record.assembly_grant AS RESTRICTIVE FOR SELECT TO nonreturn_company USING (
    organisation_id = nullif(current_setting('nonreturn.organisation', true), '')::uuid
);
CREATE POLICY own_company ON record.assembly AS RESTRICTIVE FOR SELECT TO nonreturn_company USING (
    (SELECT record.company_scope(current_setting('nonreturn.utility', true))) = 'all' OR EXISTS (SELECT FROM record.assembly_grant g WHERE g.utility_id = assembly.utility_id AND g.organisation_id = nullif(current_setting('nonreturn.organisation', true), '')::uuid AND g.assembly_id = assembly.id)
);
CREATE POLICY own_company ON record.standing AS RESTRICTIVE FOR SELECT TO nonreturn_company USING (
    (SELECT record.company_scope(current_setting('nonreturn.utility', true))) = 'all' OR EXISTS (SELECT FROM record.assembly_grant g WHERE g.utility_id = standing.utility_id AND g.organisation_id = nullif(current_setting('nonreturn.organisation', true), '')::uuid AND g.assembly_id = standing.assembly_id)
);
CREATE POLICY own_company ON record.premises AS RESTRICTIVE FOR SELECT TO nonreturn_company USING (
    (SELECT record.company_scope(current_setting('nonreturn.utility', true))) = 'all' OR EXISTS (SELECT FROM record.assembly a WHERE a.utility_id = premises.utility_id AND a.premises_id = premises.id)
);
CREATE POLICY own_company ON record.tester AS RESTRICTIVE FOR SELECT TO nonreturn_company USING (
    (SELECT record.company_scope(current_setting('nonreturn.utility', true))) IS NOT NULL AND (organisation_id IS NULL OR organisation_id = nullif(current_setting('nonreturn.organisation', true), '')::uuid)
);
CREATE POLICY own_company ON record.gauge AS RESTRICTIVE FOR SELECT TO nonreturn_company USING (
    (SELECT record.company_scope(current_setting('nonreturn.utility', true))) IS NOT NULL AND (organisation_id IS NULL OR organisation_id = nullif(current_setting('nonreturn.organisation', true), '')::uuid)
);
CREATE POLICY own_company ON record.report AS RESTRICTIVE FOR SELECT TO nonreturn_company USING (
    (SELECT record.company_scope(current_setting('nonreturn.utility', true))) IS NOT NULL AND company_id = nullif(current_setting('nonreturn.organisation', true), '')::uuid
);
CREATE POLICY own_company ON record.change AS RESTRICTIVE FOR SELECT TO nonreturn_company USING (
    CASE resource
        WHEN 'utility' THEN (SELECT record.company_scope(current_setting('nonreturn.utility', true))) IS NOT NULL
        WHEN 'local_rulebook' THEN (SELECT record.company_scope(current_setting('nonreturn.utility', true))) IS NOT NULL
        WHEN 'assembly_grants' THEN id = current_setting('nonreturn.organisation', true)
        WHEN 'premises' THEN EXISTS (SELECT FROM record.premises p WHERE p.utility_id = change.utility_id AND p.id = change.id::uuid)
        WHEN 'assemblies' THEN EXISTS (SELECT FROM record.assembly a WHERE a.utility_id = change.utility_id AND a.id = change.id::uuid)
        WHEN 'standings' THEN EXISTS (SELECT FROM record.assembly a WHERE a.utility_id = change.utility_id AND a.id = change.id::uuid)
        WHEN 'testers' THEN EXISTS (SELECT FROM record.tester t WHERE t.utility_id = change.utility_id AND t.id = change.id::uuid)
        WHEN 'gauges' THEN EXISTS (SELECT FROM record.gauge g WHERE g.utility_id = change.utility_id AND g.id = change.id::uuid)
        WHEN 'reports' THEN EXISTS (SELECT FROM record.report r WHERE r.utility_id = change.utility_id AND r.id = change.id::uuid)
        WHEN 'inspections' THEN EXISTS (SELECT FROM record.report r WHERE r.utility_id = change.utility_id AND r.id = change.id::uuid)
        WHEN 'reviews' THEN EXISTS (SELECT FROM record.report r WHERE r.utility_id = change.utility_id AND r.id = change.id::uuid)
        ELSE false
    END
);
GRANT UPDATE (version, changed_at, on_day, message, evidence, disposition) ON record.screening TO nonreturn_service;

-- What a person at the utility decided of a report, each time: who, when, why. A held report is accepted or refused; any report may be voided,
-- once and for good. The report itself never changes.
CREATE TABLE record.review (
    utility_id text COLLATE "C" NOT NULL,
    id uuid NOT NULL,
    version bigint NOT NULL CHECK (version > 0),
    decided_at timestamptz NOT NULL,
    decision text NOT NULL CHECK (decision IN ('accepted', 'refused', 'void')),
    because text NOT NULL,
    decided_by text,
    organisation_id uuid NOT NULL,
    key_id uuid NOT NULL,
    PRIMARY KEY (utility_id, id, version),
    FOREIGN KEY (utility_id, id) REFERENCES record.report (utility_id, id)
);
CREATE UNIQUE INDEX review_void ON record.review (utility_id, id) WHERE decision = 'void';
CREATE INDEX report_held ON record.report (utility_id, log_index) WHERE acceptance = 'held';
-- Refused reports are few, and somebody looks for them.
CREATE INDEX report_refused ON record.report (utility_id, log_index) WHERE acceptance = 'refused';

-- The last decision on a report (made before a moment; null: until now); null where nobody decided.
CREATE FUNCTION record.decision(utility text, of_report uuid, by_then timestamptz) RETURNS text LANGUAGE sql STABLE AS $$
    SELECT (
        SELECT d.decision FROM record.review d
        WHERE d.utility_id = utility AND d.id = of_report AND (by_then IS NULL OR d.decided_at < by_then)
        ORDER BY d.version DESC LIMIT 1
    )
$$;

-- How a held report counts: by the last decision on it, else held.
CREATE FUNCTION record.decided(utility text, of_report uuid, by_then timestamptz) RETURNS text LANGUAGE sql STABLE AS $$
    SELECT coalesce(record.decision(utility, of_report, by_then), 'held')
$$;

-- Whether an accepted report supersedes a report, or supersedes what does. The standings' rule says the same (rules/standing/history.py).
CREATE FUNCTION record.silenced(utility text, of_report uuid) RETURNS boolean LANGUAGE sql STABLE AS $$
    WITH RECURSIVE later AS (
        SELECT c.id, c.acceptance FROM record.report c WHERE c.utility_id = utility AND c.supersedes = of_report
        UNION ALL
        SELECT c.id, c.acceptance FROM later JOIN record.report c ON c.utility_id = utility AND c.supersedes = later.id
    )
    SELECT coalesce(bool_or(coalesce(record.decision(utility, id, NULL), acceptance) = 'accepted'), false) FROM later
$$;

-- Whether a held report is one of the tests made: it was not refused, and is not a correction that waits while the failing report that it
-- corrects still counts.
CREATE FUNCTION record.held_stands(utility text, of_report uuid) RETURNS boolean LANGUAGE sql STABLE AS $$
    WITH RECURSIVE earlier AS (
        SELECT r.supersedes, r.id, r.outcome FROM record.report r WHERE r.utility_id = utility AND r.id = of_report
        UNION ALL
        SELECT r.supersedes, r.id, r.outcome FROM earlier JOIN record.report r ON r.utility_id = utility AND r.id = earlier.supersedes
    )
    SELECT CASE record.decided(utility, of_report, NULL)
        WHEN 'accepted' THEN true
        WHEN 'held' THEN NOT EXISTS (
            SELECT FROM earlier e WHERE e.id <> of_report AND e.outcome = 'fail' AND NOT record.silenced(utility, e.id)
                AND record.decision(utility, e.id, NULL) IS DISTINCT FROM 'void'
        )
        ELSE false
    END
$$;

CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.review FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.review FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER note_inserts AFTER INSERT ON record.review REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('reviews');

ALTER TABLE record.review ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.review FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.review USING (utility_id = current_setting('nonreturn.utility', true));
GRANT SELECT, INSERT ON record.review TO nonreturn_service;

-- A testing company sees what was decided of its own reports.
GRANT SELECT ON record.review TO nonreturn_company;
CREATE POLICY own_company ON record.review AS RESTRICTIVE FOR SELECT TO nonreturn_company USING (
    EXISTS (SELECT FROM record.report r WHERE r.utility_id = review.utility_id AND r.id = review.id)
);

-- What premises' hazard was found to be, by whom and when; appended, and a wrong one is superseded by another of the same premises, which
-- an export may hold before it.
CREATE TABLE record.hazard_assessment (
    utility_id text COLLATE "C" NOT NULL,
    id uuid NOT NULL,
    version bigint NOT NULL,
    created_at timestamptz NOT NULL,
    premises_id uuid NOT NULL,
    assessed_on date NOT NULL,
    assessed_by text NOT NULL,
    hazard text NOT NULL CHECK (hazard IN ('severe', 'health', 'non_health')),
    findings text,
    next_due_on date CHECK (next_due_on >= assessed_on),
    supersedes uuid,
    supersedes_because text,
    organisation_id uuid NOT NULL,
    key_id uuid NOT NULL,
    -- What the survey found and what had been corrected by then; why no isolation is required of these premises.
    cross_connections_found integer CHECK (cross_connections_found >= 0),
    cross_connections_corrected integer CHECK (cross_connections_corrected >= 0),
    isolation_exception text,
    PRIMARY KEY (utility_id, id),
    UNIQUE (utility_id, supersedes),
    UNIQUE (utility_id, premises_id, id),
    CHECK ((supersedes IS NULL) = (supersedes_because IS NULL)),
    FOREIGN KEY (utility_id, premises_id) REFERENCES record.premises (utility_id, id),
    CONSTRAINT hazard_assessment_corrected FOREIGN KEY (utility_id, premises_id, supersedes)
        REFERENCES record.hazard_assessment (utility_id, premises_id, id) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX hazard_assessment_of_day ON record.hazard_assessment (utility_id, assessed_on);

CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.hazard_assessment FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.hazard_assessment FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER note_inserts AFTER INSERT ON record.hazard_assessment REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('hazard_assessments');

ALTER TABLE record.hazard_assessment ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.hazard_assessment FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.hazard_assessment USING (utility_id = current_setting('nonreturn.utility', true));
GRANT SELECT, INSERT ON record.hazard_assessment TO nonreturn_service;

-- What the service's role cannot do, whoever speaks through it: un-revoke a key, make an operator, or keep a tile or a head of the log that is
-- not the log's own.

CREATE FUNCTION access.keep_revoked() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'access.key: a revoked key stays revoked; make a new one' USING ERRCODE = 'integrity_constraint_violation';
END
$$;
CREATE TRIGGER keep_revoked BEFORE UPDATE ON access.key FOR EACH ROW
    WHEN (OLD.revoked_at IS NOT NULL AND NEW.revoked_at IS DISTINCT FROM OLD.revoked_at) EXECUTE FUNCTION access.keep_revoked();

-- An operator and its keys are made by the database's owner (`nonreturn key`) only.
ALTER TABLE access.organisation ENABLE ROW LEVEL SECURITY;
CREATE POLICY readable ON access.organisation FOR SELECT TO nonreturn_service USING (true);
CREATE POLICY no_operator ON access.organisation FOR INSERT TO nonreturn_service WITH CHECK (kind <> 'operator');
ALTER TABLE access.key ENABLE ROW LEVEL SECURITY;
CREATE POLICY readable ON access.key FOR SELECT TO nonreturn_service USING (true);
CREATE POLICY revocable ON access.key FOR UPDATE TO nonreturn_service USING (true);
CREATE POLICY no_operator ON access.key FOR INSERT TO nonreturn_service WITH CHECK (
    (SELECT o.kind <> 'operator' FROM access.organisation o WHERE o.organisation_id = key.organisation_id)
);

-- A report without its leaf's hash, as in rows from before there was one, could not be checked below.
CREATE POLICY with_leaf ON record.report AS RESTRICTIVE FOR INSERT TO nonreturn_service WITH CHECK (leaf_hash IS NOT NULL);

-- The root of a Merkle tree over those hashes of leaves or of whole subtrees, in order (RFC 9162, section 2.1.1): neighbours are joined, and
-- one without a neighbour goes up as it is.
CREATE FUNCTION record.merkle_root(hashes bytea[]) RETURNS bytea LANGUAGE plpgsql IMMUTABLE AS $$
BEGIN
    WHILE cardinality(hashes) > 1 LOOP
        SELECT array_agg(CASE WHEN h.right_one IS NULL THEN h.left_one ELSE sha256('\x01'::bytea || h.left_one || h.right_one) END ORDER BY h.n)
        INTO hashes
        FROM (
            SELECT u.n, u.hash AS left_one, lead(u.hash) OVER (ORDER BY u.n) AS right_one FROM unnest(hashes) WITH ORDINALITY AS u (hash, n)
        ) AS h WHERE h.n % 2 = 1;
    END LOOP;
    RETURN coalesce(hashes[1], sha256(''));
END
$$;

-- The nodes of the log's tree at a level, from a number on: hashes of leaves at level 0, above it the roots of the tiles below.
CREATE FUNCTION record.log_nodes(utility text, of_level integer, start bigint, until bigint) RETURNS bytea[] LANGUAGE plpgsql STABLE AS $$
BEGIN
    IF of_level = 0 THEN
        RETURN ARRAY(SELECT leaf_hash FROM record.report WHERE utility_id = utility AND log_index >= start AND log_index < until ORDER BY log_index);
    END IF;
    RETURN ARRAY(
        SELECT root FROM record.log_tile WHERE utility_id = utility AND level = of_level - 1 AND number >= start AND number < until ORDER BY number
    );
END
$$;

CREATE FUNCTION record.check_tile() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    nodes bytea[] := CASE TG_TABLE_NAME
        WHEN 'fact_tile' THEN record.fact_nodes(NEW.utility_id, NEW.level, NEW.number * 256, (NEW.number + 1) * 256)
        ELSE record.log_nodes(NEW.utility_id, NEW.level, NEW.number * 256, (NEW.number + 1) * 256)
    END;
BEGIN
    IF cardinality(nodes) = 256 AND (array_position(nodes, NULL) IS NOT NULL
        OR (NEW.root = record.merkle_root(nodes) AND NEW.hashes = (SELECT string_agg(u.hash, '' ORDER BY u.n) FROM unnest(nodes) WITH ORDINALITY AS u (hash, n))))
    THEN
        RETURN NEW;
    END IF;
    RAISE EXCEPTION 'record.%: that is no tile of this log', TG_TABLE_NAME USING ERRCODE = 'integrity_constraint_violation';
END
$$;

-- The root of the whole log, from the right edge up: at each level the nodes beyond the last whole tile, and what the level below came to.
CREATE FUNCTION record.check_head() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    so_far bigint := NEW.size;
    on_level integer := 0;
    nodes bytea[];
    tail bytea[] := '{}';
    edge bytea;
BEGIN
    WHILE so_far > 0 LOOP
        nodes := CASE TG_TABLE_NAME
            WHEN 'fact_head' THEN record.fact_nodes(NEW.utility_id, on_level, so_far / 256 * 256, so_far)
            ELSE record.log_nodes(NEW.utility_id, on_level, so_far / 256 * 256, so_far)
        END;
        IF cardinality(nodes) <> so_far % 256 THEN
            RAISE EXCEPTION 'record.%: this log has not so many leaves, or not their tiles', TG_TABLE_NAME USING ERRCODE = 'integrity_constraint_violation';
        END IF;
        IF on_level = 0 THEN
            tail := nodes;
        END IF;
        IF edge IS NOT NULL THEN
            nodes := nodes || edge;
        END IF;
        IF cardinality(nodes) > 0 THEN
            edge := record.merkle_root(nodes);
        END IF;
        so_far := so_far / 256;
        on_level := on_level + 1;
    END LOOP;
    -- Rows from before leaves' hashes were kept are checked by the service and by the audit.
    IF NEW.size < 0 OR (array_position(tail, NULL) IS NULL AND (NEW.root <> coalesce(edge, sha256(''))
        OR NEW.tail <> coalesce((SELECT string_agg(u.hash, '' ORDER BY u.n) FROM unnest(tail) WITH ORDINALITY AS u (hash, n)), '')))
    THEN
        RAISE EXCEPTION 'record.%: that is no head of this log', TG_TABLE_NAME USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    RETURN NEW;
END
$$;
CREATE TRIGGER of_this_log BEFORE INSERT ON record.log_tile FOR EACH ROW
    WHEN (current_user = 'nonreturn_service') EXECUTE FUNCTION record.check_tile();
CREATE TRIGGER of_this_log BEFORE INSERT ON record.log_head FOR EACH ROW
    WHEN (current_user = 'nonreturn_service') EXECUTE FUNCTION record.check_head();

-- The log's counts and the feed are written by these triggers only, as the tables' owner: a process that was taken over can neither raise a
-- count nor take a number of the feed, either of which would stop the log. It may still lock the row (FOR UPDATE requires that it may
-- change one column), and add one with its first counts. Who may not execute a trigger's function cannot put it on a table of its own.
REVOKE INSERT, UPDATE ON record.utility_log FROM nonreturn_service;
GRANT INSERT (utility_id), UPDATE (utility_id) ON record.utility_log TO nonreturn_service;
REVOKE INSERT ON record.change FROM nonreturn_service;
REVOKE EXECUTE ON FUNCTION record.note_changes(), record.note_grants() FROM PUBLIC;

-- What a utility states of its own ordinance over its state's rulebook: a version a row, numbered from 1, never changed. The newest governs what
-- is judged from then on; the days of its values say for which tests.
CREATE TABLE record.local_rulebook (
    utility_id text COLLATE "C" NOT NULL REFERENCES record.utility,
    version bigint NOT NULL CHECK (version > 0),
    recorded_at timestamptz NOT NULL,
    organisation_id uuid NOT NULL,
    key_id uuid NOT NULL,
    content text NOT NULL,
    PRIMARY KEY (utility_id, version)
);

CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.local_rulebook FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.local_rulebook FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER note_inserts AFTER INSERT ON record.local_rulebook REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('local_rulebook');

ALTER TABLE record.local_rulebook ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.local_rulebook FORCE ROW LEVEL SECURITY;
-- As of utilities: a list of them shows which rulebook each has.
CREATE POLICY own_utility ON record.local_rulebook USING (utility_id = ANY (string_to_array(current_setting('nonreturn.utility', true), ' ')));
GRANT SELECT, INSERT ON record.local_rulebook TO nonreturn_service;
-- An ordinance is public, and a testing company's tests are judged by it; who recorded it is not for it to see.
GRANT SELECT (utility_id, version, recorded_at, content) ON record.local_rulebook TO nonreturn_company;
CREATE POLICY own_company ON record.local_rulebook AS RESTRICTIVE FOR SELECT TO nonreturn_company USING (
    record.company_scope(utility_id) IS NOT NULL
);

-- Who was the contact of some premises before and after each change, so that a change of owner is on record.
CREATE TABLE record.contact_change (
    utility_id text COLLATE "C" NOT NULL,
    premises_id uuid NOT NULL,
    version bigint NOT NULL,
    changed_at timestamptz NOT NULL,
    contact_before jsonb,
    contact jsonb,
    PRIMARY KEY (utility_id, premises_id, version),
    FOREIGN KEY (utility_id, premises_id) REFERENCES record.premises (utility_id, id)
);

CREATE FUNCTION record.keep_contact() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    INSERT INTO record.contact_change (utility_id, premises_id, version, changed_at, contact_before, contact)
    VALUES (NEW.utility_id, NEW.id, NEW.version, NEW.changed_at, OLD.contact, NEW.contact);
    RETURN NULL;
END
$$;
CREATE TRIGGER keep_contact AFTER UPDATE ON record.premises FOR EACH ROW
    WHEN (OLD.contact IS DISTINCT FROM NEW.contact) EXECUTE FUNCTION record.keep_contact();

CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.contact_change FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.contact_change FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();

ALTER TABLE record.contact_change ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.contact_change FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.contact_change USING (utility_id = current_setting('nonreturn.utility', true));
GRANT SELECT, INSERT ON record.contact_change TO nonreturn_service;

-- The day, where the utility is, on which the customer was first sent a notice of that failing report (by then; null: until now); null where
-- none was sent, or where none that was sent arrived.
CREATE FUNCTION record.notified_on(utility text, of_assembly uuid, of_report uuid, by_then timestamptz) RETURNS date LANGUAGE sql STABLE AS $$
    SELECT (min(latest.at) AT TIME ZONE (SELECT u.time_zone FROM record.utility u WHERE u.utility_id = utility))::date
    FROM record.notice n
    CROSS JOIN LATERAL (
        SELECT entry ->> 'state' AS state, (entry ->> 'at')::timestamptz AS at
        FROM jsonb_array_elements(n.states) WITH ORDINALITY AS entries (entry, place)
        WHERE by_then IS NULL OR (entry ->> 'at')::timestamptz < by_then
        ORDER BY place DESC LIMIT 1
    ) AS latest
    WHERE n.utility_id = utility AND n.assembly_id = of_assembly AND n.report_id = of_report AND n.addressee = 'customer'
        AND latest.state = 'sent'
$$;

-- What each import wrote, so that it can be undone whole until somebody seals it. A state a row, numbered from 1, never changed: an import is
-- being written, is written, is being undone, is undone, or is sealed.
CREATE TABLE record.import_version (
    utility_id text COLLATE "C" NOT NULL REFERENCES record.utility,
    id uuid NOT NULL,
    version bigint NOT NULL CHECK (version > 0),
    recorded_at timestamptz NOT NULL,
    state text NOT NULL CHECK (state IN ('writing', 'written', 'undoing', 'undone', 'sealed')),
    because text,
    decided_by text,
    -- How many things it came to, as JSON.
    content text NOT NULL,
    organisation_id uuid NOT NULL,
    key_id uuid NOT NULL,
    PRIMARY KEY (utility_id, id, version)
);

-- What it registered (`before` NULL) or changed: the version that it wrote, and what the thing was before, as JSON.
CREATE TABLE record.import_thing (
    utility_id text COLLATE "C" NOT NULL REFERENCES record.utility,
    import_id uuid NOT NULL,
    resource text NOT NULL CHECK (resource IN ('premises', 'assembly', 'tester', 'gauge')),
    id uuid NOT NULL,
    version bigint NOT NULL,
    before text,
    PRIMARY KEY (utility_id, import_id, resource, id, version)
);
-- A later import asks whether an earlier one that was undone registered a thing.
CREATE INDEX import_thing_of ON record.import_thing (utility_id, id);

-- The reports that it recorded, by their places in the log: from `first_index` up to `until_index`, without that.
CREATE TABLE record.import_reports (
    utility_id text COLLATE "C" NOT NULL REFERENCES record.utility,
    import_id uuid NOT NULL,
    first_index bigint NOT NULL,
    until_index bigint NOT NULL CHECK (until_index >= first_index),
    PRIMARY KEY (utility_id, import_id, first_index, until_index)
);

CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.import_version FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.import_version FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER note_inserts AFTER INSERT ON record.import_version REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('imports');
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.import_thing FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.import_thing FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.import_reports FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.import_reports FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();

ALTER TABLE record.import_version ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.import_version FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.import_version USING (utility_id = current_setting('nonreturn.utility', true));
GRANT SELECT, INSERT ON record.import_version TO nonreturn_service;
ALTER TABLE record.import_thing ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.import_thing FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.import_thing USING (utility_id = current_setting('nonreturn.utility', true));
GRANT SELECT, INSERT ON record.import_thing TO nonreturn_service;
ALTER TABLE record.import_reports ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.import_reports FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.import_reports USING (utility_id = current_setting('nonreturn.utility', true));
GRANT SELECT, INSERT ON record.import_reports TO nonreturn_service;

-- What people look for is found by indexes that row security lets be used: those of plain comparisons. Words of names, addresses and numbers are
-- rows of their own, so that the beginning of any word finds; so are the flags of reports. The running service writes them through triggers unawares.

CREATE INDEX tester_by_last_day ON record.tester (utility_id, certified_until, id);
CREATE INDEX gauge_by_calibration ON record.gauge (utility_id, calibrated_on, id);
CREATE INDEX gauge_by_serial_number ON record.gauge (utility_id, serial_number);

-- The words of a text: between blanks and punctuation, and also those between blanks without their punctuation, so that `A-100` is found as
-- `a-100`, `a100` and `100`. Accents do not count, whatever the database's locale.
CREATE FUNCTION record.words(written text) RETURNS SETOF text LANGUAGE sql IMMUTABLE AS $$
    WITH plain AS (SELECT regexp_replace(lower(normalize(written, NFKD)), '[\u0300-\u036f]', '', 'g') AS text)
    SELECT DISTINCT left(found.word, 60) FROM plain, LATERAL (
        SELECT word FROM regexp_split_to_table(plain.text, '[\u0001-\u002f\u003a-\u0040\u005b-\u0060\u007b-\u00bf\u2000-\u206f]+') AS word
        UNION ALL
        SELECT regexp_replace(word, '[\u0001-\u002f\u003a-\u0040\u005b-\u0060\u007b-\u00bf\u2000-\u206f]', '', 'g')
        FROM regexp_split_to_table(plain.text, '[\u0001-\u0020\u00a0\u2000-\u206f]+') AS word
    ) AS found WHERE found.word <> ''
$$;

CREATE TABLE record.word (
    utility_id text COLLATE "C" NOT NULL REFERENCES record.utility,
    thing text NOT NULL CHECK (thing IN ('premises', 'assembly', 'tester', 'gauge')),
    word text COLLATE "C" NOT NULL,
    id uuid NOT NULL,
    PRIMARY KEY (utility_id, thing, word, id)
);
CREATE INDEX word_of_thing ON record.word (utility_id, id, word);

-- What of a thing is looked for; never a contact, which testing companies may not read.
CREATE FUNCTION record.searched(thing text, row_json jsonb) RETURNS text LANGUAGE sql IMMUTABLE AS $$
    SELECT CASE thing
        WHEN 'premises' THEN concat_ws(' ', row_json ->> 'name', row_json ->> 'address', row_json ->> 'reference')
        WHEN 'assembly' THEN concat_ws(' ', row_json ->> 'serial_number', row_json ->> 'assembly_number', row_json ->> 'meter')
        WHEN 'tester' THEN concat_ws(' ', row_json ->> 'name',
            (SELECT string_agg(held ->> 'certificate', ' ') FROM jsonb_array_elements(row_json -> 'certificates') AS held))
        ELSE row_json ->> 'serial_number' END
$$;

CREATE FUNCTION record.keep_words() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    now_searched text := record.searched(TG_TABLE_NAME, to_jsonb(NEW));
BEGIN
    IF TG_OP = 'UPDATE' THEN
        IF now_searched IS NOT DISTINCT FROM record.searched(TG_TABLE_NAME, to_jsonb(OLD)) THEN
            RETURN NULL;
        END IF;
        DELETE FROM record.word WHERE utility_id = NEW.utility_id AND id = NEW.id AND thing = TG_TABLE_NAME;
    END IF;
    INSERT INTO record.word (utility_id, thing, word, id) SELECT NEW.utility_id, TG_TABLE_NAME, word, NEW.id FROM record.words(now_searched) AS word;
    RETURN NULL;
END
$$;
CREATE TRIGGER keep_words AFTER INSERT OR UPDATE ON record.premises FOR EACH ROW EXECUTE FUNCTION record.keep_words();
CREATE TRIGGER keep_words AFTER INSERT OR UPDATE ON record.assembly FOR EACH ROW EXECUTE FUNCTION record.keep_words();
CREATE TRIGGER keep_words AFTER INSERT OR UPDATE ON record.tester FOR EACH ROW EXECUTE FUNCTION record.keep_words();
CREATE TRIGGER keep_words AFTER INSERT OR UPDATE ON record.gauge FOR EACH ROW EXECUTE FUNCTION record.keep_words();

ALTER TABLE record.word ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.word FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.word USING (utility_id = current_setting('nonreturn.utility', true));
GRANT SELECT, INSERT, DELETE ON record.word TO nonreturn_service;
GRANT SELECT ON record.word TO nonreturn_company;
-- A company finds what it sees.
CREATE POLICY own_company ON record.word AS RESTRICTIVE FOR SELECT TO nonreturn_company USING (
    CASE thing
        WHEN 'premises' THEN EXISTS (SELECT FROM record.premises p WHERE p.utility_id = word.utility_id AND p.id = word.id)
        WHEN 'assembly' THEN EXISTS (SELECT FROM record.assembly a WHERE a.utility_id = word.utility_id AND a.id = word.id)
        WHEN 'tester' THEN EXISTS (SELECT FROM record.tester t WHERE t.utility_id = word.utility_id AND t.id = word.id)
        WHEN 'gauge' THEN EXISTS (SELECT FROM record.gauge g WHERE g.utility_id = word.utility_id AND g.id = word.id)
        ELSE false
    END
);

-- The flags of each report, by which reports are listed. They repeat the verdict.
CREATE TABLE record.report_flag (
    utility_id text COLLATE "C" NOT NULL,
    code text COLLATE "C" NOT NULL,
    log_index bigint NOT NULL,
    PRIMARY KEY (utility_id, code, log_index),
    FOREIGN KEY (utility_id, log_index) REFERENCES record.report (utility_id, log_index)
);
CREATE FUNCTION record.keep_flags() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    INSERT INTO record.report_flag (utility_id, code, log_index)
    SELECT DISTINCT written.utility_id, flag ->> 'code', written.log_index
    FROM written, LATERAL jsonb_array_elements(written.verdict::jsonb -> 'flags') AS flag
    WHERE written.verdict LIKE '%"flags":[{%';
    RETURN NULL;
END
$$;
CREATE TRIGGER keep_flags AFTER INSERT ON record.report REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.keep_flags();

ALTER TABLE record.report_flag ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.report_flag FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.report_flag USING (utility_id = current_setting('nonreturn.utility', true));
GRANT SELECT, INSERT ON record.report_flag TO nonreturn_service;
GRANT SELECT ON record.report_flag TO nonreturn_company;
CREATE POLICY own_company ON record.report_flag AS RESTRICTIVE FOR SELECT TO nonreturn_company USING (
    EXISTS (SELECT FROM record.report r WHERE r.utility_id = report_flag.utility_id AND r.log_index = report_flag.log_index)
);

-- Each list of reports has an index in its order; a list by tester has its own already.
CREATE INDEX report_by_gauge ON record.report (utility_id, gauge_id, performed_at);
CREATE INDEX report_not_passed ON record.report (utility_id, outcome, log_index) WHERE outcome <> 'pass';
CREATE INDEX report_by_receipt ON record.report (utility_id, received_at, log_index);

-- What was put right in the register, and why: an assembly that never was, one registered twice, one of another kind.
CREATE TABLE record.assembly_correction (
    utility_id text COLLATE "C" NOT NULL,
    assembly_id uuid NOT NULL,
    version bigint NOT NULL,
    recorded_at timestamptz NOT NULL,
    correction text NOT NULL CHECK (correction IN ('registered_in_error', 'duplicate', 'kind')),
    because text NOT NULL,
    decided_by text,
    duplicate_of uuid,
    kind_before text,
    kind text,
    organisation_id uuid NOT NULL,
    key_id uuid NOT NULL,
    PRIMARY KEY (utility_id, assembly_id, version),
    FOREIGN KEY (utility_id, assembly_id) REFERENCES record.assembly (utility_id, id),
    FOREIGN KEY (utility_id, duplicate_of) REFERENCES record.assembly (utility_id, id)
);
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.assembly_correction FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.assembly_correction FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();

ALTER TABLE record.assembly_correction ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.assembly_correction FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.assembly_correction USING (utility_id = current_setting('nonreturn.utility', true));
GRANT SELECT, INSERT ON record.assembly_correction TO nonreturn_service;

-- Every fact that a standing rests on, as it was written: one row for each row written or removed elsewhere, in the same transaction, numbered from 0
-- without a gap under the lock of the utility's log. `digest` is the SHA-256 of the salt and of the row as text (record.fact_text); `leaf_hash` is the
-- hash of the fact's leaf (RFC 9162), over which a second Merkle tree is kept. The feed is written down by ranges: `change`, `first-last`.
-- `act` is `deleted` where the law asked that something be taken out: `detail` says what and why, and the salts of what was there before are gone.
CREATE TABLE record.fact (
    utility_id text COLLATE "C" NOT NULL REFERENCES record.utility,
    number bigint NOT NULL,
    recorded_at timestamptz NOT NULL,
    act text NOT NULL CHECK (act IN ('written', 'removed', 'deleted')),
    of_table text NOT NULL,
    row_key text NOT NULL,
    detail text,
    salt bytea,
    digest bytea,
    leaf_hash bytea NOT NULL,
    PRIMARY KEY (utility_id, number)
);
CREATE INDEX fact_of_row ON record.fact (utility_id, of_table, row_key, number);

-- The tree over the facts, in tiles and signed heads, as those of reports are.
CREATE TABLE record.fact_tile (
    utility_id text COLLATE "C" NOT NULL REFERENCES record.utility,
    level smallint NOT NULL,
    number bigint NOT NULL,
    hashes bytea NOT NULL CHECK (octet_length(hashes) = 8192),
    root bytea NOT NULL,
    PRIMARY KEY (utility_id, level, number)
);
CREATE TABLE record.fact_head (
    utility_id text COLLATE "C" NOT NULL REFERENCES record.utility,
    size bigint NOT NULL,
    root bytea NOT NULL,
    made_at timestamptz NOT NULL,
    tail bytea NOT NULL,
    signed text NOT NULL,
    PRIMARY KEY (utility_id, size)
);

-- Of a fact, its salt alone may be taken away, for good.
CREATE FUNCTION record.only_forget_salt() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NEW.salt IS NOT NULL OR to_jsonb(NEW) - 'salt' <> to_jsonb(OLD) - 'salt' THEN
        RAISE EXCEPTION 'record.fact is append-only: of a fact, the salt alone may be deleted' USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    RETURN NEW;
END
$$;
CREATE TRIGGER only_forget BEFORE UPDATE ON record.fact FOR EACH ROW EXECUTE FUNCTION record.only_forget_salt();
CREATE TRIGGER append_only BEFORE DELETE ON record.fact FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.fact FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.fact_tile FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.fact_tile FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.fact_head FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.fact_head FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();
ALTER TABLE record.fact ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.fact FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.fact USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.fact_tile ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.fact_tile FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.fact_tile USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.fact_head ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.fact_head FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.fact_head USING (utility_id = current_setting('nonreturn.utility', true));
-- Facts are written by the triggers below alone.
GRANT SELECT ON record.fact TO nonreturn_service;
GRANT SELECT, INSERT ON record.fact_tile, record.fact_head TO nonreturn_service;

-- A row as the text that its digest is of. Columns that are null are left out, so that a column added later leaves old digests as they are.
CREATE FUNCTION record.fact_text(row_json jsonb) RETURNS text LANGUAGE sql STABLE AS $$
    SELECT coalesce(jsonb_object_agg(key, value) FILTER (WHERE value <> 'null'), '{}')::text FROM jsonb_each(row_json)
$$;

-- The hash of a fact's leaf: canonical JSON (RFC 8785) behind a zero byte (RFC 9162, section 2.1.1); `at` is microseconds since 1970.
CREATE FUNCTION record.fact_leaf_hash(
    utility text, number bigint, recorded_at timestamptz, act text, of_table text, row_key text, detail text, digest bytea
) RETURNS bytea LANGUAGE sql STABLE AS $$
    SELECT sha256('\x00'::bytea || convert_to(format('{"act":"%s","at":%s,"detail":%s,"digest":%s,"key":%s,"number":%s,"table":"%s","utility":"%s"}',
        act, (extract(epoch FROM recorded_at) * 1000000)::bigint, coalesce(to_json(detail)::text, 'null'),
        coalesce('"' || encode(digest, 'hex') || '"', 'null'), to_json(row_key)::text, number, of_table, utility), 'UTF8'))
$$;

-- Writes facts from a number on; a text that is null is of a row that was removed.
CREATE FUNCTION record.put_facts(utility text, first bigint, act text, of_table text, keys text[], texts text[]) RETURNS void LANGUAGE sql AS $$
    INSERT INTO record.fact (utility_id, number, recorded_at, act, of_table, row_key, salt, digest, leaf_hash)
    SELECT utility, d.number, d.moment, act, of_table, d.row_key, d.salt, d.digest,
        record.fact_leaf_hash(utility, d.number, d.moment, act, of_table, d.row_key, NULL, d.digest)
    FROM (
        SELECT s.number, s.moment, s.row_key, s.salt, sha256(s.salt || convert_to(s.text, 'UTF8')) AS digest
        FROM (
            SELECT first + u.n - 1 AS number, clock_timestamp() AS moment, u.row_key, u.text,
                CASE WHEN u.text IS NOT NULL THEN uuid_send(gen_random_uuid()) END AS salt
            FROM unnest(keys, texts) WITH ORDINALITY AS u (row_key, text, n)
        ) AS s
    ) AS d
$$;

-- The text of a range of the feed, a line a change.
CREATE FUNCTION record.feed_text(utility text, after bigint, until bigint) RETURNS text LANGUAGE sql STABLE AS $$
    SELECT string_agg(format(E'%s %s %s %s %s\n', c.sequence, c.resource, c.id, c.version, (extract(epoch FROM c.recorded_at) * 1000000)::bigint), ''
        ORDER BY c.sequence)
    FROM record.change c WHERE c.utility_id = utility AND c.sequence > after AND c.sequence <= until
$$;

-- Writes down each row that a statement wrote or removed, in the same transaction; the arguments name the key's columns but for the utility.
CREATE FUNCTION record.note_facts() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER
SET search_path = pg_catalog, pg_temp SET timezone = 'UTC' SET extra_float_digits = '1' SET bytea_output = 'hex' AS $$
DECLARE
    generated text[] := ARRAY(SELECT attname::text FROM pg_attribute WHERE attrelid = TG_RELID AND attgenerated <> '');
    of_utility record;
    first bigint;
BEGIN
    FOR of_utility IN
        SELECT r.utility, count(*) AS added, array_agg(r.row_key ORDER BY r.row_key) AS keys, array_agg(r.text ORDER BY r.row_key) AS texts
        FROM (
            SELECT w.row_json ->> 'utility_id' AS utility, record.fact_key(w.row_json, TG_ARGV) AS row_key,
                CASE WHEN TG_OP <> 'DELETE' THEN record.fact_text(w.row_json - generated) END AS text
            FROM (SELECT to_jsonb(written) AS row_json FROM written) AS w
        ) AS r GROUP BY r.utility
    LOOP
        -- Without a log there is no utility yet; its first facts are written as the log begins (note_utility).
        UPDATE record.utility_log SET facts = facts + of_utility.added WHERE utility_id = of_utility.utility RETURNING facts - of_utility.added INTO first;
        IF FOUND THEN
            PERFORM record.put_facts(of_utility.utility, first, CASE WHEN TG_OP = 'DELETE' THEN 'removed' ELSE 'written' END, TG_TABLE_NAME::text,
                of_utility.keys, of_utility.texts);
        END IF;
    END LOOP;
    RETURN NULL;
END
$$;

-- The values of a row's key, in order, between slashes.
CREATE FUNCTION record.fact_key(row_json jsonb, names text[]) RETURNS text LANGUAGE sql STABLE AS $$
    SELECT coalesce(string_agg(row_json ->> k.name, '/' ORDER BY k.n), '') FROM unnest(names) WITH ORDINALITY AS k (name, n)
$$;

-- Writes down rows of a table that no trigger wrote down, of the session's utility: those from before it was kept, and those that a migration
-- changes (a column with a default changes all of them).
CREATE FUNCTION record.write_down(utility text, of_table regclass) RETURNS void LANGUAGE plpgsql
SET search_path = pg_catalog, pg_temp SET timezone = 'UTC' SET extra_float_digits = '1' SET bytea_output = 'hex' AS $$
DECLARE
    generated text[] := ARRAY(SELECT attname::text FROM pg_attribute WHERE attrelid = of_table AND attgenerated <> '');
    names text[] := record.key_columns(of_table);
    added bigint;
    first bigint;
BEGIN
    EXECUTE format('SELECT count(*) FROM %s WHERE utility_id = $1', of_table) INTO added USING utility;
    UPDATE record.utility_log SET facts = facts + added WHERE utility_id = utility RETURNING facts - added INTO first;
    IF first IS NOT NULL AND added > 0 THEN
        EXECUTE format($sql$
            INSERT INTO record.fact (utility_id, number, recorded_at, act, of_table, row_key, salt, digest, leaf_hash)
            SELECT $1, d.number, d.moment, 'written', $2, d.row_key, d.salt, d.digest,
                record.fact_leaf_hash($1, d.number, d.moment, 'written', $2, d.row_key, NULL, d.digest)
            FROM (
                SELECT s.number, s.moment, s.row_key, s.salt, sha256(s.salt || convert_to(record.fact_text(s.row_json - $5), 'UTF8')) AS digest
                FROM (
                    SELECT $3 + row_number() OVER (ORDER BY r.row_key) - 1 AS number, now() AS moment, r.row_key, r.row_json,
                        uuid_send(gen_random_uuid()) AS salt
                    FROM (
                        SELECT record.fact_key(to_jsonb(t), $4) AS row_key, to_jsonb(t) AS row_json FROM %s AS t WHERE t.utility_id = $1
                    ) AS r
                ) AS s
            ) AS d
        $sql$, of_table) USING utility, (SELECT relname::text FROM pg_class WHERE oid = of_table), first, names, generated;
    END IF;
END
$$;

-- The columns of a table's primary key but for the utility.
CREATE FUNCTION record.key_columns(of_table regclass) RETURNS text[] LANGUAGE sql STABLE SET search_path = pg_catalog AS $$
    SELECT coalesce(array_agg(a.attname::text ORDER BY k.n), '{}')
    FROM pg_index i CROSS JOIN unnest(i.indkey) WITH ORDINALITY AS k (attnum, n) JOIN pg_attribute a ON a.attrelid = i.indrelid AND a.attnum = k.attnum
    WHERE i.indrelid = of_table AND i.indisprimary AND a.attname <> 'utility_id'
$$;

-- Has what is written to a table written down from now on, and what it holds at once. A migration that adds a table to the record calls it.
CREATE FUNCTION record.keep_facts(of_table regclass) RETURNS void LANGUAGE plpgsql SET search_path = pg_catalog, pg_temp AS $$
DECLARE
    names text := (SELECT coalesce(string_agg(quote_literal(name), ', '), '') FROM unnest(record.key_columns(of_table)) AS name);
    before text := current_setting('nonreturn.utility', true);
    utility text;
BEGIN
    EXECUTE format('CREATE TRIGGER facts_inserted AFTER INSERT ON %s REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_facts(%s)', of_table, names);
    EXECUTE format('CREATE TRIGGER facts_updated AFTER UPDATE ON %s REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_facts(%s)', of_table, names);
    EXECUTE format('CREATE TRIGGER facts_deleted AFTER DELETE ON %s REFERENCING OLD TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_facts(%s)', of_table, names);
    FOR utility IN SELECT u.utility_id FROM access.utility u ORDER BY 1 LOOP
        PERFORM set_config('nonreturn.utility', utility, true);
        PERFORM record.write_down(utility, of_table);
    END LOOP;
    PERFORM set_config('nonreturn.utility', coalesce(before, ''), true);
END
$$;

-- A log begins: its utility, and whoever may act in it already, are its first facts.
CREATE FUNCTION record.note_utility() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
BEGIN
    PERFORM record.write_down(NEW.utility_id, 'record.utility');
    PERFORM record.write_down(NEW.utility_id, 'access.utility_grant');
    RETURN NULL;
END
$$;
CREATE TRIGGER note_utility AFTER INSERT ON record.utility_log FOR EACH ROW EXECUTE FUNCTION record.note_utility();

-- The nodes of the tree over the facts, as record.log_nodes has those of reports.
CREATE FUNCTION record.fact_nodes(utility text, of_level integer, start bigint, until bigint) RETURNS bytea[] LANGUAGE plpgsql STABLE AS $$
BEGIN
    IF of_level = 0 THEN
        RETURN ARRAY(SELECT leaf_hash FROM record.fact WHERE utility_id = utility AND number >= start AND number < until ORDER BY number);
    END IF;
    RETURN ARRAY(
        SELECT root FROM record.fact_tile WHERE utility_id = utility AND level = of_level - 1 AND number >= start AND number < until ORDER BY number
    );
END
$$;

CREATE TRIGGER of_this_log BEFORE INSERT ON record.fact_tile FOR EACH ROW
    WHEN (current_user = 'nonreturn_service') EXECUTE FUNCTION record.check_tile();
CREATE TRIGGER of_this_log BEFORE INSERT ON record.fact_head FOR EACH ROW
    WHEN (current_user = 'nonreturn_service') EXECUTE FUNCTION record.check_head();
REVOKE EXECUTE ON FUNCTION record.note_facts(), record.note_utility(), record.put_facts(text, bigint, text, text, text[], text[]),
    record.write_down(text, regclass), record.keep_facts(regclass) FROM PUBLIC;

-- What is kept so. Left out: reports, which have a log of their own; the feed, which is written down by ranges; standings, counts and tiles,
-- which follow from the rest; and how far webhooks have come.
SELECT record.keep_facts('record.utility');
SELECT record.keep_facts('record.premises');
SELECT record.keep_facts('record.assembly');
SELECT record.keep_facts('record.tester');
SELECT record.keep_facts('record.gauge');
SELECT record.keep_facts('record.local_rulebook');
SELECT record.keep_facts('record.review');
SELECT record.keep_facts('record.report_request');
SELECT record.keep_facts('record.incident');
SELECT record.keep_facts('record.incident_version');
SELECT record.keep_facts('record.incident_reach');
SELECT record.keep_facts('record.exception');
SELECT record.keep_facts('record.hazard_assessment');
SELECT record.keep_facts('record.assembly_identity_change');
SELECT record.keep_facts('record.contact_change');
SELECT record.keep_facts('record.assembly_correction');
SELECT record.keep_facts('record.screening');
SELECT record.keep_facts('record.screening_decision');
SELECT record.keep_facts('record.notice_schedule');
SELECT record.keep_facts('record.notice_run');
SELECT record.keep_facts('record.notice');
SELECT record.keep_facts('record.assembly_grant');
SELECT record.keep_facts('record.import_version');
SELECT record.keep_facts('record.import_thing');
SELECT record.keep_facts('record.import_reports');
SELECT record.keep_facts('record.webhook');
SELECT record.keep_facts('record.log_head');
SELECT record.keep_facts('record.fact_head');
SELECT record.keep_facts('access.utility_grant');

-- Each change between in service and out of service. `supersedes` is an earlier row of the assembly that was wrong; without `in_service` the
-- row only takes that one back. An assembly of which nothing is here was always as its `in_service` and `service_since` say.
CREATE TABLE record.service_change (
    utility_id text COLLATE "C" NOT NULL,
    assembly_id uuid NOT NULL,
    number integer NOT NULL CHECK (number > 0),
    recorded_at timestamptz NOT NULL,
    in_service boolean,
    on_day date,
    because text,
    supersedes integer,
    PRIMARY KEY (utility_id, assembly_id, number),
    CHECK ((in_service IS NULL) = (on_day IS NULL)),
    FOREIGN KEY (utility_id, assembly_id) REFERENCES record.assembly (utility_id, id)
);

CREATE FUNCTION record.keep_service() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    last_one integer;
    day date := NEW.service_since;
BEGIN
    SELECT max(c.number) INTO last_one FROM record.service_change c WHERE c.utility_id = NEW.utility_id AND c.assembly_id = NEW.id;
    IF last_one IS NULL AND OLD.service_since IS NOT NULL THEN
        last_one := 1;
        INSERT INTO record.service_change VALUES (NEW.utility_id, NEW.id, 1, OLD.changed_at, OLD.in_service, OLD.service_since, OLD.service_because);
    END IF;
    IF NEW.in_service <> OLD.in_service AND day IS NULL AND OLD.service_since IS NULL THEN
        SELECT (NEW.changed_at AT TIME ZONE u.time_zone)::date INTO day FROM record.utility u WHERE u.utility_id = NEW.utility_id;
    END IF;
    INSERT INTO record.service_change VALUES (NEW.utility_id, NEW.id, coalesce(last_one, 0) + 1, NEW.changed_at,
        CASE WHEN day IS NOT NULL THEN NEW.in_service END, day, CASE WHEN day IS NOT NULL THEN NEW.service_because END,
        -- The same again with another day or reason puts the last change right; without a day it takes the last change back.
        CASE WHEN OLD.service_since IS NOT NULL AND (NEW.in_service = OLD.in_service OR NEW.service_since IS NULL) THEN last_one END);
    RETURN NULL;
END
$$;
CREATE TRIGGER keep_service AFTER UPDATE ON record.assembly FOR EACH ROW
    WHEN ((OLD.in_service, OLD.service_since, OLD.service_because) IS DISTINCT FROM (NEW.in_service, NEW.service_since, NEW.service_because))
    EXECUTE FUNCTION record.keep_service();

CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.service_change FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.service_change FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();

-- The changes that count.
CREATE VIEW record.service_change_in_force WITH (security_invoker = true) AS
SELECT c.* FROM record.service_change c
WHERE c.in_service IS NOT NULL AND NOT EXISTS (
    SELECT FROM record.service_change l WHERE l.utility_id = c.utility_id AND l.assembly_id = c.assembly_id AND l.supersedes = c.number
);

-- Whether an assembly was in service on a day; `now_` and `since` are what its own row says of it.
CREATE FUNCTION record.in_service_on(utility text, assembly uuid, on_ date, now_ boolean, since date) RETURNS boolean LANGUAGE sql STABLE AS $$
    SELECT CASE WHEN since IS NULL OR since <= on_ THEN now_ ELSE coalesce(
        (
            SELECT c.in_service FROM record.service_change_in_force c WHERE c.utility_id = utility AND c.assembly_id = assembly AND c.on_day <= on_
            ORDER BY c.on_day DESC, c.number DESC LIMIT 1
        ),
        -- Before its first change it was the opposite of what that made it.
        (
            SELECT NOT c.in_service FROM record.service_change_in_force c WHERE c.utility_id = utility AND c.assembly_id = assembly
            ORDER BY c.on_day, c.number LIMIT 1
        ),
        NOT now_
    ) END
$$;

-- The day of its last change up to a day, and why; NULL: it had none by then.
CREATE FUNCTION record.service_changed(utility text, assembly uuid, on_ date, since date) RETURNS date LANGUAGE sql STABLE AS $$
    SELECT CASE WHEN since <= on_ THEN since ELSE (
        SELECT max(c.on_day) FROM record.service_change_in_force c WHERE c.utility_id = utility AND c.assembly_id = assembly AND c.on_day <= on_
    ) END
$$;

ALTER TABLE record.service_change ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.service_change FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.service_change USING (utility_id = current_setting('nonreturn.utility', true));
GRANT SELECT, INSERT ON record.service_change TO nonreturn_service;
GRANT SELECT ON record.service_change_in_force TO nonreturn_service;
SELECT record.keep_facts('record.service_change');
