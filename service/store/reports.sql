-- name: facts
-- What the registry knows of the things that reports name: one row a report, in the order asked. A report that a testing company sends
-- names an assembly granted to it, and a tester and a gauge that are not another company's; others are as if they were not there.
SELECT i.n, a.kind, a.hazard, a.nominal_size::text AS nominal_size, a.installed_on, a.in_service, p.connection,
    t.certificates::text AS certificates, t.id IS NOT NULL AS tester_known, t.organisation_id AS tester_organisation_id,
    g.accuracy, g.resolution, g.units ->> 'pressure' AS gauge_unit, g.calibrations::text AS calibrations,
    before.judged AS previous_judged
FROM unnest($2::uuid[], $3::uuid[], $4::uuid[], $5::timestamptz[], $8::uuid[]) WITH ORDINALITY
    AS i (assembly_id, tester_id, gauge_id, performed_at, company_id, n)
LEFT JOIN record.assembly a ON a.utility_id = $1 AND a.id = i.assembly_id AND (
    i.company_id IS NULL
    OR EXISTS (SELECT FROM access.utility_grant u WHERE u.utility_id = $1 AND u.organisation_id = i.company_id AND u.assemblies = 'all')
    OR EXISTS (SELECT FROM record.assembly_grant l WHERE l.utility_id = $1 AND l.organisation_id = i.company_id AND l.assembly_id = a.id)
)
LEFT JOIN record.premises p ON p.utility_id = $1 AND p.id = a.premises_id
LEFT JOIN record.tester t ON t.utility_id = $1 AND t.id = i.tester_id
    AND (i.company_id IS NULL OR t.organisation_id IS NULL OR t.organisation_id = i.company_id)
LEFT JOIN record.gauge g ON g.utility_id = $1 AND g.id = i.gauge_id
    AND (i.company_id IS NULL OR g.organisation_id IS NULL OR g.organisation_id = i.company_id)
LEFT JOIN LATERAL (
    SELECT r.judged FROM record.report r
    WHERE r.utility_id = $1 AND r.assembly_id = i.assembly_id AND r.performed_at < i.performed_at AND r.acceptance <> 'refused'
        AND NOT EXISTS (SELECT FROM record.report c WHERE c.utility_id = r.utility_id AND c.supersedes = r.id)
    ORDER BY r.performed_at DESC, r.id DESC LIMIT 1
) AS before ON true
ORDER BY i.n;

-- name: lock_log
-- Whoever records for a utility holds this row until the commit, so that what follows is read and numbered alone.
SELECT reports FROM record.utility_log WHERE utility_id = $1 FOR UPDATE;

-- name: history
-- The reports of these assemblies, and any that already bear one of these ids.
SELECT r.id, r.assembly_id, r.performed_at, r.performed_on, r.received_at, r.reason, r.supersedes, r.content_hash, r.outcome, r.protection,
    CASE WHEN r.acceptance = 'held' THEN record.decided(r.utility_id, r.id, NULL) ELSE r.acceptance END AS acceptance,
    r.initial_outcome, r.company_id
FROM record.report r
WHERE r.utility_id = $1 AND (r.assembly_id = ANY ($2::uuid[]) OR r.id = ANY ($3::uuid[]))
ORDER BY r.performed_at, r.received_at, r.id;

-- name: requests
-- The reports that these idempotency keys of an organisation made already.
SELECT q.organisation_id, q.idempotency_key, q.report_id FROM record.report_request q
WHERE q.utility_id = $1 AND q.idempotency_key = ANY ($2::text[]);

-- name: gather
-- All of it in one statement, and so as of one moment: how far the feed was then, and rows of each kind as JSON.
SELECT 'changes' AS kind, l.changes::text AS found FROM record.utility_log l WHERE l.utility_id = $1
UNION ALL SELECT 'facts', to_json(f)::text FROM ({facts}) AS f
UNION ALL SELECT 'assembly', to_json(f)::text FROM ({standing_facts}) AS f
UNION ALL SELECT 'history', to_json(f)::text FROM ({recent_history}) AS f
UNION ALL SELECT 'taken', to_json(f)::text FROM ({taken}) AS f
UNION ALL SELECT 'request', to_json(f)::text FROM (
    SELECT q.organisation_id, q.idempotency_key, q.report_id FROM record.report_request q
    WHERE q.utility_id = $1 AND q.idempotency_key = ANY ($7::text[])
) AS f;

