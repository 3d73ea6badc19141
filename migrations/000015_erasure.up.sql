-- Erasing personal data on request: names go, numbers stay.

-- The owner, as whom the functions below run, is bound by row-level security
-- too. This gives it the rows of the organisation at hand in every tenant's
-- table. It is called after every migration, so that a new table has it.
CREATE FUNCTION allow_erasure() RETURNS void
    LANGUAGE plpgsql SET search_path = public, pg_temp AS
$$
DECLARE
    tenant text;
BEGIN
    FOR tenant IN SELECT c.relname FROM pg_class c JOIN pg_attribute o ON o.attrelid = c.oid AND o.attname = 'organisation_id' AND NOT o.attisdropped
        WHERE c.relnamespace = 'public'::regnamespace AND c.relkind IN ('r', 'p') AND NOT c.relispartition
          AND NOT EXISTS (SELECT FROM pg_policy p WHERE p.polrelid = c.oid AND p.polname = 'owner_erases') LOOP
        EXECUTE format('CREATE POLICY owner_erases ON %I TO CURRENT_USER '
            'USING (organisation_id = (SELECT current_organisation())) WITH CHECK (organisation_id = (SELECT current_organisation()))', tenant);
    END LOOP;
END
$$;
REVOKE ALL ON FUNCTION allow_erasure() FROM PUBLIC;

-- Columns of tenants' tables that hold text, whatever tables there are. Columns
-- that name a shop, platform and the like are no free text; a vehicle's own name
-- is treated apart.
CREATE VIEW tenant_texts AS
SELECT c.relname::text AS table_name, a.attname::text AS column_name, format_type(a.atttypid, NULL) AS data_type,
       EXISTS (SELECT FROM pg_attribute v WHERE v.attrelid = c.oid AND v.attname = 'vehicle_id' AND NOT v.attisdropped) AS of_vehicles
FROM pg_class c
JOIN pg_attribute o ON o.attrelid = c.oid AND o.attname = 'organisation_id' AND NOT o.attisdropped
JOIN pg_attribute a ON a.attrelid = c.oid AND a.attnum > 0 AND NOT a.attisdropped AND a.attgenerated = ''
WHERE c.relnamespace = 'public'::regnamespace AND c.relkind IN ('r', 'p') AND NOT c.relispartition
  AND a.atttypid IN ('text'::regtype, 'varchar'::regtype, 'jsonb'::regtype, 'json'::regtype, 'text[]'::regtype)
  AND a.attname NOT IN ('id', 'name', 'alias', 'vehicle', 'shop', 'last_shop', 'platform', 'meter', 'version', 'params_version', 'code', 'key');
REVOKE ALL ON tenant_texts FROM PUBLIC;

-- Puts `put` wherever a text holds what the pattern matches, in letters of either
-- case, in the organisation at hand: in rows of one vehicle, in rows of no
-- vehicle (vehicle NULL and of_vehicles false), or everywhere. `plain` are the
-- texts that the pattern looks for; a row without any of them is passed over,
-- which is five times as fast as asking the pattern. One pass a table; returns
-- how many rows were changed.
CREATE FUNCTION replace_texts(plain text[], pattern text, put text, vehicle bigint, of_vehicles boolean) RETURNS bigint
    LANGUAGE plpgsql SET search_path = public, pg_temp AS
$$
DECLARE
    t     record;
    likes text[] := ARRAY(SELECT '%' || regexp_replace(lower(x), '([%_\\])', '\\\1', 'g') || '%' FROM unnest(plain) AS x);
    n     bigint;
    total bigint := 0;
