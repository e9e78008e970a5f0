-- What a file states, gathered by thing before anything is asked of the record or written to it. SQLite, in a temporary file of its own.

-- name: schema
CREATE TABLE thing (
    number INTEGER PRIMARY KEY, thing TEXT NOT NULL, key TEXT NOT NULL, sheet INTEGER NOT NULL, row INTEGER NOT NULL,
    document TEXT NOT NULL, spoiled TEXT NOT NULL, bad INTEGER NOT NULL, moment TEXT NOT NULL, state TEXT, id TEXT, facts TEXT, version INTEGER,
    judged BLOB,
    UNIQUE (thing, key)
);

-- name: find
SELECT number, sheet, row, document, spoiled, bad FROM thing WHERE thing = ? AND key = ?;

-- name: named
SELECT number, key, sheet, row, document, spoiled, bad, id, state, facts, version, judged FROM thing WHERE thing = ? AND key = ?;

-- name: add
INSERT INTO thing (thing, key, sheet, row, document, spoiled, bad, moment) VALUES (?, ?, ?, ?, ?, ?, ?, ?);

-- name: merge
UPDATE thing SET document = ?, spoiled = ?, bad = ? WHERE number = ?;

-- name: unchecked_tests
-- Assembly by assembly, and of each in the order of time.
SELECT number, key, sheet, row, document, spoiled, bad, id, state, facts, version, judged FROM thing
WHERE thing = 'test' AND state IS NULL AND (moment, number) > (?, ?) ORDER BY moment, number LIMIT ?;

-- name: things
-- In the order of the file.
SELECT number, key, sheet, row, document, spoiled, bad, id, state, facts, version, judged FROM thing WHERE thing = ? AND number > ? ORDER BY number LIMIT ?;

-- name: index_state
CREATE INDEX thing_state ON thing (thing, state, moment, number);

-- name: of_state
SELECT number, key, sheet, row, document, spoiled, bad, id, state, facts, version, judged FROM thing
WHERE thing = ? AND state = ? AND (moment, number) > (?, ?) ORDER BY moment, number LIMIT ?;

-- name: resolve
UPDATE thing SET state = ?, id = ?, facts = ?, version = ?, judged = ? WHERE number = ?;

-- name: counts
SELECT thing, state, count(*) FROM thing GROUP BY thing, state;
