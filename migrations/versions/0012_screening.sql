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

ALTER TABLE record.screening ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.screening FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.screening USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.screening_decision ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.screening_decision FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.screening_decision USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.assembly_identity_change ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.assembly_identity_change FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.assembly_identity_change USING (utility_id = current_setting('nonreturn.utility', true));

GRANT SELECT, INSERT ON record.screening, record.screening_decision, record.assembly_identity_change TO nonreturn_service;
GRANT UPDATE (version, changed_at, on_day, message, evidence, disposition) ON record.screening TO nonreturn_service;