-- name: recent_history
-- As much of the history of these assemblies as a standing rests on while nothing is corrected: the last accepted test that passed, what
-- came after it, and every failure; without what is superseded, unless it failed and what corrects it may not be believed yet.
WITH passed AS (
    SELECT i.assembly_id, (
        SELECT p.performed_at FROM record.report p
        WHERE p.utility_id = $1 AND p.assembly_id = i.assembly_id AND p.outcome = 'pass' AND p.acceptance = 'accepted'
            AND NOT EXISTS (SELECT FROM record.report c WHERE c.utility_id = $1 AND c.supersedes = p.id)
        ORDER BY p.performed_at DESC LIMIT 1
    ) AS last_at
    FROM (SELECT DISTINCT unnest($2::uuid[]) AS assembly_id) AS i
), wanted AS (
    SELECT r.id FROM passed JOIN record.report r ON r.utility_id = $1 AND r.assembly_id = passed.assembly_id
        AND r.performed_at >= coalesce(passed.last_at, '-infinity')
    UNION
    SELECT r.id FROM passed JOIN record.report r ON r.utility_id = $1 AND r.assembly_id = passed.assembly_id
        AND (r.outcome = 'fail' OR r.initial_outcome = 'fail')
)
SELECT r.id, r.assembly_id, r.performed_at, r.performed_on, r.received_at, r.reason, r.supersedes,
    encode(r.content_hash, 'base64') AS content_hash, r.outcome, r.protection,
    CASE WHEN r.acceptance = 'held' THEN record.decided(r.utility_id, r.id, NULL) ELSE r.acceptance END AS acceptance,
    r.initial_outcome, r.company_id
FROM wanted JOIN record.report r ON r.utility_id = $1 AND r.id = wanted.id
WHERE NOT EXISTS (
    SELECT FROM record.report c WHERE c.utility_id = $1 AND c.supersedes = r.id AND (r.outcome <> 'fail' OR record.silenced($1, r.id))
);

-- name: taken
-- The reports that bear one of these ids already, and those that these idempotency keys made.
SELECT r.id, r.assembly_id, r.performed_at, r.performed_on, r.received_at, r.reason, r.supersedes,
    encode(r.content_hash, 'base64') AS content_hash, r.outcome, r.protection, r.acceptance, r.initial_outcome, r.company_id
FROM record.report r WHERE r.utility_id = $1 AND r.id = ANY ($6::uuid[])
UNION ALL
SELECT r.id, r.assembly_id, r.performed_at, r.performed_on, r.received_at, r.reason, r.supersedes,
    encode(r.content_hash, 'base64') AS content_hash, r.outcome, r.protection, r.acceptance, r.initial_outcome, r.company_id
FROM record.report_request q JOIN record.report r ON r.utility_id = $1 AND r.id = q.report_id
WHERE q.utility_id = $1 AND q.idempotency_key = ANY ($7::text[]);

-- name: record
-- Reports with their verdicts, the requests that made them, and the standing that follows, in one statement; nothing at all where what
-- they rest on has changed since the feed stood at $31 (see record.hold_log).
WITH held AS MATERIALIZED (
    SELECT record.hold_log($1, cardinality($2::uuid[]), $31, $2::uuid[]::text[], $28::uuid[]::text[]) AS first
), recorded AS (
    INSERT INTO record.report (utility_id, id, log_index, assembly_id, tester_id, gauge_id, performed_at, performed_on, received_at,
        reason, supersedes, organisation_id, key_id, content_hash, content, judged, verdict, outcome, protection, acceptance,
        rulebook, rulebook_digest, previous, leaf_hash, company_id)
    SELECT $1, r.id, held.first + r.n - 1, r.assembly_id, r.tester_id, r.gauge_id, r.performed_at, r.performed_on,
        r.received_at, r.reason, r.supersedes, r.organisation_id, r.key_id, r.content_hash, r.content, r.judged, r.verdict,
        r.outcome, r.protection, r.acceptance, r.rulebook, r.rulebook_digest, r.previous, r.leaf_hash, r.company_id
    FROM held, unnest($2::uuid[], $3::uuid[], $4::uuid[], $5::uuid[], $6::timestamptz[], $7::date[], $8::timestamptz[],
        $9::text[], $10::uuid[], $11::uuid[], $12::uuid[], $13::bytea[], $14::text[], $15::text[], $16::text[], $17::text[],
        $18::text[], $19::text[], $20::text[], $21::text[], $22::text[], $23::bytea[], $24::uuid[]) WITH ORDINALITY
        AS r (id, assembly_id, tester_id, gauge_id, performed_at, performed_on, received_at, reason, supersedes, organisation_id,
            key_id, content_hash, content, judged, verdict, outcome, protection, acceptance, rulebook, rulebook_digest, previous,
            leaf_hash, company_id, n)
    WHERE held.first IS NOT NULL
), requested AS (
    INSERT INTO record.report_request (utility_id, organisation_id, idempotency_key, report_id)
    SELECT $1, q.organisation_id, q.idempotency_key, q.report_id
    FROM held, unnest($25::uuid[], $26::text[], $27::uuid[]) AS q (organisation_id, idempotency_key, report_id)
    WHERE held.first IS NOT NULL
)
INSERT INTO record.standing (utility_id, assembly_id, version, due_on, basis)
SELECT $1, s.assembly_id, 1, s.due_on, s.basis
FROM held, unnest($28::uuid[], $29::date[], $30::text[]) AS s (assembly_id, due_on, basis)
WHERE held.first IS NOT NULL
ON CONFLICT (utility_id, assembly_id)
DO UPDATE SET version = standing.version + 1, due_on = excluded.due_on, basis = excluded.basis;

