CREATE OR REPLACE FUNCTION make_reading_partition(month date) RETURNS void
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
