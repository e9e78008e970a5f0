-- What makes a test due besides time, as the utility registers it, and a shorter interval of an assembly's own.
ALTER TABLE record.assembly
    ADD COLUMN occurrences jsonb NOT NULL DEFAULT '[]',
    ADD COLUMN season jsonb,
    ADD COLUMN test_interval_months integer CHECK (test_interval_months > 0);

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

CREATE TRIGGER note_inserts AFTER INSERT ON record.incident REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('incidents');
CREATE TRIGGER note_updates AFTER UPDATE ON record.incident REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('incidents');
CREATE TRIGGER note_inserts AFTER INSERT ON record.exception REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('exceptions');
CREATE TRIGGER note_updates AFTER UPDATE ON record.exception REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('exceptions');

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

GRANT SELECT, INSERT ON record.incident, record.incident_version, record.incident_reach, record.exception TO nonreturn_service;
GRANT UPDATE ON record.incident TO nonreturn_service;
GRANT UPDATE (version, changed_at, ended_on, ended_because) ON record.exception TO nonreturn_service;
