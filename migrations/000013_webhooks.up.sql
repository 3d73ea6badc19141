-- Where changes of warnings are sent. Signing secrets are sealed with a key
-- that is not in the database.
CREATE TABLE webhook_endpoints (
    id              uuid PRIMARY KEY, -- UUIDv7
    organisation_id uuid NOT NULL REFERENCES organisations,
    title           text NOT NULL DEFAULT '',
    url             text NOT NULL CHECK (length(url) BETWEEN 1 AND 2048),
    events          smallint[] NOT NULL CHECK (cardinality(events) > 0 AND events <@ ARRAY [1, 2, 3]::smallint[]), -- WarningChange.Event
    filter          text NOT NULL DEFAULT '',
    from_sequence   bigint NOT NULL CHECK (from_sequence >= 0), -- it is told of the changes after this one
    secret          bytea NOT NULL, -- empty once it is deleted
    previous_secret bytea,
    previous_until  timestamptz CHECK ((previous_until IS NULL) = (previous_secret IS NULL)),
    created_at      timestamptz NOT NULL,
    succeeded_at    timestamptz,
    failing_since   timestamptz,
    disabled_at     timestamptz,
    disable_reason  text NOT NULL DEFAULT '' CHECK ((disable_reason = '') = (disabled_at IS NULL)),
    deleted_at      timestamptz CHECK (deleted_at IS NOT NULL OR secret <> '')
);

CREATE TABLE webhook_deliveries (
    id              uuid PRIMARY KEY, -- UUIDv7; the message's id on every attempt
    organisation_id uuid NOT NULL REFERENCES organisations,
    endpoint_id     uuid NOT NULL REFERENCES webhook_endpoints,
    sequence        bigint, -- of the change; NULL: a test
    status          smallint NOT NULL CHECK (status BETWEEN 1 AND 3), -- WebhookDelivery.Status
    attempts        integer NOT NULL DEFAULT 0 CHECK (attempts >= 0),
    last_error      text NOT NULL DEFAULT '',
    created_at      timestamptz NOT NULL,
    attempted_at    timestamptz,
    next_attempt_at timestamptz CHECK (next_attempt_at IS NULL OR status = 1),
    delivered_at    timestamptz CHECK ((delivered_at IS NOT NULL) = (status = 2)),
    UNIQUE (endpoint_id, sequence),
    FOREIGN KEY (organisation_id, sequence) REFERENCES warning_changes (organisation_id, sequence)
);

DO $$
DECLARE
    tenant text;
BEGIN
    FOREACH tenant IN ARRAY ARRAY ['webhook_endpoints', 'webhook_deliveries'] LOOP
        EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', tenant);
        EXECUTE format('ALTER TABLE %I FORCE ROW LEVEL SECURITY', tenant);
        EXECUTE format('CREATE POLICY own_rows ON %I TO creepage_api '
            'USING (organisation_id = (SELECT current_organisation())) WITH CHECK (organisation_id = (SELECT current_organisation()))', tenant);
        EXECUTE format('CREATE POLICY all_rows ON %I TO creepage_worker USING (true) WITH CHECK (true)', tenant);
        EXECUTE format('GRANT SELECT ON %I TO creepage_api, creepage_worker', tenant);
    END LOOP;
END
$$;
GRANT INSERT, UPDATE ON webhook_endpoints TO creepage_api;
GRANT UPDATE (succeeded_at, failing_since, disabled_at, disable_reason) ON webhook_endpoints TO creepage_worker;
GRANT INSERT, UPDATE (status, attempts, last_error, attempted_at, next_attempt_at, delivered_at) ON webhook_deliveries TO creepage_api, creepage_worker;
-- The service itself writes down that it disabled an endpoint.
GRANT INSERT ON audit TO creepage_worker;

-- With a delivery that is to be sent commits its job.
CREATE FUNCTION send_webhook_delivery() RETURNS trigger
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS
$$
BEGIN
    INSERT INTO river_job (kind, args, max_attempts, queue)
    VALUES ('webhook_delivery', jsonb_build_object('organisation', NEW.organisation_id, 'delivery', NEW.id), 25, 'webhooks');
    RETURN NULL;
END
$$;
REVOKE ALL ON FUNCTION send_webhook_delivery() FROM PUBLIC;
CREATE TRIGGER send AFTER INSERT ON webhook_deliveries
    FOR EACH ROW WHEN (NEW.status = 1) EXECUTE FUNCTION send_webhook_delivery();
CREATE TRIGGER send_again AFTER UPDATE OF status ON webhook_deliveries
    FOR EACH ROW WHEN (NEW.status = 1 AND OLD.status <> 1) EXECUTE FUNCTION send_webhook_delivery();
