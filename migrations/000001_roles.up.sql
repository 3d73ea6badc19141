-- Groups for the service's logins. Roles belong to the whole server, so other
-- databases on it may be making them at this moment.
SELECT pg_advisory_xact_lock(hashtext('creepage roles'));
DO $$
DECLARE
    name text;
BEGIN
    FOREACH name IN ARRAY ARRAY ['creepage_api', 'creepage_worker', 'creepage_analyst'] LOOP
        BEGIN
            EXECUTE format('CREATE ROLE %I NOLOGIN', name);
        EXCEPTION
            WHEN duplicate_object OR unique_violation THEN NULL;
        END;
    END LOOP;
END
$$;
GRANT USAGE ON SCHEMA public TO creepage_api, creepage_worker, creepage_analyst;
