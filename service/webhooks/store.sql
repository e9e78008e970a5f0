-- Subscriptions to the change feed, and their messages. A message holds the bounds of what it covers, and its content is read from
-- the feed, which never changes, at each attempt. Whoever delivers for a subscription holds its lease, by the database's clock.

-- name: utilities
SELECT utility_id FROM access.webhook_utility ORDER BY utility_id;

-- name: name_utility
INSERT INTO access.webhook_utility (utility_id) VALUES ($1) ON CONFLICT DO NOTHING;

-- name: create
-- A new subscription begins at the end of the feed as it is now; none is made beyond the number allowed.
WITH made AS (
    INSERT INTO record.webhook (utility_id, id, version, created_at, changed_at, url, resources, description, enabled, secret_number, master_mark)
    SELECT $1, $2, 1, $3, $3, $4, $5, $6, $7, 1, $8 WHERE (SELECT count(*) FROM record.webhook other WHERE other.utility_id = $1) < $9
    RETURNING utility_id, id
)
INSERT INTO record.webhook_progress (utility_id, webhook_id, cursor, scanned)
SELECT made.utility_id, made.id, log.changes, log.changes FROM made JOIN record.utility_log log USING (utility_id)
RETURNING webhook_id;

-- name: get
SELECT id, version, created_at, changed_at, url, resources, description, enabled, disabled_because, secret_number, previous_secret_until, master_mark
FROM record.webhook WHERE utility_id = $1 AND id = $2;

-- name: list
SELECT id, version, created_at, changed_at, url, resources, description, enabled, disabled_because, secret_number, previous_secret_until, master_mark
FROM record.webhook WHERE utility_id = $1 AND ($2::uuid IS NULL OR id > $2) ORDER BY id LIMIT $3;

-- name: change
-- Only while the version is still the one that the caller read.
UPDATE record.webhook SET version = version + 1, changed_at = $4, url = $5, resources = $6, description = $7, enabled = $8, disabled_because = $9
WHERE utility_id = $1 AND id = $2 AND version = $3 RETURNING id;

-- name: rotate
UPDATE record.webhook SET version = version + 1, changed_at = $4, secret_number = secret_number + 1, previous_secret_until = $5, master_mark = $6
WHERE utility_id = $1 AND id = $2 AND version = $3 RETURNING id;

-- name: delete
DELETE FROM record.webhook WHERE utility_id = $1 AND id = $2 AND version = $3 RETURNING id;

-- name: disable
UPDATE record.webhook SET version = version + 1, changed_at = $3, enabled = false, disabled_because = $4
WHERE utility_id = $1 AND id = $2 AND enabled;

-- name: take_up
-- What is open is due at once, and what was given up because the receiver was away is open again.
UPDATE record.webhook_delivery SET state = 'pending', due_at = $3, tries = 0, finished_at = NULL
WHERE utility_id = $1 AND webhook_id = $2 AND (state = 'pending' OR state = 'dead' AND NOT refused);

-- name: replay_delivery
UPDATE record.webhook_delivery SET state = 'pending', due_at = $4, tries = 0, finished_at = NULL, refused = false
WHERE utility_id = $1 AND webhook_id = $2 AND id = $3 RETURNING id;

-- name: replace
-- What is open, and what was given up but will be covered again.
UPDATE record.webhook_delivery SET state = 'replaced', finished_at = $4, because = $5
WHERE utility_id = $1 AND webhook_id = $2 AND (state = 'pending' OR state = 'dead' AND after_sequence >= $3);

-- name: move
-- To a place in the feed that exists.
UPDATE record.webhook_progress SET cursor = $3, scanned = $3
WHERE utility_id = $1 AND webhook_id = $2 AND $3 <= (SELECT changes FROM record.utility_log WHERE utility_id = $1) RETURNING cursor;

-- name: progress
SELECT log.changes AS last_sequence, coalesce(head.after_sequence, progress.scanned) AS delivered_through,
    log.changes - coalesce(head.after_sequence, progress.scanned) AS waiting, head.due_at AS next_attempt_at,
    (SELECT count(*) FROM record.webhook_delivery dead WHERE dead.utility_id = $1 AND dead.webhook_id = $2 AND dead.state = 'dead') AS dead
FROM record.webhook_progress progress
JOIN record.utility_log log USING (utility_id)
LEFT JOIN LATERAL (
    SELECT d.after_sequence, d.due_at FROM record.webhook_delivery d
    WHERE d.utility_id = progress.utility_id AND d.webhook_id = progress.webhook_id AND d.state = 'pending'
    ORDER BY d.after_sequence, d.id LIMIT 1
) head ON true
WHERE progress.utility_id = $1 AND progress.webhook_id = $2;

-- name: deliveries
SELECT id, created_at, after_sequence, last_sequence, state, attempts, CASE WHEN state = 'pending' THEN due_at END AS next_attempt_at, finished_at, because
FROM record.webhook_delivery
WHERE utility_id = $1 AND webhook_id = $2 AND ($3::text IS NULL OR state = $3) AND ($4::uuid IS NULL OR id > $4) ORDER BY id LIMIT $5;

-- name: delivery
SELECT id, created_at, after_sequence, last_sequence, state, attempts, CASE WHEN state = 'pending' THEN due_at END AS next_attempt_at, finished_at, because
FROM record.webhook_delivery WHERE utility_id = $1 AND webhook_id = $2 AND id = $3;

