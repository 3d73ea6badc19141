-- How a vehicle's parts age, beside the outlook it stands in: a review of a fleet
-- need not read every outlook whole. A row a part that was measured: number of
-- the component, chance that it dropped, chance that it declines, since which day
-- (yyyymmdd; 0: not known), decades in 30 days.
CREATE FUNCTION aging_of_parts(details jsonb) RETURNS double precision[] LANGUAGE sql IMMUTABLE PARALLEL SAFE AS $$
    SELECT array_agg(ARRAY[c.number, coalesce(p."droppedProbability", 0), coalesce(p."decliningProbability", 0),
        coalesce(replace(left(p."decliningSinceTime", 10), '-', '')::double precision, 0), coalesce(p."decadesPer30d", 0)])
    FROM jsonb_to_recordset(coalesce(details -> 'parts', '[]')) AS p (component text, "readingCount" int, "droppedProbability" double precision,
        "decliningProbability" double precision, "decliningSinceTime" text, "decadesPer30d" double precision)
    JOIN unnest(ARRAY['BATTERY', 'CABLE', 'INVERTER', 'MOTOR', 'GENERATOR', 'COMPRESSOR', 'CONVERTER', 'CHARGER', 'HEATER', 'FUEL_CELL']) WITH ORDINALITY AS c (word, number)
        ON c.word = p.component
    WHERE p."readingCount" > 0
$$;
ALTER TABLE latest_outlooks ADD COLUMN aging double precision[] GENERATED ALWAYS AS (aging_of_parts(details)) STORED;
