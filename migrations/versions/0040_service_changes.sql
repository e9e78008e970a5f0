-- When an assembly was in service, and why not: a past year's figures follow from it, whatever happens to the assembly today. And what the
-- regulator's yearly summary asks besides: the water system's own number, what a survey found, and where isolation is not required.
ALTER TABLE record.utility ADD COLUMN system_id text;
ALTER TABLE record.assembly
    ADD COLUMN service_since date,
    ADD COLUMN service_because text;
ALTER TABLE record.hazard_assessment
    ADD COLUMN cross_connections_found integer CHECK (cross_connections_found >= 0),
    ADD COLUMN cross_connections_corrected integer CHECK (cross_connections_corrected >= 0),
    ADD COLUMN isolation_exception text;

-- Each change between in service and out of service. `supersedes` is an earlier row of the assembly that was wrong; without `in_service` the
-- row only takes that one back. An assembly of which nothing is here was always as its `in_service` and `service_since` say.
CREATE TABLE record.service_change (
    utility_id text COLLATE "C" NOT NULL,
    assembly_id uuid NOT NULL,
    number integer NOT NULL CHECK (number > 0),
    recorded_at timestamptz NOT NULL,
    in_service boolean,
    on_day date,
    because text,
    supersedes integer,
    PRIMARY KEY (utility_id, assembly_id, number),
    CHECK ((in_service IS NULL) = (on_day IS NULL)),
    FOREIGN KEY (utility_id, assembly_id) REFERENCES record.assembly (utility_id, id)
);

CREATE FUNCTION record.keep_service() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    last_one integer;
    day date := NEW.service_since;
BEGIN
    SELECT max(c.number) INTO last_one FROM record.service_change c WHERE c.utility_id = NEW.utility_id AND c.assembly_id = NEW.id;
    IF last_one IS NULL AND OLD.service_since IS NOT NULL THEN
        last_one := 1;
        INSERT INTO record.service_change VALUES (NEW.utility_id, NEW.id, 1, OLD.changed_at, OLD.in_service, OLD.service_since, OLD.service_because);
    END IF;
    IF NEW.in_service <> OLD.in_service AND day IS NULL AND OLD.service_since IS NULL THEN
        SELECT (NEW.changed_at AT TIME ZONE u.time_zone)::date INTO day FROM record.utility u WHERE u.utility_id = NEW.utility_id;
    END IF;
    INSERT INTO record.service_change VALUES (NEW.utility_id, NEW.id, coalesce(last_one, 0) + 1, NEW.changed_at,
        CASE WHEN day IS NOT NULL THEN NEW.in_service END, day, CASE WHEN day IS NOT NULL THEN NEW.service_because END,
        -- The same again with another day or reason puts the last change right; without a day it takes the last change back.
        CASE WHEN OLD.service_since IS NOT NULL AND (NEW.in_service = OLD.in_service OR NEW.service_since IS NULL) THEN last_one END);
    RETURN NULL;
END
$$;
CREATE TRIGGER keep_service AFTER UPDATE ON record.assembly FOR EACH ROW
    WHEN ((OLD.in_service, OLD.service_since, OLD.service_because) IS DISTINCT FROM (NEW.in_service, NEW.service_since, NEW.service_because))
    EXECUTE FUNCTION record.keep_service();

CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.service_change FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.service_change FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();

-- The changes that count.
CREATE VIEW record.service_change_in_force WITH (security_invoker = true) AS
SELECT c.* FROM record.service_change c
WHERE c.in_service IS NOT NULL AND NOT EXISTS (
    SELECT FROM record.service_change l WHERE l.utility_id = c.utility_id AND l.assembly_id = c.assembly_id AND l.supersedes = c.number
);

-- Whether an assembly was in service on a day; `now_` and `since` are what its own row says of it.
CREATE FUNCTION record.in_service_on(utility text, assembly uuid, on_ date, now_ boolean, since date) RETURNS boolean LANGUAGE sql STABLE AS $$
    SELECT CASE WHEN since IS NULL OR since <= on_ THEN now_ ELSE coalesce(
        (
            SELECT c.in_service FROM record.service_change_in_force c WHERE c.utility_id = utility AND c.assembly_id = assembly AND c.on_day <= on_
            ORDER BY c.on_day DESC, c.number DESC LIMIT 1
        ),
        -- Before its first change it was the opposite of what that made it.
        (
            SELECT NOT c.in_service FROM record.service_change_in_force c WHERE c.utility_id = utility AND c.assembly_id = assembly
            ORDER BY c.on_day, c.number LIMIT 1
        ),
        NOT now_
    ) END
$$;

-- The day of its last change up to a day, and why; NULL: it had none by then.
CREATE FUNCTION record.service_changed(utility text, assembly uuid, on_ date, since date) RETURNS date LANGUAGE sql STABLE AS $$
    SELECT CASE WHEN since <= on_ THEN since ELSE (
        SELECT max(c.on_day) FROM record.service_change_in_force c WHERE c.utility_id = utility AND c.assembly_id = assembly AND c.on_day <= on_
    ) END
$$;

ALTER TABLE record.service_change ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.service_change FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.service_change USING (utility_id = current_setting('nonreturn.utility', true));
GRANT SELECT, INSERT ON record.service_change TO nonreturn_service;
GRANT SELECT ON record.service_change_in_force TO nonreturn_service;
