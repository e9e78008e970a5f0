-- A year of a utility in figures, and the rows behind each figure. $1 the utility, $2 and $3 the first and the last day counted, $4 today.
-- A report is one of the year's tests unless it is superseded, refused or void (one that failed until an accepted report supersedes it); it
-- decides where it failed, or passed and was accepted. What an assembly went through follows the standings' rule instead, under which a
-- failure counts whoever saw it. Names in braces are parts that stand here too.

-- name: reviewed_again
-- Reports that a person decided on, or that correct another. Any other that is held stands, undecided; asking the functions of each of those
-- took as long as counting a year.
(SELECT w.id FROM record.review w WHERE w.utility_id = $1 UNION ALL SELECT c.id FROM record.report c WHERE c.utility_id = $1 AND c.supersedes IS NOT NULL)

-- name: voided
-- Few as well.
r.id IN (SELECT v.id FROM record.review v WHERE v.utility_id = $1 AND v.decision = 'void')

-- name: stands
-- Superseded is looked up in a hash of those few, not joined: Postgres takes the conditions before it to leave little, and would hash the year.
(r.acceptance <> 'refused' AND NOT {voided} AND (r.acceptance <> 'held' OR r.id NOT IN {reviewed_again} OR record.held_stands($1, r.id)) AND (
    r.id NOT IN (SELECT l.supersedes FROM record.report l WHERE l.utility_id = $1 AND l.supersedes IS NOT NULL)
    OR r.outcome = 'fail' AND NOT record.silenced($1, r.id)
))

-- name: accepted
-- By its verdict, or by what a person decided.
(r.acceptance = 'accepted' OR r.acceptance = 'held' AND r.id IN {reviewed_again} AND record.decided($1, r.id, NULL) = 'accepted')

-- name: decides
(r.outcome = 'fail' OR r.outcome = 'pass' AND {accepted})

-- name: superseded
r.id IN (SELECT l.supersedes FROM record.report l WHERE l.utility_id = $1 AND l.supersedes IS NOT NULL)

-- name: passes
-- As the standings' rule has it (rules/standing/history.py), and so the next.
(r.outcome = 'pass' AND {accepted} AND NOT {superseded} AND NOT {voided})

-- name: fails
((r.outcome = 'fail' OR r.initial_outcome = 'fail') AND NOT {voided} AND NOT {passes} AND (NOT {superseded} OR NOT record.silenced($1, r.id)))

-- name: order_of_tests
least(r.performed_at, r.received_at), CASE WHEN NOT {passes} THEN 1 WHEN r.reason = 'repair' THEN 2 ELSE 0 END, r.received_at, r.id

-- name: there
-- In service on the last day and installed by then; one that was registered in error never was.
({served} AND (a.installed_on IS NULL OR a.installed_on <= $3) AND {registered_rightly})

-- name: served
-- Only of those whose last change came later is the history asked.
CASE WHEN a.service_since > $3 THEN record.in_service_on($1, a.id, $3, a.in_service, a.service_since) ELSE a.in_service END

-- name: registered_rightly
(a.retired_because IS NULL OR a.retired_because = 'replaced')

-- name: new
-- Installed in the year, in place of no other that is on record.
(a.installed_on BETWEEN $2 AND $3 AND a.replaces IS NULL AND {registered_rightly})

-- name: replaced
(a.retired_because = 'replaced' AND a.retired_on BETWEEN $2 AND $3)

-- name: removed
-- Put out of service in the year, out of it on the last day, and not replaced then.
(a.service_since IS NOT NULL AND record.service_changed($1, a.id, $3, a.service_since) BETWEEN $2 AND $3
    AND NOT {served} AND {registered_rightly} AND NOT coalesce({replaced}, false))

