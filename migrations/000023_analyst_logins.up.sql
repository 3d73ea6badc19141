-- Whose rows an analyst's login sees is on record here, where no analyst can
-- write: not in a setting, which every session may change. session_user is who
-- has signed in; SET ROLE does not change it, and SET SESSION AUTHORIZATION is the
-- superuser's. The policies name the table itself, so no search path, view or
-- temporary table can come between.
CREATE TABLE analyst_logins (
    name            text PRIMARY KEY, -- of the role that signs in
    organisation_id uuid NOT NULL REFERENCES organisations,
    created_at      timestamptz NOT NULL
);
ALTER TABLE analyst_logins ENABLE ROW LEVEL SECURITY;
ALTER TABLE analyst_logins FORCE ROW LEVEL SECURITY;
CREATE POLICY own_login ON analyst_logins FOR SELECT TO creepage_analyst USING (name = session_user);
CREATE POLICY owner_keeps ON analyst_logins TO CURRENT_USER USING (true) WITH CHECK (true);
GRANT SELECT ON analyst_logins TO creepage_analyst;

DO $$
DECLARE
    held record;
BEGIN
    FOR held IN SELECT p.tablename, CASE p.tablename WHEN 'organisations' THEN 'id' ELSE 'organisation_id' END AS tenant
        FROM pg_policies p WHERE p.schemaname = 'public' AND p.policyname = 'own_rows' AND 'creepage_analyst' = ANY (p.roles) LOOP
        EXECUTE format('ALTER POLICY own_rows ON %I TO creepage_api', held.tablename);
        EXECUTE format('CREATE POLICY analysts_rows ON %I FOR SELECT TO creepage_analyst '
            'USING (%I = (SELECT l.organisation_id FROM analyst_logins l WHERE l.name = session_user))', held.tablename, held.tenant);
    END LOOP;
END
$$;
