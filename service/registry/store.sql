-- Utilities, premises, assemblies, testers and gauges. A thing goes in and comes out as one JSON value whose members are
-- the columns of its table, so one row is one struct; absent members are null columns. `{table}` and `{columns}` are put in from the structs.

-- name: create
INSERT INTO record.{table} AS thing (utility_id, id, version, created_at, changed_at, {columns})
SELECT utility_id, id, version, created_at, changed_at, {columns} FROM jsonb_populate_record(NULL::record.{table}, $1::jsonb)
RETURNING jsonb_strip_nulls(to_jsonb(thing) - 'utility_id')::text;

-- name: get
SELECT jsonb_strip_nulls(to_jsonb(thing) - 'utility_id')::text FROM record.{table} AS thing WHERE utility_id = $1 AND id = $2;

-- name: list_premises
-- Lists are put together from these heads and the parts below; names in braces become parameters.
SELECT jsonb_strip_nulls(to_jsonb(thing) - 'utility_id')::text FROM record.premises AS thing WHERE thing.utility_id = {utility}

-- name: list_tester
SELECT jsonb_strip_nulls(to_jsonb(thing) - 'utility_id')::text FROM record.tester AS thing WHERE thing.utility_id = {utility}

-- name: list_gauge
SELECT jsonb_strip_nulls(to_jsonb(thing) - 'utility_id')::text FROM record.gauge AS thing WHERE thing.utility_id = {utility}

-- name: list_assembly
SELECT jsonb_strip_nulls(to_jsonb(thing) - 'utility_id')::text FROM record.assembly AS thing WHERE thing.utility_id = {utility}

-- name: list_premises_for_company
SELECT jsonb_strip_nulls(jsonb_build_object('id', thing.id, 'version', thing.version, 'created_at', thing.created_at, 'changed_at', thing.changed_at,
    'reference', thing.reference, 'name', thing.name, 'address', thing.address, 'category', thing.category, 'connection', thing.connection,
    'hazard', thing.hazard, 'hazard_class', thing.hazard_class, 'location', thing.location))::text
FROM record.premises AS thing WHERE thing.utility_id = {utility}

-- name: found
AND thing.id = ANY ({ids}::uuid[])

-- name: with_words
-- Each range of words has one that the thing has.
AND NOT EXISTS (
    SELECT FROM unnest({lows}::text[], {highs}::text[]) AS q (low, high)
    WHERE NOT EXISTS (
        SELECT FROM record.word w
        WHERE w.utility_id = {utility} AND w.id = thing.id AND w.word >= q.low COLLATE "C" AND w.word < q.high COLLATE "C"
    )
)

-- name: tester_expires
AND thing.certified_until < {expires_before}

-- name: gauge_expires
AND thing.calibrated_on < {expires_before}

-- name: after_id
AND thing.id > {after}

-- name: after_tester_expiry
AND (thing.certified_until, thing.id) > ((SELECT x.certified_until FROM record.tester x WHERE x.utility_id = {utility} AND x.id = {after}), {after})

-- name: after_gauge_expiry
AND (thing.calibrated_on, thing.id) > ((SELECT x.calibrated_on FROM record.gauge x WHERE x.utility_id = {utility} AND x.id = {after}), {after})

-- name: by_id
ORDER BY thing.id LIMIT {limit}

-- name: by_tester_expiry
ORDER BY thing.certified_until, thing.id LIMIT {limit}

-- name: by_gauge_expiry
ORDER BY thing.calibrated_on, thing.id LIMIT {limit}

-- name: get_premises_for_company
-- Without the customer's contact, which a testing company may not read.
SELECT jsonb_strip_nulls(to_jsonb(seen))::text FROM (
    SELECT id, version, created_at, changed_at, reference, name, address, category, connection, hazard, hazard_class, location
    FROM record.premises WHERE utility_id = $1 AND id = $2
) AS seen;

-- name: change
-- Only while the version is still the one that the caller read.
UPDATE record.{table} AS thing SET version = thing.version + 1, changed_at = new.changed_at, ({columns}) = ROW({new_columns})
FROM jsonb_populate_record(NULL::record.{table}, $1::jsonb) AS new
WHERE thing.utility_id = new.utility_id AND thing.id = new.id AND thing.version = $2
RETURNING jsonb_strip_nulls(to_jsonb(thing) - 'utility_id')::text;

-- name: same_serial_number
-- Another assembly of that serial number at those premises; none that was registered by mistake.
SELECT id FROM record.assembly WHERE utility_id = $1 AND serial_number = $2 AND premises_id = $3 AND id IS DISTINCT FROM $4
    AND (retired_because IS NULL OR retired_because = 'replaced') LIMIT 1;

-- name: counting_reports
-- Reports and inspections of an assembly that nobody has voided.
SELECT r.id FROM record.report r WHERE r.utility_id = $1 AND r.assembly_id = $2 AND record.decision($1, r.id, NULL) IS DISTINCT FROM 'void'
ORDER BY r.performed_at LIMIT 100;

-- name: change_kind
UPDATE record.assembly SET version = version + 1, changed_at = $3, kind = $4 WHERE utility_id = $1 AND id = $2;

