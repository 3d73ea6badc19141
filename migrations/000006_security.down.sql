DROP POLICY owner_makes_keys ON keys;
DROP POLICY owner_looks_up ON organisations;
DROP POLICY owner_looks_up ON keys;
DROP FUNCTION find_key(bytea);
REVOKE ALL ON FUNCTION make_reading_partition(date) FROM creepage_worker;
REVOKE ALL ON ALL TABLES IN SCHEMA public FROM creepage_api, creepage_worker, creepage_analyst;
DO $$
DECLARE
    p record;
BEGIN
    FOR p IN SELECT tablename, policyname FROM pg_policies WHERE schemaname = 'public' LOOP
        EXECUTE format('DROP POLICY %I ON %I', p.policyname, p.tablename);
    END LOOP;
    FOR p IN SELECT relname FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relrowsecurity LOOP
        EXECUTE format('ALTER TABLE %I NO FORCE ROW LEVEL SECURITY', p.relname);
        EXECUTE format('ALTER TABLE %I DISABLE ROW LEVEL SECURITY', p.relname);
    END LOOP;
END
$$;
DROP FUNCTION current_organisation();
