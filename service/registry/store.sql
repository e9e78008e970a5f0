-- Utilities, premises, assemblies, testers and gauges. A thing goes in and comes out as one JSON value whose members are
-- the columns of its table, so one row is one struct; absent members are null columns.

-- name: create_premises
INSERT INTO record.premises AS premises (utility_id, id, version, created_at, changed_at, reference, name, address, category, connection, hazard, hazard_class, location, contact)
SELECT utility_id, id, version, created_at, changed_at, reference, name, address, category, connection, hazard, hazard_class, location, contact FROM jsonb_populate_record(NULL::record.premises, $1::jsonb)
RETURNING jsonb_strip_nulls(to_jsonb(premises) - 'utility_id')::text;

-- name: get_premises
SELECT jsonb_strip_nulls(to_jsonb(premises) - 'utility_id')::text FROM record.premises WHERE utility_id = $1 AND id = $2;

-- name: list_premises
SELECT jsonb_strip_nulls(to_jsonb(premises) - 'utility_id')::text FROM record.premises WHERE utility_id = $1 AND ($2::uuid IS NULL OR id > $2) ORDER BY id LIMIT $3;

-- name: get_premises_for_company
-- Without the customer's contact, which a testing company may not read.
SELECT jsonb_strip_nulls(to_jsonb(seen))::text FROM (
    SELECT id, version, created_at, changed_at, reference, name, address, category, connection, hazard, hazard_class, location
    FROM record.premises WHERE utility_id = $1 AND id = $2
) AS seen;

-- name: list_premises_for_company
SELECT jsonb_strip_nulls(to_jsonb(seen))::text FROM (
    SELECT id, version, created_at, changed_at, reference, name, address, category, connection, hazard, hazard_class, location
    FROM record.premises WHERE utility_id = $1 AND ($2::uuid IS NULL OR id > $2) ORDER BY id LIMIT $3
) AS seen;

-- name: change_premises
-- Only while the version is still the one that the caller read.
UPDATE record.premises SET version = premises.version + 1, changed_at = new.changed_at,
    (reference, name, address, category, connection, hazard, hazard_class, location, contact) = ROW(new.reference, new.name, new.address, new.category, new.connection, new.hazard, new.hazard_class, new.location, new.contact)
FROM jsonb_populate_record(NULL::record.premises, $1::jsonb) AS new
WHERE premises.utility_id = new.utility_id AND premises.id = new.id AND premises.version = $2
RETURNING jsonb_strip_nulls(to_jsonb(premises) - 'utility_id')::text;

-- name: create_assembly
INSERT INTO record.assembly AS assembly (utility_id, id, version, created_at, changed_at, premises_id, kind, hazard, purpose, serial_number, nominal_size, position, installed_on, in_service, occurrences, season, test_interval_months, backpressure_possible, in_plant_air_gap, hazard_class)
SELECT utility_id, id, version, created_at, changed_at, premises_id, kind, hazard, purpose, serial_number, nominal_size, position, installed_on, in_service, occurrences, season, test_interval_months, backpressure_possible, in_plant_air_gap, hazard_class FROM jsonb_populate_record(NULL::record.assembly, $1::jsonb)
RETURNING jsonb_strip_nulls(to_jsonb(assembly) - 'utility_id')::text;

-- name: get_assembly
SELECT jsonb_strip_nulls(to_jsonb(assembly) - 'utility_id')::text FROM record.assembly WHERE utility_id = $1 AND id = $2;

-- name: list_assembly
SELECT jsonb_strip_nulls(to_jsonb(assembly) - 'utility_id')::text FROM record.assembly WHERE utility_id = $1 AND ($2::uuid IS NULL OR id > $2) ORDER BY id LIMIT $3;

-- name: change_assembly
-- Only while the version is still the one that the caller read.
UPDATE record.assembly SET version = assembly.version + 1, changed_at = new.changed_at,
    (premises_id, kind, hazard, purpose, serial_number, nominal_size, position, installed_on, in_service, occurrences, season, test_interval_months, backpressure_possible, in_plant_air_gap, hazard_class) =
    ROW(new.premises_id, new.kind, new.hazard, new.purpose, new.serial_number, new.nominal_size, new.position, new.installed_on, new.in_service, new.occurrences, new.season, new.test_interval_months, new.backpressure_possible, new.in_plant_air_gap, new.hazard_class)
FROM jsonb_populate_record(NULL::record.assembly, $1::jsonb) AS new
WHERE assembly.utility_id = new.utility_id AND assembly.id = new.id AND assembly.version = $2
RETURNING jsonb_strip_nulls(to_jsonb(assembly) - 'utility_id')::text;

