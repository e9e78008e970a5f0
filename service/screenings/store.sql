-- Screenings, the tests that the screens look at, and the tests of one assembly for its trends.

-- name: tests_by_tester
-- A page of the tests since a day, by tester and moment: what they state, and where they were made. A superseded or void one says nothing,
-- and neither does one whose result is the one declared on paper.
SELECT r.id, r.assembly_id, r.tester_id, r.gauge_id, r.performed_at, r.judged, r.previous, r.initial_outcome, g.units ->> 'pressure' AS gauge_unit,
    p.latitude, p.longitude
FROM record.report r
JOIN record.gauge g ON g.utility_id = r.utility_id AND g.id = r.gauge_id
JOIN record.assembly a ON a.utility_id = r.utility_id AND a.id = r.assembly_id
JOIN record.premises p ON p.utility_id = a.utility_id AND p.id = a.premises_id
WHERE r.utility_id = $1 AND r.performed_on >= $2 AND NOT r.declared AND record.decision($1, r.id, NULL) IS DISTINCT FROM 'void'
    AND (r.tester_id, r.performed_at, r.id) > ($3, $4, $5)
    AND NOT EXISTS (SELECT FROM record.report c WHERE c.utility_id = r.utility_id AND c.supersedes = r.id)
ORDER BY r.tester_id, r.performed_at, r.id LIMIT $6;

-- name: tests_by_gauge
-- The tests since a day, by gauge and moment. Postgres sorts them on its disk, which spares every report an index more.
SELECT r.id, r.assembly_id, r.tester_id, r.gauge_id, r.performed_at, r.judged, NULL::text AS previous, r.initial_outcome,
    g.units ->> 'pressure' AS gauge_unit, NULL::double precision AS latitude, NULL::double precision AS longitude
FROM record.report r JOIN record.gauge g ON g.utility_id = r.utility_id AND g.id = r.gauge_id
WHERE r.utility_id = $1 AND r.performed_on >= $2 AND NOT r.declared AND record.decision($1, r.id, NULL) IS DISTINCT FROM 'void'
    AND NOT EXISTS (SELECT FROM record.report c WHERE c.utility_id = r.utility_id AND c.supersedes = r.id)
ORDER BY r.gauge_id, r.performed_at, r.id;

-- name: identity_changes
-- Changes of what the register says an assembly is, since a day where the utility is ($3); replaced: a report of the month around states it.
SELECT i.assembly_id, i.version, (i.changed_at AT TIME ZONE $3)::date AS on_day, i.serial_number_before, i.serial_number_after,
    i.nominal_size_before::text AS size_before, i.nominal_size_after::text AS size_after,
    EXISTS (
        SELECT FROM record.report r
        WHERE r.utility_id = i.utility_id AND r.assembly_id = i.assembly_id
            AND r.performed_at BETWEEN i.changed_at - interval '31 days' AND i.changed_at + interval '31 days'
            AND (r.reason = 'installation' OR r.judged::jsonb -> 'repairs' @> '[{"part": "whole_assembly", "action": "replaced"}]')
    ) AS replaced
FROM record.assembly_identity_change i
WHERE i.utility_id = $1 AND i.changed_at >= $2
ORDER BY i.assembly_id, i.version;

-- name: shared_serials
-- Serial numbers that several assemblies of one kind bear; the oldest of them first, by ids that are in order of their making.
SELECT upper(regexp_replace(serial_number, '\s', '', 'g')) AS serial_number, kind, array_agg(id ORDER BY created_at, id) AS assembly_ids,
    (max(created_at) AT TIME ZONE $2)::date AS on_day
FROM record.assembly WHERE utility_id = $1 AND serial_number IS NOT NULL
GROUP BY 1, 2 HAVING count(*) > 1 ORDER BY 1, 2;

-- name: keep
-- One row for the same screen, subject and occasion; renewed only where its evidence changed and nobody has decided.
INSERT INTO record.screening AS kept (utility_id, id, version, created_at, changed_at, screen, tester_id, gauge_id, assembly_id, occasion,
    on_day, message, evidence, disposition)
SELECT $1, n.id, 1, $2, $2, n.screen, n.tester_id, n.gauge_id, n.assembly_id, n.occasion, n.on_day, n.message, n.evidence, 'open'
FROM jsonb_populate_recordset(NULL::record.screening, $3::jsonb) AS n
ON CONFLICT (utility_id, screen, tester_id, gauge_id, assembly_id, occasion)
DO UPDATE SET version = kept.version + 1, changed_at = excluded.changed_at, on_day = excluded.on_day, message = excluded.message,
    evidence = excluded.evidence
WHERE kept.disposition = 'open' AND (kept.message, kept.evidence) IS DISTINCT FROM (excluded.message, excluded.evidence)
RETURNING version = 1 AS fresh;

-- name: list
-- By id, the order in which they were made; an assembly's are those about it, and those whose evidence names a report of it.
SELECT s.id, s.version, s.created_at, s.changed_at, s.screen, s.tester_id, s.gauge_id, s.assembly_id, s.occasion, s.on_day, s.message,
    s.evidence::text AS evidence, s.disposition, to_jsonb(d)::text AS decision
FROM record.screening s
LEFT JOIN LATERAL (
    SELECT d.version, d.decided_at, d.disposition, d.because, d.decided_by, d.organisation_id FROM record.screening_decision d
    WHERE d.utility_id = s.utility_id AND d.screening_id = s.id ORDER BY d.version DESC LIMIT 1
) AS d ON true
WHERE s.utility_id = $1 AND ($2::uuid IS NULL OR s.id > $2) AND ($4::text IS NULL OR s.screen = $4)
    AND ($5::uuid IS NULL OR s.tester_id = $5) AND ($6::uuid IS NULL OR s.gauge_id = $6)
    AND ($7::uuid IS NULL OR s.assembly_id = $7 OR s.evidence -> 'report_ids' ?| (
        SELECT array_agg(r.id::text) FROM record.report r WHERE r.utility_id = $1 AND r.assembly_id = $7))
    AND ($8::text IS NULL OR s.disposition = $8) AND ($9::date IS NULL OR s.on_day >= $9) AND ($10::uuid IS NULL OR s.id = $10)
ORDER BY s.id LIMIT $3;

-- name: decisions
-- Every decision on a screening, the first first.
SELECT version, decided_at, disposition, because, decided_by, organisation_id FROM record.screening_decision
WHERE utility_id = $1 AND screening_id = $2 ORDER BY version;

-- name: decide
-- The decision, and the screening as it stands after it, while its version is still the one that the caller read.
WITH decided AS (
    UPDATE record.screening SET version = version + 1, changed_at = $4, disposition = $5 WHERE utility_id = $1 AND id = $2 AND version = $3
    RETURNING version
)
INSERT INTO record.screening_decision (utility_id, screening_id, version, decided_at, disposition, because, decided_by, organisation_id, key_id)
SELECT $1, $2, decided.version, $4, $5, $6, $7, $8, $9 FROM decided
RETURNING version;

-- name: tests_of_assembly
-- The tests of an assembly that count, in the order of their making.
SELECT r.id, r.performed_on, r.judged, r.verdict FROM record.report r
WHERE r.utility_id = $1 AND r.assembly_id = $2 AND r.gauge_id IS NOT NULL AND coalesce(record.decision($1, r.id, NULL), r.acceptance) NOT IN ('refused', 'void')
    AND NOT EXISTS (SELECT FROM record.report c WHERE c.utility_id = r.utility_id AND c.supersedes = r.id)
ORDER BY r.performed_at, r.id;
