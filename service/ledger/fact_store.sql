-- The log of facts. Statements of the same name as in store.sql do the same there for reports.

-- name: size
SELECT facts AS size FROM record.utility_log WHERE utility_id = $1;

-- name: facts
SELECT number, recorded_at, act, of_table, row_key, detail, salt, digest, leaf_hash FROM record.fact
WHERE utility_id = $1 AND number >= $2 AND number < $3 ORDER BY number;

-- name: leaf_hashes
SELECT number AS log_index, leaf_hash FROM record.fact WHERE utility_id = $1 AND number >= $2 AND number < $3 ORDER BY number;

-- name: tiles
SELECT coalesce(max(number) + 1, 0) AS tiles FROM record.fact_tile WHERE utility_id = $1 AND level = $2;

-- name: tile
SELECT level, number, hashes, root FROM record.fact_tile WHERE utility_id = $1 AND level = $2 AND number = $3;

-- name: tile_roots
SELECT root FROM record.fact_tile WHERE utility_id = $1 AND level = $2 AND number >= $3 AND number < $4 ORDER BY number;

-- name: keep_tiles
INSERT INTO record.fact_tile (utility_id, level, number, hashes, root)
SELECT $1, t.level, t.number, t.hashes, t.root
FROM unnest($2::smallint[], $3::bigint[], $4::bytea[], $5::bytea[]) AS t (level, number, hashes, root)
ON CONFLICT DO NOTHING;

-- name: stray_tiles
SELECT t.level, t.number FROM record.fact_tile t JOIN record.utility_log l USING (utility_id)
WHERE t.utility_id = $1 AND (t.level NOT BETWEEN 0 AND 6 OR t.number < 0 OR t.number >= l.facts >> (8 * (t.level + 1))) ORDER BY 1, 2;

-- name: heads
SELECT size, root, made_at, tail, signed FROM record.fact_head WHERE utility_id = $1 AND size > $2 ORDER BY size LIMIT $3;

-- name: heads_before
SELECT size, root, made_at, tail, signed FROM record.fact_head WHERE utility_id = $1 AND size < $2 ORDER BY size DESC LIMIT $3;

-- name: last_head
SELECT size, root, made_at, tail, signed FROM record.fact_head WHERE utility_id = $1 ORDER BY size DESC LIMIT 1;

-- name: keep_head
INSERT INTO record.fact_head (utility_id, size, root, made_at, tail, signed) VALUES ($1, $2, $3, $4, $5, $6) ON CONFLICT DO NOTHING;

-- name: columns
-- The columns of a table that are written rather than generated.
SELECT attname::text FROM pg_attribute
WHERE attrelid = $1::text::regclass AND attnum > 0 AND NOT attisdropped AND attgenerated = '' ORDER BY attnum;

-- name: rows
-- Each row of a table beside the last fact about it, from one snapshot; either may be missing. `{table}`, `{columns}` and `{key}` are put in.
SELECT coalesce(r.row_key, f.row_key) AS row_key, r.text, f.number, f.recorded_at, f.act, f.detail, f.salt, f.digest, f.leaf_hash
FROM (
    SELECT array_to_string(ARRAY[{key}]::text[], '/') AS row_key, to_jsonb(t)::text AS text
    FROM (SELECT {columns} FROM {table} WHERE utility_id = $1) AS t
) AS r
FULL JOIN (
    SELECT DISTINCT ON (row_key) row_key, number, recorded_at, act, detail, salt, digest, leaf_hash
    FROM record.fact WHERE utility_id = $1 AND of_table = $2 ORDER BY row_key, number DESC
) AS f USING (row_key)
ORDER BY 1;

-- name: feed
-- The feed up to its end, and beyond.
SELECT sequence, resource, id, version, recorded_at FROM record.change WHERE utility_id = $1 AND sequence >= $2 AND sequence <= $3 ORDER BY sequence;

-- name: counts
SELECT changes, reports, facts FROM record.utility_log WHERE utility_id = $1;

-- name: uncounted_facts
SELECT f.number, f.of_table, f.row_key FROM record.fact f LEFT JOIN record.utility_log l USING (utility_id)
WHERE f.utility_id = $1 AND (f.number < 0 OR f.number >= coalesce(l.facts, 0)) ORDER BY f.number LIMIT 1000;

-- name: uncounted_changes
SELECT c.sequence FROM record.change c LEFT JOIN record.utility_log l USING (utility_id)
WHERE c.utility_id = $1 AND (c.sequence < 1 OR c.sequence > coalesce(l.changes, 0)) ORDER BY c.sequence LIMIT 1000;

-- name: forgotten
-- Facts whose salt is gone, though no later fact says that something was deleted of that row.
SELECT f.number, f.of_table, f.row_key FROM record.fact f
WHERE f.utility_id = $1 AND f.salt IS NULL AND f.digest IS NOT NULL AND NOT EXISTS (
    SELECT FROM record.fact d WHERE d.utility_id = f.utility_id AND d.of_table = f.of_table AND d.row_key = f.row_key AND d.act = 'deleted' AND d.number > f.number
) ORDER BY f.number LIMIT 1000;

-- name: stray_standings
-- Standings of no assembly, assemblies without one, and standings of another version than the feed says.
SELECT coalesce(s.assembly_id, a.id)::text AS id, s.version, c.version AS in_feed, s.assembly_id IS NOT NULL AS kept, a.id IS NOT NULL AS registered
FROM (SELECT assembly_id, version FROM record.standing WHERE utility_id = $1) AS s
FULL JOIN (SELECT id FROM record.assembly WHERE utility_id = $1) AS a ON a.id = s.assembly_id
LEFT JOIN (
    SELECT DISTINCT ON (id) id, version FROM record.change WHERE utility_id = $1 AND resource = 'standings' ORDER BY id, sequence DESC
) AS c
    ON c.id = coalesce(s.assembly_id, a.id)::text
WHERE a.id IS NULL OR s.version IS DISTINCT FROM c.version ORDER BY 1;
