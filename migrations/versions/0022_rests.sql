-- What the next report of an assembly rests on, beside its standing: the tests that count (`rests_on`, JSON) and the moment of the latest.
-- It holds where `rests_version` is the standing's own version; a service that does not know of it raises the version and leaves it behind.
ALTER TABLE record.standing ADD COLUMN rests_version bigint, ADD COLUMN rests_on text, ADD COLUMN latest_at timestamptz;
-- It holds facts of other companies' reports, which a testing company does not see.
REVOKE SELECT ON record.standing FROM nonreturn_company;
GRANT SELECT (utility_id, assembly_id, version, due_on, basis, status, protection, report_id) ON record.standing TO nonreturn_company;
