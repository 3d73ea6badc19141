-- The logins of the parts, each with the rights of its role and no more. Run
-- after `creepage migrate`, as the schema's owner with the right to make roles:
--   psql -v serve_password=... -v work_password=... -f deploy/sql/logins.sql
-- Running it again sets the passwords anew. An analyst's login, which sees one
-- organisation's rows, is made by `creepage organisation analyst`.
\set ON_ERROR_STOP on
SELECT format('CREATE ROLE %I LOGIN', name)
FROM (VALUES ('creepage_serve'), ('creepage_work')) AS wanted (name)
WHERE NOT EXISTS (SELECT FROM pg_roles WHERE rolname = name)
\gexec
ALTER ROLE creepage_serve LOGIN NOSUPERUSER NOBYPASSRLS INHERIT PASSWORD :'serve_password';
ALTER ROLE creepage_work LOGIN NOSUPERUSER NOBYPASSRLS INHERIT PASSWORD :'work_password';
GRANT creepage_api TO creepage_serve;
GRANT creepage_worker TO creepage_work;
