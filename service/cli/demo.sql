-- name: say_where
-- Another demo reads from the connection's name where this one serves.
SELECT set_config('application_name', $1, false);

-- name: claim
SELECT pg_try_advisory_lock($1);

-- name: claimed_by
-- The name of the connection that holds the claim.
SELECT application_name FROM pg_locks JOIN pg_stat_activity USING (pid)
WHERE locktype = 'advisory' AND granted AND objsubid = 1 AND (classid::bigint << 32) + objid::bigint = $1
    AND pg_locks.database = (SELECT oid FROM pg_database WHERE datname = current_database());

-- name: grant_utility
INSERT INTO access.utility_grant VALUES ($1, $2, now()) ON CONFLICT DO NOTHING;

-- name: failing_report
SELECT id, leaf_hash FROM record.report WHERE utility_id = $1 AND initial_outcome = 'fail' ORDER BY log_index LIMIT 1;

-- name: organisation
SELECT organisation_id FROM access.organisation WHERE kind = $1 AND name = $2 LIMIT 1;

-- name: add_organisation
INSERT INTO access.organisation VALUES ($1, $2, $3, $4);

-- name: revoke_keys
-- The last start's keys: they are kept hashed and could not be shown again.
UPDATE access.key SET revoked_at = now() WHERE organisation_id = $1 AND label = 'demo' AND revoked_at IS NULL;

-- name: add_key
INSERT INTO access.key (key_id, organisation_id, label, secret_hash, rights, created_at) VALUES ($1, $2, 'demo', $3, $4, now());
