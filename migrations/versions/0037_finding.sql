-- What people look for is found by indexes that row security lets be used: those of plain comparisons. Words of names, addresses and numbers are
-- rows of their own, so that the beginning of any word finds; so are the flags of reports. The running service writes them through triggers unawares.
ALTER TABLE record.premises NO FORCE ROW LEVEL SECURITY;
ALTER TABLE record.assembly NO FORCE ROW LEVEL SECURITY;
ALTER TABLE record.tester NO FORCE ROW LEVEL SECURITY;
ALTER TABLE record.gauge NO FORCE ROW LEVEL SECURITY;
ALTER TABLE record.report NO FORCE ROW LEVEL SECURITY;

-- The last of the days that stand under that name in a list. The text is an ISO date whatever the session's settings.
CREATE FUNCTION record.last_day(listed jsonb, named text) RETURNS date LANGUAGE sql IMMUTABLE AS $$
    SELECT max((item ->> named)::date) FROM jsonb_array_elements(listed) AS item
$$;
ALTER TABLE record.tester ADD COLUMN certified_until date GENERATED ALWAYS AS (record.last_day(certificates, 'valid_until')) STORED;
ALTER TABLE record.gauge ADD COLUMN calibrated_on date GENERATED ALWAYS AS (record.last_day(calibrations, 'calibrated_on')) STORED;
CREATE INDEX tester_by_last_day ON record.tester (utility_id, certified_until, id);
CREATE INDEX gauge_by_calibration ON record.gauge (utility_id, calibrated_on, id);
CREATE INDEX gauge_by_serial_number ON record.gauge (utility_id, serial_number);

-- The words of a text: between blanks and punctuation, and also those between blanks without their punctuation, so that `A-100` is found as
-- `a-100`, `a100` and `100`. Accents do not count, whatever the database's locale.
CREATE FUNCTION record.words(written text) RETURNS SETOF text LANGUAGE sql IMMUTABLE AS $$
    WITH plain AS (SELECT regexp_replace(lower(normalize(written, NFKD)), '[\u0300-\u036f]', '', 'g') AS text)
    SELECT DISTINCT left(found.word, 60) FROM plain, LATERAL (
        SELECT word FROM regexp_split_to_table(plain.text, '[\u0001-\u002f\u003a-\u0040\u005b-\u0060\u007b-\u00bf\u2000-\u206f]+') AS word
        UNION ALL
        SELECT regexp_replace(word, '[\u0001-\u002f\u003a-\u0040\u005b-\u0060\u007b-\u00bf\u2000-\u206f]', '', 'g')
        FROM regexp_split_to_table(plain.text, '[\u0001-\u0020\u00a0\u2000-\u206f]+') AS word
    ) AS found WHERE found.word <> ''
$$;

CREATE TABLE record.word (
    utility_id text COLLATE "C" NOT NULL REFERENCES record.utility,
    thing text NOT NULL CHECK (thing IN ('premises', 'assembly', 'tester', 'gauge')),
    word text COLLATE "C" NOT NULL,
    id uuid NOT NULL,
    PRIMARY KEY (utility_id, thing, word, id)
);
CREATE INDEX word_of_thing ON record.word (utility_id, id, word);

-- What of a thing is looked for; never a contact, which testing companies may not read.
CREATE FUNCTION record.searched(thing text, row_json jsonb) RETURNS text LANGUAGE sql IMMUTABLE AS $$
    SELECT CASE thing
        WHEN 'premises' THEN concat_ws(' ', row_json ->> 'name', row_json ->> 'address', row_json ->> 'reference')
        WHEN 'assembly' THEN concat_ws(' ', row_json ->> 'serial_number', row_json ->> 'assembly_number', row_json ->> 'meter')
        WHEN 'tester' THEN concat_ws(' ', row_json ->> 'name',
            (SELECT string_agg(held ->> 'certificate', ' ') FROM jsonb_array_elements(row_json -> 'certificates') AS held))
        ELSE row_json ->> 'serial_number' END
$$;

CREATE FUNCTION record.keep_words() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    now_searched text := record.searched(TG_TABLE_NAME, to_jsonb(NEW));
BEGIN
    IF TG_OP = 'UPDATE' THEN
        IF now_searched IS NOT DISTINCT FROM record.searched(TG_TABLE_NAME, to_jsonb(OLD)) THEN
            RETURN NULL;
        END IF;
        DELETE FROM record.word WHERE utility_id = NEW.utility_id AND id = NEW.id AND thing = TG_TABLE_NAME;
    END IF;
    INSERT INTO record.word (utility_id, thing, word, id) SELECT NEW.utility_id, TG_TABLE_NAME, word, NEW.id FROM record.words(now_searched) AS word;
    RETURN NULL;
