-- The failures of an assembly are few, and its standing rests on all of them.
CREATE INDEX report_failed_of_assembly ON record.report (utility_id, assembly_id, performed_at) WHERE outcome = 'fail' OR initial_outcome = 'fail';

-- Numbers the rows that a statement wrote and adds them to the feed, in the same transaction; TG_ARGV[0] names the resource. Reports and
-- standings, which come by the thousand and are large, are identified by their own columns; the rest by whichever of these members it has.
CREATE OR REPLACE FUNCTION record.note_changes() RETURNS trigger LANGUAGE plpgsql AS $$
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

-- Locks a utility's log and numbers `added` reports in it; the first number, or NULL where something that those reports rest on has changed
-- since the feed stood at `seen`: anything in the register, a standing of these assemblies, a report of one of these ids. With `seen`
-- NULL nothing is asked. It holds the lock until the commit; each statement here sees what was committed before the lock was had.
CREATE FUNCTION record.hold_log(utility text, added bigint, seen bigint, reports_ text[], assemblies text[]) RETURNS bigint
LANGUAGE plpgsql AS $$
DECLARE
    first bigint;
BEGIN
    SELECT l.reports INTO first FROM record.utility_log l WHERE l.utility_id = utility FOR UPDATE;
    IF seen IS NOT NULL AND EXISTS (
        SELECT FROM record.change c
        WHERE c.utility_id = utility AND c.sequence > seen AND CASE c.resource
            WHEN 'reports' THEN c.id = ANY (reports_)
            WHEN 'standings' THEN c.id = ANY (assemblies)
            ELSE true
        END
    ) THEN
        RETURN NULL;
    END IF;
    UPDATE record.utility_log l SET reports = l.reports + added WHERE l.utility_id = utility;
    RETURN first;
END
$$;
