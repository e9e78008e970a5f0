-- name: lock_log
-- Whoever records for a utility holds this row until the commit, so that what follows is read and numbered alone.
SELECT reports FROM record.utility_log WHERE utility_id = $1 FOR UPDATE;

-- name: locked_utility
-- The utility as it is for whoever holds its log: a change of it waits for the log too.
SELECT utility_id AS code, version, created_at, changed_at, name, rulebook, time_zone, due_soon_days, (
    SELECT json_build_object('version', n.version, 'rulebook', n.content::json)::text FROM record.local_rulebook n
    WHERE n.utility_id = utility.utility_id ORDER BY n.version DESC LIMIT 1
) AS local
FROM record.utility WHERE utility_id = $1;

-- name: history
-- The reports of these assemblies, and any that already bear one of these ids.
SELECT r.id, r.assembly_id, r.performed_at, r.performed_on, r.received_at, r.reason, r.supersedes, r.content_hash, r.outcome,
    coalesce(r.mechanical_protection, r.protection) AS protection, r.failed_protection, r.acts_as,
    coalesce(record.decision(r.utility_id, r.id, NULL), r.acceptance) AS acceptance,
    r.initial_outcome, r.declared, r.company_id,
    CASE WHEN 'fail' IN (r.outcome, r.initial_outcome) THEN record.notified_on(r.utility_id, r.assembly_id, r.id, NULL) END AS notified_on
FROM (
    SELECT x.id FROM (SELECT DISTINCT unnest($2::uuid[]) AS id) AS i
    CROSS JOIN LATERAL (SELECT b.id FROM record.report b WHERE b.utility_id = $1 AND b.assembly_id = i.id OFFSET 0) AS x
    UNION SELECT unnest($3::uuid[])
) AS w
CROSS JOIN LATERAL (SELECT b.* FROM record.report b WHERE b.utility_id = $1 AND b.id = w.id OFFSET 0) AS r
ORDER BY r.performed_at, r.received_at, r.id;

-- name: outcomes
-- How these reports came out: failed, where a failure was seen that no accepted final test cleared; a void one showed nothing.
SELECT r.id, CASE
    WHEN record.decision($1, r.id, NULL) = 'void' THEN 'incomplete'
    WHEN r.initial_outcome = 'fail' AND NOT (r.outcome = 'pass' AND coalesce(record.decision($1, r.id, NULL), r.acceptance) = 'accepted')
    THEN 'fail' ELSE r.outcome END AS outcome
FROM record.report r WHERE r.utility_id = $1 AND r.id = ANY ($2::uuid[]);

-- name: requests
-- The reports that these idempotency keys of an organisation made already.
SELECT q.organisation_id, q.idempotency_key, q.report_id FROM record.report_request q
WHERE q.utility_id = $1 AND q.idempotency_key = ANY ($2::text[]);