END
$$;
CREATE TRIGGER keep_words AFTER INSERT OR UPDATE ON record.premises FOR EACH ROW EXECUTE FUNCTION record.keep_words();
CREATE TRIGGER keep_words AFTER INSERT OR UPDATE ON record.assembly FOR EACH ROW EXECUTE FUNCTION record.keep_words();
CREATE TRIGGER keep_words AFTER INSERT OR UPDATE ON record.tester FOR EACH ROW EXECUTE FUNCTION record.keep_words();
CREATE TRIGGER keep_words AFTER INSERT OR UPDATE ON record.gauge FOR EACH ROW EXECUTE FUNCTION record.keep_words();

INSERT INTO record.word (utility_id, thing, word, id)
    SELECT t.utility_id, 'premises', word, t.id FROM record.premises t, LATERAL record.words(record.searched('premises', to_jsonb(t))) AS word
    UNION ALL
    SELECT t.utility_id, 'assembly', word, t.id FROM record.assembly t, LATERAL record.words(record.searched('assembly', to_jsonb(t))) AS word
    UNION ALL
    SELECT t.utility_id, 'tester', word, t.id FROM record.tester t, LATERAL record.words(record.searched('tester', to_jsonb(t))) AS word
    UNION ALL
    SELECT t.utility_id, 'gauge', word, t.id FROM record.gauge t, LATERAL record.words(record.searched('gauge', to_jsonb(t))) AS word;

ALTER TABLE record.word ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.word FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.word USING (utility_id = current_setting('nonreturn.utility', true));
GRANT SELECT, INSERT, DELETE ON record.word TO nonreturn_service;
GRANT SELECT ON record.word TO nonreturn_company;
-- A company finds what it sees.
CREATE POLICY own_company ON record.word AS RESTRICTIVE FOR SELECT TO nonreturn_company USING (
    CASE thing
        WHEN 'premises' THEN EXISTS (SELECT FROM record.premises p WHERE p.utility_id = word.utility_id AND p.id = word.id)
        WHEN 'assembly' THEN EXISTS (SELECT FROM record.assembly a WHERE a.utility_id = word.utility_id AND a.id = word.id)
        WHEN 'tester' THEN EXISTS (SELECT FROM record.tester t WHERE t.utility_id = word.utility_id AND t.id = word.id)
        WHEN 'gauge' THEN EXISTS (SELECT FROM record.gauge g WHERE g.utility_id = word.utility_id AND g.id = word.id)
        ELSE false
    END
);

-- The flags of each report, by which reports are listed. They repeat the verdict.
CREATE TABLE record.report_flag (
    utility_id text COLLATE "C" NOT NULL,
    code text COLLATE "C" NOT NULL,
    log_index bigint NOT NULL,
    PRIMARY KEY (utility_id, code, log_index),
    FOREIGN KEY (utility_id, log_index) REFERENCES record.report (utility_id, log_index)
);
CREATE FUNCTION record.keep_flags() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    INSERT INTO record.report_flag (utility_id, code, log_index)
    SELECT DISTINCT written.utility_id, flag ->> 'code', written.log_index
    FROM written, LATERAL jsonb_array_elements(written.verdict::jsonb -> 'flags') AS flag
    WHERE written.verdict LIKE '%"flags":[{%';
    RETURN NULL;
END
$$;
CREATE TRIGGER keep_flags AFTER INSERT ON record.report REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.keep_flags();
INSERT INTO record.report_flag (utility_id, code, log_index)
    SELECT DISTINCT r.utility_id, flag ->> 'code', r.log_index FROM record.report r, LATERAL jsonb_array_elements(r.verdict::jsonb -> 'flags') AS flag
    WHERE r.verdict LIKE '%"flags":[{%';

ALTER TABLE record.report_flag ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.report_flag FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.report_flag USING (utility_id = current_setting('nonreturn.utility', true));
GRANT SELECT, INSERT ON record.report_flag TO nonreturn_service;
GRANT SELECT ON record.report_flag TO nonreturn_company;
CREATE POLICY own_company ON record.report_flag AS RESTRICTIVE FOR SELECT TO nonreturn_company USING (
    EXISTS (SELECT FROM record.report r WHERE r.utility_id = report_flag.utility_id AND r.log_index = report_flag.log_index)
);

-- Each list of reports has an index in its order; a list by tester has its own already.
DROP INDEX record.report_of_year;
CREATE INDEX report_of_year ON record.report (utility_id, performed_on, log_index)
    INCLUDE (id, assembly_id, performed_at, outcome, initial_outcome, acceptance, protection, declared);
CREATE INDEX report_by_gauge ON record.report (utility_id, gauge_id, performed_at);
CREATE INDEX report_not_passed ON record.report (utility_id, outcome, log_index) WHERE outcome <> 'pass';
CREATE INDEX report_by_receipt ON record.report (utility_id, received_at, log_index);

ALTER TABLE record.premises FORCE ROW LEVEL SECURITY;
ALTER TABLE record.assembly FORCE ROW LEVEL SECURITY;
ALTER TABLE record.tester FORCE ROW LEVEL SECURITY;
ALTER TABLE record.gauge FORCE ROW LEVEL SECURITY;
ALTER TABLE record.report FORCE ROW LEVEL SECURITY;