BEGIN
    IF current_organisation() IS NULL THEN
        RAISE EXCEPTION 'no organisation is named';
    END IF;
    PERFORM FROM tenant_texts v WHERE NOT EXISTS (SELECT FROM pg_policies p WHERE p.schemaname = 'public' AND p.tablename = v.table_name AND p.policyname = 'owner_erases');
    IF FOUND THEN
        RAISE EXCEPTION 'a table came without allow_erasure()';
    END IF;
    FOR t IN SELECT v.table_name, bool_or(v.of_vehicles) AS of_vehicles,
            string_agg(format(CASE v.data_type
                WHEN 'text[]' THEN '%1$I = ARRAY(SELECT regexp_replace(x, $2, $3, ''gi'') FROM unnest(%1$I) WITH ORDINALITY AS u (x, i) ORDER BY i)'
                WHEN 'jsonb' THEN '%1$I = regexp_replace(%1$I::text, $2, $3, ''gi'')::jsonb'
                WHEN 'json' THEN '%1$I = regexp_replace(%1$I::text, $2, $3, ''gi'')::json'
                ELSE '%1$I = regexp_replace(%1$I, $2, $3, ''gi'')' END, v.column_name), ', ') AS changes,
            string_agg(format(CASE v.data_type WHEN 'text[]' THEN 'array_to_string(%I, chr(10))' ELSE '%I::text' END, v.column_name), ', ') AS texts
        FROM tenant_texts v
        WHERE replace_texts.of_vehicles IS NULL OR v.of_vehicles = replace_texts.of_vehicles
        GROUP BY v.table_name LOOP
        -- A hash of what a sender said would betray the text to whoever guesses it.
        EXECUTE format('UPDATE %I SET %s%s WHERE organisation_id = $1 AND ($4 IS NULL OR %s) AND lower(concat_ws(chr(10), %s)) LIKE ANY ($5) AND concat_ws(chr(10), %s) ~* $2',
            t.table_name, t.changes, CASE t.table_name WHEN 'readings' THEN ', content = sha256(content || uuid_send(gen_random_uuid()))' ELSE '' END,
            CASE WHEN t.of_vehicles THEN 'vehicle_id = $4' ELSE 'true' END, t.texts, t.texts)
            USING current_organisation(), pattern, put, vehicle, likes;
        GET DIAGNOSTICS n = ROW_COUNT;
        total := total + n;
    END LOOP;
    RETURN total;
END
$$;
REVOKE ALL ON FUNCTION replace_texts(text[], text, text, bigint, boolean) FROM PUBLIC;

-- Says that an erasure is under way: the functions below set it, and being the
-- owner, as they alone let somebody be, is part of it.
CREATE FUNCTION erasing() RETURNS boolean
    LANGUAGE sql STABLE SET search_path = public, pg_temp AS
$$
    SELECT coalesce(current_setting('creepage.erasing', true), '') = 'on'
       AND EXISTS (SELECT FROM pg_proc WHERE oid = 'erasing()'::regprocedure AND proowner = current_user::regrole)
$$;
-- What was said stays said, but for the names in it.
DROP TRIGGER keep_what_was_said ON warnings;
CREATE TRIGGER keep_what_was_said BEFORE UPDATE ON warnings
    FOR EACH ROW WHEN (NOT erasing()) EXECUTE FUNCTION keep_what_was_said();

-- Matches one of the texts where it stands by itself: not within a longer word
-- and, with whole names, not within a longer id either.
CREATE FUNCTION pattern_of(texts text[], whole_names boolean) RETURNS text
    LANGUAGE sql IMMUTABLE SET search_path = public, pg_temp AS
$$
    SELECT CASE WHEN whole_names THEN '(?<![[:alnum:]._-])(?:' ELSE '(?<![[:alnum:]])(?:' END
        || string_agg(regexp_replace(x, '([^[:alnum:] ])', '\\\1', 'g'), '|' ORDER BY length(x) DESC)
        || CASE WHEN whole_names THEN ')(?![[:alnum:]_-]|\.[[:alnum:]])' ELSE ')(?![[:alnum:]])' END
    FROM unnest(texts) AS x
$$;

-- Takes a vehicle's names away. `pseudonym` stands in their place, wherever they
-- stood; the hash of what a sender said is salted, for it would betray the name to
-- whoever guesses it. The tracks are computed anew, for the memory holds names.
CREATE FUNCTION erase_vehicle(vehicle bigint, pseudonym text, at timestamptz) RETURNS bigint
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS
$$
DECLARE
    tenant  uuid := current_organisation();
    ids     bigint[];
    names   text[];
    pattern text;
    salt    bytea := uuid_send(gen_random_uuid());
    total   bigint := 0;
    n       bigint;
    one     bigint;
