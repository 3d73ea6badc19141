-- Who is signed in at the board. The cookie's random id is kept as a hash, and
-- the key sealed under that very id: these rows alone open nothing.
CREATE TABLE sessions (
    id_hash         bytea PRIMARY KEY CHECK (length(id_hash) = 32), -- SHA-256
    organisation_id uuid NOT NULL REFERENCES organisations,
    sealed_key      bytea NOT NULL CHECK (length(sealed_key) > 0),
    created_at      timestamptz NOT NULL,
    expires_at      timestamptz NOT NULL CHECK (expires_at > created_at)
);
CREATE INDEX sessions_by_expiry ON sessions (organisation_id, expires_at);
ALTER TABLE sessions ENABLE ROW LEVEL SECURITY;
ALTER TABLE sessions FORCE ROW LEVEL SECURITY;
CREATE POLICY own_rows ON sessions TO creepage_api
    USING (organisation_id = (SELECT current_organisation())) WITH CHECK (organisation_id = (SELECT current_organisation()));
GRANT SELECT, INSERT, DELETE ON sessions TO creepage_api;

-- A session is looked up before its tenant is known.
CREATE FUNCTION find_session(hash bytea)
    RETURNS TABLE (organisation_id uuid, sealed_key bytea, created_at timestamptz, expires_at timestamptz)
    LANGUAGE sql STABLE SECURITY DEFINER SET search_path = public, pg_temp AS
$$
    SELECT s.organisation_id, s.sealed_key, s.created_at, s.expires_at FROM sessions s WHERE s.id_hash = hash
$$;
REVOKE ALL ON FUNCTION find_session(bytea) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION find_session(bytea) TO creepage_api;
CREATE POLICY owner_looks_up ON sessions FOR SELECT TO CURRENT_USER USING (true);
