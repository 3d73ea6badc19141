DROP FUNCTION find_session(bytea);
DROP TABLE sessions;
