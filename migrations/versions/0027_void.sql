-- A report may be voided: a decision on it that needs no name beside the key's, and is the last.
ALTER TABLE record.review DROP CONSTRAINT review_decision_check;
ALTER TABLE record.review ADD CONSTRAINT review_decision_check CHECK (decision IN ('accepted', 'refused', 'void')) NOT VALID;
ALTER TABLE record.review VALIDATE CONSTRAINT review_decision_check;
ALTER TABLE record.review ALTER COLUMN decided_by DROP NOT NULL;
CREATE UNIQUE INDEX review_void ON record.review (utility_id, id) WHERE decision = 'void';

-- The last decision on a report (made before a moment; null: until now); null where nobody decided.
CREATE FUNCTION record.decision(utility text, of_report uuid, by_then timestamptz) RETURNS text LANGUAGE sql STABLE AS $$
    SELECT (
        SELECT d.decision FROM record.review d
        WHERE d.utility_id = utility AND d.id = of_report AND (by_then IS NULL OR d.decided_at < by_then)
        ORDER BY d.version DESC LIMIT 1
    )
$$;

CREATE OR REPLACE FUNCTION record.decided(utility text, of_report uuid, by_then timestamptz) RETURNS text LANGUAGE sql STABLE AS $$
    SELECT coalesce(record.decision(utility, of_report, by_then), 'held')
$$;

CREATE OR REPLACE FUNCTION record.silenced(utility text, of_report uuid) RETURNS boolean LANGUAGE sql STABLE AS $$
    WITH RECURSIVE later AS (
        SELECT c.id, c.acceptance FROM record.report c WHERE c.utility_id = utility AND c.supersedes = of_report
        UNION ALL
        SELECT c.id, c.acceptance FROM later JOIN record.report c ON c.utility_id = utility AND c.supersedes = later.id
    )
    SELECT coalesce(bool_or(coalesce(record.decision(utility, id, NULL), acceptance) = 'accepted'), false) FROM later
$$;

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
                AND record.decision(utility, e.id, NULL) IS DISTINCT FROM 'void'
        )
        ELSE false
    END
$$;
