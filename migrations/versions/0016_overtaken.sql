-- Locks a utility's log and numbers `added` reports in it; the first number, or NULL where something that those reports rest on has changed
-- since the feed stood at `seen`: a standing of these assemblies, a report of one of these ids,
-- anything else but notices, which follow from standings. With `seen`
-- NULL nothing is asked. It holds the lock until the commit; each statement here sees what was committed before the lock was had.
CREATE OR REPLACE FUNCTION record.hold_log(utility text, added bigint, seen bigint, reports_ text[], assemblies text[]) RETURNS bigint
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
            WHEN 'notices' THEN false
            WHEN 'notice_schedule' THEN false
            ELSE true
        END
    ) THEN
        RETURN NULL;
    END IF;
    UPDATE record.utility_log l SET reports = l.reports + added WHERE l.utility_id = utility;
    RETURN first;
END
$$;
