-- Every fact that a standing rests on is written down in a second log, by triggers, in the same transaction: what a row said, as a salted digest.
-- What is on record already is written down at once. The running service goes on as before: its triggers do it. Meanwhile writers wait.
ALTER TABLE record.utility_log ADD COLUMN facts bigint NOT NULL DEFAULT 0;

-- Every fact that a standing rests on, as it was written: one row for each row written or removed elsewhere, in the same transaction, numbered from 0
-- without a gap under the lock of the utility's log. `digest` is the SHA-256 of the salt and of the row as text (record.fact_text); `leaf_hash` is the
-- hash of the fact's leaf (RFC 9162), over which a second Merkle tree is kept. The feed is written down by ranges: `change`, `first-last`.
-- `act` is `deleted` where the law asked that something be taken out: `detail` says what and why, and the salts of what was there before are gone.
CREATE TABLE record.fact (
    utility_id text COLLATE "C" NOT NULL REFERENCES record.utility,
    number bigint NOT NULL,
    recorded_at timestamptz NOT NULL,
    act text NOT NULL CHECK (act IN ('written', 'removed', 'deleted')),
    of_table text NOT NULL,
    row_key text NOT NULL,
    detail text,
    salt bytea,
    digest bytea,
    leaf_hash bytea NOT NULL,
    PRIMARY KEY (utility_id, number)
);
CREATE INDEX fact_of_row ON record.fact (utility_id, of_table, row_key, number);

-- The tree over the facts, in tiles and signed heads, as those of reports are.
CREATE TABLE record.fact_tile (
    utility_id text COLLATE "C" NOT NULL REFERENCES record.utility,
    level smallint NOT NULL,
    number bigint NOT NULL,
    hashes bytea NOT NULL CHECK (octet_length(hashes) = 8192),
    root bytea NOT NULL,
    PRIMARY KEY (utility_id, level, number)
);
CREATE TABLE record.fact_head (
    utility_id text COLLATE "C" NOT NULL REFERENCES record.utility,
    size bigint NOT NULL,
    root bytea NOT NULL,
    made_at timestamptz NOT NULL,
    tail bytea NOT NULL,
    signed text NOT NULL,
    PRIMARY KEY (utility_id, size)
);

-- Of a fact, its salt alone may be taken away, for good.
CREATE FUNCTION record.only_forget_salt() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NEW.salt IS NOT NULL OR to_jsonb(NEW) - 'salt' <> to_jsonb(OLD) - 'salt' THEN
        RAISE EXCEPTION 'record.fact is append-only: of a fact, the salt alone may be deleted' USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    RETURN NEW;
END
$$;
CREATE TRIGGER only_forget BEFORE UPDATE ON record.fact FOR EACH ROW EXECUTE FUNCTION record.only_forget_salt();
CREATE TRIGGER append_only BEFORE DELETE ON record.fact FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.fact FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.fact_tile FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.fact_tile FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON record.fact_head FOR EACH ROW EXECUTE FUNCTION record.refuse_change();
CREATE TRIGGER never_emptied BEFORE TRUNCATE ON record.fact_head FOR EACH STATEMENT EXECUTE FUNCTION record.refuse_change();
ALTER TABLE record.fact ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.fact FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.fact USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.fact_tile ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.fact_tile FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.fact_tile USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.fact_head ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.fact_head FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.fact_head USING (utility_id = current_setting('nonreturn.utility', true));
-- Facts are written by the triggers below alone.
GRANT SELECT ON record.fact TO nonreturn_service;
GRANT SELECT, INSERT ON record.fact_tile, record.fact_head TO nonreturn_service;

-- A row as the text that its digest is of. Columns that are null are left out, so that a column added later leaves old digests as they are.
CREATE FUNCTION record.fact_text(row_json jsonb) RETURNS text LANGUAGE sql STABLE AS $$
    SELECT coalesce(jsonb_object_agg(key, value) FILTER (WHERE value <> 'null'), '{}')::text FROM jsonb_each(row_json)
