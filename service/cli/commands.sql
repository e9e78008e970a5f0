-- name: add_organisation
-- The first organisation comes by the command, as the database's owner: nobody has a key yet.
INSERT INTO access.organisation VALUES ($1, $2, $3, $4);

-- name: add_key
INSERT INTO access.key (key_id, organisation_id, label, secret_hash, rights, created_at) VALUES ($1, $2, $3, $4, $5, $6);

-- name: grant_utility
INSERT INTO access.utility_grant VALUES ($1, $2, $3);
