-- Whether a report's outcome is the one declared on paper, which was not judged here. JSON writes a quote within a text otherwise, so this finds
-- the member only. Adding it rewrites the table.
ALTER TABLE record.report ADD COLUMN declared boolean GENERATED ALWAYS AS (verdict LIKE '%"basis":"declared"%') STORED;

DROP INDEX record.report_by_assembly;
CREATE INDEX report_by_assembly ON record.report (utility_id, assembly_id, performed_at, id)
    INCLUDE (received_at, performed_on, outcome, initial_outcome, acceptance, protection, failed_protection, reason, declared);
DROP INDEX record.report_of_year;
CREATE INDEX report_of_year ON record.report (utility_id, performed_on)
    INCLUDE (id, assembly_id, performed_at, outcome, initial_outcome, acceptance, protection, declared);
DROP INDEX record.report_failures;
CREATE INDEX report_failures ON record.report (utility_id, performed_on) INCLUDE (id, assembly_id, outcome, acceptance, protection, failed_protection, declared)
    WHERE outcome = 'fail' OR initial_outcome = 'fail';
