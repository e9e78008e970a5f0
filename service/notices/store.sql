-- Notices, the schedules they follow and the runs that prepare them. Lists and candidates are put together from parts; names in braces
-- become parameters.

-- name: schedule
SELECT version, created_at, changed_at, steps::text AS steps FROM record.notice_schedule WHERE utility_id = $1;

-- name: keep_schedule
-- A first schedule is version 1; a later one only while the version is still the one that the caller read.
INSERT INTO record.notice_schedule AS schedule (utility_id, version, created_at, changed_at, steps)
SELECT $1, 1, $3, $3, $4::jsonb WHERE $2 = 0 OR EXISTS (SELECT FROM record.notice_schedule WHERE utility_id = $1)
ON CONFLICT (utility_id) DO UPDATE SET version = schedule.version + 1, changed_at = excluded.changed_at, steps = excluded.steps
    WHERE schedule.version = $2
RETURNING version, created_at, changed_at, steps::text AS steps;

-- name: plan_anew
-- The table of notices grows by thousands while a run writes: a plan made when it was small would go through all of it for each assembly.
SET LOCAL plan_cache_mode = 'force_custom_plan';

-- name: candidates
-- The assemblies for which a step is the right one and that have not been notified yet, with what its words need. The due day is compared
-- as it stands: under row security an index serves no condition on an expression such as coalesce, which might leak.
SELECT s.assembly_id, s.version, s.due_on AS due, about.due_on, about.report_id, about.tested_on, about.repair_by,
    about.counted_from, a.kind, a.serial_number, a.position, a.premises_id, p.name AS premises, p.address, p.reference, p.contact::text AS contact

-- name: count
SELECT count(*)

-- name: due
-- Whether tested before or never: what counts is the due day, and the window is a range of the index by status and due day. Who is
-- excepted from testing that day is not asked to test. An assembly that came into the register overdue is notified from that day on, as if it
-- had been due the day before: nobody's first notice is the final one.
FROM record.standing s
JOIN record.assembly a ON a.utility_id = s.utility_id AND a.id = s.assembly_id
JOIN record.premises p ON p.utility_id = a.utility_id AND p.id = a.premises_id
CROSS JOIN LATERAL (
    SELECT greatest(
            s.due_on, (a.created_at AT TIME ZONE (SELECT u.time_zone FROM record.utility u WHERE u.utility_id = {utility}))::date - 1
        ) AS counted_from, s.due_on, NULL::uuid AS report_id, NULL::date AS tested_on, NULL::date AS repair_by
) about
WHERE s.utility_id = {utility} AND s.status = {status}
    AND s.due_on > {due_after} AND s.due_on <= {until} AND about.counted_from > {from} AND about.counted_from <= {until}
    AND NOT EXISTS (
        SELECT FROM record.exception e
        WHERE e.utility_id = s.utility_id AND e.assembly_id = s.assembly_id AND {on} BETWEEN e.since AND coalesce(e.ended_on, e.until)
    )

-- name: failed
-- Where the failing report is held, a person reviews it before the customer is written to, unless nothing would stop backflow; the standing's
-- `actions` say so. Where the days for the repair run from the notice and none was sent yet, they run from the day of this one.
FROM record.standing s
JOIN record.assembly a ON a.utility_id = s.utility_id AND a.id = s.assembly_id
JOIN record.premises p ON p.utility_id = a.utility_id AND p.id = a.premises_id
JOIN record.report r ON r.utility_id = s.utility_id AND r.id = s.report_id
CROSS JOIN LATERAL (
    SELECT r.performed_on AS counted_from, NULL::date AS due_on, r.id AS report_id, r.performed_on AS tested_on,
        CASE WHEN s.basis::jsonb ->> 'counts_from' = 'notice' AND s.basis::jsonb ->> 'notified_on' IS NULL
            THEN s.due_on + ({on}::date - r.performed_on) ELSE s.due_on END AS repair_by
) about
WHERE s.utility_id = {utility} AND s.status = {status} AND record.failure_occasion(s.basis) = {occasion}
    AND ({addressee} = 'utility' OR NOT s.basis::jsonb -> 'actions' ? 'review_report' OR s.basis::jsonb -> 'actions' ? 'repair_and_retest')
    AND r.performed_on > {from} AND r.performed_on <= {until}

-- name: not_notified
-- Neither of this step, nor of one that comes after it: a schedule changed meanwhile never goes back. `OFFSET 0` has it looked up assembly
-- by assembly, in the index: as a join it would be planned by counts of a table that has just grown.
    AND NOT EXISTS (
        SELECT FROM record.notice n
        WHERE n.utility_id = s.utility_id AND n.assembly_id = s.assembly_id AND n.state <> 'withdrawn'
            AND n.due_on IS NOT DISTINCT FROM about.due_on AND n.report_id IS NOT DISTINCT FROM about.report_id
            AND (n.step = {step}
                OR n.occasion = {occasion} AND n.addressee = {addressee} AND n.scheduled_for >= about.counted_from + {days}::integer)
        OFFSET 0
    )

-- name: candidates_after
    AND (s.due_on, s.assembly_id) > ({after_due}::date, {after}::uuid)
ORDER BY s.due_on, s.assembly_id LIMIT {limit}

-- name: prepare
-- Only while the standing is still the one that was read, so that no notice rests on what has just been corrected.
INSERT INTO record.notice (utility_id, id, version, created_at, changed_at, assembly_id, run_id, step, occasion, addressee, due_on, report_id, repair_by, scheduled_for, state, states, subject, body)
SELECT $1, new.id, 1, $2::timestamptz, $2::timestamptz, new.assembly_id, $3::uuid, $4, $5, $6, new.due_on, new.report_id, new.repair_by, new.scheduled_for,
    'prepared', jsonb_build_array(jsonb_build_object('state', 'prepared', 'at', $2::timestamptz)), new.subject, new.body