$$;

-- The hash of a fact's leaf: canonical JSON (RFC 8785) behind a zero byte (RFC 9162, section 2.1.1); `at` is microseconds since 1970.
CREATE FUNCTION record.fact_leaf_hash(
    utility text, number bigint, recorded_at timestamptz, act text, of_table text, row_key text, detail text, digest bytea
) RETURNS bytea LANGUAGE sql STABLE AS $$
    SELECT sha256('\x00'::bytea || convert_to(format('{"act":"%s","at":%s,"detail":%s,"digest":%s,"key":%s,"number":%s,"table":"%s","utility":"%s"}',
        act, (extract(epoch FROM recorded_at) * 1000000)::bigint, coalesce(to_json(detail)::text, 'null'),
        coalesce('"' || encode(digest, 'hex') || '"', 'null'), to_json(row_key)::text, number, of_table, utility), 'UTF8'))
$$;

-- Writes facts from a number on; a text that is null is of a row that was removed.
CREATE FUNCTION record.put_facts(utility text, first bigint, act text, of_table text, keys text[], texts text[]) RETURNS void LANGUAGE sql AS $$
    INSERT INTO record.fact (utility_id, number, recorded_at, act, of_table, row_key, salt, digest, leaf_hash)
    SELECT utility, d.number, d.moment, act, of_table, d.row_key, d.salt, d.digest,
        record.fact_leaf_hash(utility, d.number, d.moment, act, of_table, d.row_key, NULL, d.digest)
    FROM (
        SELECT s.number, s.moment, s.row_key, s.salt, sha256(s.salt || convert_to(s.text, 'UTF8')) AS digest
        FROM (
            SELECT first + u.n - 1 AS number, clock_timestamp() AS moment, u.row_key, u.text,
                CASE WHEN u.text IS NOT NULL THEN uuid_send(gen_random_uuid()) END AS salt
            FROM unnest(keys, texts) WITH ORDINALITY AS u (row_key, text, n)
        ) AS s
    ) AS d
$$;

-- The text of a range of the feed, a line a change.
CREATE FUNCTION record.feed_text(utility text, after bigint, until bigint) RETURNS text LANGUAGE sql STABLE AS $$
    SELECT string_agg(format(E'%s %s %s %s %s\n', c.sequence, c.resource, c.id, c.version, (extract(epoch FROM c.recorded_at) * 1000000)::bigint), ''
        ORDER BY c.sequence)
    FROM record.change c WHERE c.utility_id = utility AND c.sequence > after AND c.sequence <= until
$$;

CREATE OR REPLACE FUNCTION record.note_changes() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
DECLARE
    utility text;
    added bigint;
    reported bigint := 0;
    first_index bigint;
    last_index bigint;
    before_them bigint;
    reports_before bigint;
    fact_number bigint;