-- name: perhaps_overdue
-- Assemblies that were (`surely`), or may have been, overdue on the last day ($3) by what was received before a moment ($5). Those left out
-- were not: nothing special is on record of them, and either their last test that decides failed, or they passed on $6 or later, or on $4 or
-- later and failed less than $7 times from $8 on. Kinds that are inspected ($10) have intervals of their own. Ordinary ones that passed
-- before $9 surely were. Each assembly's reports are found by an index.
WITH special AS (
    SELECT i.assembly_id AS id FROM record.incident_reach i WHERE i.utility_id = $1 AND i.assembly_id IS NOT NULL
    UNION SELECT b.id FROM record.incident_reach i JOIN record.assembly b ON b.utility_id = $1 AND b.premises_id = i.premises_id WHERE i.utility_id = $1
    UNION SELECT c.assembly_id FROM record.report c WHERE c.utility_id = $1 AND c.supersedes IS NOT NULL
    UNION SELECT v.assembly_id FROM record.review d JOIN record.report v ON v.utility_id = $1 AND v.id = d.id WHERE d.utility_id = $1 AND d.decision = 'void'
    UNION SELECT o.assembly_id FROM record.report c JOIN record.report o ON o.utility_id = $1 AND o.id = c.supersedes
        WHERE c.utility_id = $1 AND c.supersedes IS NOT NULL
)
SELECT tested.id, verdict.surely FROM (
    SELECT a.id, a.kind = ANY ($10::text[]) OR tests.held OR a.test_interval_months IS NOT NULL OR a.season IS NOT NULL OR a.occurrences <> '[]'
            OR coalesce(a.installed_on >= $4, false) OR a.id IN (SELECT id FROM special) AS special,
        tests.passed_at IS NULL AND tests.failed_at IS NULL AS never, tests.passed_at = tests.failed_at AS at_once, coalesce(tests.passed_at > coalesce(tests.failed_at, '-infinity'), false) AS passed,
        tests.passed_on >= $6 OR tests.passed_on >= $4 AND tests.failures < $7::integer AS clear, coalesce(tests.passed_on < $9::date, false) AS surely
    FROM record.assembly a CROSS JOIN LATERAL (
        SELECT max(least(r.performed_at, r.received_at)) FILTER (WHERE r.outcome = 'pass' AND r.acceptance = 'accepted') AS passed_at,
            max(r.performed_on) FILTER (WHERE r.outcome = 'pass' AND r.acceptance = 'accepted') AS passed_on,
            max(least(r.performed_at, r.received_at)) FILTER (
                WHERE (r.outcome = 'fail' OR r.initial_outcome = 'fail') AND NOT (r.outcome = 'pass' AND r.acceptance = 'accepted')
            ) AS failed_at,
            count(*) FILTER (WHERE (r.outcome = 'fail' OR r.initial_outcome = 'fail') AND r.performed_on >= $8) AS failures,
            coalesce(bool_or(r.acceptance = 'held'), false) AS held
        FROM record.report r
        WHERE r.utility_id = $1 AND r.assembly_id = a.id AND r.received_at < $5
            AND (r.acceptance <> 'refused' OR r.outcome = 'fail' OR r.initial_outcome = 'fail')
    ) AS tests
    WHERE a.utility_id = $1 AND $2::date IS NOT NULL AND {there} AND a.created_at < $5
) AS tested
CROSS JOIN LATERAL (SELECT tested.surely AND tested.passed AND NOT tested.special AS surely) AS verdict
WHERE tested.special OR tested.never OR tested.at_once OR tested.passed AND NOT tested.clear
ORDER BY tested.id;

-- name: late
-- Assemblies whose test is overdue on the last day, be it the first: of a past year, those that were worked out.
SELECT s.assembly_id FROM record.standing s
WHERE s.utility_id = $1 AND s.status IN ('current', 'untested') AND s.due_on < $4 AND {then}::uuid[] IS NULL
UNION ALL SELECT unnest({then}::uuid[])

-- name: begin
-- A snapshot that other sessions can read from too, where the record is long enough to be worth it and is not a replica's; and room in memory
-- for the hash tables of a large utility. Parallel workers would each build the same ones.
SELECT CASE WHEN l.reports >= $2 AND NOT pg_is_in_recovery() THEN pg_export_snapshot() END AS snapshot
FROM record.utility_log l WHERE l.utility_id = $1;

-- name: roomy
SELECT set_config('work_mem', '64MB', true), set_config('max_parallel_workers_per_gather', '0', true), set_config('jit', 'off', true);

-- name: connections
-- Premises with and without an assembly in service, by connection.
SELECT p.connection, count(*) FILTER (WHERE w.premises_id IS NOT NULL) AS premises, count(*) FILTER (WHERE w.premises_id IS NULL) AS without_assembly
FROM record.premises p LEFT JOIN (SELECT DISTINCT a.premises_id FROM record.assembly a WHERE a.utility_id = $1 AND {there}) AS w ON w.premises_id = p.id
WHERE p.utility_id = $1 AND $2::date IS NOT NULL
GROUP BY p.connection ORDER BY p.connection;

