-- What is known of the place where an assembly is installed; NULL: not stated.
ALTER TABLE record.assembly ALTER COLUMN purpose DROP NOT NULL, ADD COLUMN backpressure_possible boolean, ADD COLUMN in_plant_air_gap boolean;

-- What the parts would do by the last phase (`mechanical_protection`) and by the phase that failed last (`failed_protection`), and which
-- deadline that failure has (`acts_as`). They repeat what the verdict says, for standings and figures; NULL in reports from before.
ALTER TABLE record.report ADD COLUMN mechanical_protection text, ADD COLUMN failed_protection text, ADD COLUMN acts_as text;
-- What is recorded already gets them from its verdict, which nothing else of this touches. Nobody else writes until this has committed.
ALTER TABLE record.report NO FORCE ROW LEVEL SECURITY;
ALTER TABLE record.report DISABLE TRIGGER append_only;
UPDATE record.report AS r SET mechanical_protection = r.protection, failed_protection = failed.left_by_it,
    acts_as = CASE WHEN failed.left_by_it IN ('lost', 'unknown') THEN 'lost' ELSE failed.left_by_it END
FROM (
    SELECT f.utility_id, f.id,
        CASE WHEN f.outcome = 'fail' THEN f.protection WHEN f.initial_outcome = 'fail' THEN f.verdict::jsonb #>> '{initial,protection}' END AS left_by_it
    FROM record.report f
) AS failed
WHERE r.utility_id = failed.utility_id AND r.id = failed.id;
ALTER TABLE record.report ENABLE TRIGGER append_only;
ALTER TABLE record.report FORCE ROW LEVEL SECURITY;

DROP INDEX record.report_by_assembly;
CREATE INDEX report_by_assembly ON record.report (utility_id, assembly_id, performed_at, id)
    INCLUDE (received_at, performed_on, outcome, initial_outcome, acceptance, protection, failed_protection, reason);
DROP INDEX record.report_failures;
CREATE INDEX report_failures ON record.report (utility_id, performed_on) INCLUDE (id, assembly_id, outcome, acceptance, protection, failed_protection)
    WHERE outcome = 'fail' OR initial_outcome = 'fail';
-- Refused reports are few, and somebody looks for them.
CREATE INDEX report_refused ON record.report (utility_id, log_index) WHERE acceptance = 'refused';

-- Kept standings say what these are, so that they can be read until `nonreturn rebuild` has worked them out.
ALTER TABLE record.standing NO FORCE ROW LEVEL SECURITY;
ALTER TABLE record.standing DISABLE TRIGGER USER;
UPDATE record.standing SET rests_version = NULL,
    basis = (basis::jsonb || jsonb_build_object('mechanical_protection', basis::jsonb -> 'protection', 'suitable', NULL))::text;
ALTER TABLE record.standing ENABLE TRIGGER USER;
ALTER TABLE record.standing FORCE ROW LEVEL SECURITY;

-- Whether an accepted report supersedes a report, or supersedes what does. The standings' rule says the same (rules/standing/history.py).
CREATE OR REPLACE FUNCTION record.silenced(utility text, of_report uuid) RETURNS boolean LANGUAGE sql STABLE AS $$
    WITH RECURSIVE later AS (
        SELECT c.id, c.acceptance FROM record.report c WHERE c.utility_id = utility AND c.supersedes = of_report
        UNION ALL
        SELECT c.id, c.acceptance FROM later JOIN record.report c ON c.utility_id = utility AND c.supersedes = later.id
    )
    SELECT coalesce(bool_or(CASE WHEN acceptance = 'held' THEN record.decided(utility, id, NULL) ELSE acceptance END = 'accepted'), false) FROM later
$$;

-- Whether a held report is one of the tests made: it was not refused, and is not a correction that waits while the failing report that it
-- corrects still counts.
CREATE OR REPLACE FUNCTION record.held_stands(utility text, of_report uuid) RETURNS boolean LANGUAGE sql STABLE AS $$
    WITH RECURSIVE earlier AS (
        SELECT r.supersedes, r.id, r.outcome FROM record.report r WHERE r.utility_id = utility AND r.id = of_report
        UNION ALL
        SELECT r.supersedes, r.id, r.outcome FROM earlier JOIN record.report r ON r.utility_id = utility AND r.id = earlier.supersedes
    )
    SELECT CASE record.decided(utility, of_report, NULL)
        WHEN 'accepted' THEN true
        WHEN 'held' THEN NOT EXISTS (
            SELECT FROM earlier e WHERE e.id <> of_report AND e.outcome = 'fail' AND NOT record.silenced(utility, e.id)
        )
        ELSE false
    END
$$;

-- A failure of a refused report has a notice of its own: nobody may order a repair on it.
ALTER TABLE record.notice DROP CONSTRAINT notice_occasion_check;
ALTER TABLE record.notice ADD CONSTRAINT notice_occasion_check CHECK (occasion IN ('due', 'failed', 'unprotected', 'retest')) NOT VALID;
ALTER TABLE record.notice VALIDATE CONSTRAINT notice_occasion_check;

-- Which notice a failed standing calls for, by its `basis`.
CREATE FUNCTION record.failure_occasion(basis text) RETURNS text LANGUAGE sql IMMUTABLE AS $$
    SELECT CASE WHEN basis::jsonb -> 'actions' ? 'retest' THEN 'retest' WHEN basis::jsonb ->> 'protection' = 'lost' THEN 'unprotected' ELSE 'failed' END
$$;

CREATE OR REPLACE FUNCTION record.withdraw_notices() RETURNS trigger LANGUAGE plpgsql AS $$
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
