-- The roles stay: other databases of the server may use them.
REVOKE USAGE ON SCHEMA public FROM creepage_api, creepage_worker, creepage_analyst;