-- name: assemblies
-- Assemblies and their tests of the year, by kind and hazard: one pass over each table. Counts within an assembly fit an integer, whose sums
-- are cheaper than those of a bigint.
WITH tests AS (
    -- What each came to, asked once: 2 failed, 3 passed, 4 passed after a repair, 5 either as declared on paper,
    -- 1 neither. OFFSET 0 keeps it from being asked for each count.
    SELECT r.assembly_id,
        CASE WHEN r.declared THEN CASE WHEN {decides} THEN 5 ELSE 1 END WHEN r.outcome = 'fail' THEN 2 WHEN r.outcome = 'pass' AND {accepted} THEN CASE r.initial_outcome WHEN 'fail' THEN 4 ELSE 3 END ELSE 1 END AS came_to
    FROM record.report r WHERE r.utility_id = $1 AND r.performed_on BETWEEN $2 AND $3 AND {stands} OFFSET 0
), of_year AS (
    SELECT assembly_id, count(*)::integer AS tests, max(came_to) > 1 AS tested, (count(*) FILTER (WHERE came_to IN (3, 4)))::integer AS passed,
        (count(*) FILTER (WHERE came_to = 5))::integer AS declared,
        (count(*) FILTER (WHERE came_to = 2))::integer AS failed, (count(*) FILTER (WHERE came_to = 4))::integer AS repaired_at_once
    FROM tests GROUP BY assembly_id
)
SELECT a.kind, a.hazard, count(*) FILTER (WHERE t.there) AS assemblies, count(*) FILTER (WHERE t.there AND y.tested) AS tested,
    count(*) FILTER (WHERE t.there AND a.purpose = 'premises_isolation') AS premises_isolation,
    count(*) FILTER (WHERE t.there AND a.purpose = 'point_of_use') AS point_of_use,
    count(*) FILTER (WHERE {new}) AS new, count(*) FILTER (WHERE {replaced}) AS replaced, count(*) FILTER (WHERE {removed}) AS removed,
    coalesce(sum(y.tests), 0) AS tests, coalesce(sum(y.passed), 0) AS passed, coalesce(sum(y.failed), 0) AS failed,
    coalesce(sum(y.repaired_at_once), 0) AS repaired_at_once, coalesce(sum(y.declared), 0) AS declared
FROM record.assembly a CROSS JOIN LATERAL (SELECT {there} AS there OFFSET 0) AS t LEFT JOIN of_year y ON y.assembly_id = a.id
WHERE a.utility_id = $1
GROUP BY a.kind, a.hazard
HAVING bool_or(t.there OR {new} OR {replaced} OR {removed}) OR sum(y.tests) > 0;

-- name: overdue
SELECT a.kind, a.hazard, count(*) AS overdue FROM ({late}) AS late JOIN record.assembly a ON a.utility_id = $1 AND a.id = late.assembly_id
WHERE {there} AND $2::date IS NOT NULL GROUP BY a.kind, a.hazard;

-- name: begun
-- Failures that began in the year, without those only declared on paper: a test failed, at first or at last, when
-- the one before had passed. Repaired is what has passed since,
-- by today; a repair on the same visit took 0 days. Most failures are of assemblies whose tests all ended in an accepted pass: no test
-- before failed there, and each was repaired on its visit. Only the history of the others is read.
WITH failing AS MATERIALIZED (
    SELECT r.id, r.assembly_id, r.performed_on FROM record.report r
    WHERE r.utility_id = $1 AND r.performed_on BETWEEN $2 AND $3 AND (r.outcome = 'fail' OR r.initial_outcome = 'fail') AND NOT {voided} AND NOT r.declared
), ended_failing AS MATERIALIZED (
    SELECT DISTINCT r.assembly_id FROM record.report r
    WHERE r.utility_id = $1 AND r.performed_on <= $4 AND (r.outcome = 'fail' OR r.initial_outcome = 'fail')
        AND (r.outcome <> 'pass' OR r.acceptance <> 'accepted' OR {superseded})
)
SELECT a.kind, a.hazard, d.id, d.assembly_id, d.performed_on AS on_day, d.repaired_on - d.performed_on AS days
FROM (
    SELECT r.id, r.assembly_id, r.performed_on, r.performed_on AS repaired_on FROM failing r
    WHERE r.performed_on <= $4 AND NOT EXISTS (SELECT FROM ended_failing e WHERE e.assembly_id = r.assembly_id)
    UNION ALL
    SELECT tested.id, tested.assembly_id, tested.performed_on, tested.repaired_on
    FROM (SELECT DISTINCT assembly_id FROM failing JOIN ended_failing USING (assembly_id)) AS f CROSS JOIN LATERAL (
        -- Assembly by assembly from an index that holds all that is asked: they are few, and their reports lie far apart.
        SELECT r.assembly_id, r.id, r.performed_on, 'fail' IN (r.outcome, r.initial_outcome) AND NOT r.declared AS failed,
            lag({passes}) OVER in_order AS passed_before,
            min(r.performed_on) FILTER (WHERE {passes})
                OVER (in_order ROWS BETWEEN CURRENT ROW AND UNBOUNDED FOLLOWING) AS repaired_on
        FROM record.report r
        WHERE r.utility_id = $1 AND r.assembly_id = f.assembly_id AND r.performed_on <= $4 AND ({passes} OR {fails})
        WINDOW in_order AS (ORDER BY {order_of_tests})
    ) AS tested
    WHERE tested.failed AND tested.passed_before IS DISTINCT FROM false AND tested.performed_on BETWEEN $2 AND $3
) AS d JOIN record.assembly a ON a.utility_id = $1 AND a.id = d.assembly_id

