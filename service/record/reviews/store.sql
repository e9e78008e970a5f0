-- Reports that are held or void, and what people decided of them.

-- name: shown
-- A report with its last decision; which reports, the next parts say.
SELECT r.id, r.log_index, r.assembly_id, r.tester_id, r.gauge_id, r.performed_at, r.received_at, r.outcome, r.protection, r.verdict,
    r.supersedes, later.id AS superseded_by, jsonb_strip_nulls(to_jsonb(d))::text AS decision
FROM record.report r
LEFT JOIN record.report later ON later.utility_id = r.utility_id AND later.supersedes = r.id
LEFT JOIN LATERAL (
    SELECT d.version, d.decided_at, d.decision, d.because, d.decided_by, d.organisation_id FROM record.review d
    WHERE d.utility_id = r.utility_id AND d.id = r.id ORDER BY d.version DESC LIMIT 1
) AS d ON true

-- name: held
-- Held reports by log index. An open one waits for a decision: nobody has decided on it, and nothing has taken its place but what was
-- refused or voided.
WHERE r.utility_id = $1 AND r.acceptance = 'held' AND r.log_index > $2
    AND CASE $4::text
        WHEN 'open' THEN d.version IS NULL
            AND (later.id IS NULL OR coalesce(record.decision($1, later.id, NULL), later.acceptance) IN ('refused', 'void'))
        ELSE $4 IS NULL OR d.decision = $4
    END
    AND ($5::uuid IS NULL OR r.assembly_id = $5) AND ($6::uuid IS NULL OR r.tester_id = $6)
ORDER BY r.log_index LIMIT $3

-- name: void
-- Void reports, held or not, by log index.
WHERE r.utility_id = $1 AND r.log_index > $2 AND r.id IN (SELECT v.id FROM record.review v WHERE v.utility_id = $1 AND v.decision = $4)
    AND ($5::uuid IS NULL OR r.assembly_id = $5) AND ($6::uuid IS NULL OR r.tester_id = $6)
ORDER BY r.log_index LIMIT $3

-- name: one
WHERE r.utility_id = $1 AND r.id = $2 AND (r.acceptance = 'held' OR d.version IS NOT NULL)

-- name: history
-- Every decision on a report, the first first.
SELECT jsonb_strip_nulls(jsonb_build_object('version', version, 'decided_at', decided_at, 'decision', decision, 'because', because,
    'decided_by', decided_by, 'organisation_id', organisation_id))::text
FROM record.review WHERE utility_id = $1 AND id = $2 ORDER BY version;

-- name: decide
-- The next decision on a report, where the last one is still that version (0: none) and is no void; its assembly.
INSERT INTO record.review (utility_id, id, version, decided_at, decision, because, decided_by, organisation_id, key_id)
SELECT $1, $2, $3 + 1, $4, $5, $6, $7, $8, $9
WHERE $3 = (SELECT coalesce(max(d.version), 0) FROM record.review d WHERE d.utility_id = $1 AND d.id = $2)
    AND NOT EXISTS (SELECT FROM record.review v WHERE v.utility_id = $1 AND v.id = $2 AND v.decision = 'void')
RETURNING (SELECT r.assembly_id FROM record.report r WHERE r.utility_id = $1 AND r.id = $2);

-- name: last_decision
-- The number of the last decision on a report (0: none), and why it was voided; no row where there is no such report.
SELECT (SELECT coalesce(max(d.version), 0) FROM record.review d WHERE d.utility_id = $1 AND d.id = r.id) AS version,
    (SELECT v.because FROM record.review v WHERE v.utility_id = $1 AND v.id = r.id AND v.decision = 'void') AS void_because
FROM record.report r WHERE r.utility_id = $1 AND r.id = $2;