-- name: gather
-- What judging and recording reports rests on, one row a report, all of it as of one moment: how far the feed was then, the utility (with the
-- first row only), what the registry knows, what was kept for the next report with the assembly's standing, and the report that has this id already or was made by this
-- key. A report that a testing company sends names an assembly granted to it, and a tester and a gauge that are not another company's;
-- others are as if they were not there. The assembly's reports are read only where nothing was kept with this version of its standing,
-- or where the test before this one is not the latest.
SELECT a.kind, a.hazard, a.purpose, a.backpressure_possible, a.in_plant_air_gap, a.hazard_class, a.installed_on, a.in_service, p.connection, a.created_at,
    a.occurrences::text AS occurrences, a.season::text AS season, a.test_interval_months, {incidents_as_of} AS incidents,
    i.n, a.id IS NOT NULL AS assembly_known, a.nominal_size::text AS nominal_size, t.certificates::text AS certificates, t.id IS NOT NULL AS tester_known, t.organisation_id AS tester_organisation_id,
    g.accuracy, g.resolution, g.units ->> 'pressure' AS gauge_unit, g.calibrations::text AS calibrations,
    CASE WHEN a.id IS NULL OR s.rests_version = s.version AND (s.latest_at < i.performed_at OR s.latest_at IS NULL) THEN NULL
        ELSE {previous_judged} END AS previous_judged,
    CASE WHEN s.rests_version = s.version THEN s.rests_on END AS rests_on,
    CASE WHEN a.id IS NULL OR s.rests_version = s.version THEN NULL ELSE {counted} END AS counted,
    CASE WHEN a.id IS NULL OR s.rests_version = s.version THEN NULL ELSE {latest} END AS latest,
    l.changes, x.assembly_id AS taken_assembly_id, x.content_hash AS taken_hash, x.company_id AS taken_company_id,
    q.report_id AS made_id, m.assembly_id AS made_assembly_id, m.content_hash AS made_hash, m.company_id AS made_company_id,
    CASE WHEN i.n = 1 THEN json_build_object('code', u.utility_id, 'version', u.version, 'created_at', u.created_at,
        'changed_at', u.changed_at, 'name', u.name, 'rulebook', u.rulebook, 'time_zone', u.time_zone,
        'due_soon_days', u.due_soon_days, 'local', (
            SELECT json_build_object('version', n.version, 'rulebook', n.content::json) FROM record.local_rulebook n
            WHERE n.utility_id = $1 ORDER BY n.version DESC LIMIT 1
        ))::text END AS utility
FROM record.utility_log l
JOIN record.utility u ON u.utility_id = $1
CROSS JOIN unnest($2::uuid[], $3::uuid[], $4::uuid[], $5::timestamptz[], $6::uuid[], $7::uuid[], $8::uuid[], $9::text[])
    WITH ORDINALITY AS i (assembly_id, tester_id, gauge_id, performed_at, company_id, id, organisation_id, idempotency_key, n)
LEFT JOIN record.assembly a ON a.utility_id = $1 AND a.id = i.assembly_id AND (
    i.company_id IS NULL
    OR EXISTS (SELECT FROM access.utility_grant u WHERE u.utility_id = $1 AND u.organisation_id = i.company_id AND u.assemblies = 'all')
    OR EXISTS (SELECT FROM record.assembly_grant b WHERE b.utility_id = $1 AND b.organisation_id = i.company_id AND b.assembly_id = a.id)
)
LEFT JOIN record.premises p ON p.utility_id = $1 AND p.id = a.premises_id
LEFT JOIN record.standing s ON s.utility_id = $1 AND s.assembly_id = a.id
LEFT JOIN record.tester t ON t.utility_id = $1 AND t.id = i.tester_id
    AND (i.company_id IS NULL OR t.organisation_id IS NULL OR t.organisation_id = i.company_id)
LEFT JOIN record.gauge g ON g.utility_id = $1 AND g.id = i.gauge_id
    AND (i.company_id IS NULL OR g.organisation_id IS NULL OR g.organisation_id = i.company_id)
LEFT JOIN record.report_request q ON q.utility_id = $1 AND q.organisation_id = i.organisation_id AND q.idempotency_key = i.idempotency_key
LEFT JOIN record.report x ON x.utility_id = $1 AND x.id = i.id
LEFT JOIN record.report m ON m.utility_id = $1 AND m.id = q.report_id
WHERE l.utility_id = $1;

