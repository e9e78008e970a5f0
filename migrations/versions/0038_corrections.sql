-- A second assembly of one serial number at the same premises is registered only where somebody confirms it.
ALTER TABLE record.assembly ADD COLUMN serial_number_confirmed boolean;

-- What was put right in the register, and why: an assembly that never was, one registered twice, one of another kind. The running service writes none.
CREATE TABLE record.assembly_correction (
    utility_id text COLLATE "C" NOT NULL,
    assembly_id uuid NOT NULL,
    version bigint NOT NULL,
    recorded_at timestamptz NOT NULL,
    correction text NOT NULL CHECK (correction IN ('registered_in_error', 'duplicate', 'kind')),
    because text NOT NULL,
    decided_by text,
    duplicate_of uuid,
    kind_before text,
    kind text,
    organisation_id uuid NOT NULL,
    key_id uuid NOT NULL,
    PRIMARY KEY (utility_id, assembly_id, version),
    FOREIGN KEY (utility_id, assembly_id) REFERENCES record.assembly (utility_id, id),
    FOREIGN KEY (utility_id, duplicate_of) REFERENCES record.assembly (utility_id, id)
);
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.assembly_correction FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.assembly_correction FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();

ALTER TABLE record.assembly_correction ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.assembly_correction FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.assembly_correction USING (utility_id = current_setting('nonreturn.utility', true));
GRANT SELECT, INSERT ON record.assembly_correction TO nonreturn_service;
