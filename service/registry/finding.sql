-- What people look for, as the ids of a few things: each statement reads one index. One id too many says that many have it.

-- name: query_words
-- The words to look for: what stands between blanks, without its punctuation.
SELECT ARRAY(
    SELECT (SELECT word FROM record.words(u.part) AS word ORDER BY length(word) DESC, word LIMIT 1)
    FROM unnest($1::text[]) WITH ORDINALITY AS u (part, n) ORDER BY u.n
);

-- name: by_word
SELECT DISTINCT w.id FROM (
    SELECT id FROM record.word WHERE utility_id = $1 AND thing = $2 AND word >= $3 AND word < $4 LIMIT $5
) AS w;

-- name: assembly_by_word
-- An assembly is found by what is said of its premises too.
(SELECT w.id FROM record.word w WHERE w.utility_id = $1 AND w.thing = $2 AND w.word >= $3 AND w.word < $4 LIMIT $5)
UNION
(SELECT a.id FROM record.word w JOIN record.assembly a ON a.utility_id = $1 AND a.premises_id = w.id
    WHERE w.utility_id = $1 AND w.thing = 'premises' AND w.word >= $3 AND w.word < $4 LIMIT $5);

-- name: premises_reference
SELECT id FROM record.premises WHERE utility_id = $1 AND reference = $2 LIMIT $3;

-- name: assembly_reference
SELECT a.id FROM record.premises p JOIN record.assembly a ON a.utility_id = $1 AND a.premises_id = p.id
WHERE p.utility_id = $1 AND p.reference = $2 LIMIT $3;

-- name: assembly_serial_number
SELECT id FROM record.assembly WHERE utility_id = $1 AND serial_number = $2 LIMIT $3;

-- name: assembly_assembly_number
SELECT id FROM record.assembly WHERE utility_id = $1 AND assembly_number = $2 LIMIT $3;

-- name: assembly_meter
SELECT id FROM record.assembly WHERE utility_id = $1 AND meter = $2 LIMIT $3;

-- name: gauge_serial_number
SELECT id FROM record.gauge WHERE utility_id = $1 AND serial_number = $2 LIMIT $3;

-- name: tester_certificate
-- By the number of any certificate held, past ones too. Its words find the tester, and then it is compared to the letter.
SELECT t.id FROM (
    SELECT DISTINCT w.id FROM record.word w
    WHERE w.utility_id = $1 AND w.thing = 'tester' AND w.word = (SELECT word FROM record.words($2) AS word ORDER BY length(word) DESC, word LIMIT 1)
) AS w JOIN record.tester t ON t.utility_id = $1 AND t.id = w.id
WHERE EXISTS (SELECT FROM jsonb_array_elements(t.certificates) AS held WHERE held ->> 'certificate' = $2) LIMIT $3;