-- name: attempts
SELECT number, attempted_at, seconds, status, because FROM record.webhook_attempt
WHERE utility_id = $1 AND webhook_id = $2 AND delivery_id = $3 ORDER BY number DESC LIMIT 100;

-- name: work
-- The subscriptions of a utility for which something waits: whether it may be sent now, and for how many seconds the oldest change has waited.
-- The oldest is looked for by `>` and CASE: with a sum or `coalesce`, which are not leakproof, row security keeps it from the index.
SELECT webhook.id, coalesce(head.due_at <= $2, true) AND coalesce(progress.leased_until < clock_timestamp(), true) AS due,
    coalesce(extract(epoch FROM clock_timestamp() - (
        SELECT change.recorded_at FROM record.change
        WHERE change.utility_id = webhook.utility_id AND change.sequence > CASE WHEN head.after_sequence IS NULL THEN progress.scanned ELSE head.after_sequence END
        ORDER BY change.sequence LIMIT 1
    )), 0)::double precision AS age
FROM record.webhook
JOIN record.webhook_progress progress ON progress.utility_id = webhook.utility_id AND progress.webhook_id = webhook.id
JOIN record.utility_log log ON log.utility_id = webhook.utility_id
LEFT JOIN LATERAL (
    SELECT d.after_sequence, d.due_at FROM record.webhook_delivery d
    WHERE d.utility_id = webhook.utility_id AND d.webhook_id = webhook.id AND d.state = 'pending'
    ORDER BY d.after_sequence, d.id LIMIT 1
) head ON true
WHERE webhook.utility_id = $1 AND webhook.enabled AND (head.due_at IS NOT NULL OR log.changes > progress.scanned);

-- name: take
-- The lease, unless another process holds it.
UPDATE record.webhook_progress SET lease = $3, leased_until = clock_timestamp() + make_interval(secs => $4)
WHERE utility_id = $1 AND webhook_id = $2 AND (leased_until IS NULL OR leased_until < clock_timestamp()) RETURNING webhook_id;

-- name: hold
-- The lease for longer, while it is still ours.
UPDATE record.webhook_progress SET leased_until = clock_timestamp() + make_interval(secs => $4)
WHERE utility_id = $1 AND webhook_id = $2 AND lease = $3 RETURNING webhook_id;

-- name: release
UPDATE record.webhook_progress SET lease = NULL, leased_until = NULL WHERE utility_id = $1 AND webhook_id = $2 AND lease = $3;

-- name: head
-- An enabled subscription with the first of its open messages, if there is one.
SELECT webhook.url, webhook.secret_number, webhook.previous_secret_until, webhook.master_mark, webhook.resources,
    progress.cursor, progress.scanned, log.changes AS last_sequence,
    head.id AS delivery_id, head.created_at, head.after_sequence, head.last_sequence AS covered_through, head.resources AS covered_resources,
    head.due_at, head.tries, head.attempts
FROM record.webhook
JOIN record.webhook_progress progress ON progress.utility_id = webhook.utility_id AND progress.webhook_id = webhook.id
JOIN record.utility_log log ON log.utility_id = webhook.utility_id
LEFT JOIN LATERAL (
    SELECT d.id, d.created_at, d.after_sequence, d.last_sequence, d.resources, d.due_at, d.tries, d.attempts FROM record.webhook_delivery d
    WHERE d.utility_id = webhook.utility_id AND d.webhook_id = webhook.id AND d.state = 'pending'
    ORDER BY d.after_sequence, d.id LIMIT 1
) head ON true
WHERE webhook.utility_id = $1 AND webhook.id = $2 AND webhook.enabled AND progress.lease = $3;

-- name: covered
SELECT sequence, resource, id, version, recorded_at FROM record.change
WHERE utility_id = $1 AND sequence > $2 AND sequence <= $3 AND ($4::text[] IS NULL OR resource = ANY ($4)) ORDER BY sequence LIMIT $5;

-- name: scanned
UPDATE record.webhook_progress SET scanned = $4
WHERE utility_id = $1 AND webhook_id = $2 AND lease = $3 AND cursor = $5;

-- name: open
-- A message that begins where the one before it ended, unless the place in the feed was moved meanwhile.
WITH moved AS (
    UPDATE record.webhook_progress SET cursor = $6, scanned = $6
    WHERE utility_id = $1 AND webhook_id = $2 AND lease = $3 AND cursor = $5
    RETURNING utility_id, webhook_id
)
INSERT INTO record.webhook_delivery (utility_id, webhook_id, id, created_at, after_sequence, last_sequence, resources, state, due_at)
SELECT utility_id, webhook_id, $4, $8, $5, $6, $7, 'pending', $8 FROM moved;

-- name: attempted
INSERT INTO record.webhook_attempt (utility_id, webhook_id, delivery_id, number, attempted_at, seconds, status, because)
VALUES ($1, $2, $3, $4, $5, $6, $7, $8);

-- name: settle
-- A message that was replaced meanwhile stays so.
UPDATE record.webhook_delivery SET attempts = attempts + 1, tries = tries + 1,
    state = CASE WHEN state = 'pending' THEN $4 ELSE state END, due_at = $5, finished_at = $6, because = $7, refused = $8
WHERE utility_id = $1 AND webhook_id = $2 AND id = $3;

-- name: forget
-- Delivered messages of long ago, with their attempts; what they covered stays in the feed.
DELETE FROM record.webhook_delivery WHERE utility_id = $1 AND state IN ('delivered', 'replaced') AND finished_at < $2;
