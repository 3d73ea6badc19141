-- Makes the partition of a month, if it is not there. The owner's right to make
-- tables is lent to whoever may call this, so that what can be made with it is
-- bounded: the months of high-voltage vehicles' readings, 1990 to 2099. Attaching
-- a finished table does not block those who insert meanwhile.
CREATE OR REPLACE FUNCTION make_reading_partition(month date) RETURNS void
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS
$$
DECLARE
    first date;
    name  text;
BEGIN
    IF month IS NULL OR NOT isfinite(month) OR month < '1990-01-01' OR month >= '2100-01-01' THEN
        RAISE datetime_field_overflow USING MESSAGE = format('there are no readings of %s; allowed is from 1990-01 to 2099-12', coalesce(month::text, 'no month'));
    END IF;
    first := date_trunc('month', month)::date;
    name := 'readings_' || to_char(first, 'YYYY_MM');
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
