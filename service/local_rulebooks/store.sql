-- Local rulebooks: what utilities state over their states' rulebooks.

-- name: state
-- Under the log's lock, which the feed's trigger takes too; none where another has the number.
INSERT INTO record.local_rulebook (utility_id, version, recorded_at, organisation_id, key_id, content) VALUES ($1, $2, $3, $4, $5, $6)
ON CONFLICT (utility_id, version) DO NOTHING;

-- name: versions
-- By number, the newest last: those after one number, or one alone.
SELECT json_build_object('version', n.version, 'recorded_at', n.recorded_at, 'rulebook', n.content::json)::text FROM record.local_rulebook n
WHERE n.utility_id = $1 AND n.version > $2 AND ($3::bigint IS NULL OR n.version = $3) ORDER BY n.version LIMIT $4;

-- name: tests_since
-- The field tests from a day on, as they were judged; neither superseded nor void ones. An inspection has no gauge.
SELECT r.id, r.assembly_id, r.log_index, r.judged, r.previous, r.received_at FROM record.report r
WHERE r.utility_id = $1 AND r.log_index > $2 AND r.performed_on >= $3 AND r.gauge_id IS NOT NULL
    AND record.decision($1, r.id, NULL) IS DISTINCT FROM 'void'
    AND NOT EXISTS (SELECT FROM record.report later WHERE later.utility_id = $1 AND later.supersedes = r.id)
ORDER BY r.log_index LIMIT $4;
