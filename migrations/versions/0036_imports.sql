-- What each import wrote, so that it can be undone whole until somebody seals it. A state a row, numbered from 1, never changed: an import is
-- being written, is written, is being undone, is undone, or is sealed.
CREATE TABLE record.import_version (
    utility_id text COLLATE "C" NOT NULL REFERENCES record.utility,
    id uuid NOT NULL,
    version bigint NOT NULL CHECK (version > 0),
    recorded_at timestamptz NOT NULL,
    state text NOT NULL CHECK (state IN ('writing', 'written', 'undoing', 'undone', 'sealed')),
    because text,
    decided_by text,
    -- How many things it came to, as JSON.
    content text NOT NULL,
    organisation_id uuid NOT NULL,
    key_id uuid NOT NULL,
    PRIMARY KEY (utility_id, id, version)
);

-- What it registered (`before` NULL) or changed: the version that it wrote, and what the thing was before, as JSON.
CREATE TABLE record.import_thing (
    utility_id text COLLATE "C" NOT NULL REFERENCES record.utility,
    import_id uuid NOT NULL,
    resource text NOT NULL CHECK (resource IN ('premises', 'assembly', 'tester', 'gauge')),
    id uuid NOT NULL,
    version bigint NOT NULL,
    before text,
    PRIMARY KEY (utility_id, import_id, resource, id, version)
);
-- A later import asks whether an earlier one that was undone registered a thing.
CREATE INDEX import_thing_of ON record.import_thing (utility_id, id);

-- The reports that it recorded, by their places in the log: from `first_index` up to `until_index`, without that.
CREATE TABLE record.import_reports (
    utility_id text COLLATE "C" NOT NULL REFERENCES record.utility,
    import_id uuid NOT NULL,
    first_index bigint NOT NULL,
    until_index bigint NOT NULL CHECK (until_index >= first_index),
    PRIMARY KEY (utility_id, import_id, first_index, until_index)
);

CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.import_version FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.import_version FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER note_inserts AFTER INSERT ON record.import_version REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('imports');
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.import_thing FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.import_thing FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.import_reports FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.import_reports FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();

ALTER TABLE record.import_version ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.import_version FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.import_version USING (utility_id = current_setting('nonreturn.utility', true));
GRANT SELECT, INSERT ON record.import_version TO nonreturn_service;
ALTER TABLE record.import_thing ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.import_thing FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.import_thing USING (utility_id = current_setting('nonreturn.utility', true));
GRANT SELECT, INSERT ON record.import_thing TO nonreturn_service;
ALTER TABLE record.import_reports ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.import_reports FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.import_reports USING (utility_id = current_setting('nonreturn.utility', true));
GRANT SELECT, INSERT ON record.import_reports TO nonreturn_service;