-- name: failures
-- How many failures took so many days to repair; null: not repaired yet. Of this, medians are made, also over several utilities.
SELECT kind, hazard, days, count(*) AS failures FROM ({begun}) AS b GROUP BY kind, hazard, days;

-- name: without_protection
-- Days of the year on which an assembly had failed with no barrier left: from the test that showed it until the next that decides. A
-- failure that nobody accepted and that is milder ends nothing.
WITH lost AS (
    SELECT DISTINCT r.assembly_id FROM record.report r
    WHERE r.utility_id = $1 AND r.performed_on <= $3 AND (r.outcome = 'fail' OR r.initial_outcome = 'fail') AND {none_left}
), decided AS (
    SELECT r.assembly_id, r.id, r.performed_on, NOT {passes} AND {none_left} AS none_left,
        lead(r.performed_on) OVER (PARTITION BY r.assembly_id ORDER BY {order_of_tests}) AS next_on
    FROM record.report r JOIN lost USING (assembly_id)
    WHERE r.utility_id = $1 AND r.performed_on <= $4 AND ({passes} OR {fails} AND ({accepted} OR {none_left}))
), spans AS (
    SELECT assembly_id, id, greatest(performed_on, $2::date) AS on_day,
        least(coalesce(next_on, $3::date + 1), $3::date + 1) - greatest(performed_on, $2::date) AS days
    FROM decided WHERE none_left
)
SELECT a.kind, a.hazard, s.id, s.assembly_id, s.on_day, s.days
FROM spans s JOIN record.assembly a ON a.utility_id = $1 AND a.id = s.assembly_id WHERE s.days > 0

-- name: none_left
-- By the phase that failed last.
(coalesce(r.failed_protection, r.protection) = 'lost')

-- name: insufficient
-- Assemblies whose parts work, but whose kind is not for the hazard or for what can occur there, as they stand today.
SELECT a.kind, a.hazard, count(*) AS insufficient FROM record.standing s JOIN record.assembly a ON a.utility_id = $1 AND a.id = s.assembly_id
WHERE s.utility_id = $1 AND s.protection = 'insufficient' AND {there} AND $2::date IS NOT NULL GROUP BY a.kind, a.hazard;

-- name: unprotected
SELECT kind, hazard, sum(days)::bigint AS unprotected_days FROM ({without_protection}) AS w GROUP BY kind, hazard;

-- name: exceptions
-- Exceptions from testing whose first day lies in the year.
SELECT a.kind, a.hazard, count(*) AS exceptions FROM record.exception e JOIN record.assembly a ON a.utility_id = $1 AND a.id = e.assembly_id
WHERE e.utility_id = $1 AND e.since BETWEEN $2 AND $3 GROUP BY a.kind, a.hazard;

-- name: incidents
-- Incidents of the year, but for those found to be none.
SELECT count(*) FROM record.incident i WHERE i.utility_id = $1 AND i.occurred_on BETWEEN $2 AND $3 AND i.status <> 'unfounded';

-- name: hazard_assessments
-- Hazard assessments made in the year, a corrected one not counted beside its correction.
SELECT count(*) FROM record.hazard_assessment h WHERE h.utility_id = $1 AND h.assessed_on BETWEEN $2 AND $3 AND {uncorrected};

