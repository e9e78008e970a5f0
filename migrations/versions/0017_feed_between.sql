-- Locks a utility's log and numbers `added` reports in it; the first number, or NULL where something that those reports rest on has changed
-- since the feed stood at `seen`: a standing of these assemblies, a report of one of these ids,
-- anything else but notices, which follow from standings. With `seen`
-- NULL nothing is asked. It holds the lock until the commit; each statement here sees what was committed before the lock was had. How far the
-- feed is now stands in the locked row: where that is as far as before nothing is read, and with both ends named the planner, which does not
-- know them, does not take half the feed to lie between.
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
    UPDATE record.utility_log l SET reports = l.reports + added WHERE l.utility_id = utility;
    RETURN first;
END
$$;
