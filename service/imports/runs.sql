-- Imports that were written: what each wrote, and what became of it.

-- name: put_state
-- The next state of an import, under the log's lock.
INSERT INTO record.import_version (utility_id, id, version, recorded_at, state, because, decided_by, content, organisation_id, key_id)
VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10);

-- name: begin_reports
-- Where in the log the import begins; what is later than this may rest on it.
INSERT INTO record.import_reports (utility_id, import_id, first_index, until_index)
SELECT $1, $2, l.reports, l.reports FROM record.utility_log l WHERE l.utility_id = $1;

-- name: put_things
INSERT INTO record.import_thing (utility_id, import_id, resource, id, version, before)
SELECT $1, $2, $3, t.id, t.version, t.before FROM unnest($4::uuid[], $5::bigint[], $6::text[]) AS t (id, version, before)
ON CONFLICT DO NOTHING;

-- name: put_reports
-- The last reports of the log, as many as this import has just recorded under the lock.
INSERT INTO record.import_reports (utility_id, import_id, first_index, until_index)
SELECT $1, $2, l.reports - $3, l.reports FROM record.utility_log l WHERE l.utility_id = $1;

-- name: shown
-- Imports with their last state, and when each began.
SELECT v.id, v.version, v.state, b.recorded_at AS begun_at, v.recorded_at AS changed_at, v.because, v.decided_by, v.content, v.organisation_id
FROM record.import_version v
JOIN record.import_version b ON b.utility_id = v.utility_id AND b.id = v.id AND b.version = 1
WHERE v.utility_id = $1
    AND NOT EXISTS (SELECT FROM record.import_version n WHERE n.utility_id = v.utility_id AND n.id = v.id AND n.version > v.version)

-- name: listed
AND ($2::uuid IS NULL OR v.id > $2) ORDER BY v.id LIMIT $3

-- name: one
AND v.id = $2

-- name: later_reports
-- Reports in the gaps between what the import recorded and after it, not void, on an assembly that it registered or tested, or by a tester or
-- with a gauge that it registered.
WITH gaps AS MATERIALIZED (
    SELECT x.until_index AS start, lead(x.first_index) OVER (ORDER BY x.first_index, x.until_index) AS stop
    FROM record.import_reports x WHERE x.utility_id = $1 AND x.import_id = $2
)
SELECT r.id, r.log_index, r.assembly_id, r.performed_at, r.received_at
FROM gaps g
JOIN record.report r ON r.utility_id = $1 AND r.log_index >= g.start AND (g.stop IS NULL OR r.log_index < g.stop)
WHERE r.log_index > $3 AND record.decision($1, r.id, NULL) IS DISTINCT FROM 'void'
    AND (
        EXISTS (SELECT FROM record.import_thing t WHERE t.utility_id = $1 AND t.import_id = $2 AND t.before IS NULL
            AND (t.resource, t.id) IN (('assembly', r.assembly_id), ('tester', r.tester_id), ('gauge', r.gauge_id)))
        OR EXISTS (SELECT FROM record.report i JOIN record.import_reports x ON x.utility_id = $1 AND x.import_id = $2
            AND i.log_index >= x.first_index AND i.log_index < x.until_index
            WHERE i.utility_id = $1 AND i.assembly_id = r.assembly_id)
    )
ORDER BY r.log_index LIMIT $4;

-- name: ranges
-- Where in the log the import's reports are, one transaction's a row.
SELECT x.first_index, x.until_index FROM record.import_reports x
WHERE x.utility_id = $1 AND x.import_id = $2 AND x.until_index > x.first_index ORDER BY x.first_index;

-- name: to_void
-- The reports from one place in the log up to another that are not void, with the number of the last decision on each.
SELECT r.id, r.assembly_id, (SELECT coalesce(max(d.version), 0) FROM record.review d WHERE d.utility_id = $1 AND d.id = r.id) AS version
FROM record.report r
WHERE r.utility_id = $1 AND r.log_index >= $2 AND r.log_index < $3 AND record.decision($1, r.id, NULL) IS DISTINCT FROM 'void'
ORDER BY r.log_index;

