-- name: report
-- A report's row whole, its place in the log, and whether another corrects it.
SELECT r.id, r.assembly_id, r.tester_id, r.gauge_id, r.performed_at, r.performed_on, r.received_at, r.reason, r.supersedes,
    r.organisation_id, r.key_id, r.content_hash, r.content, r.judged, r.verdict, r.outcome, r.protection, r.acceptance, r.rulebook,
    r.rulebook_digest, r.previous, r.leaf_hash, r.log_index, r.initial_outcome,
    EXISTS (SELECT FROM record.report c WHERE c.utility_id = r.utility_id AND c.supersedes = r.id) AS superseded
FROM record.report r WHERE r.utility_id = $1 AND r.id = $2;