BEGIN
    IF TG_TABLE_NAME = 'report' THEN
        SELECT min(utility_id), count(*), min(log_index), max(log_index) INTO utility, added, first_index, last_index FROM written;
        reported := added;
    ELSE
        SELECT min(utility_id), count(*) INTO utility, added FROM written;
    END IF;
    IF added = 0 THEN
        RETURN NULL;
    END IF;
    UPDATE record.utility_log SET changes = changes + added, reports = reports + reported, facts = facts + 1 WHERE utility_id = utility
    RETURNING changes - added, reports - reported, facts - 1 INTO before_them, reports_before, fact_number;
    -- No two reports have one index, so that these two ends leave no gap between them.
    IF reported > 0 AND (first_index <> reports_before OR last_index <> reports_before + reported - 1) THEN
        RAISE EXCEPTION 'record.report: the next report has log index %, and no index is left out', reports_before
            USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    IF TG_TABLE_NAME = 'report' THEN
        INSERT INTO record.change (utility_id, sequence, resource, id, version, recorded_at)
        SELECT utility, before_them + row_number() OVER (), CASE WHEN written.gauge_id IS NULL THEN 'inspections' ELSE TG_ARGV[0] END,
            written.id::text, 1, clock_timestamp()
        FROM written;
    ELSIF TG_TABLE_NAME = 'standing' THEN
        INSERT INTO record.change (utility_id, sequence, resource, id, version, recorded_at)
        SELECT utility, before_them + row_number() OVER (), TG_ARGV[0], written.assembly_id::text, written.version, clock_timestamp()
        FROM written;
    ELSE
        INSERT INTO record.change (utility_id, sequence, resource, id, version, recorded_at)
        SELECT utility, before_them + row_number() OVER (), TG_ARGV[0],
            coalesce(row_json ->> 'id', row_json ->> 'assembly_id', row_json ->> 'utility_id'),
            coalesce((row_json ->> 'version')::bigint, 1), clock_timestamp()
        FROM (SELECT to_jsonb(written) AS row_json FROM written) AS rows;
    END IF;
    PERFORM record.put_facts(utility, fact_number, 'written', 'change', ARRAY[format('%s-%s', before_them + 1, before_them + added)],
        ARRAY[record.feed_text(utility, before_them, before_them + added)]);
    RETURN NULL;
END
$$;

CREATE OR REPLACE FUNCTION record.note_grants() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
DECLARE
    one record;
    numbered bigint;
    fact_number bigint;
BEGIN
    FOR one IN SELECT DISTINCT utility_id, organisation_id FROM written LOOP
        UPDATE record.utility_log SET changes = changes + 1, facts = facts + 1 WHERE utility_id = one.utility_id
        RETURNING changes, facts - 1 INTO numbered, fact_number;
        IF numbered IS NOT NULL THEN
            INSERT INTO record.change (utility_id, sequence, resource, id, version, recorded_at)
            VALUES (one.utility_id, numbered, 'assembly_grants', one.organisation_id::text, 1, clock_timestamp());
            PERFORM record.put_facts(one.utility_id, fact_number, 'written', 'change', ARRAY[format('%s-%s', numbered, numbered)],
                ARRAY[record.feed_text(one.utility_id, numbered - 1, numbered)]);
        END IF;
    END LOOP;
    RETURN NULL;
END
$$;

CREATE OR REPLACE FUNCTION record.check_tile() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    nodes bytea[] := CASE TG_TABLE_NAME
        WHEN 'fact_tile' THEN record.fact_nodes(NEW.utility_id, NEW.level, NEW.number * 256, (NEW.number + 1) * 256)
        ELSE record.log_nodes(NEW.utility_id, NEW.level, NEW.number * 256, (NEW.number + 1) * 256)
    END;
BEGIN
    IF cardinality(nodes) = 256 AND (array_position(nodes, NULL) IS NOT NULL
        OR (NEW.root = record.merkle_root(nodes) AND NEW.hashes = (SELECT string_agg(u.hash, '' ORDER BY u.n) FROM unnest(nodes) WITH ORDINALITY AS u (hash, n))))
    THEN
        RETURN NEW;
    END IF;
    RAISE EXCEPTION 'record.%: that is no tile of this log', TG_TABLE_NAME USING ERRCODE = 'integrity_constraint_violation';
END
$$;

CREATE OR REPLACE FUNCTION record.check_head() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    so_far bigint := NEW.size;
    on_level integer := 0;
    nodes bytea[];
    tail bytea[] := '{}';
    edge bytea;