-- name: surveys
-- Of assessments that nobody corrected: how many were due in the year or before it and had not been made when it began, and how many of those
-- were not made by its last day either; cross-connections found and corrected in the year's; premises excepted from isolation on its last day.
WITH made AS (
    SELECT h.*, lead(h.assessed_on) OVER (PARTITION BY h.premises_id ORDER BY h.assessed_on, h.id) AS next_on FROM record.hazard_assessment h
    WHERE h.utility_id = $1 AND h.assessed_on <= $3 AND {uncorrected}
)
SELECT count(*) FILTER (WHERE {due}) AS hazard_assessments_due, count(*) FILTER (WHERE {due} AND h.next_on IS NULL) AS hazard_assessments_overdue,
    coalesce(sum(h.cross_connections_found) FILTER (WHERE h.assessed_on >= $2), 0) AS cross_connections_found,
    coalesce(sum(h.cross_connections_corrected) FILTER (WHERE h.assessed_on >= $2), 0) AS cross_connections_corrected,
    count(*) FILTER (WHERE h.next_on IS NULL AND h.isolation_exception IS NOT NULL) AS isolation_exceptions
FROM made h;

-- name: due
-- Of an assessment with the day of the one that followed it: whether the next was due by the last day, and not made before the year.
(h.next_due_on <= $3 AND (h.next_on IS NULL OR h.next_on >= $2))

-- name: excepted
-- Premises excepted from isolation on the last day, by their last assessment, with the reason.
SELECT h.id, h.premises_id, p.name AS premises, p.reference, h.assessed_on, h.assessed_by, h.isolation_exception AS because
FROM record.hazard_assessment h JOIN record.premises p ON p.utility_id = $1 AND p.id = h.premises_id
WHERE h.utility_id = $1 AND $2::date IS NOT NULL AND h.assessed_on <= $3 AND {uncorrected} AND h.isolation_exception IS NOT NULL AND {last_made}
ORDER BY h.assessed_on, h.id LIMIT 200;

-- name: last_made
NOT EXISTS (
    SELECT FROM record.hazard_assessment n WHERE n.utility_id = $1 AND n.premises_id = h.premises_id AND n.assessed_on <= $3
        AND (n.assessed_on, n.id) > (h.assessed_on, h.id)
        AND NOT EXISTS (SELECT FROM record.hazard_assessment l WHERE l.utility_id = $1 AND l.supersedes = n.id)
)

-- name: sent_first
-- When each notice that was sent was first sent, as a day where the utility is.
SELECT n.*, (
    SELECT min((e ->> 'at')::timestamptz AT TIME ZONE u.time_zone)::date FROM jsonb_array_elements(n.states) AS e WHERE e ->> 'state' = 'sent'
) AS sent_on
FROM record.notice n JOIN record.utility u ON u.utility_id = $1 WHERE n.utility_id = $1 AND n.states @> jsonb_build_array(jsonb_build_object('state', 'sent'))

-- name: notices
-- Notices sent in the year, by step.
SELECT a.kind, a.hazard, n.step, n.occasion, count(*) AS sent FROM ({sent_first}) AS n JOIN record.assembly a ON a.utility_id = $1 AND a.id = n.assembly_id
WHERE n.sent_on BETWEEN $2 AND $3 GROUP BY a.kind, a.hazard, n.step, n.occasion;

-- name: rows_of_notices
SELECT NULL AS connection, a.kind, a.hazard, n.id, n.assembly_id, n.sent_on AS on_day, NULL::integer AS days
FROM ({sent_first}) AS n JOIN record.assembly a ON a.utility_id = $1 AND a.id = n.assembly_id WHERE n.sent_on BETWEEN $2 AND $3

-- name: rows_of_surveys
-- What the figures of `surveys` count.
SELECT NULL AS connection, NULL AS kind, NULL AS hazard, h.id, NULL::uuid AS assembly_id, h.assessed_on AS on_day, NULL::integer AS days,
    h.cross_connections_found, h.cross_connections_corrected, h.isolation_exception, h.next_on, {due} AS due
FROM (
    SELECT h.*, lead(h.assessed_on) OVER (PARTITION BY h.premises_id ORDER BY h.assessed_on, h.id) AS next_on FROM record.hazard_assessment h
    WHERE h.utility_id = $1 AND h.assessed_on <= $3 AND {uncorrected}
) AS h

-- name: rows_of_moves
-- Assemblies that are new, removed or replaced.
SELECT NULL AS connection, a.kind, a.hazard, a.id, a.id AS assembly_id, CASE WHEN {new} THEN a.installed_on ELSE record.service_changed($1, a.id, $3, a.service_since) END AS on_day,
    NULL::integer AS days, {new} AS new, {replaced} AS replaced, {removed} AS removed
