-- Who gets a summary of the warnings by e-mail. A deleted row takes the
-- person's address with it.
CREATE TABLE digests (
    id               uuid PRIMARY KEY, -- UUIDv7
    organisation_id  uuid NOT NULL REFERENCES organisations,
    title            text NOT NULL DEFAULT '',
    email            text NOT NULL CHECK (length(email) BETWEEN 1 AND 254),
    frequency        smallint NOT NULL CHECK (frequency BETWEEN 1 AND 2), -- Digest.Frequency
    hour             smallint NOT NULL DEFAULT 6 CHECK (hour BETWEEN 0 AND 23),
    time_zone        text NOT NULL DEFAULT 'UTC',
    filter           text NOT NULL DEFAULT '',
    through_sequence bigint NOT NULL DEFAULT 0 CHECK (through_sequence >= 0), -- changes up to this one are told
    next_at          timestamptz NOT NULL,
    asked_at         timestamptz, -- to be sent now, whatever its time
    told_at          timestamptz, -- up to when the last one told
    sent_at          timestamptz,
    last_error       text NOT NULL DEFAULT '',
    created_at       timestamptz NOT NULL
);
ALTER TABLE digests ENABLE ROW LEVEL SECURITY;
ALTER TABLE digests FORCE ROW LEVEL SECURITY;
CREATE POLICY own_rows ON digests TO creepage_api
    USING (organisation_id = (SELECT current_organisation())) WITH CHECK (organisation_id = (SELECT current_organisation()));
CREATE POLICY all_rows ON digests TO creepage_worker USING (true) WITH CHECK (true);
GRANT SELECT, INSERT, UPDATE, DELETE ON digests TO creepage_api;
GRANT SELECT, UPDATE (through_sequence, next_at, asked_at, told_at, sent_at, last_error) ON digests TO creepage_worker;