-- name: counted
-- The tests that the standing of assembly `a` rests on while nothing is corrected, as JSON: the last valid pass and what came after it,
-- every failure that no accepted report supersedes, and every correction that is not accepted; of void reports only corrections
-- (rules/standing/history.py, `rested_on`).
(
    SELECT json_agg(json_strip_nulls(json_build_object('report_id', r.id, 'performed_on', r.performed_on, 'performed_at', r.performed_at,
        'received_at', r.received_at, 'reason', r.reason, 'outcome', r.outcome, 'supersedes', r.supersedes,
        'protection', coalesce(r.mechanical_protection, r.protection), 'failed_protection', r.failed_protection, 'acts_as', r.acts_as,
        'acceptance', coalesce(record.decision(r.utility_id, r.id, NULL), r.acceptance),
        'initial_outcome', r.initial_outcome, 'basis', CASE WHEN r.declared THEN 'declared' END,
        'notified_on', CASE WHEN 'fail' IN (r.outcome, r.initial_outcome) THEN record.notified_on(r.utility_id, r.assembly_id, r.id, NULL) END)))::text
    FROM record.report r
    WHERE r.utility_id = $1 AND r.assembly_id = a.id AND (r.supersedes IS NOT NULL OR record.decision($1, r.id, NULL) IS DISTINCT FROM 'void')
        AND (r.outcome = 'fail' OR r.initial_outcome = 'fail' OR (r.supersedes IS NOT NULL AND coalesce(record.decision($1, r.id, NULL), r.acceptance) <> 'accepted')
            OR r.acceptance <> 'refused' AND r.performed_at >= coalesce((
                SELECT least(c.performed_at, c.received_at) FROM record.report c
                WHERE c.utility_id = $1 AND c.assembly_id = a.id AND c.outcome = 'pass' AND c.acceptance = 'accepted'
                    AND record.decision($1, c.id, NULL) IS DISTINCT FROM 'void'
                    AND NOT EXISTS (SELECT FROM record.report later WHERE later.utility_id = $1 AND later.supersedes = c.id)
                ORDER BY c.performed_at DESC LIMIT 1
            ), '-infinity'))
        AND (
            NOT EXISTS (SELECT FROM record.report later WHERE later.utility_id = $1 AND later.supersedes = r.id)
            OR (r.outcome = 'fail' OR r.initial_outcome = 'fail' OR (r.supersedes IS NOT NULL AND coalesce(record.decision($1, r.id, NULL), r.acceptance) <> 'accepted'))
                AND NOT record.silenced($1, r.id)
        )
)

-- name: latest
-- The latest test of assembly `a` that was neither refused nor voided, as JSON.
(
    SELECT json_build_object('id', r.id, 'performed_at', r.performed_at, 'judged', r.judged)::text FROM record.report r
    WHERE r.utility_id = $1 AND r.assembly_id = a.id AND r.acceptance <> 'refused' AND record.decision($1, r.id, NULL) IS DISTINCT FROM 'void'
        AND NOT EXISTS (SELECT FROM record.report later WHERE later.utility_id = $1 AND later.supersedes = r.id)
    ORDER BY r.performed_at DESC, r.id DESC LIMIT 1
)

-- name: previous_judged
-- The test of assembly `a` before the moment of report `i`, as it was judged, refused and void ones left aside.
(
    SELECT r.judged FROM record.report r
    WHERE r.utility_id = $1 AND r.assembly_id = a.id AND r.performed_at < i.performed_at AND r.acceptance <> 'refused'
        AND record.decision($1, r.id, NULL) IS DISTINCT FROM 'void'
        AND NOT EXISTS (SELECT FROM record.report later WHERE later.utility_id = $1 AND later.supersedes = r.id)
    ORDER BY r.performed_at DESC, r.id DESC LIMIT 1
)

