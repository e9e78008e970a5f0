-- Which assemblies a testing company sees in a utility: all, or those listed.

-- name: granted
SELECT o.kind, g.assemblies FROM access.utility_grant g JOIN access.organisation o USING (organisation_id)
WHERE g.utility_id = $1 AND g.organisation_id = $2;

-- name: set_scope
UPDATE access.utility_grant SET assemblies = $3 WHERE utility_id = $1 AND organisation_id = $2 AND assemblies <> $3;

-- name: listed
SELECT assembly_id, granted_at FROM record.assembly_grant
WHERE utility_id = $1 AND organisation_id = $2 AND ($3::uuid IS NULL OR assembly_id > $3) ORDER BY assembly_id LIMIT $4;

-- name: grant_assembly
INSERT INTO record.assembly_grant (utility_id, organisation_id, assembly_id, granted_at) VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING;

-- name: withdraw_assembly
DELETE FROM record.assembly_grant WHERE utility_id = $1 AND organisation_id = $2 AND assembly_id = $3 RETURNING assembly_id;

-- name: withdraw_utility
-- With what was listed of it.
DELETE FROM access.utility_grant WHERE utility_id = $1 AND organisation_id = $2 RETURNING utility_id;
