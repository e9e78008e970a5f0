-- The change feed. Numbers are given under the lock of the utility's log, which is held until the commit, so whoever sees a number sees
-- every number before it, and reading on from the last one seen misses nothing.

-- name: changes
SELECT sequence, resource, id, version, recorded_at FROM record.change
WHERE utility_id = $1 AND sequence > $2 ORDER BY sequence LIMIT $3;