-- name: record
-- Reports with their verdicts, the requests that made them, and the standing that follows, in one statement; nothing at all where what
-- they rest on has changed since the feed stood at $36 (see record.hold_log). What is kept for the next report counts for this version of the
-- standing.
WITH held AS MATERIALIZED (
    SELECT record.hold_log($1, cardinality($2::uuid[]), $36, $2::uuid[]::text[], $31::uuid[]::text[]) AS first
), recorded AS (
    INSERT INTO record.report (utility_id, id, log_index, assembly_id, tester_id, gauge_id, performed_at, performed_on, received_at,
        reason, supersedes, organisation_id, key_id, content_hash, content, judged, verdict, outcome, protection, acceptance,
        rulebook, rulebook_digest, previous, leaf_hash, company_id,
        mechanical_protection, failed_protection, acts_as)
    SELECT $1, r.id, held.first + r.n - 1, r.assembly_id, r.tester_id, r.gauge_id, r.performed_at, r.performed_on,
        r.received_at, r.reason, r.supersedes, r.organisation_id, r.key_id, r.content_hash, r.content, r.judged, r.verdict,
        r.outcome, r.protection, r.acceptance, r.rulebook, r.rulebook_digest, r.previous, r.leaf_hash, r.company_id,
        r.mechanical_protection, r.failed_protection, r.acts_as
    FROM held, unnest($2::uuid[], $3::uuid[], $4::uuid[], $5::uuid[], $6::timestamptz[], $7::date[], $8::timestamptz[],
        $9::text[], $10::uuid[], $11::uuid[], $12::uuid[], $13::bytea[], $14::text[], $15::text[], $16::text[], $17::text[],
        $18::text[], $19::text[], $20::text[], $21::text[], $22::text[], $23::bytea[], $24::uuid[], $25::text[], $26::text[], $27::text[]) WITH ORDINALITY
        AS r (id, assembly_id, tester_id, gauge_id, performed_at, performed_on, received_at, reason, supersedes, organisation_id,
            key_id, content_hash, content, judged, verdict, outcome, protection, acceptance, rulebook, rulebook_digest, previous,
            leaf_hash, company_id, mechanical_protection, failed_protection, acts_as, n)
    WHERE held.first IS NOT NULL
), requested AS (
    INSERT INTO record.report_request (utility_id, organisation_id, idempotency_key, report_id)
    SELECT $1, q.organisation_id, q.idempotency_key, q.report_id
    FROM held, unnest($28::uuid[], $29::text[], $30::uuid[]) AS q (organisation_id, idempotency_key, report_id)
    WHERE held.first IS NOT NULL
)
INSERT INTO record.standing (utility_id, assembly_id, version, due_on, basis, rests_version, rests_on, latest_at)
SELECT $1, s.assembly_id, 1, s.due_on, s.basis, CASE WHEN s.rests_on IS NOT NULL THEN 1 END, s.rests_on, s.latest_at
FROM held, unnest($31::uuid[], $32::date[], $33::text[], $34::text[], $35::timestamptz[])
    AS s (assembly_id, due_on, basis, rests_on, latest_at)
WHERE held.first IS NOT NULL
ON CONFLICT (utility_id, assembly_id)
DO UPDATE SET version = standing.version + 1, due_on = excluded.due_on, basis = excluded.basis,
    rests_version = CASE WHEN excluded.rests_on IS NOT NULL THEN standing.version + 1 END,
    rests_on = excluded.rests_on, latest_at = excluded.latest_at;

-- name: report
-- A report, its verdict, who superseded it, what was decided of it, and its assembly's standing now.
SELECT r.id, r.assembly_id, r.received_at, r.content, r.verdict, r.log_index, r.organisation_id, later.id AS superseded_by,
    jsonb_strip_nulls(to_jsonb(d))::text AS decision, s.basis
FROM record.report r
LEFT JOIN LATERAL (
    SELECT d.version, d.decided_at, d.decision, d.because, d.decided_by, d.organisation_id FROM record.review d
    WHERE d.utility_id = r.utility_id AND d.id = r.id ORDER BY d.version DESC LIMIT 1
) AS d ON true
LEFT JOIN record.report later ON later.utility_id = r.utility_id AND later.supersedes = r.id
LEFT JOIN record.standing s ON s.utility_id = r.utility_id AND s.assembly_id = r.assembly_id
WHERE r.utility_id = $1 AND r.id = $2 AND r.gauge_id IS {gauge};

-- name: inspections
-- Inspections by log index: reports without a gauge.
SELECT r.id, r.log_index, r.assembly_id, r.tester_id, r.performed_at, r.received_at, r.reason, r.supersedes, later.id AS superseded_by,
    r.outcome, r.protection, r.acceptance, r.rulebook
FROM record.report r
LEFT JOIN record.report later ON later.utility_id = r.utility_id AND later.supersedes = r.id
WHERE r.utility_id = $1 AND r.gauge_id IS NULL AND r.log_index > $2 AND ($3::uuid IS NULL OR r.assembly_id = $3)
ORDER BY r.log_index LIMIT $4;

