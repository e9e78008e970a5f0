-- What a testing company sees: its own reports, testers and gauges, and the assemblies granted to it.
ALTER TABLE access.utility_grant ADD COLUMN assemblies text NOT NULL DEFAULT 'all' CHECK (assemblies IN ('all', 'listed'));

-- Whose report it is, of testing companies: the tester's organisation when it came, else the sender's. Reports from before belong to none.
ALTER TABLE record.report ADD COLUMN company_id uuid;
CREATE INDEX report_of_company ON record.report (utility_id, company_id, log_index) WHERE company_id IS NOT NULL;

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

-- How much a testing company (the session's `nonreturn.organisation`) sees of a utility: 'all', 'listed', or NULL for nothing. It reads as
-- its owner does, since a company reads nothing of the schema `access`.
CREATE FUNCTION record.company_scope(utility text) RETURNS text LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog AS $$
    SELECT assemblies FROM access.utility_grant
    WHERE utility_id = utility AND organisation_id = nullif(current_setting('nonreturn.organisation', true), '')::uuid
$$;

-- Reports in a company's feed that what the company sees has changed.
CREATE FUNCTION record.note_grants() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    one record;
    numbered bigint;
BEGIN
    FOR one IN SELECT DISTINCT utility_id, organisation_id FROM written LOOP
        UPDATE record.utility_log SET changes = changes + 1 WHERE utility_id = one.utility_id RETURNING changes INTO numbered;
        IF numbered IS NOT NULL THEN
            INSERT INTO record.change (utility_id, sequence, resource, id, version, recorded_at)
            VALUES (one.utility_id, numbered, 'assembly_grants', one.organisation_id::text, 1, clock_timestamp());
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
    IF NOT pg_has_role('nonreturn_service', 'nonreturn_company', 'MEMBER') THEN
        GRANT nonreturn_company TO nonreturn_service;
    END IF;
END
$$;
GRANT USAGE ON SCHEMA record TO nonreturn_company;
GRANT SELECT ON record.utility, record.utility_log, record.change, record.assembly, record.tester, record.gauge, record.report,
    record.standing, record.assembly_grant TO nonreturn_company;
-- All but the customer's contact.
GRANT SELECT (utility_id, id, version, created_at, changed_at, reference, name, address, category, connection, hazard, location, latitude,
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
        WHEN 'assembly_grants' THEN id = current_setting('nonreturn.organisation', true)
        WHEN 'premises' THEN EXISTS (SELECT FROM record.premises p WHERE p.utility_id = change.utility_id AND p.id = change.id::uuid)
        WHEN 'assemblies' THEN EXISTS (SELECT FROM record.assembly a WHERE a.utility_id = change.utility_id AND a.id = change.id::uuid)
        WHEN 'standings' THEN EXISTS (SELECT FROM record.assembly a WHERE a.utility_id = change.utility_id AND a.id = change.id::uuid)
        WHEN 'testers' THEN EXISTS (SELECT FROM record.tester t WHERE t.utility_id = change.utility_id AND t.id = change.id::uuid)
        WHEN 'gauges' THEN EXISTS (SELECT FROM record.gauge g WHERE g.utility_id = change.utility_id AND g.id = change.id::uuid)
        WHEN 'reports' THEN EXISTS (SELECT FROM record.report r WHERE r.utility_id = change.utility_id AND r.id = change.id::uuid)
        ELSE false
    END
);