FROM record.assembly a WHERE a.utility_id = $1

-- name: uncorrected
NOT EXISTS (SELECT FROM record.hazard_assessment l WHERE l.utility_id = $1 AND l.supersedes = h.id)

-- name: rows_of_hazard_assessments
SELECT NULL AS connection, NULL AS kind, NULL AS hazard, h.id, NULL::uuid AS assembly_id, h.assessed_on AS on_day, NULL::integer AS days
FROM record.hazard_assessment h WHERE h.utility_id = $1 AND h.assessed_on BETWEEN $2 AND $3 AND {uncorrected}

-- name: rows_of_premises
SELECT p.connection, NULL AS kind, NULL AS hazard, p.id, NULL::uuid AS assembly_id, NULL::date AS on_day, NULL::integer AS days
FROM record.premises p
WHERE p.utility_id = $1 AND EXISTS (SELECT FROM record.assembly a WHERE a.utility_id = $1 AND a.premises_id = p.id AND {there})

-- name: rows_of_premises_without
SELECT p.connection, NULL AS kind, NULL AS hazard, p.id, NULL::uuid AS assembly_id, NULL::date AS on_day, NULL::integer AS days
FROM record.premises p
WHERE p.utility_id = $1 AND NOT EXISTS (SELECT FROM record.assembly a WHERE a.utility_id = $1 AND a.premises_id = p.id AND {there})

-- name: rows_of_assemblies
-- Whether one was tested is asked of each in turn, so that a page ends when it is full; without OFFSET 0 it would be a join, and a planner that
-- takes few to be left would read the whole year for a page. Adding nothing to the day keeps the planner from reading the year's index for each
-- assembly, which looks cheap while its statistics know no test of that year.
SELECT NULL AS connection, a.kind, a.hazard, a.id, a.id AS assembly_id, NULL::date AS on_day, NULL::integer AS days, a.purpose,
    EXISTS (
        SELECT FROM record.report r WHERE r.utility_id = $1 AND r.assembly_id = a.id AND r.performed_on + 0 BETWEEN $2 AND $3 AND {decides} AND {stands}
        OFFSET 0
    ) AS tested,
    a.id IN ({late}) AS overdue,
    a.id IN (SELECT s.assembly_id FROM record.standing s WHERE s.utility_id = $1 AND s.protection = 'insufficient') AS insufficient
FROM record.assembly a WHERE a.utility_id = $1 AND {there}

-- name: rows_of_tests
SELECT NULL AS connection, a.kind, a.hazard, r.id, r.assembly_id, r.performed_on AS on_day, NULL::integer AS days,
    r.outcome, {accepted} AS accepted, r.initial_outcome, r.declared
FROM record.report r JOIN record.assembly a ON a.utility_id = $1 AND a.id = r.assembly_id
WHERE r.utility_id = $1 AND r.performed_on BETWEEN $2 AND $3 AND {stands}

-- name: rows_of_begun
SELECT NULL AS connection, b.* FROM ({begun}) AS b

-- name: rows_of_without_protection
SELECT NULL AS connection, w.* FROM ({without_protection}) AS w

-- name: rows_of_exceptions
SELECT NULL AS connection, a.kind, a.hazard, e.id, e.assembly_id, e.since AS on_day, NULL::integer AS days
FROM record.exception e JOIN record.assembly a ON a.utility_id = $1 AND a.id = e.assembly_id
WHERE e.utility_id = $1 AND e.since BETWEEN $2 AND $3

-- name: rows_of_incidents
SELECT NULL AS connection, NULL AS kind, NULL AS hazard, i.id, NULL::uuid AS assembly_id, i.occurred_on AS on_day, NULL::integer AS days
FROM record.incident i WHERE i.utility_id = $1 AND i.occurred_on BETWEEN $2 AND $3 AND i.status <> 'unfounded'

-- name: rows
-- The rows behind a figure, by id. The first CTE names every parameter, whichever the part at hand needs.
WITH asked AS (SELECT $2::date, $3::date, $4::date, $10::uuid[])
SELECT f.id, f.assembly_id, f.kind, f.hazard, f.connection, f.on_day, f.days, {amount} AS count, {because} AS because FROM ({rows}) AS f
WHERE {condition} AND ($5::text IS NULL OR f.kind = $5) AND ($6::text IS NULL OR f.hazard = $6)
    AND ($7::text IS NULL OR f.connection = $7) AND ($8::uuid IS NULL OR f.id > $8)
ORDER BY f.id LIMIT $9;
