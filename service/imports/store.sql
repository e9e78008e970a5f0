-- What an import asks of the register by the marks that people know things by, and how it writes many at once.

-- name: find_premises
SELECT jsonb_strip_nulls(to_jsonb(r) - 'utility_id')::text FROM (
    SELECT x.id FROM (SELECT DISTINCT unnest($2::text[]) AS mark) AS m
    CROSS JOIN LATERAL (SELECT b.id FROM record.premises b WHERE b.utility_id = $1 AND b.reference = m.mark OFFSET 0) AS x
    UNION SELECT unnest($3::uuid[])
) AS w
CROSS JOIN LATERAL (SELECT b.* FROM record.premises b WHERE b.utility_id = $1 AND b.id = w.id OFFSET 0) AS r;

-- name: find_assembly
SELECT jsonb_strip_nulls(to_jsonb(r) - 'utility_id')::text FROM (
    SELECT x.id FROM (SELECT DISTINCT unnest($2::text[]) AS mark) AS m
    CROSS JOIN LATERAL (SELECT b.id FROM record.assembly b WHERE b.utility_id = $1 AND b.serial_number = m.mark OFFSET 0) AS x
    UNION SELECT unnest($3::uuid[])
) AS w
CROSS JOIN LATERAL (SELECT b.* FROM record.assembly b WHERE b.utility_id = $1 AND b.id = w.id OFFSET 0) AS r;

-- name: find_tester
-- By the number of any certificate held.
SELECT jsonb_strip_nulls(to_jsonb(tester) - 'utility_id')::text FROM record.tester
WHERE utility_id = $1 AND (id = ANY ($3::uuid[])
    OR EXISTS (SELECT FROM jsonb_array_elements(certificates) AS held WHERE held ->> 'certificate' = ANY ($2::text[])));

-- name: find_gauge
SELECT jsonb_strip_nulls(to_jsonb(gauge) - 'utility_id')::text FROM record.gauge
WHERE utility_id = $1 AND (serial_number = ANY ($2::text[]) OR id = ANY ($3::uuid[]));

-- name: recorded
-- The reports of those assemblies, as far as the next ones rest on them. OFFSET 0 as in `standing_facts`: a look-up each.
SELECT r.id, r.assembly_id, r.performed_at, coalesce(record.decision($1, r.id, NULL), r.acceptance) AS acceptance, r.supersedes
FROM (SELECT DISTINCT unnest($2::uuid[]) AS id) AS i
CROSS JOIN LATERAL (SELECT b.* FROM record.report b WHERE b.utility_id = $1 AND b.assembly_id = i.id OFFSET 0) AS r;

-- name: reports
-- Those reports: what they say, how they came out, and the tests as they were judged.
SELECT r.id, r.content, r.outcome, r.judged FROM (SELECT DISTINCT unnest($2::uuid[]) AS id) AS i
CROSS JOIN LATERAL (SELECT b.* FROM record.report b WHERE b.utility_id = $1 AND b.id = i.id OFFSET 0) AS r;

-- name: versions_assembly
SELECT r.id, r.version FROM (SELECT DISTINCT unnest($2::uuid[]) AS id) AS i
CROSS JOIN LATERAL (SELECT b.id, b.version FROM record.assembly b WHERE b.utility_id = $1 AND b.id = i.id OFFSET 0) AS r;

-- name: versions_tester
SELECT r.id, r.version FROM (SELECT DISTINCT unnest($2::uuid[]) AS id) AS i
CROSS JOIN LATERAL (SELECT b.id, b.version FROM record.tester b WHERE b.utility_id = $1 AND b.id = i.id OFFSET 0) AS r;

-- name: versions_gauge
SELECT r.id, r.version FROM (SELECT DISTINCT unnest($2::uuid[]) AS id) AS i
CROSS JOIN LATERAL (SELECT b.id, b.version FROM record.gauge b WHERE b.utility_id = $1 AND b.id = i.id OFFSET 0) AS r;

-- name: create_premises
-- Those whose ids are not taken; the ids of those written.
INSERT INTO record.premises (utility_id, id, version, created_at, changed_at, {columns})
SELECT utility_id, id, version, created_at, changed_at, {columns} FROM jsonb_populate_recordset(NULL::record.premises, $1::jsonb)
ON CONFLICT (utility_id, id) DO NOTHING RETURNING id;

-- name: create_assembly
INSERT INTO record.assembly (utility_id, id, version, created_at, changed_at, {columns})
SELECT utility_id, id, version, created_at, changed_at, {columns} FROM jsonb_populate_recordset(NULL::record.assembly, $1::jsonb)
ON CONFLICT (utility_id, id) DO NOTHING RETURNING id;

-- name: create_tester
INSERT INTO record.tester (utility_id, id, version, created_at, changed_at, {columns})
SELECT utility_id, id, version, created_at, changed_at, {columns} FROM jsonb_populate_recordset(NULL::record.tester, $1::jsonb)
ON CONFLICT (utility_id, id) DO NOTHING RETURNING id;

-- name: create_gauge
INSERT INTO record.gauge (utility_id, id, version, created_at, changed_at, {columns})
SELECT utility_id, id, version, created_at, changed_at, {columns} FROM jsonb_populate_recordset(NULL::record.gauge, $1::jsonb)
ON CONFLICT (utility_id, id) DO NOTHING RETURNING id;

-- name: keep_standings
INSERT INTO record.standing (utility_id, assembly_id, version, due_on, basis)
SELECT $1, s.assembly_id, 1, s.due_on, s.basis FROM unnest($2::uuid[], $3::date[], $4::text[]) AS s (assembly_id, due_on, basis)
ON CONFLICT (utility_id, assembly_id)
DO UPDATE SET version = standing.version + 1, due_on = excluded.due_on, basis = excluded.basis;

-- name: plan_again
DISCARD PLANS;
