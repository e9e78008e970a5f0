-- Hazard assessments of premises.

-- name: create
INSERT INTO record.hazard_assessment AS one (utility_id, id, version, created_at, premises_id, assessed_on, assessed_by, hazard, findings,
    next_due_on, supersedes, supersedes_because, cross_connections_found, cross_connections_corrected, isolation_exception, organisation_id, key_id)
SELECT utility_id, id, version, created_at, premises_id, assessed_on, assessed_by, hazard, findings, next_due_on, supersedes,
    supersedes_because, cross_connections_found, cross_connections_corrected, isolation_exception, organisation_id, key_id FROM jsonb_populate_record(NULL::record.hazard_assessment, $1::jsonb)
ON CONFLICT (utility_id, id) DO NOTHING
RETURNING jsonb_strip_nulls(to_jsonb(one) - '{utility_id,key_id}'::text[])::text;

-- name: list
-- By id: of the premises, made on days from and to, those that stand (none corrects them), or one by its id; whatever of these is asked.
SELECT jsonb_strip_nulls(to_jsonb(one) - '{utility_id,key_id}'::text[] || jsonb_build_object('superseded_by', later.id))::text
FROM record.hazard_assessment one
LEFT JOIN record.hazard_assessment later ON later.utility_id = one.utility_id AND later.supersedes = one.id
WHERE one.utility_id = $1 AND ($2::uuid IS NULL OR one.id > $2) AND ($4::uuid IS NULL OR one.premises_id = $4)
    AND ($5::date IS NULL OR one.assessed_on >= $5) AND ($6::date IS NULL OR one.assessed_on <= $6)
    AND ($7::boolean IS NULL OR (later.id IS NULL) = $7) AND ($8::uuid IS NULL OR one.id = $8)
ORDER BY one.id LIMIT $3;
