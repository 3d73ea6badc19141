-- Groups for the service's logins. Roles belong to the whole server, so
-- migrations of its other databases may be making them at this moment. No
-- advisory lock keeps them apart, for such locks are each database's own: whoever
-- comes second finds the role made, which is as good.
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
