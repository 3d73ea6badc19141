-- What was said stays said. The grants already keep what a warning said, and
-- all of an outlook, from being changed; of what became of a warning each part
-- is set once, whoever sets it.
REVOKE UPDATE (vehicle_id) ON outlooks, warnings FROM creepage_api;
ALTER TABLE warnings
    ADD CONSTRAINT warnings_end_reason CHECK (ended_at IS NOT NULL OR end_reason = ''),
    ADD CONSTRAINT warnings_acknowledge_note CHECK (acknowledged_at IS NOT NULL OR acknowledge_note = ''),
    ADD CONSTRAINT warnings_finding_note CHECK (finding > 0 OR finding_note = '' AND finding_component = 0);

CREATE FUNCTION keep_what_was_said() RETURNS trigger
    LANGUAGE plpgsql SET search_path = public, pg_temp AS
$$
BEGIN
    IF (OLD.id, OLD.organisation_id, OLD.vehicle_id, OLD.kind, OLD.component, OLD.raised_at, OLD.probability, OLD.days_p50, OLD.reason, OLD.backfilled, OLD.news)
       IS DISTINCT FROM (NEW.id, NEW.organisation_id, NEW.vehicle_id, NEW.kind, NEW.component, NEW.raised_at, NEW.probability, NEW.days_p50, NEW.reason, NEW.backfilled, NEW.news) THEN
        RAISE integrity_constraint_violation USING MESSAGE = 'what a warning said is never changed', CONSTRAINT = 'warning_set_once';
    END IF;
    IF OLD.ended_at IS NOT NULL AND (OLD.ended_at, OLD.end_reason) IS DISTINCT FROM (NEW.ended_at, NEW.end_reason) THEN
        RAISE integrity_constraint_violation USING MESSAGE = 'the warning has ended', CONSTRAINT = 'warning_end_set_once';
    END IF;
    IF OLD.acknowledged_at IS NOT NULL AND (OLD.acknowledged_at, OLD.acknowledge_note) IS DISTINCT FROM (NEW.acknowledged_at, NEW.acknowledge_note) THEN
        RAISE integrity_constraint_violation USING MESSAGE = 'the warning has been acknowledged', CONSTRAINT = 'warning_acknowledgement_set_once';
    END IF;
    -- 1: not looked at yet.
    IF OLD.finding > 1 AND (OLD.finding, OLD.finding_component, OLD.finding_note, OLD.finding_at)
       IS DISTINCT FROM (NEW.finding, NEW.finding_component, NEW.finding_note, NEW.finding_at) THEN
        RAISE integrity_constraint_violation USING MESSAGE = 'the warning has its finding', CONSTRAINT = 'warning_finding_set_once';
    END IF;
    RETURN NEW;
END
$$;
CREATE TRIGGER keep_what_was_said BEFORE UPDATE ON warnings FOR EACH ROW EXECUTE FUNCTION keep_what_was_said();
