-- Whom to notify about the assemblies at some premises; no more than that needs.
ALTER TABLE record.premises ADD COLUMN contact jsonb;

-- A utility's own schedule of notices; without a row, or without steps in it, the common one is followed.
CREATE TABLE record.notice_schedule (
    utility_id text COLLATE "C" PRIMARY KEY REFERENCES record.utility,
    version bigint NOT NULL,
    created_at timestamptz NOT NULL,
    changed_at timestamptz NOT NULL,
    steps jsonb
);

-- A run that prepares notices, and how far it has come. `worker` is who works on it, `beat_at` when that one last did.
CREATE TABLE record.notice_run (
    utility_id text COLLATE "C" NOT NULL REFERENCES record.utility,
    id uuid NOT NULL,
    created_at timestamptz NOT NULL,
    on_day date NOT NULL,
    state text NOT NULL CHECK (state IN ('running', 'finished', 'abandoned')),
    worker uuid NOT NULL,
    beat_at timestamptz NOT NULL,
    finished_at timestamptz,
    total bigint,
    done bigint NOT NULL DEFAULT 0,
    without_addressee bigint NOT NULL DEFAULT 0,
    by_step jsonb NOT NULL DEFAULT '{}',
    PRIMARY KEY (utility_id, id)
);
CREATE UNIQUE INDEX notice_run_unfinished ON record.notice_run (utility_id) WHERE state = 'running';

-- A notice, prepared once for its step and what it is about: the due day of a test, or the failing report. `states` is every state it
-- has had, each with its time.
CREATE TABLE record.notice (
    utility_id text COLLATE "C" NOT NULL,
    id uuid NOT NULL,
    version bigint NOT NULL,
    created_at timestamptz NOT NULL,
    changed_at timestamptz NOT NULL,
    assembly_id uuid NOT NULL,
    run_id uuid NOT NULL,
    step text NOT NULL,
    occasion text NOT NULL CHECK (occasion IN ('due', 'failed', 'unprotected')),
    addressee text NOT NULL CHECK (addressee IN ('customer', 'utility')),
    due_on date,
    report_id uuid,
    repair_by date,
    scheduled_for date NOT NULL,
    state text NOT NULL CHECK (state IN ('prepared', 'sent', 'delivery_failed', 'cancelled', 'withdrawn')),
    states jsonb NOT NULL,
    subject text NOT NULL,
    body text NOT NULL,
    PRIMARY KEY (utility_id, id),
    CHECK ((due_on IS NULL) <> (report_id IS NULL)),
    FOREIGN KEY (utility_id, assembly_id) REFERENCES record.assembly (utility_id, id),
    FOREIGN KEY (utility_id, run_id) REFERENCES record.notice_run (utility_id, id),
    FOREIGN KEY (utility_id, report_id) REFERENCES record.report (utility_id, id)
);
-- Whoever prepares them, and however many at once. A withdrawn one does not count: what it was about may come to hold again.
CREATE UNIQUE INDEX notice_once ON record.notice (utility_id, assembly_id, step, due_on, report_id) NULLS NOT DISTINCT WHERE state <> 'withdrawn';
CREATE INDEX notice_of_assembly ON record.notice (utility_id, assembly_id, id);
CREATE INDEX notice_by_state ON record.notice (utility_id, state, id);
CREATE INDEX notice_unsent ON record.notice (utility_id, assembly_id) WHERE state IN ('prepared', 'delivery_failed');

-- A notice that is not yet sent is withdrawn with the standing that it rests on, in the same transaction.
CREATE FUNCTION record.withdraw_notices() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    UPDATE record.notice AS notice SET version = notice.version + 1, changed_at = clock_timestamp(), state = 'withdrawn',
        states = notice.states || jsonb_build_object('state', 'withdrawn', 'at', clock_timestamp(), 'detail', CASE
            WHEN standing.status = 'out_of_service' THEN 'The assembly is out of service.'
            WHEN notice.occasion = 'due' THEN 'The due day that it is about no longer holds.'
            ELSE 'The failing test that it is about no longer decides how the assembly stands.' END)
    FROM written AS standing
    WHERE notice.utility_id = standing.utility_id AND notice.assembly_id = standing.assembly_id
        AND notice.state IN ('prepared', 'delivery_failed')
        AND (CASE notice.occasion
            WHEN 'due' THEN standing.status IN ('current', 'untested') AND standing.due_on = notice.due_on
            ELSE standing.status = 'failed' AND standing.report_id = notice.report_id
                AND (standing.protection = 'lost') = (notice.occasion = 'unprotected')
            END) IS NOT TRUE;
    RETURN NULL;
END
$$;

CREATE TRIGGER withdraw_notices AFTER UPDATE ON record.standing REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.withdraw_notices();
CREATE TRIGGER note_inserts AFTER INSERT ON record.notice REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('notices');
CREATE TRIGGER note_updates AFTER UPDATE ON record.notice REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('notices');
CREATE TRIGGER note_inserts AFTER INSERT ON record.notice_schedule REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('notice_schedule');
CREATE TRIGGER note_updates AFTER UPDATE ON record.notice_schedule REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('notice_schedule');

ALTER TABLE record.notice_schedule ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.notice_schedule FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.notice_schedule USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.notice_run ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.notice_run FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.notice_run USING (utility_id = current_setting('nonreturn.utility', true));
ALTER TABLE record.notice ENABLE ROW LEVEL SECURITY;
ALTER TABLE record.notice FORCE ROW LEVEL SECURITY;
CREATE POLICY own_utility ON record.notice USING (utility_id = current_setting('nonreturn.utility', true));

GRANT SELECT, INSERT ON record.notice_schedule, record.notice_run, record.notice TO nonreturn_service;
GRANT UPDATE (version, changed_at, steps) ON record.notice_schedule TO nonreturn_service;
GRANT UPDATE (state, worker, beat_at, finished_at, total, done, without_addressee, by_step) ON record.notice_run TO nonreturn_service;
GRANT UPDATE (version, changed_at, state, states) ON record.notice TO nonreturn_service;
