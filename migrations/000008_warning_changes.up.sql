-- What became of warnings, change by change. An organisation's changes are
-- numbered without gaps in the order of commit: the counter's row is locked from
-- the numbering to the commit, so a reader that has seen a number has seen all
-- before it.
CREATE TABLE warning_change_counters (
    organisation_id uuid PRIMARY KEY REFERENCES organisations,
    last            bigint NOT NULL CHECK (last > 0)
);

-- Rows are appended and never rewritten. What a warning held after a change is
-- told by which of its columns, each set once, were set then.
CREATE TABLE warning_changes (
    organisation_id uuid NOT NULL REFERENCES organisations,
    sequence        bigint NOT NULL CHECK (sequence > 0),
    warning_id      uuid NOT NULL REFERENCES warnings,
    event           smallint NOT NULL CHECK (event BETWEEN 1 AND 3), -- numbers of the contract's WarningChange.Event
    changed_at      timestamptz NOT NULL,
    recorded_at     timestamptz NOT NULL,
    acknowledged    boolean NOT NULL,
    ended           boolean NOT NULL CHECK (ended OR event <> 3),
    finding         smallint NOT NULL CHECK (finding BETWEEN 0 AND 3),
    PRIMARY KEY (organisation_id, sequence)
);

DO $$
DECLARE
    tenant text;
BEGIN
    FOREACH tenant IN ARRAY ARRAY ['warning_change_counters', 'warning_changes'] LOOP
        EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', tenant);
        EXECUTE format('ALTER TABLE %I FORCE ROW LEVEL SECURITY', tenant);
        EXECUTE format('CREATE POLICY own_rows ON %I TO creepage_api, creepage_analyst '
            'USING (organisation_id = (SELECT current_organisation())) WITH CHECK (organisation_id = (SELECT current_organisation()))', tenant);
        EXECUTE format('CREATE POLICY all_rows ON %I TO creepage_worker USING (true) WITH CHECK (true)', tenant);
        EXECUTE format('GRANT SELECT ON %I TO creepage_api, creepage_worker, creepage_analyst', tenant);
        EXECUTE format('GRANT INSERT ON %I TO creepage_api, creepage_worker', tenant);
    END LOOP;
END
$$;
GRANT UPDATE (last) ON warning_change_counters TO creepage_api, creepage_worker;

-- With the change commit its job, from which deliveries are made, and the
-- wake-up of whoever watches; the payload is the organisation. As the definer,
-- for the API has no rights on the jobs of all tenants.
CREATE FUNCTION tell_of_warning_change() RETURNS trigger
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS
$$
BEGIN
    INSERT INTO river_job (kind, args, max_attempts, queue)
    VALUES ('warning_changed', jsonb_build_object('organisation', NEW.organisation_id, 'sequence', NEW.sequence), 25, 'default');
    PERFORM pg_notify('creepage_warning_changes', NEW.organisation_id::text);
    RETURN NULL;
END
$$;
REVOKE ALL ON FUNCTION tell_of_warning_change() FROM PUBLIC;
CREATE TRIGGER tell AFTER INSERT ON warning_changes
    FOR EACH ROW EXECUTE FUNCTION tell_of_warning_change();