-- name: report
-- A report, its verdict, who superseded it, what was decided of it, and its assembly's standing now.
SELECT r.id, r.assembly_id, r.received_at, r.content, r.verdict, r.log_index, r.organisation_id, later.id AS superseded_by,
    to_jsonb(d)::text AS decision, s.basis
FROM record.report r
LEFT JOIN LATERAL (
    SELECT d.version, d.decided_at, d.decision, d.because, d.decided_by, d.organisation_id FROM record.review d
    WHERE d.utility_id = r.utility_id AND d.id = r.id ORDER BY d.version DESC LIMIT 1
) AS d ON r.acceptance = 'held'
LEFT JOIN record.report later ON later.utility_id = r.utility_id AND later.supersedes = r.id
LEFT JOIN record.standing s ON s.utility_id = r.utility_id AND s.assembly_id = r.assembly_id
WHERE r.utility_id = $1 AND r.id = $2;

-- name: reports
-- By log index, the order of recording; of one assembly where one is named.
SELECT r.id, r.log_index, r.assembly_id, r.tester_id, r.gauge_id, r.performed_at, r.received_at, r.reason, r.supersedes,
    later.id AS superseded_by, r.outcome, r.protection, r.acceptance,
    CASE WHEN r.acceptance = 'held' THEN nullif(record.decided(r.utility_id, r.id, NULL), 'held') END AS decision, r.rulebook
FROM record.report r
LEFT JOIN record.report later ON later.utility_id = r.utility_id AND later.supersedes = r.id
WHERE r.utility_id = $1 AND r.log_index > $2 AND ($3::uuid IS NULL OR r.assembly_id = $3)
ORDER BY r.log_index LIMIT $4;

-- name: standing_facts
-- What the standings of these assemblies rest on besides reports, read under the log's lock: a change of the register waits for it too.
-- Of an incident counts what was told last (before $3), if it was known (before $4); null: whatever has been told until now.
SELECT a.id, s.basis, a.kind, a.hazard, a.installed_on, a.in_service, p.connection, a.created_at, a.occurrences::text AS occurrences,
    a.season::text AS season, a.test_interval_months, told.incidents
FROM record.assembly a
JOIN record.premises p ON p.utility_id = a.utility_id AND p.id = a.premises_id
LEFT JOIN record.standing s ON s.utility_id = a.utility_id AND s.assembly_id = a.id
LEFT JOIN LATERAL (
    SELECT json_agg(json_build_object('event', 'incident', 'on', v.occurred_on, 'at', v.occurred_at) ORDER BY v.occurred_at, v.incident_id)::text AS incidents
    FROM (
        SELECT r.incident_id, r.version FROM record.incident_reach r WHERE r.utility_id = a.utility_id AND r.assembly_id = a.id
        UNION
        SELECT r.incident_id, r.version FROM record.incident_reach r WHERE r.utility_id = a.utility_id AND r.premises_id = a.premises_id
    ) AS r
    JOIN record.incident_version v ON v.utility_id = a.utility_id AND v.incident_id = r.incident_id AND v.version = r.version
    WHERE v.counts AND ($3::timestamptz IS NULL OR v.recorded_at < $3)
        AND NOT EXISTS (
            SELECT FROM record.incident_version later
            WHERE later.utility_id = v.utility_id AND later.incident_id = v.incident_id AND later.version > v.version
                AND ($3::timestamptz IS NULL OR later.recorded_at < $3)
        )
        AND ($4::timestamptz IS NULL OR EXISTS (
            SELECT FROM record.incident_version first
            WHERE first.utility_id = v.utility_id AND first.incident_id = v.incident_id AND first.version = 1 AND first.recorded_at < $4
        ))
) AS told ON true
WHERE a.utility_id = $1 AND a.id IN (SELECT unnest($2::uuid[]));

-- name: sees
SELECT id FROM record.assembly WHERE utility_id = $1 AND id = $2;

-- name: assemblies_of_premises
SELECT id FROM record.assembly WHERE utility_id = $1 AND premises_id = $2 ORDER BY id;

-- name: keep_standing
INSERT INTO record.standing (utility_id, assembly_id, version, due_on, basis) VALUES ($1, $2, 1, $3, $4)
ON CONFLICT (utility_id, assembly_id)
DO UPDATE SET version = standing.version + 1, due_on = excluded.due_on, basis = excluded.basis;

-- name: judged
-- The test as it was judged, when, and the verdict it got: for judging it again.
SELECT id, judged, previous, received_at, verdict FROM record.report WHERE utility_id = $1 AND log_index >= $2 ORDER BY log_index LIMIT $3;

-- name: assembly_ids
SELECT id FROM record.assembly WHERE utility_id = $1 ORDER BY id;

-- name: settle
-- Waits until what others have recorded is as durable as what we record. Where a synchronous replica is asked for, a report whose writer was
-- cut off while it waited for the replica shows here and is not there yet; a commit of our own waits for all that came before it.
SELECT CASE WHEN current_setting('synchronous_standby_names') <> '' THEN pg_logical_emit_message(true, 'nonreturn', '') END;
