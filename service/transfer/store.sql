-- Everything that a utility owns, row by row, out and in again. `{table}`, `{columns}` and `{order}` are put in by transfer.py, from its
-- own list and from what Postgres says of the table, so that a column added later is never left behind.

-- name: columns
-- The columns of a table of the record that are written rather than generated, in the table's order.
SELECT attname FROM pg_attribute
WHERE attrelid = ('record.' || $1)::regclass AND attnum > 0 AND NOT attisdropped AND attgenerated = '' ORDER BY attnum;

-- name: rows
SELECT to_jsonb(kept)::text FROM (SELECT {columns} FROM record.{table} WHERE utility_id = $1 ORDER BY {order}) AS kept;

-- name: restore
-- Rows as they were exported; row security refuses those of another utility.
INSERT INTO record.{table} ({columns}) SELECT {columns} FROM jsonb_populate_recordset(NULL::record.{table}, $1::jsonb);

-- name: begin_log
-- The log whose row the other tables' triggers number the changes in, and count the reports.
INSERT INTO record.utility_log (utility_id) VALUES ($1);
