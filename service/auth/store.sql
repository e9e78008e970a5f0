-- name: key_by_id
-- A key with its organisation and the utilities that the organisation may act in.
SELECT k.key_id, k.organisation_id, o.kind, k.secret_hash, k.rights, k.expires_at, k.revoked_at,
    coalesce((SELECT array_agg(g.utility_id) FROM access.utility_grant g WHERE g.organisation_id = k.organisation_id), '{}') AS utilities
FROM access.key k JOIN access.organisation o USING (organisation_id)
WHERE k.key_id = $1;

-- name: create_organisation
INSERT INTO access.organisation (organisation_id, kind, name, created_at) VALUES ($1, $2, $3, $4);

-- name: organisation
SELECT organisation_id, kind, name, created_at FROM access.organisation WHERE organisation_id = $1;

-- name: organisations
SELECT organisation_id, kind, name, created_at FROM access.organisation
WHERE $1::uuid IS NULL OR organisation_id > $1 ORDER BY organisation_id LIMIT $2;

-- name: create_key
INSERT INTO access.key (key_id, organisation_id, label, secret_hash, rights, created_at, expires_at)
VALUES ($1, $2, $3, $4, $5, $6, $7);

-- name: keys
-- Never the hash.
SELECT key_id, organisation_id, label, rights, created_at, expires_at, revoked_at FROM access.key
WHERE organisation_id = $1 AND ($2::uuid IS NULL OR key_id > $2) ORDER BY key_id LIMIT $3;

-- name: revoke_key
-- Revoking twice keeps the first time.
UPDATE access.key SET revoked_at = coalesce(revoked_at, $3) WHERE key_id = $1 AND organisation_id = $2 RETURNING key_id;

-- name: grant_utility
INSERT INTO access.utility_grant (utility_id, organisation_id, granted_at) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING;

-- name: grants
SELECT g.organisation_id, o.kind, o.name, g.granted_at, g.assemblies FROM access.utility_grant g JOIN access.organisation o USING (organisation_id)
WHERE g.utility_id = $1 AND ($2::uuid IS NULL OR g.organisation_id > $2) ORDER BY g.organisation_id LIMIT $3;

-- name: all_utility_ids
-- Kept by the database: a utility is listed as it is registered.
SELECT utility_id FROM access.utility ORDER BY utility_id;
