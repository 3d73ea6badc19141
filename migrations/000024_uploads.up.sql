-- Files of old records brought to the board, from the moment they arrive until
-- they are entered or expire. An erasure takes all of an organisation's away.
CREATE TABLE uploads (
    id              uuid PRIMARY KEY, -- UUIDv7
    organisation_id uuid NOT NULL REFERENCES organisations,
    key             text NOT NULL, -- id of the key that brought it
    title           text NOT NULL CHECK (length(title) BETWEEN 1 AND 200), -- the file's name
    content         bytea NOT NULL CHECK (length(content) <= 33554432), -- empty once entered
    size            bigint NOT NULL CHECK (size > 0), -- byte
    sheet           text NOT NULL DEFAULT '', -- of a workbook
    mapping         bytea, -- JSON; NULL: the file is in the form of readings.csv, or it is not settled yet
    stage           smallint NOT NULL CHECK (stage BETWEEN 1 AND 5),
    checkpoint      bytea, -- JSON: how far it has come
    sample          bytea, -- JSON: the first rows as read
    rejects         bytea NOT NULL DEFAULT '', -- CSV
    problem         text NOT NULL DEFAULT '', -- why it was broken off
    created_at      timestamptz NOT NULL,
    updated_at      timestamptz NOT NULL,
    expires_at      timestamptz NOT NULL CHECK (expires_at > created_at)
);
ALTER TABLE uploads ENABLE ROW LEVEL SECURITY;
ALTER TABLE uploads FORCE ROW LEVEL SECURITY;
CREATE POLICY own_rows ON uploads TO creepage_api
    USING (organisation_id = (SELECT current_organisation())) WITH CHECK (organisation_id = (SELECT current_organisation()));
GRANT SELECT, INSERT, UPDATE, DELETE ON uploads TO creepage_api;
