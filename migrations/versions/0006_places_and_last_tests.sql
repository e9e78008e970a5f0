-- Where premises are, as columns that an area is searched by; made by Postgres from the location itself.
ALTER TABLE record.premises
    ADD COLUMN latitude double precision GENERATED ALWAYS AS ((location -> 'latitude')::double precision) STORED,
    ADD COLUMN longitude double precision GENERATED ALWAYS AS ((location -> 'longitude')::double precision) STORED;
CREATE INDEX premises_by_place ON record.premises (utility_id, latitude, longitude) WHERE latitude IS NOT NULL;

-- The report that a standing rests on, so that assemblies are found by who tested them last.
ALTER TABLE record.standing ADD COLUMN report_id uuid GENERATED ALWAYS AS ((basis::jsonb ->> 'report_id')::uuid) STORED;
CREATE INDEX report_of_tester ON record.report (utility_id, tester_id, performed_at);
