-- Held reports, and what people decided of them.

-- name: list
-- Held reports by log index. An open one waits for a decision: nobody has decided on it, and nothing has taken its place but what was refused.
SELECT r.id, r.log_index, r.assembly_id, r.tester_id, r.gauge_id, r.performed_at, r.received_at, r.outcome, r.protection, r.verdict,
    r.supersedes, later.id AS superseded_by, to_jsonb(d)::text AS decision
FROM record.report r
LEFT JOIN record.report later ON later.utility_id = r.utility_id AND later.supersedes = r.id
LEFT JOIN LATERAL (
    SELECT d.version, d.decided_at, d.decision, d.because, d.decided_by, d.organisation_id FROM record.review d
    WHERE d.utility_id = r.utility_id AND d.id = r.id ORDER BY d.version DESC LIMIT 1
) AS d ON true
WHERE r.utility_id = $1 AND r.acceptance = 'held' AND r.log_index > $2
    AND CASE $4::text
        WHEN 'open' THEN d.version IS NULL AND (later.id IS NULL OR later.acceptance = 'refused')
        ELSE $4 IS NULL OR d.decision = $4
    END
    AND ($5::uuid IS NULL OR r.assembly_id = $5) AND ($6::uuid IS NULL OR r.tester_id = $6) AND ($7::uuid IS NULL OR r.id = $7)
ORDER BY r.log_index LIMIT $3;

-- name: history
-- Every decision on a report, the first first.
SELECT version, decided_at, decision, because, decided_by, organisation_id FROM record.review
WHERE utility_id = $1 AND id = $2 ORDER BY version;

-- name: decide
-- The next decision on a report, where the last one is still that version (0: none); its assembly.
INSERT INTO record.review (utility_id, id, version, decided_at, decision, because, decided_by, organisation_id, key_id)
SELECT $1, $2, $3 + 1, $4, $5, $6, $7, $8, $9
WHERE $3 = (SELECT coalesce(max(d.version), 0) FROM record.review d WHERE d.utility_id = $1 AND d.id = $2)
RETURNING (SELECT r.assembly_id FROM record.report r WHERE r.utility_id = $1 AND r.id = $2);
