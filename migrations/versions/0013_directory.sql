-- Which utilities there are, whoever may act in them: what goes through the whole record (audit, judging again) begins here.
CREATE TABLE access.utility (utility_id text COLLATE "C" PRIMARY KEY);
INSERT INTO access.utility SELECT DISTINCT utility_id FROM access.utility_grant;
GRANT SELECT, INSERT ON access.utility TO nonreturn_service;

CREATE FUNCTION record.list_utility() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    INSERT INTO access.utility (utility_id) VALUES (NEW.utility_id) ON CONFLICT DO NOTHING;
    RETURN NULL;
END
$$;
CREATE TRIGGER list_utility AFTER INSERT ON record.utility FOR EACH ROW EXECUTE FUNCTION record.list_utility();
