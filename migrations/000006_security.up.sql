-- Row-level security on every tenant's table, for the owner too. A session of
-- the api names its tenant in creepage.organisation; without it there are no
-- rows. The worker's batches span tenants.
CREATE FUNCTION current_organisation() RETURNS uuid
    LANGUAGE sql STABLE PARALLEL SAFE AS
$$ SELECT nullif(current_setting('creepage.organisation', true), '')::uuid $$;

DO $$
DECLARE
    tenant text;
BEGIN
    FOREACH tenant IN ARRAY ARRAY ['shops', 'meters', 'calibrations', 'keys', 'audit', 'param_sets', 'platforms', 'platform_versions',
        'vehicles', 'vehicle_aliases', 'vehicle_states', 'vehicle_checkpoints', 'repairs', 'codes', 'readings', 'reading_conflicts',
        'outlooks', 'latest_outlooks', 'warnings'] LOOP
        EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', tenant);
        EXECUTE format('ALTER TABLE %I FORCE ROW LEVEL SECURITY', tenant);
        EXECUTE format('CREATE POLICY own_rows ON %I TO creepage_api, creepage_analyst '
            'USING (organisation_id = (SELECT current_organisation())) WITH CHECK (organisation_id = (SELECT current_organisation()))', tenant);
        EXECUTE format('CREATE POLICY all_rows ON %I TO creepage_worker USING (true) WITH CHECK (true)', tenant);
        EXECUTE format('GRANT SELECT ON %I TO creepage_api, creepage_worker, creepage_analyst', tenant);
    END LOOP;
END
$$;
ALTER TABLE organisations ENABLE ROW LEVEL SECURITY;
ALTER TABLE organisations FORCE ROW LEVEL SECURITY;
CREATE POLICY own_rows ON organisations TO creepage_api, creepage_analyst USING (id = (SELECT current_organisation()));
CREATE POLICY all_rows ON organisations TO creepage_worker USING (true);
GRANT SELECT ON organisations TO creepage_api, creepage_worker, creepage_analyst;
REVOKE SELECT ON keys FROM creepage_analyst, creepage_worker;

-- What the api may change.
GRANT UPDATE (title, settings) ON organisations TO creepage_api;
GRANT INSERT, UPDATE ON shops, meters, calibrations, keys, platforms, platform_versions, vehicles, vehicle_aliases, repairs TO creepage_api;
GRANT INSERT ON audit, codes, param_sets TO creepage_api;
GRANT UPDATE (voided_at, void_reason, vehicle_id) ON readings TO creepage_api;
GRANT UPDATE (vehicle_id) ON codes, repairs, reading_conflicts, outlooks, warnings TO creepage_api;
GRANT INSERT, UPDATE (replay_from, changed_at, last_measured_at, backfilled_at) ON vehicle_states TO creepage_api;
GRANT UPDATE (ended_at, end_reason, acknowledged_at, acknowledge_note, finding, finding_component, finding_note, finding_at) ON warnings TO creepage_api;
GRANT DELETE ON latest_outlooks, vehicle_checkpoints, vehicle_states, platform_versions TO creepage_api;

-- What the worker may change.
GRANT INSERT ON readings, reading_conflicts, codes, outlooks, warnings, vehicles, param_sets TO creepage_worker;
GRANT INSERT, UPDATE ON vehicle_states, vehicle_checkpoints, latest_outlooks TO creepage_worker;
GRANT DELETE ON vehicle_checkpoints TO creepage_worker;
-- What was said stays said; what was found in old records may be found anew.
GRANT DELETE ON outlooks, warnings TO creepage_worker;
CREATE POLICY found_in_old_records ON outlooks AS RESTRICTIVE FOR DELETE TO creepage_worker USING (backfilled);
CREATE POLICY found_in_old_records ON warnings AS RESTRICTIVE FOR DELETE TO creepage_worker USING (backfilled AND NOT news);
GRANT UPDATE (ended_at, end_reason) ON warnings TO creepage_worker;
GRANT EXECUTE ON FUNCTION make_reading_partition(date) TO creepage_worker;

-- A key is looked up by its hash before its tenant is known.
CREATE FUNCTION find_key(hash bytea)
    RETURNS TABLE (id uuid, organisation_id uuid, organisation_name text, organisation_title text, title text, role smallint, shop text,
                   created_at timestamptz, expires_at timestamptz, last_used_at timestamptz, revoked_at timestamptz)
    LANGUAGE sql STABLE SECURITY DEFINER SET search_path = public, pg_temp AS
$$
    SELECT k.id, k.organisation_id, o.name, o.title, k.title, k.role, k.shop, k.created_at, k.expires_at, k.last_used_at, k.revoked_at
    FROM keys k JOIN organisations o ON o.id = k.organisation_id
    WHERE k.secret_hash = hash
$$;
REVOKE ALL ON FUNCTION find_key(bytea) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION find_key(bytea) TO creepage_api;
-- The definer is the owner, whom FORCE binds too unless it bypasses row-level security.
CREATE POLICY owner_looks_up ON keys FOR SELECT TO CURRENT_USER USING (true);
CREATE POLICY owner_looks_up ON organisations TO CURRENT_USER USING (true) WITH CHECK (true);
CREATE POLICY owner_makes_keys ON keys FOR INSERT TO CURRENT_USER WITH CHECK (true);
