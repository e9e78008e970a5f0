-- Who was the contact of some premises before and after each change, so that a change of owner is on record. The running service neither reads nor
-- writes it; what changed before cannot be known.
CREATE TABLE record.contact_change (
    utility_id text COLLATE "C" NOT NULL,
    premises_id uuid NOT NULL,
    version bigint NOT NULL,
    changed_at timestamptz NOT NULL,
    contact_before jsonb,
    contact jsonb,
    PRIMARY KEY (utility_id, premises_id, version),
    FOREIGN KEY (utility_id, premises_id) REFERENCES record.premises (utility_id, id)
);

CREATE FUNCTION record.keep_contact() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    INSERT INTO record.contact_change (utility_id, premises_id, version, changed_at, contact_before, contact)
    VALUES (NEW.utility_id, NEW.id, NEW.version, NEW.changed_at, OLD.contact, NEW.contact);
    RETURN NULL;
END
$$;
CREATE TRIGGER keep_contact AFTER UPDATE ON record.premises FOR EACH ROW
    WHEN (OLD.contact IS DISTINCT FROM NEW.contact) EXECUTE FUNCTION record.keep_contact();

CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.contact_change FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.contact_change FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();

ALTER TABLE record.contact_change ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.contact_change FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.contact_change USING (utility_id = current_setting('nonreturn.utility', true));
GRANT SELECT, INSERT ON record.contact_change TO nonreturn_service;
