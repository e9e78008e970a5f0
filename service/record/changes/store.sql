-- The change feed. Numbers are given under the lock of the utility's log, which is held until the commit, so whoever sees a number sees
-- every number before it, and reading on from the last one seen misses nothing.

-- name: changes
-- From one snapshot: how many changes there are, and the caller's own among the next so many, which bounds what one look goes through
-- where most belong to others. Without any, one row that says only how many there are.
SELECT log.changes AS head, found.sequence, found.resource, found.id, found.version, found.recorded_at
FROM record.utility_log log
LEFT JOIN LATERAL (
    SELECT c.sequence, c.resource, c.id, c.version, c.recorded_at FROM record.change c
    WHERE c.utility_id = $1 AND c.sequence > $2 AND c.sequence <= $2 + $4::bigint ORDER BY c.sequence LIMIT $3
) AS found ON true
WHERE log.utility_id = $1
ORDER BY found.sequence;

-- name: head
-- How many changes there are.
SELECT changes FROM record.utility_log WHERE utility_id = $1;
