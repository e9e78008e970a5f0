-- The day, where the utility is, on which the customer was first sent a notice of that failing report (by then; null: until now); null where
-- none was sent, or where none that was sent arrived.
CREATE FUNCTION record.notified_on(utility text, of_assembly uuid, of_report uuid, by_then timestamptz) RETURNS date LANGUAGE sql STABLE AS $$
    SELECT (min(latest.at) AT TIME ZONE (SELECT u.time_zone FROM record.utility u WHERE u.utility_id = utility))::date
    FROM record.notice n
    CROSS JOIN LATERAL (
        SELECT entry ->> 'state' AS state, (entry ->> 'at')::timestamptz AS at
        FROM jsonb_array_elements(n.states) WITH ORDINALITY AS entries (entry, place)
        WHERE by_then IS NULL OR (entry ->> 'at')::timestamptz < by_then
        ORDER BY place DESC LIMIT 1
    ) AS latest
    WHERE n.utility_id = utility AND n.assembly_id = of_assembly AND n.report_id = of_report AND n.addressee = 'customer'
        AND latest.state = 'sent'
$$;