BEGIN
    PERFORM set_config('creepage.erasing', 'on', true);
    WITH RECURSIVE merged AS (
        SELECT v.id FROM vehicles v WHERE v.organisation_id = tenant AND v.id = erase_vehicle.vehicle
        UNION
        SELECT v.id FROM vehicles v JOIN merged m ON v.merged_into = m.id WHERE v.organisation_id = tenant)
    SELECT array_agg(m.id) INTO ids FROM merged m;
    PERFORM FROM vehicle_states s WHERE s.organisation_id = tenant AND s.vehicle_id = ANY (ids) ORDER BY s.vehicle_id FOR UPDATE;
    SELECT array_agg(DISTINCT x.name) INTO names FROM (
        SELECT v.name FROM vehicles v WHERE v.organisation_id = tenant AND v.id = ANY (ids)
        UNION ALL
        SELECT a.alias FROM vehicle_aliases a WHERE a.organisation_id = tenant AND a.vehicle_id = ANY (ids)) x;
    pattern := pattern_of(names, false);

    UPDATE readings r SET vehicle = pseudonym, content = sha256(r.content || salt),
        reading_id = CASE WHEN r.reading_id LIKE 'derived-%' THEN 'derived-' || left(encode(sha256(r.content || salt), 'hex'), 24)
                     ELSE regexp_replace(r.reading_id, pattern, pseudonym, 'gi') END
        WHERE r.organisation_id = tenant AND r.vehicle_id = ANY (ids);
    GET DIAGNOSTICS n = ROW_COUNT;
    total := total + n;
    DELETE FROM vehicle_aliases a WHERE a.organisation_id = tenant AND a.vehicle_id = ANY (ids);
    GET DIAGNOSTICS n = ROW_COUNT;
    total := total + n;
    UPDATE vehicles v SET name = pseudonym WHERE v.organisation_id = tenant AND v.id = ANY (ids);
    GET DIAGNOSTICS n = ROW_COUNT;
    total := total + n;
    FOREACH one IN ARRAY ids LOOP
        total := total + replace_texts(names, pattern, pseudonym, one, true);
    END LOOP;
    -- Rows of no vehicle may speak of another one whose name holds this one's.
    IF EXISTS (SELECT FROM vehicles v WHERE v.organisation_id = tenant AND v.name ~* pattern)
        OR EXISTS (SELECT FROM vehicle_aliases a WHERE a.organisation_id = tenant AND a.alias ~* pattern) THEN
        pattern := pattern_of(names, true);
    END IF;
    total := total + replace_texts(names, pattern, pseudonym, NULL, false);

    DELETE FROM vehicle_checkpoints c WHERE c.organisation_id = tenant AND c.vehicle_id = ANY (ids);
    UPDATE vehicle_states s SET memory = NULL, checkpointed_at = NULL, changed_at = greatest(s.changed_at, erase_vehicle.at),
        replay_from = least(s.replay_from, (SELECT min(r.measured_at) FROM readings r WHERE r.organisation_id = tenant AND r.vehicle_id = s.vehicle_id), erase_vehicle.at)
        WHERE s.organisation_id = tenant AND s.vehicle_id = ANY (ids);
    PERFORM set_config('creepage.erasing', 'off', true);
    RETURN total;
END
$$;
REVOKE ALL ON FUNCTION erase_vehicle(bigint, text, timestamptz) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION erase_vehicle(bigint, text, timestamptz) TO creepage_api;

-- Takes a text, such as a technician's name, out of everything that people wrote.
CREATE FUNCTION erase_words(words text, put text) RETURNS bigint
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS
$$
DECLARE
    -- A text within JSON is written as JSON writes it.
    texts text[] := ARRAY [words, trim(BOTH '"' FROM to_json(words)::text)];
    total bigint;
BEGIN
    PERFORM set_config('creepage.erasing', 'on', true);
    total := replace_texts(texts, pattern_of(texts, true), put, NULL, NULL);
    PERFORM set_config('creepage.erasing', 'off', true);
    RETURN total;
END
$$;
REVOKE ALL ON FUNCTION erase_words(text, text) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION erase_words(text, text) TO creepage_api;

-- A reading kept aside is a message; the service writes it anew.
CREATE FUNCTION rewrite_conflict(conflict bigint, message bytea) RETURNS void
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS
$$
BEGIN
    UPDATE reading_conflicts c SET reading = message, content = sha256(c.content || uuid_send(gen_random_uuid()))
        WHERE c.organisation_id = current_organisation() AND c.id = conflict;
END
$$;
REVOKE ALL ON FUNCTION rewrite_conflict(bigint, bytea) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION rewrite_conflict(bigint, bytea) TO creepage_api;
