-- What the law asks of an assembly (WAC 246-292-036): maker, model and approval; and the marks that a utility knows it by: its own number, the
-- meter, where it is. `replaces` joins a new assembly to the old one, which says when and why it was retired and what came in its place.
-- The running service neither reads nor writes these. No table is rewritten, but for the two generated columns of assemblies.
ALTER TABLE record.assembly
    ADD COLUMN manufacturer text,
    ADD COLUMN model text,
    ADD COLUMN approval text CHECK (approval IN ('approved', 'formerly_approved', 'not_approved')),
    ADD COLUMN assembly_number text,
    ADD COLUMN meter text,
    ADD COLUMN location jsonb,
    ADD COLUMN latitude double precision GENERATED ALWAYS AS ((location -> 'latitude')::double precision) STORED,
    ADD COLUMN longitude double precision GENERATED ALWAYS AS ((location -> 'longitude')::double precision) STORED,
    ADD COLUMN replaces uuid,
    ADD COLUMN replaced_by uuid,
    ADD COLUMN retired_on date,
    ADD COLUMN retired_because text,
    -- An export holds either of the two first.
    ADD CONSTRAINT assembly_replaces FOREIGN KEY (utility_id, replaces) REFERENCES record.assembly (utility_id, id) DEFERRABLE INITIALLY DEFERRED,
    ADD CONSTRAINT assembly_replaced_by FOREIGN KEY (utility_id, replaced_by) REFERENCES record.assembly (utility_id, id) DEFERRABLE INITIALLY DEFERRED,
    ADD CONSTRAINT assembly_replaced_once UNIQUE (utility_id, replaces);
CREATE INDEX assembly_by_assembly_number ON record.assembly (utility_id, assembly_number) WHERE assembly_number IS NOT NULL;
CREATE INDEX assembly_by_meter ON record.assembly (utility_id, meter) WHERE meter IS NOT NULL;
CREATE INDEX assembly_by_place ON record.assembly (utility_id, latitude, longitude) WHERE latitude IS NOT NULL;
