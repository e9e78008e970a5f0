-- A year of a utility in figures, a statement a figure, each by kind and hazard of the assembly and, with both null, over all.
-- $1 the utility, $2 and $3 the first and the last day counted, $4 today. A report counts unless it is superseded or refused; it decides
-- where it failed, or passed and was accepted.

-- name: connections
-- Premises with an assembly in service, by connection.
SELECT p.connection, count(*) AS premises FROM record.premises p
WHERE p.utility_id = $1 AND EXISTS (
    SELECT FROM record.assembly a
    WHERE a.utility_id = p.utility_id AND a.premises_id = p.id AND a.in_service AND (a.installed_on IS NULL OR a.installed_on <= $2)
)
GROUP BY p.connection ORDER BY p.connection;

-- name: assemblies
-- Assemblies in service, installed by the last day; how many had a test that decides; how many are overdue today.
WITH tested AS (
    SELECT DISTINCT r.assembly_id FROM record.report r
    WHERE r.utility_id = $1 AND r.performed_on BETWEEN $2 AND $3
        AND (r.outcome = 'fail' AND r.acceptance <> 'refused' OR r.outcome = 'pass' AND r.acceptance = 'accepted')
        AND NOT EXISTS (SELECT FROM record.report l WHERE l.utility_id = $1 AND l.supersedes = r.id AND l.supersedes IS NOT NULL)
)
SELECT a.kind, a.hazard, count(*) AS assemblies, count(tested.assembly_id) AS tested,
    count(*) FILTER (WHERE s.status = 'current' AND s.due_on < $4) AS overdue
FROM record.assembly a
LEFT JOIN record.standing s ON s.utility_id = a.utility_id AND s.assembly_id = a.id
LEFT JOIN tested ON tested.assembly_id = a.id
WHERE a.utility_id = $1 AND a.in_service AND (a.installed_on IS NULL OR a.installed_on <= $3)
GROUP BY GROUPING SETS ((a.kind, a.hazard), ());

-- name: tests
-- Tests performed in the year, by how they came out; and those that failed at first and passed after repair on the same visit.
SELECT a.kind, a.hazard, count(*) AS tests,
    count(*) FILTER (WHERE r.outcome = 'pass' AND r.acceptance = 'accepted') AS passed,
    count(*) FILTER (WHERE r.outcome = 'fail') AS failed,
    count(*) FILTER (WHERE r.outcome = 'incomplete' OR r.outcome = 'pass' AND r.acceptance = 'held') AS undecided,
    count(*) FILTER (WHERE r.outcome = 'pass' AND r.acceptance = 'accepted' AND r.initial_outcome = 'fail') AS repaired_at_once
FROM record.report r
JOIN record.assembly a ON a.utility_id = r.utility_id AND a.id = r.assembly_id
WHERE r.utility_id = $1 AND r.performed_on BETWEEN $2 AND $3 AND r.acceptance <> 'refused'
    AND NOT EXISTS (SELECT FROM record.report l WHERE l.utility_id = $1 AND l.supersedes = r.id AND l.supersedes IS NOT NULL)
GROUP BY GROUPING SETS ((a.kind, a.hazard), ());

-- name: failures
-- Failures that began in the year: a test failed, at first or at last, when the one before had not. Repaired is what has passed since,
-- by today; a repair on the same visit took 0 days.
WITH failing AS (
    SELECT DISTINCT r.assembly_id FROM record.report r
    WHERE r.utility_id = $1 AND r.performed_on BETWEEN $2 AND $3 AND (r.outcome = 'fail' OR r.initial_outcome = 'fail')
), decided AS (
    SELECT r.assembly_id, r.performed_on, 'fail' IN (r.outcome, r.initial_outcome) AS failed,
        lag(r.outcome) OVER in_order AS before,
        min(r.performed_on) FILTER (WHERE r.outcome = 'pass')
            OVER (in_order ROWS BETWEEN CURRENT ROW AND UNBOUNDED FOLLOWING) AS repaired_on
    FROM record.report r JOIN failing USING (assembly_id)
    WHERE r.utility_id = $1 AND r.performed_on <= $4
        AND (r.outcome = 'fail' AND r.acceptance <> 'refused' OR r.outcome = 'pass' AND r.acceptance = 'accepted')
        AND NOT EXISTS (SELECT FROM record.report l WHERE l.utility_id = $1 AND l.supersedes = r.id AND l.supersedes IS NOT NULL)
    WINDOW in_order AS (PARTITION BY r.assembly_id ORDER BY r.performed_at, r.received_at, r.id)
)
SELECT a.kind, a.hazard, count(*) AS failures, count(d.repaired_on) AS repaired, count(*) - count(d.repaired_on) AS unrepaired,
    percentile_cont(0.5) WITHIN GROUP (ORDER BY d.repaired_on - d.performed_on) AS median_days_to_repair
FROM decided d JOIN record.assembly a ON a.utility_id = $1 AND a.id = d.assembly_id
WHERE d.failed AND d.before IS DISTINCT FROM 'fail' AND d.performed_on BETWEEN $2 AND $3
GROUP BY GROUPING SETS ((a.kind, a.hazard), ());

-- name: unprotected
-- Days of the year on which an assembly had failed with no barrier left: from the test that showed it until the next that decides.
WITH lost AS (
    SELECT DISTINCT r.assembly_id FROM record.report r
    WHERE r.utility_id = $1 AND r.performed_on <= $3 AND r.protection = 'lost' AND r.outcome = 'fail'
), decided AS (
    SELECT r.assembly_id, r.performed_on, r.outcome, r.protection,
        lead(r.performed_on) OVER (PARTITION BY r.assembly_id ORDER BY r.performed_at, r.received_at, r.id) AS next_on
    FROM record.report r JOIN lost USING (assembly_id)
    WHERE r.utility_id = $1 AND r.performed_on <= $4
        AND (r.outcome = 'fail' AND r.acceptance <> 'refused' OR r.outcome = 'pass' AND r.acceptance = 'accepted')
        AND NOT EXISTS (SELECT FROM record.report l WHERE l.utility_id = $1 AND l.supersedes = r.id AND l.supersedes IS NOT NULL)
)
SELECT a.kind, a.hazard,
    coalesce(sum(greatest(0, least(coalesce(d.next_on, $3::date + 1), $3::date + 1) - greatest(d.performed_on, $2::date))), 0) AS unprotected_days
FROM decided d JOIN record.assembly a ON a.utility_id = $1 AND a.id = d.assembly_id
WHERE d.outcome = 'fail' AND d.protection = 'lost'
GROUP BY GROUPING SETS ((a.kind, a.hazard), ());
