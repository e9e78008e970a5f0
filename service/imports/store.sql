-- What an import asks of the register by the marks that people know things by, and how it writes many at once.

-- name: find_premises
SELECT jsonb_strip_nulls(to_jsonb(premises) - 'utility_id')::text FROM record.premises
WHERE utility_id = $1 AND (reference = ANY ($2::text[]) OR id = ANY ($3::uuid[]));

-- name: find_assembly
SELECT jsonb_strip_nulls(to_jsonb(assembly) - 'utility_id')::text FROM record.assembly
WHERE utility_id = $1 AND (serial_number = ANY ($2::text[]) OR id = ANY ($3::uuid[]));

-- name: find_tester
-- By the number of any certificate held.
SELECT jsonb_strip_nulls(to_jsonb(tester) - 'utility_id')::text FROM record.tester
WHERE utility_id = $1 AND (id = ANY ($3::uuid[])
    OR EXISTS (SELECT FROM jsonb_array_elements(certificates) AS held WHERE held ->> 'certificate' = ANY ($2::text[])));

-- name: find_gauge
SELECT jsonb_strip_nulls(to_jsonb(gauge) - 'utility_id')::text FROM record.gauge
WHERE utility_id = $1 AND (serial_number = ANY ($2::text[]) OR id = ANY ($3::uuid[]));

-- name: recorded
-- The reports of those assemblies, as far as the next ones rest on them.
SELECT r.id, r.assembly_id, r.performed_at, coalesce(record.decision($1, r.id, NULL), r.acceptance) AS acceptance, r.supersedes
FROM record.report r WHERE r.utility_id = $1 AND r.assembly_id IN (SELECT unnest($2::uuid[]));

-- name: reports
-- Those reports: what they say, how they came out, and the tests as they were judged.
SELECT r.id, r.content, r.outcome, r.judged FROM record.report r WHERE r.utility_id = $1 AND r.id IN (SELECT unnest($2::uuid[]));

-- name: versions_assembly
SELECT id, version FROM record.assembly WHERE utility_id = $1 AND id IN (SELECT unnest($2::uuid[]));

-- name: versions_tester
SELECT id, version FROM record.tester WHERE utility_id = $1 AND id IN (SELECT unnest($2::uuid[]));

-- name: versions_gauge
SELECT id, version FROM record.gauge WHERE utility_id = $1 AND id IN (SELECT unnest($2::uuid[]));

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