-- name: void
INSERT INTO record.review (utility_id, id, version, decided_at, decision, because, decided_by, organisation_id, key_id)
SELECT $1, v.id, v.version + 1, $4, 'void', $5, $6, $7, $8 FROM unnest($2::uuid[], $3::bigint[]) AS v (id, version);

-- name: things
-- What the import registered or changed, in order of id: the last version that it wrote, and what each was before the first.
SELECT t.id, max(t.version) AS version, (array_agg(t.before ORDER BY t.version))[1] AS before FROM record.import_thing t
WHERE t.utility_id = $1 AND t.import_id = $2 AND t.resource = $3 AND ($4::uuid IS NULL OR t.id > $4) GROUP BY t.id ORDER BY t.id LIMIT $5;

-- name: retire
-- Assemblies that the import registered, that nobody changed since, and that no report but a void one names; with what each had replaced.
WITH found AS MATERIALIZED (
    SELECT a.id, a.replaces FROM unnest($2::uuid[], $3::bigint[]) AS t (id, version)
    CROSS JOIN LATERAL (SELECT b.id, b.version, b.replaces FROM record.assembly b WHERE b.utility_id = $1 AND b.id = t.id OFFSET 0) AS a
    WHERE a.version = t.version
        AND NOT EXISTS (SELECT FROM record.report r WHERE r.utility_id = $1 AND r.assembly_id = a.id AND record.decision($1, r.id, NULL) IS DISTINCT FROM 'void')
)
UPDATE record.assembly a SET version = a.version + 1, changed_at = $4, in_service = false, retired_on = $5, replaces = NULL, replaced_by = NULL,
    retired_because = 'registered_in_error'
FROM found f WHERE a.utility_id = $1 AND a.id = f.id
RETURNING a.id, f.replaces;

-- name: made
SELECT i.id FROM (SELECT DISTINCT unnest($3::uuid[]) AS id) AS i
CROSS JOIN LATERAL (
    SELECT t.id FROM record.import_thing t
    WHERE t.utility_id = $1 AND t.import_id = $2 AND t.resource = 'assembly' AND t.id = i.id AND t.before IS NULL LIMIT 1
) AS x;

-- name: totals
-- What an undo came to: void reports, and assemblies that the import registered in and out of service.
SELECT (
    SELECT count(*) FROM record.import_reports x
    JOIN record.report r ON r.utility_id = $1 AND r.log_index >= x.first_index AND r.log_index < x.until_index
    WHERE x.utility_id = $1 AND x.import_id = $2 AND record.decision($1, r.id, NULL) = 'void'
) AS voided,
    count(*) FILTER (WHERE NOT a.in_service) AS retired, count(*) FILTER (WHERE a.in_service) AS kept
FROM record.assembly a
WHERE a.utility_id = $1 AND a.id IN (
    SELECT t.id FROM record.import_thing t WHERE t.utility_id = $1 AND t.import_id = $2 AND t.resource = 'assembly' AND t.before IS NULL
);

-- name: retired_by_undo
-- Of these assemblies, those that an import registered and its undo retired.
SELECT a.id FROM (SELECT DISTINCT unnest($2::uuid[]) AS id) AS i
CROSS JOIN LATERAL (SELECT b.id, b.retired_because FROM record.assembly b WHERE b.utility_id = $1 AND b.id = i.id OFFSET 0) AS a
WHERE a.retired_because = 'registered_in_error' AND EXISTS (
    SELECT FROM record.import_thing t
    JOIN record.import_version v ON v.utility_id = $1 AND v.id = t.import_id AND v.state = 'undone'
    WHERE t.utility_id = $1 AND t.id = a.id AND t.before IS NULL
);
