-- What an assembly has been through, read from the index alone.
CREATE INDEX report_by_assembly ON record.report (utility_id, assembly_id, performed_at, id)
    INCLUDE (received_at, performed_on, outcome, initial_outcome, acceptance, protection);
DROP INDEX record.report_of_assembly;