BEGIN
    WHILE so_far > 0 LOOP
        nodes := CASE TG_TABLE_NAME
            WHEN 'fact_head' THEN record.fact_nodes(NEW.utility_id, on_level, so_far / 256 * 256, so_far)
            ELSE record.log_nodes(NEW.utility_id, on_level, so_far / 256 * 256, so_far)
        END;
        IF cardinality(nodes) <> so_far % 256 THEN
            RAISE EXCEPTION 'record.%: this log has not so many leaves, or not their tiles', TG_TABLE_NAME USING ERRCODE = 'integrity_constraint_violation';
        END IF;
        IF on_level = 0 THEN
            tail := nodes;
        END IF;
        IF edge IS NOT NULL THEN
            nodes := nodes || edge;
        END IF;
        IF cardinality(nodes) > 0 THEN
            edge := record.merkle_root(nodes);
        END IF;
        so_far := so_far / 256;
        on_level := on_level + 1;
    END LOOP;
    -- Rows from before leaves' hashes were kept are checked by the service and by the audit.
    IF NEW.size < 0 OR (array_position(tail, NULL) IS NULL AND (NEW.root <> coalesce(edge, sha256(''))
        OR NEW.tail <> coalesce((SELECT string_agg(u.hash, '' ORDER BY u.n) FROM unnest(tail) WITH ORDINALITY AS u (hash, n)), '')))
    THEN
        RAISE EXCEPTION 'record.%: that is no head of this log', TG_TABLE_NAME USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    RETURN NEW;
END
$$;

-- Writes down each row that a statement wrote or removed, in the same transaction; the arguments name the key's columns but for the utility.
CREATE FUNCTION record.note_facts() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER
SET search_path = pg_catalog, pg_temp SET timezone = 'UTC' SET extra_float_digits = '1' SET bytea_output = 'hex' AS $$
DECLARE
    generated text[] := ARRAY(SELECT attname::text FROM pg_attribute WHERE attrelid = TG_RELID AND attgenerated <> '');
    of_utility record;
    first bigint;
BEGIN
    FOR of_utility IN
        SELECT r.utility, count(*) AS added, array_agg(r.row_key ORDER BY r.row_key) AS keys, array_agg(r.text ORDER BY r.row_key) AS texts
        FROM (
            SELECT w.row_json ->> 'utility_id' AS utility, record.fact_key(w.row_json, TG_ARGV) AS row_key,
                CASE WHEN TG_OP <> 'DELETE' THEN record.fact_text(w.row_json - generated) END AS text
            FROM (SELECT to_jsonb(written) AS row_json FROM written) AS w
        ) AS r GROUP BY r.utility
    LOOP
        -- Without a log there is no utility yet; its first facts are written as the log begins (note_utility).
        UPDATE record.utility_log SET facts = facts + of_utility.added WHERE utility_id = of_utility.utility RETURNING facts - of_utility.added INTO first;
        IF FOUND THEN
            PERFORM record.put_facts(of_utility.utility, first, CASE WHEN TG_OP = 'DELETE' THEN 'removed' ELSE 'written' END, TG_TABLE_NAME::text,
                of_utility.keys, of_utility.texts);
        END IF;
    END LOOP;
    RETURN NULL;
END
$$;

-- The values of a row's key, in order, between slashes.
CREATE FUNCTION record.fact_key(row_json jsonb, names text[]) RETURNS text LANGUAGE sql STABLE AS $$
    SELECT coalesce(string_agg(row_json ->> k.name, '/' ORDER BY k.n), '') FROM unnest(names) WITH ORDINALITY AS k (name, n)
$$;

-- Writes down rows of a table that no trigger wrote down, of the session's utility: those from before it was kept, and those that a migration
-- changes (a column with a default changes all of them).
CREATE FUNCTION record.write_down(utility text, of_table regclass) RETURNS void LANGUAGE plpgsql
SET search_path = pg_catalog, pg_temp SET timezone = 'UTC' SET extra_float_digits = '1' SET bytea_output = 'hex' AS $$
DECLARE
    generated text[] := ARRAY(SELECT attname::text FROM pg_attribute WHERE attrelid = of_table AND attgenerated <> '');
    names text[] := record.key_columns(of_table);
    added bigint;
    first bigint;
