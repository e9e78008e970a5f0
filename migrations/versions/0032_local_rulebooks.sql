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

-- A testing company's mirror hears of it.
ALTER POLICY own_company ON record.change USING (
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
