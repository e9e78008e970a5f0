-- Incidents and exceptions from testing. Each goes in and comes out as one JSON value whose members are its columns.

-- name: create_incident
INSERT INTO record.incident AS incident (utility_id, id, version, created_at, changed_at, occurred_at, occurred_on, status, description, assemblies, premises, place, location, people_affected, actions, closed_on)
SELECT utility_id, id, version, created_at, changed_at, occurred_at, occurred_on, status, description, assemblies, premises, place, location, people_affected, actions, closed_on FROM jsonb_populate_record(NULL::record.incident, $1::jsonb)
RETURNING jsonb_strip_nulls(to_jsonb(incident) - 'utility_id')::text;

-- name: change_incident
-- Only while the version is still the one that the caller read.
UPDATE record.incident SET version = incident.version + 1, changed_at = new.changed_at,
    (occurred_at, occurred_on, status, description, assemblies, premises, place, location, people_affected, actions, closed_on) =
    ROW(new.occurred_at, new.occurred_on, new.status, new.description, new.assemblies, new.premises, new.place, new.location, new.people_affected, new.actions, new.closed_on)
FROM jsonb_populate_record(NULL::record.incident, $1::jsonb) AS new
WHERE incident.utility_id = new.utility_id AND incident.id = new.id AND incident.version = $2
RETURNING jsonb_strip_nulls(to_jsonb(incident) - 'utility_id')::text;

-- name: get_incident
SELECT jsonb_strip_nulls(to_jsonb(incident) - 'utility_id')::text FROM record.incident WHERE utility_id = $1 AND id = $2;

-- name: first_incident
-- An incident as first recorded.
SELECT content::text FROM record.incident_version WHERE utility_id = $1 AND incident_id = $2 AND version = 1;

-- name: list_incident
-- Those that name the assembly, the premises, happened within those days, are open or closed; whatever of these is asked.
SELECT jsonb_strip_nulls(to_jsonb(incident) - 'utility_id')::text FROM record.incident
WHERE utility_id = $1 AND ($2::uuid IS NULL OR id > $2)
    AND ($4::uuid IS NULL OR $4 = ANY (assemblies)) AND ($5::uuid IS NULL OR $5 = ANY (premises))
    AND ($6::date IS NULL OR occurred_on >= $6) AND ($7::date IS NULL OR occurred_on <= $7)
    AND ($8::boolean IS NULL OR (closed_on IS NOT NULL) = $8) AND ($9::text IS NULL OR status = $9)
ORDER BY id LIMIT $3;

-- name: missing
-- Which of these assemblies and premises are not registered: their places in the lists given.
SELECT 'assemblies' AS member, i.n - 1 AS place FROM unnest($2::uuid[]) WITH ORDINALITY AS i (id, n)
WHERE NOT EXISTS (SELECT FROM record.assembly a WHERE a.utility_id = $1 AND a.id = i.id)
UNION ALL
SELECT 'premises', i.n - 1 FROM unnest($3::uuid[]) WITH ORDINALITY AS i (id, n)
WHERE NOT EXISTS (SELECT FROM record.premises p WHERE p.utility_id = $1 AND p.id = i.id)
ORDER BY 1, 2;

-- name: tell_incident
-- The revision as of its moment, and whom it reaches: what it names, and the assemblies that stand at those premises now.
WITH revision AS (
    INSERT INTO record.incident_version (utility_id, incident_id, version, recorded_at, organisation_id, key_id, occurred_at, occurred_on, counts, content)
    VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10::jsonb)
), reached AS (
    SELECT id AS assembly_id, NULL::uuid AS premises_id FROM record.assembly WHERE utility_id = $1 AND (id = ANY ($11::uuid[]) OR premises_id = ANY ($12::uuid[]))
    UNION
    SELECT NULL, id FROM unnest($12::uuid[]) AS named (id)
)
INSERT INTO record.incident_reach (utility_id, incident_id, version, place, assembly_id, premises_id)
SELECT $1, $2, $3, row_number() OVER (ORDER BY assembly_id, premises_id), assembly_id, premises_id FROM reached;

-- name: revisions
-- The revisions of an incident, the first one first.
SELECT (content || jsonb_build_object('version', version, 'recorded_at', recorded_at))::text FROM record.incident_version
WHERE utility_id = $1 AND incident_id = $2 AND version > $3 ORDER BY version LIMIT $4;

-- name: reached
-- Every assembly that any revision of the incident reaches, or that stands now at premises which one reaches.
SELECT r.assembly_id AS id FROM record.incident_reach r WHERE r.utility_id = $1 AND r.incident_id = $2 AND r.assembly_id IS NOT NULL
UNION
SELECT a.id FROM record.incident_reach r JOIN record.assembly a ON a.utility_id = r.utility_id AND a.premises_id = r.premises_id
WHERE r.utility_id = $1 AND r.incident_id = $2
ORDER BY 1;

-- name: revised
-- The incidents that reach or reached the assembly, or its premises, were known before a moment and have been revised since.
SELECT DISTINCT v.incident_id AS id FROM record.incident_version v
JOIN record.incident_version first ON first.utility_id = v.utility_id AND first.incident_id = v.incident_id AND first.version = 1
JOIN record.incident_reach r ON r.utility_id = v.utility_id AND r.incident_id = v.incident_id
JOIN record.assembly a ON a.utility_id = r.utility_id AND (a.id = r.assembly_id OR a.premises_id = r.premises_id)
WHERE v.utility_id = $1 AND a.id = $2 AND v.recorded_at >= $3 AND first.recorded_at < $3
ORDER BY 1;

-- name: create_exception
INSERT INTO record.exception AS exception (utility_id, id, version, created_at, changed_at, assembly_id, since, until, reason, because, granted_by, organisation_id, key_id)
SELECT utility_id, id, version, created_at, changed_at, assembly_id, since, until, reason, because, granted_by, organisation_id, key_id FROM jsonb_populate_record(NULL::record.exception, $1::jsonb)
ON CONFLICT (utility_id, id) DO NOTHING
RETURNING jsonb_strip_nulls(to_jsonb(exception) - '{utility_id,key_id}'::text[])::text;

-- name: end_exception
-- Only while the version is still the one that the caller read.
UPDATE record.exception SET version = version + 1, changed_at = $4, ended_on = $5, ended_because = $6
WHERE utility_id = $1 AND id = $2 AND version = $3
RETURNING jsonb_strip_nulls(to_jsonb(exception) - '{utility_id,key_id}'::text[])::text;

-- name: get_exception
SELECT jsonb_strip_nulls(to_jsonb(exception) - '{utility_id,key_id}'::text[])::text FROM record.exception WHERE utility_id = $1 AND id = $2;

-- name: list_exception
-- Of the assembly, in force on the day, by what was recorded before the moment; whatever of these is asked.
SELECT jsonb_strip_nulls(to_jsonb(exception) - '{utility_id,key_id}'::text[])::text FROM record.exception
WHERE utility_id = $1 AND ($2::uuid IS NULL OR id > $2) AND ($4::uuid IS NULL OR assembly_id = $4)
    AND ($5::date IS NULL OR $5 BETWEEN since AND least(until, CASE WHEN $6::timestamptz IS NULL OR changed_at < $6 THEN ended_on END))
    AND ($6::timestamptz IS NULL OR created_at < $6)
ORDER BY id LIMIT $3;