BEGIN
    EXECUTE format('SELECT count(*) FROM %s WHERE utility_id = $1', of_table) INTO added USING utility;
    UPDATE record.utility_log SET facts = facts + added WHERE utility_id = utility RETURNING facts - added INTO first;
    IF first IS NOT NULL AND added > 0 THEN
        EXECUTE format($sql$
            INSERT INTO record.fact (utility_id, number, recorded_at, act, of_table, row_key, salt, digest, leaf_hash)
            SELECT $1, d.number, d.moment, 'written', $2, d.row_key, d.salt, d.digest,
                record.fact_leaf_hash($1, d.number, d.moment, 'written', $2, d.row_key, NULL, d.digest)
            FROM (
                SELECT s.number, s.moment, s.row_key, s.salt, sha256(s.salt || convert_to(record.fact_text(s.row_json - $5), 'UTF8')) AS digest
                FROM (
                    SELECT $3 + row_number() OVER (ORDER BY r.row_key) - 1 AS number, now() AS moment, r.row_key, r.row_json,
                        uuid_send(gen_random_uuid()) AS salt
                    FROM (
                        SELECT record.fact_key(to_jsonb(t), $4) AS row_key, to_jsonb(t) AS row_json FROM %s AS t WHERE t.utility_id = $1
                    ) AS r
                ) AS s
            ) AS d
        $sql$, of_table) USING utility, (SELECT relname::text FROM pg_class WHERE oid = of_table), first, names, generated;
    END IF;
END
$$;

-- The columns of a table's primary key but for the utility.
CREATE FUNCTION record.key_columns(of_table regclass) RETURNS text[] LANGUAGE sql STABLE SET search_path = pg_catalog AS $$
    SELECT coalesce(array_agg(a.attname::text ORDER BY k.n), '{}')
    FROM pg_index i CROSS JOIN unnest(i.indkey) WITH ORDINALITY AS k (attnum, n) JOIN pg_attribute a ON a.attrelid = i.indrelid AND a.attnum = k.attnum
    WHERE i.indrelid = of_table AND i.indisprimary AND a.attname <> 'utility_id'
$$;

-- Has what is written to a table written down from now on, and what it holds at once. A migration that adds a table to the record calls it.
CREATE FUNCTION record.keep_facts(of_table regclass) RETURNS void LANGUAGE plpgsql SET search_path = pg_catalog, pg_temp AS $$
DECLARE
    names text := (SELECT coalesce(string_agg(quote_literal(name), ', '), '') FROM unnest(record.key_columns(of_table)) AS name);
    before text := current_setting('nonreturn.utility', true);
    utility text;
BEGIN
    EXECUTE format('CREATE TRIGGER facts_inserted AFTER INSERT ON %s REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_facts(%s)', of_table, names);
    EXECUTE format('CREATE TRIGGER facts_updated AFTER UPDATE ON %s REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_facts(%s)', of_table, names);
    EXECUTE format('CREATE TRIGGER facts_deleted AFTER DELETE ON %s REFERENCING OLD TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_facts(%s)', of_table, names);
    FOR utility IN SELECT u.utility_id FROM access.utility u ORDER BY 1 LOOP
        PERFORM set_config('nonreturn.utility', utility, true);
        PERFORM record.write_down(utility, of_table);
    END LOOP;
    PERFORM set_config('nonreturn.utility', coalesce(before, ''), true);
END
$$;

-- A log begins: its utility, and whoever may act in it already, are its first facts.
CREATE FUNCTION record.note_utility() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
BEGIN
    PERFORM record.write_down(NEW.utility_id, 'record.utility');
    PERFORM record.write_down(NEW.utility_id, 'access.utility_grant');
    RETURN NULL;
END
$$;
CREATE TRIGGER note_utility AFTER INSERT ON record.utility_log FOR EACH ROW EXECUTE FUNCTION record.note_utility();

