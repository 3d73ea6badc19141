-- What was learned from an organisation's own records, and when it last was tried.
-- A set stands on nothing later than its created_at and holds from then on.
ALTER TABLE param_sets
    ADD COLUMN source        smallint NOT NULL DEFAULT 1 CHECK (source BETWEEN 1 AND 2), -- 1 by the nightly pass, 2 while old records were told
    ADD COLUMN track_version text NOT NULL DEFAULT '', -- the version that tracks are made with
    ADD COLUMN anew          boolean NOT NULL DEFAULT true, -- of old records: memories were made anew with it
    ADD COLUMN vehicles      integer NOT NULL DEFAULT 0 CHECK (vehicles >= 0),
    ADD COLUMN readings      bigint NOT NULL DEFAULT 0 CHECK (readings >= 0),
    ADD COLUMN codes         integer NOT NULL DEFAULT 0 CHECK (codes >= 0),
    ADD COLUMN reasons       text[] NOT NULL DEFAULT '{}';
ALTER TABLE organisations ADD COLUMN learned_at timestamptz; -- the latest night that was learned from
GRANT UPDATE (learned_at) ON organisations TO creepage_worker;
-- What learning needs of an outlook, in a few dozen bytes; NULL: it was not kept.
ALTER TABLE outlooks ADD COLUMN lesson bytea;
