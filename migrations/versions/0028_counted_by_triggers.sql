-- Writes the feed, and counts the log's reports as they are inserted: they must have the next indexes.
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
        SELECT utility, before_them + row_number() OVER (), TG_ARGV[0], written.id::text, 1, clock_timestamp() FROM written;
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
-- Locks a utility's log; the index of the next report, or NULL where something that those reports rest on has changed
-- since the feed stood at `seen`: a standing of these assemblies, a report of one of these ids,
-- anything else but notices, which follow from standings. With `seen`
-- NULL nothing is asked. It holds the lock until the commit; each statement here sees what was committed before the lock was had. How far the
-- feed is now stands in the locked row: where that is as far as before nothing is read, and with both ends named the planner, which does not
-- know them, does not take half the feed to lie between. The log counts reports as they are written (note_changes); `added` no longer counts.
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
CREATE OR REPLACE FUNCTION record.note_grants() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
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
-- The log's counts and the feed are written by these triggers only, as the tables' owner: a process that was taken over can neither raise a
-- count nor take a number of the feed, either of which would stop the log. It may still lock the row (FOR UPDATE requires that it may
-- change one column), and add one with its first counts. Who may not execute a trigger's function cannot put it on a table of its own.
REVOKE INSERT, UPDATE ON record.utility_log FROM nonreturn_service;
GRANT INSERT (utility_id), UPDATE (utility_id) ON record.utility_log TO nonreturn_service;
REVOKE INSERT ON record.change FROM nonreturn_service;
REVOKE EXECUTE ON FUNCTION record.note_changes(), record.note_grants() FROM PUBLIC;