-- The nodes of the tree over the facts, as record.log_nodes has those of reports.
CREATE FUNCTION record.fact_nodes(utility text, of_level integer, start bigint, until bigint) RETURNS bytea[] LANGUAGE plpgsql STABLE AS $$
BEGIN
    IF of_level = 0 THEN
        RETURN ARRAY(SELECT leaf_hash FROM record.fact WHERE utility_id = utility AND number >= start AND number < until ORDER BY number);
    END IF;
    RETURN ARRAY(
        SELECT root FROM record.fact_tile WHERE utility_id = utility AND level = of_level - 1 AND number >= start AND number < until ORDER BY number
    );
END
$$;

CREATE TRIGGER of_this_log BEFORE INSERT ON record.fact_tile FOR EACH ROW
    WHEN (current_user = 'nonreturn_service') EXECUTE FUNCTION record.check_tile();
CREATE TRIGGER of_this_log BEFORE INSERT ON record.fact_head FOR EACH ROW
    WHEN (current_user = 'nonreturn_service') EXECUTE FUNCTION record.check_head();
REVOKE EXECUTE ON FUNCTION record.note_facts(), record.note_utility(), record.put_facts(text, bigint, text, text, text[], text[]),
    record.write_down(text, regclass), record.keep_facts(regclass) FROM PUBLIC;

-- What is kept so. Left out: reports, which have a log of their own; the feed, which is written down by ranges; standings, counts and tiles,
-- which follow from the rest; and how far webhooks have come.
SELECT record.keep_facts('record.utility');
SELECT record.keep_facts('record.premises');
SELECT record.keep_facts('record.assembly');
SELECT record.keep_facts('record.tester');
SELECT record.keep_facts('record.gauge');
SELECT record.keep_facts('record.local_rulebook');
SELECT record.keep_facts('record.review');
SELECT record.keep_facts('record.report_request');
SELECT record.keep_facts('record.incident');
SELECT record.keep_facts('record.incident_version');
SELECT record.keep_facts('record.incident_reach');
SELECT record.keep_facts('record.exception');
SELECT record.keep_facts('record.hazard_assessment');
SELECT record.keep_facts('record.assembly_identity_change');
SELECT record.keep_facts('record.contact_change');
SELECT record.keep_facts('record.assembly_correction');
SELECT record.keep_facts('record.screening');
SELECT record.keep_facts('record.screening_decision');
SELECT record.keep_facts('record.notice_schedule');
SELECT record.keep_facts('record.notice_run');
SELECT record.keep_facts('record.notice');
SELECT record.keep_facts('record.assembly_grant');
SELECT record.keep_facts('record.import_version');
SELECT record.keep_facts('record.import_thing');
SELECT record.keep_facts('record.import_reports');
SELECT record.keep_facts('record.webhook');
SELECT record.keep_facts('record.log_head');
SELECT record.keep_facts('record.fact_head');
SELECT record.keep_facts('access.utility_grant');

-- The feed from before, by ranges of a thousand.
DO $$
DECLARE
    utility text;
    log record;
    added bigint;
BEGIN
    FOR utility IN SELECT u.utility_id FROM access.utility u ORDER BY 1 LOOP
        PERFORM set_config('nonreturn.utility', utility, true);
        SELECT * INTO log FROM record.utility_log l WHERE l.utility_id = utility;
        CONTINUE WHEN log.changes IS NULL OR log.changes = 0;
        added := (log.changes + 999) / 1000;
        PERFORM record.put_facts(utility, log.facts, 'written', 'change',
            (SELECT array_agg(format('%s-%s', n * 1000 + 1, least(n * 1000 + 1000, log.changes)) ORDER BY n) FROM generate_series(0, added - 1) AS n),
            (SELECT array_agg(record.feed_text(utility, n * 1000, least(n * 1000 + 1000, log.changes)) ORDER BY n) FROM generate_series(0, added - 1) AS n));
        UPDATE record.utility_log SET facts = facts + added WHERE utility_id = utility;
    END LOOP;
    PERFORM set_config('nonreturn.utility', '', true);
END
$$;
