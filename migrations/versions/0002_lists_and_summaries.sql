-- What a kept standing says, as columns that lists select by. Postgres makes them from the basis itself, so that they cannot part from it.
ALTER TABLE record.standing
    ADD COLUMN status text GENERATED ALWAYS AS (basis::jsonb ->> 'status') STORED,
    ADD COLUMN protection text GENERATED ALWAYS AS (basis::jsonb ->> 'protection') STORED;
-- Due soon and overdue are ranges of the due day among the current ones.
CREATE INDEX standing_by_status ON record.standing (utility_id, status, (coalesce(due_on, 'infinity'::date)), assembly_id);
CREATE INDEX standing_unprotected ON record.standing (utility_id, protection, assembly_id) WHERE protection IN ('lost', 'degraded');

-- How the first test of a report came out, before any repair; the yearly summary counts by it.
ALTER TABLE record.report
    ADD COLUMN initial_outcome text GENERATED ALWAYS AS (CASE WHEN verdict <> '' THEN verdict::jsonb #>> '{initial,outcome}' END) STORED;
-- A year's tests are counted from this index alone.
CREATE INDEX report_of_year ON record.report (utility_id, performed_on)
    INCLUDE (id, assembly_id, performed_at, outcome, initial_outcome, acceptance, protection);
