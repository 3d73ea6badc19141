-- Entries that were folded since the newest checkpoint.
ALTER TABLE vehicle_states ADD COLUMN since_checkpoint integer NOT NULL DEFAULT 0;

-- A reading as a batch brings it: an array of these is inserted at once.
CREATE TYPE new_reading AS (
    organisation_id uuid, reading_id text, measured_at timestamptz, vehicle_id bigint, received_at timestamptz,
    vehicle text, shop text, platform text, visit text, meter text, qualification text, precautions jsonb,
    method smallint, component smallint, conductor smallint, reference smallint, quantity smallint, relation smallint, moisture smallint, warmth smallint,
    ohms double precision, test_volts double precision, hold_seconds double precision, air_celsius double precision, humidity_pct double precision,
    part_celsius double precision, range_ohms double precision, calibrated_at timestamptz, assessment bytea, content bytea, backfill boolean);
