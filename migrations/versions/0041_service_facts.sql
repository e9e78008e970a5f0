-- What was written of an assembly's service is a fact too.
SELECT record.keep_facts('record.service_change');
