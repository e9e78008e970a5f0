-- name: facts
-- What a person needs beside a report to find the assembly and the gauge; no name and no address of anybody.
SELECT u.name AS utility_name, p.reference AS premises_reference, a.manufacturer, a.model, a.approval, a.serial_number, a.assembly_number, a.nominal_size::text AS nominal_size, a.position,
    g.serial_number AS gauge_serial_number, s.basis, r.superseded_by,
    record.decision(t.utility_id, t.id, NULL) AS decision
FROM record.report AS t
JOIN record.utility AS u ON u.utility_id = t.utility_id
JOIN record.assembly AS a ON a.utility_id = t.utility_id AND a.id = t.assembly_id
JOIN record.premises AS p ON p.utility_id = a.utility_id AND p.id = a.premises_id
LEFT JOIN record.gauge AS g ON g.utility_id = t.utility_id AND g.id = t.gauge_id
LEFT JOIN record.standing AS s ON s.utility_id = a.utility_id AND s.assembly_id = a.id
LEFT JOIN LATERAL (
    SELECT later.id AS superseded_by FROM record.report AS later
    WHERE later.utility_id = t.utility_id AND later.supersedes = t.id
) AS r ON true
WHERE t.utility_id = $1 AND t.id = $2;
