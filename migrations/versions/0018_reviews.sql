-- What a person at the utility decided of a held report, each time: who, when, why. The report itself never changes.
CREATE TABLE record.review (
    utility_id text COLLATE "C" NOT NULL,
    id uuid NOT NULL,
    version bigint NOT NULL CHECK (version > 0),
    decided_at timestamptz NOT NULL,
    decision text NOT NULL CHECK (decision IN ('accepted', 'refused')),
    because text NOT NULL,
    decided_by text NOT NULL,
    organisation_id uuid NOT NULL,
    key_id uuid NOT NULL,
    PRIMARY KEY (utility_id, id, version),
    FOREIGN KEY (utility_id, id) REFERENCES record.report (utility_id, id)
);
CREATE INDEX report_held ON record.report (utility_id, log_index) WHERE acceptance = 'held';

-- How a held report stands: by the last decision on it (made before a moment; null: until now), else held.
CREATE FUNCTION record.decided(utility text, of_report uuid, by_then timestamptz) RETURNS text LANGUAGE sql STABLE AS $$
    SELECT coalesce((
        SELECT d.decision FROM record.review d
        WHERE d.utility_id = utility AND d.id = of_report AND (by_then IS NULL OR d.decided_at < by_then)
        ORDER BY d.version DESC LIMIT 1
    ), 'held')
$$;

-- Whether a report that failed is silent because of a correction that may be believed: one that was accepted, or that failed itself and was
-- not refused. The standings' rule says the same (rules/standing).
CREATE FUNCTION record.silenced(utility text, of_report uuid) RETURNS boolean LANGUAGE sql STABLE AS $$
    WITH RECURSIVE later AS (
        SELECT c.id, c.outcome, c.acceptance FROM record.report c WHERE c.utility_id = utility AND c.supersedes = of_report
        UNION ALL
        SELECT c.id, c.outcome, c.acceptance FROM later JOIN record.report c ON c.utility_id = utility AND c.supersedes = later.id
    )
    SELECT coalesce(bool_or(says = 'accepted' OR says = 'held' AND outcome = 'fail'), false) FROM (
        SELECT outcome, CASE WHEN acceptance = 'held' THEN record.decided(utility, id, NULL) ELSE acceptance END AS says FROM later
    ) AS believed
$$;

-- Whether a held report is one of the tests made: it was not refused, and is not a correction that waits while the failing report that it
-- corrects still counts.
CREATE FUNCTION record.held_stands(utility text, of_report uuid) RETURNS boolean LANGUAGE sql STABLE AS $$
    WITH RECURSIVE earlier AS (
        SELECT r.supersedes, r.id, r.outcome FROM record.report r WHERE r.utility_id = utility AND r.id = of_report
        UNION ALL
        SELECT r.supersedes, r.id, r.outcome FROM earlier JOIN record.report r ON r.utility_id = utility AND r.id = earlier.supersedes
    )
    SELECT CASE record.decided(utility, of_report, NULL)
        WHEN 'accepted' THEN true
        WHEN 'held' THEN (SELECT e.outcome = 'fail' FROM earlier e WHERE e.id = of_report) OR NOT EXISTS (
            SELECT FROM earlier e WHERE e.id <> of_report AND e.outcome = 'fail' AND NOT record.silenced(utility, e.id)
        )
        ELSE false
    END
$$;

CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.review FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.review FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER note_inserts AFTER INSERT ON record.review REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('reviews');

ALTER TABLE record.review ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.review FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.review USING (utility_id = current_setting('nonreturn.utility', true));
GRANT SELECT, INSERT ON record.review TO nonreturn_service;

-- A testing company sees what was decided of its own reports.
GRANT SELECT ON record.review TO nonreturn_company;
CREATE POLICY own_company ON record.review AS RESTRICTIVE FOR SELECT TO nonreturn_company USING (
    EXISTS (SELECT FROM record.report r WHERE r.utility_id = review.utility_id AND r.id = review.id)
);
ALTER POLICY own_company ON record.change USING (
    CASE resource
        WHEN 'utility' THEN (SELECT record.company_scope(current_setting('nonreturn.utility', true))) IS NOT NULL
        WHEN 'assembly_grants' THEN id = current_setting('nonreturn.organisation', true)
        WHEN 'premises' THEN EXISTS (SELECT FROM record.premises p WHERE p.utility_id = change.utility_id AND p.id = change.id::uuid)
        WHEN 'assemblies' THEN EXISTS (SELECT FROM record.assembly a WHERE a.utility_id = change.utility_id AND a.id = change.id::uuid)
        WHEN 'standings' THEN EXISTS (SELECT FROM record.assembly a WHERE a.utility_id = change.utility_id AND a.id = change.id::uuid)
        WHEN 'testers' THEN EXISTS (SELECT FROM record.tester t WHERE t.utility_id = change.utility_id AND t.id = change.id::uuid)
        WHEN 'gauges' THEN EXISTS (SELECT FROM record.gauge g WHERE g.utility_id = change.utility_id AND g.id = change.id::uuid)
        WHEN 'reports' THEN EXISTS (SELECT FROM record.report r WHERE r.utility_id = change.utility_id AND r.id = change.id::uuid)
        WHEN 'reviews' THEN EXISTS (SELECT FROM record.report r WHERE r.utility_id = change.utility_id AND r.id = change.id::uuid)
        ELSE false
    END
);
