-- Nobody reads the hashes of keys but find_key, which is given one; and a key
-- that is made keeps its secret and its rights.
REVOKE SELECT, UPDATE ON keys FROM creepage_api;
GRANT SELECT (id, organisation_id, title, role, shop, created_at, expires_at, last_used_at, revoked_at) ON keys TO creepage_api;
GRANT UPDATE (last_used_at, revoked_at) ON keys TO creepage_api;