-- name: keep_correction
INSERT INTO record.assembly_correction AS kept (utility_id, assembly_id, version, recorded_at, correction, because, decided_by, duplicate_of,
    kind_before, kind, organisation_id, key_id)
VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)
RETURNING (to_jsonb(kept) - 'utility_id' - 'assembly_id' - 'key_id')::text;

-- name: corrections
SELECT (to_jsonb(kept) - 'utility_id' - 'assembly_id' - 'key_id')::text FROM record.assembly_correction AS kept
WHERE utility_id = $1 AND assembly_id = $2 AND version > $3 ORDER BY version LIMIT $4;

-- name: contact_changes
SELECT (to_jsonb(c) - 'utility_id' - 'premises_id')::text FROM record.contact_change c
WHERE utility_id = $1 AND premises_id = $2 AND version > $3 ORDER BY version LIMIT $4;

-- name: service_periods
-- The changes between in service and out of service that count, in their order, or else what the assembly's own row says.
SELECT c.in_service, c.on_day, c.because, c.number FROM record.service_change_in_force c WHERE c.utility_id = $1 AND c.assembly_id = $2
UNION ALL
SELECT a.in_service, a.service_since, a.service_because, 0 FROM record.assembly a
WHERE a.utility_id = $1 AND a.id = $2
    AND NOT EXISTS (SELECT FROM record.service_change_in_force c WHERE c.utility_id = $1 AND c.assembly_id = $2)
ORDER BY on_day NULLS FIRST, number;

-- name: retire
-- From that day on, for that reason; only one that is in service is thereby put out of it, and only such a one is put back by `unretire`.
UPDATE record.assembly SET version = version + 1, changed_at = $3, retired_on = $4, replaced_by = $6, in_service = false,
    retired_because = CASE WHEN in_service OR retired_because IS NOT NULL THEN $5 END,
    service_since = CASE WHEN in_service OR retired_because IS NOT NULL THEN $4 ELSE service_since END,
    service_because = CASE WHEN in_service OR retired_because IS NOT NULL THEN $5 ELSE service_because END
WHERE utility_id = $1 AND id = $2;

-- name: unretire
-- It is in service again from when it was before, as if it had not been retired.
UPDATE record.assembly AS a SET version = version + 1, changed_at = $3, retired_on = NULL, replaced_by = NULL,
    in_service = in_service OR retired_because IS NOT NULL, retired_because = NULL,
    service_since = CASE WHEN retired_because IS NULL THEN a.service_since ELSE earlier.on_day END,
    service_because = CASE WHEN retired_because IS NULL THEN a.service_because ELSE earlier.because END
FROM (SELECT 1) AS here LEFT JOIN LATERAL (
    SELECT c.on_day, c.because FROM record.service_change_in_force c WHERE c.utility_id = $1 AND c.assembly_id = $2 ORDER BY c.number DESC OFFSET 1 LIMIT 1
) AS earlier ON true
WHERE a.utility_id = $1 AND a.id = $2;

-- name: create_utility
WITH created AS (
    INSERT INTO record.utility (utility_id, version, created_at, changed_at, name, rulebook, time_zone, due_soon_days, system_id)
    VALUES ($1, 1, $2, $2, $3, $4, $5, $6, $7)
    RETURNING utility_id
)
INSERT INTO record.utility_log (utility_id) SELECT utility_id FROM created;

-- name: utilities
-- Those named in the session's setting, which is all that row security shows.
SELECT utility_id AS code, version, created_at, changed_at, name, rulebook, time_zone, due_soon_days, system_id, (
    SELECT json_build_object('version', n.version, 'rulebook', n.content::json)::text FROM record.local_rulebook n
    WHERE n.utility_id = utility.utility_id ORDER BY n.version DESC LIMIT 1
) AS local
FROM record.utility WHERE utility_id > $1 ORDER BY utility_id LIMIT $2;

-- name: utility
SELECT utility_id AS code, version, created_at, changed_at, name, rulebook, time_zone, due_soon_days, system_id, (
    SELECT json_build_object('version', n.version, 'rulebook', n.content::json)::text FROM record.local_rulebook n
    WHERE n.utility_id = utility.utility_id ORDER BY n.version DESC LIMIT 1
) AS local
FROM record.utility WHERE utility_id = $1;

-- name: change_utility
UPDATE record.utility SET version = version + 1, changed_at = $3, name = $4, rulebook = $5, time_zone = $6, due_soon_days = $7, system_id = $8
WHERE utility_id = $1 AND version = $2
RETURNING utility_id AS code, version, created_at, changed_at, name, rulebook, time_zone, due_soon_days, system_id, (
    SELECT json_build_object('version', n.version, 'rulebook', n.content::json)::text FROM record.local_rulebook n
    WHERE n.utility_id = utility.utility_id ORDER BY n.version DESC LIMIT 1
) AS local;

-- name: knows_time_zone
SELECT EXISTS (SELECT FROM pg_timezone_names WHERE name = $1);

-- name: is_granted
SELECT EXISTS (SELECT FROM access.utility_grant WHERE utility_id = $1 AND organisation_id = $2);