FROM unnest($7::uuid[], $8::uuid[], $9::bigint[], $10::date[], $11::uuid[], $12::date[], $13::date[], $14::text[], $15::text[])
    AS new (id, assembly_id, standing_version, due_on, report_id, repair_by, scheduled_for, subject, body)
JOIN record.standing s ON s.utility_id = $1 AND s.assembly_id = new.assembly_id AND s.version = new.standing_version
ON CONFLICT DO NOTHING
RETURNING id;

-- name: withdraw_earlier
-- Whoever has not been sent an earlier step by now is sent the later one alone.
UPDATE record.notice AS earlier SET version = earlier.version + 1, changed_at = $2::timestamptz, state = 'withdrawn',
    states = earlier.states || jsonb_build_object('state', 'withdrawn', 'at', $2::timestamptz, 'detail', 'A later step took its place.')
FROM unnest($5::uuid[], $6::date[], $7::uuid[], $8::date[]) AS kept (assembly_id, due_on, report_id, scheduled_for)
WHERE earlier.utility_id = $1 AND earlier.assembly_id = kept.assembly_id AND earlier.state IN ('prepared', 'delivery_failed')
    AND earlier.occasion = $3 AND earlier.addressee = $4
    AND earlier.due_on IS NOT DISTINCT FROM kept.due_on AND earlier.report_id IS NOT DISTINCT FROM kept.report_id
    AND earlier.scheduled_for < kept.scheduled_for;

-- name: notices
-- A notice with where it goes; the contact is the one of today, and is never copied.
SELECT n.id, n.version, n.created_at, n.changed_at, n.assembly_id, n.run_id, n.step, n.occasion, n.addressee, n.due_on, n.report_id, n.repair_by,
    n.scheduled_for, n.state, n.states::text AS states, n.subject, n.body, a.premises_id, p.contact::text AS contact
FROM record.notice n
JOIN record.assembly a ON a.utility_id = n.utility_id AND a.id = n.assembly_id
JOIN record.premises p ON p.utility_id = a.utility_id AND p.id = a.premises_id
WHERE n.utility_id = {utility}

-- name: of_id
AND n.id = {id}

-- name: of_state
AND n.state = {state}

-- name: of_step
AND n.step = {step}

-- name: of_assembly_id
AND n.assembly_id = {assembly_id}

-- name: of_run_id
AND n.run_id = {run_id}

-- name: after
AND n.id > {after}

-- name: by_id
ORDER BY n.id LIMIT {limit}

-- name: change_state
-- Only while the version is still the one that the caller read.
UPDATE record.notice SET version = version + 1, changed_at = $4::timestamptz, state = $5,
    states = states || jsonb_strip_nulls(jsonb_build_object('state', $5::text, 'at', $4::timestamptz, 'detail', $6::text))
WHERE utility_id = $1 AND id = $2 AND version = $3
RETURNING id;

-- name: run
SELECT id, on_day, CASE WHEN state = 'running' AND beat_at < clock_timestamp() - $3::interval THEN 'interrupted' ELSE state END AS state,
    worker, created_at, finished_at, total, done, without_addressee, by_step::text AS by_step
FROM record.notice_run WHERE utility_id = $1 AND id = $2;

-- name: runs
SELECT id, on_day, CASE WHEN state = 'running' AND beat_at < clock_timestamp() - $4::interval THEN 'interrupted' ELSE state END AS state,
    worker, created_at, finished_at, total, done, without_addressee, by_step::text AS by_step
FROM record.notice_run WHERE utility_id = $1 AND ($2::uuid IS NULL OR id > $2) ORDER BY id LIMIT $3;

-- name: begin_run
-- Nothing where an unfinished one is there.
INSERT INTO record.notice_run (utility_id, id, created_at, on_day, state, worker, beat_at)
VALUES ($1, $2, $3, $4, 'running', $5, clock_timestamp()) ON CONFLICT DO NOTHING RETURNING id;

-- name: take_over_run
-- An unfinished one of the day whose worker has given no sign for so long.
UPDATE record.notice_run SET worker = $3, beat_at = clock_timestamp()
WHERE utility_id = $1 AND state = 'running' AND on_day = $2 AND beat_at < clock_timestamp() - $4::interval RETURNING id;

-- name: abandon_run
-- One of another day whose worker has given no sign: what it left undone is for the run of today.
UPDATE record.notice_run SET state = 'abandoned'
WHERE utility_id = $1 AND state = 'running' AND on_day <> $2 AND beat_at < clock_timestamp() - $3::interval;

-- name: unfinished_run
SELECT id FROM record.notice_run WHERE utility_id = $1 AND state = 'running';

-- name: hold_run
-- Locks the run for a piece of work; nothing where another worker has taken it over.
SELECT id FROM record.notice_run WHERE utility_id = $1 AND id = $2 AND worker = $3 AND state = 'running' FOR UPDATE;

-- name: advance_run
UPDATE record.notice_run SET beat_at = clock_timestamp(), total = $3, done = $4, without_addressee = $5, by_step = $6::jsonb
WHERE utility_id = $1 AND id = $2;

-- name: finish_run
UPDATE record.notice_run SET state = 'finished', finished_at = $4
WHERE utility_id = $1 AND id = $2 AND worker = $3 AND state = 'running';

-- name: leave_run
-- A worker that stops in the middle says so, and the next need not wait.
UPDATE record.notice_run SET beat_at = '-infinity' WHERE utility_id = $1 AND id = $2 AND worker = $3 AND state = 'running';
