-- What the service's role cannot do, whoever speaks through it: un-revoke a key, make an operator, or keep a tile or a head of the log that is
-- not the log's own.

CREATE FUNCTION access.keep_revoked() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'access.key: a revoked key stays revoked; make a new one' USING ERRCODE = 'integrity_constraint_violation';
END
$$;
CREATE TRIGGER keep_revoked BEFORE UPDATE ON access.key FOR EACH ROW
    WHEN (OLD.revoked_at IS NOT NULL AND NEW.revoked_at IS DISTINCT FROM OLD.revoked_at) EXECUTE FUNCTION access.keep_revoked();

-- An operator and its keys are made by the database's owner (`nonreturn key`) only.
ALTER TABLE access.organisation ENABLE ROW LEVEL SECURITY;
CREATE POLICY readable ON access.organisation FOR SELECT TO nonreturn_service USING (true);
CREATE POLICY no_operator ON access.organisation FOR INSERT TO nonreturn_service WITH CHECK (kind <> 'operator');
ALTER TABLE access.key ENABLE ROW LEVEL SECURITY;
CREATE POLICY readable ON access.key FOR SELECT TO nonreturn_service USING (true);
CREATE POLICY revocable ON access.key FOR UPDATE TO nonreturn_service USING (true);
CREATE POLICY no_operator ON access.key FOR INSERT TO nonreturn_service WITH CHECK (
    (SELECT o.kind <> 'operator' FROM access.organisation o WHERE o.organisation_id = key.organisation_id)
);

-- A report without its leaf's hash, as in rows from before there was one, could not be checked below.
CREATE POLICY with_leaf ON record.report AS RESTRICTIVE FOR INSERT TO nonreturn_service WITH CHECK (leaf_hash IS NOT NULL);

-- The root of a Merkle tree over those hashes of leaves or of whole subtrees, in order (RFC 9162, section 2.1.1): neighbours are joined, and
-- one without a neighbour goes up as it is.
CREATE FUNCTION record.merkle_root(hashes bytea[]) RETURNS bytea LANGUAGE plpgsql IMMUTABLE AS $$
BEGIN
    WHILE cardinality(hashes) > 1 LOOP
        SELECT array_agg(CASE WHEN h.right_one IS NULL THEN h.left_one ELSE sha256('\x01'::bytea || h.left_one || h.right_one) END ORDER BY h.n)
        INTO hashes
        FROM (
            SELECT u.n, u.hash AS left_one, lead(u.hash) OVER (ORDER BY u.n) AS right_one FROM unnest(hashes) WITH ORDINALITY AS u (hash, n)
        ) AS h WHERE h.n % 2 = 1;
    END LOOP;
    RETURN coalesce(hashes[1], sha256(''));
END
$$;

-- The nodes of the log's tree at a level, from a number on: hashes of leaves at level 0, above it the roots of the tiles below.
CREATE FUNCTION record.log_nodes(utility text, of_level integer, start bigint, until bigint) RETURNS bytea[] LANGUAGE plpgsql STABLE AS $$
BEGIN
    IF of_level = 0 THEN
        RETURN ARRAY(SELECT leaf_hash FROM record.report WHERE utility_id = utility AND log_index >= start AND log_index < until ORDER BY log_index);
    END IF;
    RETURN ARRAY(
        SELECT root FROM record.log_tile WHERE utility_id = utility AND level = of_level - 1 AND number >= start AND number < until ORDER BY number
    );
END
$$;

CREATE FUNCTION record.check_tile() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    nodes bytea[] := record.log_nodes(NEW.utility_id, NEW.level, NEW.number * 256, (NEW.number + 1) * 256);
BEGIN
    IF cardinality(nodes) = 256 AND (array_position(nodes, NULL) IS NOT NULL
        OR (NEW.root = record.merkle_root(nodes) AND NEW.hashes = (SELECT string_agg(u.hash, '' ORDER BY u.n) FROM unnest(nodes) WITH ORDINALITY AS u (hash, n))))
    THEN
        RETURN NEW;
    END IF;
    RAISE EXCEPTION 'record.log_tile: that is no tile of this log' USING ERRCODE = 'integrity_constraint_violation';
END
$$;

-- The root of the whole log, from the right edge up: at each level the nodes beyond the last whole tile, and what the level below came to.
CREATE FUNCTION record.check_head() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    so_far bigint := NEW.size;
    on_level integer := 0;
    nodes bytea[];
    tail bytea[] := '{}';
    edge bytea;
BEGIN
    WHILE so_far > 0 LOOP
        nodes := record.log_nodes(NEW.utility_id, on_level, so_far / 256 * 256, so_far);
        IF cardinality(nodes) <> so_far % 256 THEN
            RAISE EXCEPTION 'record.log_head: this log has not so many reports, or not their tiles' USING ERRCODE = 'integrity_constraint_violation';
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
        RAISE EXCEPTION 'record.log_head: that is no head of this log' USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    RETURN NEW;
END
$$;
CREATE TRIGGER of_this_log BEFORE INSERT ON record.log_tile FOR EACH ROW
    WHEN (current_user = 'nonreturn_service') EXECUTE FUNCTION record.check_tile();
CREATE TRIGGER of_this_log BEFORE INSERT ON record.log_head FOR EACH ROW
    WHEN (current_user = 'nonreturn_service') EXECUTE FUNCTION record.check_head();