-- name: reports
-- A list is put together from this and the parts below by what was wanted, names in braces become parameters.
SELECT r.id, r.log_index, r.assembly_id, r.tester_id, r.gauge_id, r.performed_at, r.received_at, r.reason, r.supersedes,
    later.id AS superseded_by, r.outcome, CASE WHEN r.declared THEN 'declared' ELSE 'judged' END AS basis, r.protection, r.acceptance,
    record.decision(r.utility_id, r.id, NULL) AS decision, r.rulebook

-- name: reports_with_content
, r.content

-- name: reports_from
FROM record.report r
LEFT JOIN record.report later ON later.utility_id = r.utility_id AND later.supersedes = r.id

-- name: reports_from_flags
FROM record.report_flag f
JOIN record.report r ON r.utility_id = f.utility_id AND r.log_index = f.log_index
LEFT JOIN record.report later ON later.utility_id = r.utility_id AND later.supersedes = r.id

-- name: reports_of_utility
WHERE r.utility_id = {utility} AND r.gauge_id IS NOT NULL

-- name: reports_of_flag
WHERE f.utility_id = {utility} AND f.code = {flag} AND r.gauge_id IS NOT NULL

-- name: reports_of_assembly
AND r.assembly_id = {assembly_id}

-- name: reports_of_tester
AND r.tester_id = {tester_id}

-- name: reports_of_gauge
AND r.gauge_id = {gauge_id}

-- name: reports_accepted
AND r.acceptance = 'accepted'

-- name: reports_held
-- Few have this one or the next, and an index holds only those; it stands here, not in a parameter, so that every plan sees it.
AND r.acceptance = 'held'

-- name: reports_refused
AND r.acceptance = 'refused'

-- name: reports_pass
AND r.outcome = 'pass'

-- name: reports_fail
-- As with the acceptance.
AND r.outcome = 'fail' AND r.outcome <> 'pass'

-- name: reports_incomplete
AND r.outcome = 'incomplete' AND r.outcome <> 'pass'

-- name: reports_performed_from
AND r.performed_on >= {performed_from}

-- name: reports_performed_before
AND r.performed_on < {performed_before}

-- name: reports_received_from
AND r.received_at >= {received_from}

-- name: reports_received_before
AND r.received_at < {received_before}

-- name: after_log_index
AND r.log_index > {after}

-- name: after_flag
AND f.log_index > {after}

-- name: after_performed_at
AND (r.performed_at, r.log_index) > ((SELECT x.performed_at FROM record.report x WHERE x.utility_id = {utility} AND x.log_index = {after}), {after})

-- name: after_performed_on
AND (r.performed_on, r.log_index) > ((SELECT x.performed_on FROM record.report x WHERE x.utility_id = {utility} AND x.log_index = {after}), {after})

-- name: after_received_at
AND (r.received_at, r.log_index) > ((SELECT x.received_at FROM record.report x WHERE x.utility_id = {utility} AND x.log_index = {after}), {after})

-- name: by_log_index
ORDER BY r.log_index LIMIT {limit}

-- name: by_flag
ORDER BY f.log_index LIMIT {limit}

-- name: by_performed_at
ORDER BY r.performed_at, r.log_index LIMIT {limit}

-- name: by_performed_on
ORDER BY r.performed_on, r.log_index LIMIT {limit}

-- name: by_received_at
ORDER BY r.received_at, r.log_index LIMIT {limit}

-- name: standing_facts
-- What the standings of these assemblies rest on besides reports, read under the log's lock: a change of the register waits for it too.
-- OFFSET 0 keeps the planner to one look-up an assembly; of a utility that it knows nothing of it would go through all assemblies instead.
SELECT a.id, s.basis, CASE WHEN s.rests_version = s.version THEN s.rests_on END AS rests_on, a.kind, a.hazard, a.purpose, a.backpressure_possible, a.in_plant_air_gap, a.hazard_class, a.installed_on,
    a.in_service, p.connection, a.occurrences::text AS occurrences, a.season::text AS season, a.test_interval_months,
    a.created_at, {incidents_as_of} AS incidents
