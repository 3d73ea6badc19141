-- Readings, one partition a month of measured_at. A reading's identity is
-- (organisation, reading_id, measured_at): the first that is committed stands.
-- There is no foreign key to vehicles: checking it would cost a fifth of the
-- rate, and only the worker inserts, holding the vehicle's row.
CREATE TABLE readings (
    organisation_id uuid NOT NULL,
    reading_id      text NOT NULL CHECK (reading_id <> ''),
    measured_at     timestamptz NOT NULL,
    vehicle_id      bigint NOT NULL,
    received_at     timestamptz NOT NULL,
    vehicle         text NOT NULL, -- as the sender named it
    shop            text NOT NULL DEFAULT '',
    platform        text NOT NULL DEFAULT '',
    visit           text NOT NULL DEFAULT '',
    meter           text NOT NULL DEFAULT '',
    method          smallint NOT NULL CHECK (method BETWEEN 1 AND 3),
    component       smallint NOT NULL CHECK (component BETWEEN 1 AND 11),
    conductor       smallint NOT NULL CHECK (conductor BETWEEN 1 AND 6),
    reference       smallint NOT NULL CHECK (reference BETWEEN 1 AND 2),
    quantity        smallint NOT NULL CHECK (quantity BETWEEN 1 AND 2),
    relation        smallint NOT NULL CHECK (relation BETWEEN 1 AND 3),
    moisture        smallint NOT NULL DEFAULT 0 CHECK (moisture BETWEEN 0 AND 2),
    warmth          smallint NOT NULL DEFAULT 0 CHECK (warmth BETWEEN 0 AND 2),
    ohms            double precision NOT NULL CHECK (ohms >= 0 AND ohms < 'Infinity'),
    -- NULL: not taken
    test_volts      double precision CHECK (test_volts < 'Infinity'),
    hold_seconds    double precision CHECK (hold_seconds < 'Infinity'),
    air_celsius     double precision CHECK (air_celsius < 'Infinity'),
    humidity_pct    double precision CHECK (humidity_pct < 'Infinity'),
    part_celsius    double precision CHECK (part_celsius < 'Infinity'),
    range_ohms      double precision CHECK (range_ohms < 'Infinity'),
    calibrated_at   timestamptz,
    qualification   text NOT NULL DEFAULT '',
    precautions     jsonb,
    assessment      bytea, -- message Assessment: what intake said
    content         bytea NOT NULL CHECK (length(content) = 32), -- SHA-256 of what the sender said
    backfill        boolean NOT NULL DEFAULT false,
    voided_at       timestamptz,
    void_reason     text NOT NULL DEFAULT '' CHECK ((voided_at IS NULL) = (void_reason = '')),
    PRIMARY KEY (organisation_id, reading_id, measured_at)
) PARTITION BY RANGE (measured_at);
CREATE INDEX readings_by_vehicle ON readings (vehicle_id, measured_at);

-- Readings that came under an identity taken by another content.
CREATE TABLE reading_conflicts (
    id               bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    organisation_id  uuid NOT NULL REFERENCES organisations,
    reading_id       text NOT NULL,
    measured_at      timestamptz NOT NULL,
    vehicle_id       bigint NOT NULL REFERENCES vehicles,
    shop             text NOT NULL DEFAULT '',
    reading          bytea NOT NULL, -- message Reading
    differing_fields text[] NOT NULL,
    content          bytea NOT NULL CHECK (length(content) = 32),
    created_at       timestamptz NOT NULL,
    UNIQUE (organisation_id, reading_id, measured_at, content)
);
CREATE INDEX reading_conflicts_newest ON reading_conflicts (organisation_id, created_at DESC, id DESC);

-- Makes the partition of a month, if it is not there. The owner's right to make
-- tables is lent to whoever may call this. Attaching a finished table does not
-- block those who insert meanwhile.
CREATE FUNCTION make_reading_partition(month date) RETURNS void
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS
$$
DECLARE
    first date := date_trunc('month', month)::date;
    name  text := 'readings_' || to_char(first, 'YYYY_MM');
BEGIN
    PERFORM pg_advisory_xact_lock(hashtext('creepage partition'), hashtext(name));
    IF to_regclass(name) IS NOT NULL THEN
        RETURN;
    END IF;
    EXECUTE format('CREATE TABLE %I (LIKE readings INCLUDING DEFAULTS INCLUDING CONSTRAINTS)', name);
    EXECUTE format('ALTER TABLE readings ATTACH PARTITION %I FOR VALUES FROM (%L) TO (%L)', name,
        first::timestamp AT TIME ZONE 'UTC', (first + interval '1 month')::timestamp AT TIME ZONE 'UTC');
    EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', name);
    EXECUTE format('ALTER TABLE %I FORCE ROW LEVEL SECURITY', name);
END
$$;
REVOKE ALL ON FUNCTION make_reading_partition(date) FROM PUBLIC;