-- name: create_tester
INSERT INTO record.tester AS tester (utility_id, id, version, created_at, changed_at, name, organisation_id, certificates)
SELECT utility_id, id, version, created_at, changed_at, name, organisation_id, certificates FROM jsonb_populate_record(NULL::record.tester, $1::jsonb)
RETURNING jsonb_strip_nulls(to_jsonb(tester) - 'utility_id')::text;

-- name: get_tester
SELECT jsonb_strip_nulls(to_jsonb(tester) - 'utility_id')::text FROM record.tester WHERE utility_id = $1 AND id = $2;

-- name: list_tester
SELECT jsonb_strip_nulls(to_jsonb(tester) - 'utility_id')::text FROM record.tester WHERE utility_id = $1 AND ($2::uuid IS NULL OR id > $2) ORDER BY id LIMIT $3;

-- name: change_tester
-- Only while the version is still the one that the caller read.
UPDATE record.tester SET version = tester.version + 1, changed_at = new.changed_at,
    (name, organisation_id, certificates) = ROW(new.name, new.organisation_id, new.certificates)
FROM jsonb_populate_record(NULL::record.tester, $1::jsonb) AS new
WHERE tester.utility_id = new.utility_id AND tester.id = new.id AND tester.version = $2
RETURNING jsonb_strip_nulls(to_jsonb(tester) - 'utility_id')::text;

-- name: create_gauge
INSERT INTO record.gauge AS gauge (utility_id, id, version, created_at, changed_at, serial_number, organisation_id, units, accuracy, resolution, calibrations)
SELECT utility_id, id, version, created_at, changed_at, serial_number, organisation_id, units, accuracy, resolution, calibrations FROM jsonb_populate_record(NULL::record.gauge, $1::jsonb)
RETURNING jsonb_strip_nulls(to_jsonb(gauge) - 'utility_id')::text;

-- name: get_gauge
SELECT jsonb_strip_nulls(to_jsonb(gauge) - 'utility_id')::text FROM record.gauge WHERE utility_id = $1 AND id = $2;

-- name: list_gauge
SELECT jsonb_strip_nulls(to_jsonb(gauge) - 'utility_id')::text FROM record.gauge WHERE utility_id = $1 AND ($2::uuid IS NULL OR id > $2) ORDER BY id LIMIT $3;

-- name: change_gauge
-- Only while the version is still the one that the caller read.
UPDATE record.gauge SET version = gauge.version + 1, changed_at = new.changed_at,
    (serial_number, organisation_id, units, accuracy, resolution, calibrations) = ROW(new.serial_number, new.organisation_id, new.units, new.accuracy, new.resolution, new.calibrations)
FROM jsonb_populate_record(NULL::record.gauge, $1::jsonb) AS new
WHERE gauge.utility_id = new.utility_id AND gauge.id = new.id AND gauge.version = $2
RETURNING jsonb_strip_nulls(to_jsonb(gauge) - 'utility_id')::text;

-- name: create_utility
WITH created AS (
    INSERT INTO record.utility (utility_id, version, created_at, changed_at, name, rulebook, time_zone, due_soon_days)
    VALUES ($1, 1, $2, $2, $3, $4, $5, $6)
    RETURNING utility_id
)
INSERT INTO record.utility_log (utility_id) SELECT utility_id FROM created;

-- name: utilities
-- Those named in the session's setting, which is all that row security shows.
SELECT utility_id AS code, version, created_at, changed_at, name, rulebook, time_zone, due_soon_days, (
    SELECT json_build_object('version', n.version, 'rulebook', n.content::json)::text FROM record.local_rulebook n
    WHERE n.utility_id = utility.utility_id ORDER BY n.version DESC LIMIT 1
) AS local
FROM record.utility WHERE utility_id > $1 ORDER BY utility_id LIMIT $2;

-- name: utility
SELECT utility_id AS code, version, created_at, changed_at, name, rulebook, time_zone, due_soon_days, (
    SELECT json_build_object('version', n.version, 'rulebook', n.content::json)::text FROM record.local_rulebook n
    WHERE n.utility_id = utility.utility_id ORDER BY n.version DESC LIMIT 1
) AS local
FROM record.utility WHERE utility_id = $1;

-- name: change_utility
UPDATE record.utility SET version = version + 1, changed_at = $3, name = $4, rulebook = $5, time_zone = $6, due_soon_days = $7
WHERE utility_id = $1 AND version = $2
RETURNING utility_id AS code, version, created_at, changed_at, name, rulebook, time_zone, due_soon_days, (
    SELECT json_build_object('version', n.version, 'rulebook', n.content::json)::text FROM record.local_rulebook n
    WHERE n.utility_id = utility.utility_id ORDER BY n.version DESC LIMIT 1
) AS local;

-- name: knows_time_zone
SELECT EXISTS (SELECT FROM pg_timezone_names WHERE name = $1);

-- name: is_granted
SELECT EXISTS (SELECT FROM access.utility_grant WHERE utility_id = $1 AND organisation_id = $2);
