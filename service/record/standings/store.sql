-- Lists of assemblies, as they are registered or as they stand. A list is put together from the parts below by what was asked, so that
-- each list is planned for its own filters; names in braces become parameters. Every assembly has a kept standing from its registration
-- on; one without (`nonreturn rebuild` writes those) stands in the lists that ask for nothing that only a standing says.

-- name: lines
SELECT a.id AS assembly_id, a.premises_id, p.name AS premises, p.address, p.reference, coalesce(a.location, p.location)::text AS location, p.connection,
    a.kind, a.hazard, a.purpose, a.backpressure_possible, a.in_plant_air_gap, a.hazard_class, a.serial_number, a.position, a.installed_on, a.in_service, a.created_at, s.basis, coalesce(s.due_on, 'infinity'::date) AS due
FROM record.assembly a
JOIN record.premises p ON p.utility_id = a.utility_id AND p.id = a.premises_id

-- name: things
SELECT a.id AS assembly_id, jsonb_strip_nulls(to_jsonb(a) - 'utility_id')::text AS thing, coalesce(a.location, p.location)::text AS location,
    coalesce(s.due_on, 'infinity'::date) AS due
FROM record.assembly a
JOIN record.premises p ON p.utility_id = a.utility_id AND p.id = a.premises_id

-- name: with_or_without_standing
LEFT JOIN record.standing s ON s.utility_id = a.utility_id AND s.assembly_id = a.id

-- name: with_standing
JOIN record.standing s ON s.utility_id = a.utility_id AND s.assembly_id = a.id

-- name: standing_after
-- Said of the standing too: Postgres does not conclude it from the assembly, and would go through all standings before the page.
AND s.assembly_id > {after}

-- name: with_last_test
JOIN record.report r ON r.utility_id = a.utility_id AND r.assembly_id = a.id AND r.id = s.report_id

-- name: of_utility
WHERE a.utility_id = {utility}

-- name: tester_id
AND r.utility_id = {utility} AND r.tester_id = {tester_id}

-- name: found
AND a.id = ANY ({ids}::uuid[])

-- name: with_words
-- Each range of words has one that the assembly or its premises have.
AND NOT EXISTS (
    SELECT FROM unnest({lows}::text[], {highs}::text[]) AS q (low, high)
    WHERE NOT EXISTS (
        SELECT FROM record.word w
        WHERE w.utility_id = {utility} AND w.id = a.id AND w.word >= q.low COLLATE "C" AND w.word < q.high COLLATE "C"
    ) AND NOT EXISTS (
        SELECT FROM record.word w
        WHERE w.utility_id = {utility} AND w.id = a.premises_id AND w.word >= q.low COLLATE "C" AND w.word < q.high COLLATE "C"
    )
)

-- name: after_few_by_due_day
-- Of few, sorted whole: no index gives this order, so none is gone through for it.
AND (coalesce(s.due_on, 'infinity'::date), a.id) > ({after_due}, {after})

-- name: few_by_due_day
ORDER BY coalesce(s.due_on, 'infinity'::date), a.id LIMIT {limit}

-- name: area_of_premises
AND p.latitude >= {south} AND p.latitude <= {north} AND p.longitude >= {west} AND p.longitude <= {east} AND a.latitude IS NULL

-- name: area_of_premises_over_antimeridian
AND p.latitude >= {south} AND p.latitude <= {north} AND (p.longitude >= {west} OR p.longitude <= {east}) AND a.latitude IS NULL

-- name: area_of_assembly
-- An assembly's own place counts before that of its premises.
AND a.latitude >= {south} AND a.latitude <= {north} AND a.longitude >= {west} AND a.longitude <= {east}

-- name: area_of_assembly_over_antimeridian
AND a.latitude >= {south} AND a.latitude <= {north} AND (a.longitude >= {west} OR a.longitude <= {east})

-- name: status_kept_current
AND s.status = 'current'

-- name: status_failed
-- Few have this one or the next two, and an index holds only those. The status stands here, not in a parameter, so that every plan sees it.
AND s.status = 'failed'

-- name: status_untested
AND s.status = 'untested'

-- name: status_out_of_service
AND s.status = 'out_of_service'

-- name: later
AND s.due_on > {soon}

-- name: dated
AND s.due_on IS NOT NULL

-- name: undated
AND s.due_on IS NULL

-- name: without_standing
AND s.assembly_id IS NULL

-- name: status_overdue
-- The due day is compared as it stands: under row security no condition on an expression, such as coalesce, is an index's, as it might leak.
AND s.status = 'current' AND s.due_on < {today}

-- name: status_due_soon
AND s.status = 'current' AND s.due_on >= {today} AND s.due_on <= {soon}

-- name: status_current
AND s.status = 'current' AND coalesce(s.due_on, 'infinity'::date) > {soon}

-- name: due_before
AND s.due_on < {due_before}

-- name: due_after
AND s.due_on > {due_after}

-- name: hazard
AND a.hazard = {hazard}

-- name: kind
AND a.kind = {kind}

-- name: premises_id
AND a.premises_id = {premises_id}

-- name: protection_full
AND s.protection = 'full'

-- name: protection_degraded
-- Few have this one or the next three, and an index holds only those; as with the status, it stands here so that every plan sees it.
AND s.protection = 'degraded'

-- name: protection_insufficient
AND s.protection = 'insufficient'

-- name: protection_lost
AND s.protection = 'lost'

-- name: protection_unknown
AND s.protection = 'unknown'

-- name: after_assembly_id
AND a.id > {after}

-- name: after_due_day
-- Where every one of them has a due day.
AND (s.due_on, s.assembly_id) > ({after_due}, {after})

-- name: by_due_day
ORDER BY s.due_on, s.assembly_id LIMIT {limit}

-- name: after_assembly_undated
AND s.assembly_id > {after}

-- name: by_assembly_id
ORDER BY a.id LIMIT {limit}

-- name: history_by
-- The reports of some assemblies that were received before a moment, as had been decided of them by then; all of them where it is null.
SELECT r.id, r.assembly_id, r.performed_at, r.performed_on, r.received_at, r.reason, r.supersedes, r.content_hash, r.outcome,
    coalesce(r.mechanical_protection, r.protection) AS protection, r.failed_protection, r.acts_as,
    coalesce(record.decision(r.utility_id, r.id, $3), r.acceptance) AS acceptance, r.initial_outcome, r.declared,
    CASE WHEN 'fail' IN (r.outcome, r.initial_outcome) THEN record.notified_on(r.utility_id, r.assembly_id, r.id, $3) END AS notified_on
FROM (SELECT DISTINCT unnest($2::uuid[]) AS id) AS i
CROSS JOIN LATERAL (SELECT b.* FROM record.report b WHERE b.utility_id = $1 AND b.assembly_id = i.id OFFSET 0) AS r
WHERE $3::timestamptz IS NULL OR r.received_at < $3
ORDER BY r.performed_at, r.received_at, r.id;

-- name: was_in_service
SELECT record.in_service_on($1, a.id, $3, a.in_service, a.service_since) FROM record.assembly a WHERE a.utility_id = $1 AND a.id = $2;

-- name: registered_at
SELECT created_at FROM record.assembly WHERE utility_id = $1 AND id = $2;