FROM (SELECT DISTINCT unnest($2::uuid[]) AS id) AS i
CROSS JOIN LATERAL (SELECT b.* FROM record.assembly b WHERE b.utility_id = $1 AND b.id = i.id OFFSET 0) AS a
CROSS JOIN LATERAL (SELECT b.connection FROM record.premises b WHERE b.utility_id = $1 AND b.id = a.premises_id OFFSET 0) AS p
LEFT JOIN LATERAL (
    SELECT b.basis, b.version, b.rests_on, b.rests_version FROM record.standing b WHERE b.utility_id = $1 AND b.assembly_id = a.id OFFSET 0
) AS s ON true;

-- name: incidents_as_of
-- The incidents that reached assembly `a`, as JSON, and whether each names the assembly itself, as its suspected path; of each counts the last revision (before $3), if it was known (before $4); null:
-- whatever has been recorded until now.
(
    SELECT json_agg(json_build_object('event', 'incident', 'on', v.occurred_on, 'at', v.occurred_at,
        'suspected', coalesce(v.content -> 'assemblies' ? a.id::text, false)) ORDER BY v.occurred_at, v.incident_id)::text
    FROM (
        SELECT r.incident_id, r.version FROM record.incident_reach r WHERE r.utility_id = a.utility_id AND r.assembly_id = a.id
        UNION
        SELECT r.incident_id, r.version FROM record.incident_reach r WHERE r.utility_id = a.utility_id AND r.premises_id = a.premises_id
    ) AS r
    CROSS JOIN LATERAL (
        SELECT w.* FROM record.incident_version w
        WHERE w.utility_id = a.utility_id AND w.incident_id = r.incident_id AND w.version = r.version OFFSET 0
    ) AS v
    WHERE v.counts AND ($3::timestamptz IS NULL OR v.recorded_at < $3)
        AND NOT EXISTS (
            SELECT FROM record.incident_version later
            WHERE later.utility_id = v.utility_id AND later.incident_id = v.incident_id AND later.version > v.version
                AND ($3::timestamptz IS NULL OR later.recorded_at < $3) OFFSET 0
        )
        AND ($4::timestamptz IS NULL OR EXISTS (
            SELECT FROM record.incident_version first
            WHERE first.utility_id = v.utility_id AND first.incident_id = v.incident_id AND first.version = 1 AND first.recorded_at < $4 OFFSET 0
        ))
)

-- name: sees
SELECT id FROM record.assembly WHERE utility_id = $1 AND id = $2;

-- name: assemblies_of_premises
SELECT id FROM record.assembly WHERE utility_id = $1 AND premises_id = $2 ORDER BY id;

-- name: keep_standing
INSERT INTO record.standing (utility_id, assembly_id, version, due_on, basis) VALUES ($1, $2, 1, $3, $4)
ON CONFLICT (utility_id, assembly_id)
DO UPDATE SET version = standing.version + 1, due_on = excluded.due_on, basis = excluded.basis;

-- name: local_rulebooks
-- Every version of the utility's local rulebook, which stored verdicts name by number.
SELECT json_build_object('version', n.version, 'rulebook', n.content::json)::text FROM record.local_rulebook n
WHERE n.utility_id = $1 ORDER BY n.version;

-- name: judged
-- The test as it was judged, when, and the verdict it got: for judging it again.
SELECT id, judged, previous, received_at, verdict, gauge_id IS NULL AS inspection FROM record.report WHERE utility_id = $1 AND log_index >= $2 ORDER BY log_index LIMIT $3;

-- name: assembly_ids
SELECT id FROM record.assembly WHERE utility_id = $1 ORDER BY id;

-- name: settle
-- Waits until what others have recorded is as durable as what we record. Where a synchronous replica is asked for, a report whose writer was
-- cut off while it waited for the replica shows here and is not there yet; a commit of our own waits for all that came before it.
SELECT CASE WHEN current_setting('synchronous_standby_names') <> '' THEN pg_logical_emit_message(true, 'nonreturn', '') END;
