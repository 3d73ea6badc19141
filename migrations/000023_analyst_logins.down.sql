DO $$
DECLARE
    held record;
BEGIN
    FOR held IN SELECT p.tablename FROM pg_policies p WHERE p.schemaname = 'public' AND p.policyname = 'analysts_rows' LOOP
        EXECUTE format('DROP POLICY analysts_rows ON %I', held.tablename);
        EXECUTE format('ALTER POLICY own_rows ON %I TO creepage_api, creepage_analyst', held.tablename);
    END LOOP;
END
$$;
DROP TABLE analyst_logins;
