-- What premises' hazard was found to be, by whom and when; appended, and a wrong one is superseded by another of the same premises, which
-- an export may hold before it.
CREATE TABLE record.hazard_assessment (
    utility_id text COLLATE "C" NOT NULL,
    id uuid NOT NULL,
    version bigint NOT NULL,
    created_at timestamptz NOT NULL,
    premises_id uuid NOT NULL,
    assessed_on date NOT NULL,
    assessed_by text NOT NULL,
    hazard text NOT NULL CHECK (hazard IN ('severe', 'health', 'non_health')),
    findings text,
    next_due_on date CHECK (next_due_on >= assessed_on),
    supersedes uuid,
    supersedes_because text,
    organisation_id uuid NOT NULL,
    key_id uuid NOT NULL,
    PRIMARY KEY (utility_id, id),
    UNIQUE (utility_id, supersedes),
    UNIQUE (utility_id, premises_id, id),
    CHECK ((supersedes IS NULL) = (supersedes_because IS NULL)),
    FOREIGN KEY (utility_id, premises_id) REFERENCES record.premises (utility_id, id),
    CONSTRAINT hazard_assessment_corrected FOREIGN KEY (utility_id, premises_id, supersedes)
        REFERENCES record.hazard_assessment (utility_id, premises_id, id) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX hazard_assessment_of_day ON record.hazard_assessment (utility_id, assessed_on);

CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.hazard_assessment FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.hazard_assessment FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER note_inserts AFTER INSERT ON record.hazard_assessment REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('hazard_assessments');

ALTER TABLE record.hazard_assessment ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.hazard_assessment FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.hazard_assessment USING (utility_id = current_setting('nonreturn.utility', true));
GRANT SELECT, INSERT ON record.hazard_assessment TO nonreturn_service;
