-- name: size
-- Committed with each group of reports, under a lock: all of lower index can be read once this number can.
SELECT reports AS size FROM record.utility_log WHERE utility_id = $1;

-- name: report
-- A report's row whole, its place in the log, and whether another corrects it, and what was decided of it.
SELECT r.id, r.assembly_id, r.tester_id, r.gauge_id, r.performed_at, r.performed_on, r.received_at, r.reason, r.supersedes,
    r.organisation_id, r.key_id, r.content_hash, r.content, r.judged, r.verdict, r.outcome, r.protection, r.acceptance, r.rulebook,
    r.rulebook_digest, r.previous, r.leaf_hash, r.company_id, r.mechanical_protection, r.failed_protection, r.acts_as, r.log_index, r.initial_outcome,
    EXISTS (SELECT FROM record.report c WHERE c.utility_id = r.utility_id AND c.supersedes = r.id) AS superseded,
    record.decision(r.utility_id, r.id, NULL) AS decision
FROM record.report r WHERE r.utility_id = $1 AND r.id = $2;

-- name: reports
-- The same of a range of the log.
SELECT r.id, r.assembly_id, r.tester_id, r.gauge_id, r.performed_at, r.performed_on, r.received_at, r.reason, r.supersedes,
    r.organisation_id, r.key_id, r.content_hash, r.content, r.judged, r.verdict, r.outcome, r.protection, r.acceptance, r.rulebook,
    r.rulebook_digest, r.previous, r.leaf_hash, r.company_id, r.mechanical_protection, r.failed_protection, r.acts_as, r.log_index, r.initial_outcome,
    EXISTS (SELECT FROM record.report c WHERE c.utility_id = r.utility_id AND c.supersedes = r.id) AS superseded,
    record.decision(r.utility_id, r.id, NULL) AS decision
FROM record.report r WHERE r.utility_id = $1 AND r.log_index >= $2 AND r.log_index < $3 ORDER BY r.log_index;

-- name: leaf_hashes
SELECT log_index, leaf_hash FROM record.report WHERE utility_id = $1 AND log_index >= $2 AND log_index < $3 ORDER BY log_index;

-- name: tiles
SELECT coalesce(max(number) + 1, 0) AS tiles FROM record.log_tile WHERE utility_id = $1 AND level = $2;

-- name: tile
SELECT level, number, hashes, root FROM record.log_tile WHERE utility_id = $1 AND level = $2 AND number = $3;

-- name: tile_roots
SELECT root FROM record.log_tile WHERE utility_id = $1 AND level = $2 AND number >= $3 AND number < $4 ORDER BY number;

-- name: keep_tiles
INSERT INTO record.log_tile (utility_id, level, number, hashes, root)
SELECT $1, t.level, t.number, t.hashes, t.root
FROM unnest($2::smallint[], $3::bigint[], $4::bytea[], $5::bytea[]) AS t (level, number, hashes, root)
ON CONFLICT DO NOTHING;

-- name: heads
SELECT size, root, made_at, tail, signed FROM record.log_head WHERE utility_id = $1 AND size > $2 ORDER BY size LIMIT $3;

-- name: last_head
SELECT size, root, made_at, tail, signed FROM record.log_head WHERE utility_id = $1 ORDER BY size DESC LIMIT 1;

-- name: heads_before
SELECT size, root, made_at, tail, signed FROM record.log_head WHERE utility_id = $1 AND size < $2 ORDER BY size DESC LIMIT $3;

-- name: stray_tiles
SELECT t.level, t.number FROM record.log_tile t JOIN record.utility_log l USING (utility_id)
WHERE t.utility_id = $1 AND (t.level NOT BETWEEN 0 AND 6 OR t.number < 0 OR t.number >= l.reports >> (8 * (t.level + 1))) ORDER BY 1, 2;

-- name: keep_head
INSERT INTO record.log_head (utility_id, size, root, made_at, tail, signed) VALUES ($1, $2, $3, $4, $5, $6) ON CONFLICT DO NOTHING;

-- name: uncounted
-- One statement, so that the count and the rows are of one moment.
SELECT r.id, r.log_index FROM record.report r JOIN record.utility_log l ON l.utility_id = r.utility_id
WHERE r.utility_id = $1 AND (r.log_index >= l.reports OR r.log_index < 0) ORDER BY r.log_index;

-- name: unannounced
SELECT r.id, r.log_index FROM record.report r
WHERE r.utility_id = $1 AND NOT EXISTS (
    SELECT FROM record.change c WHERE c.utility_id = r.utility_id AND c.resource IN ('reports', 'inspections') AND c.id = r.id::text
) ORDER BY r.log_index;

-- name: vanished
SELECT DISTINCT c.id FROM record.change c
WHERE c.utility_id = $1 AND c.resource IN ('reports', 'inspections') AND NOT EXISTS (
    SELECT FROM record.report r WHERE r.utility_id = c.utility_id AND r.id::text = c.id
) ORDER BY c.id;

-- name: strayed_reviews
-- Decisions that are missing in the change feed, and decisions in it that are not there.
SELECT coalesce(d.id::text, c.id) AS id, coalesce(d.version, c.version) AS version, d.id IS NOT NULL AS there
FROM (SELECT id, version FROM record.review WHERE utility_id = $1) AS d
FULL JOIN (SELECT id, version FROM record.change WHERE utility_id = $1 AND resource = 'reviews') AS c
    ON c.id = d.id::text AND c.version = d.version
WHERE d.id IS NULL OR c.id IS NULL ORDER BY 1, 2;

-- name: missing_changes
-- The feed is numbered from 1 to the number in the log's row, without a gap.
SELECT n.sequence FROM record.utility_log l, generate_series(1, l.changes) AS n (sequence)
WHERE l.utility_id = $1 AND NOT EXISTS (
    SELECT FROM record.change c WHERE c.utility_id = l.utility_id AND c.sequence = n.sequence
) ORDER BY n.sequence LIMIT 1000;
