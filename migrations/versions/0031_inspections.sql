-- An inspection is a report without a gauge: it has its place in the log, its reviews and its receipt like a test's.
ALTER TABLE record.report ALTER COLUMN tester_id DROP NOT NULL;
ALTER TABLE record.report ALTER COLUMN gauge_id DROP NOT NULL;
ALTER TABLE record.report ADD CONSTRAINT report_tested_with_gauge CHECK (gauge_id IS NULL OR tester_id IS NOT NULL) NOT VALID;
ALTER TABLE record.report VALIDATE CONSTRAINT report_tested_with_gauge;
CREATE INDEX report_inspections ON record.report (utility_id, log_index) WHERE gauge_id IS NULL;

-- The feed names inspections by a resource of their own.
CREATE OR REPLACE FUNCTION record.note_changes() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
DECLARE
    utility text;
    added bigint;
    reported bigint := 0;
    first_index bigint;
    last_index bigint;
    before_them bigint;
    reports_before bigint;
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
    UPDATE record.utility_log SET changes = changes + added, reports = reports + reported WHERE utility_id = utility
    RETURNING changes - added, reports - reported INTO before_them, reports_before;
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
    RETURN NULL;
END
$$;
CREATE OR REPLACE FUNCTION record.hold_log(utility text, added bigint, seen bigint, reports_ text[], assemblies text[]) RETURNS bigint
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
ALTER POLICY own_company ON record.change TO nonreturn_company USING (
    CASE resource
        WHEN 'utility' THEN (SELECT record.company_scope(current_setting('nonreturn.utility', true))) IS NOT NULL
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
