-- Vehicle types and vehicles. Component, conductor, reference and the like are
-- the numbers of the domain's enums, which are those of the contract.
CREATE TABLE platforms (
    organisation_id uuid NOT NULL REFERENCES organisations,
    id              text NOT NULL CHECK (id ~ '^[a-z0-9._-]{1,64}$'),
    PRIMARY KEY (organisation_id, id)
);

-- A version holds from valid_from until the next one does.
CREATE TABLE platform_versions (
    organisation_id   uuid NOT NULL,
    platform          text NOT NULL,
    valid_from        timestamptz NOT NULL, -- -infinity: always
    title             text NOT NULL DEFAULT '',
    max_working_volts double precision NOT NULL CHECK (max_working_volts > 0),
    code_ohms         double precision CHECK (code_ohms > 0), -- NULL: 500 ohm per volt of max_working_volts
    code_quantity     smallint NOT NULL CHECK (code_quantity BETWEEN 1 AND 2),
    points            jsonb NOT NULL CHECK (jsonb_typeof(points) = 'array'),
    PRIMARY KEY (organisation_id, platform, valid_from),
    FOREIGN KEY (organisation_id, platform) REFERENCES platforms (organisation_id, id)
);

CREATE TABLE vehicles (
    id               bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    organisation_id  uuid NOT NULL REFERENCES organisations,
    name             text NOT NULL CHECK (name ~ '^[a-z0-9._-]{1,64}$'),
    platform         text NOT NULL,
    created_at       timestamptz NOT NULL,
    retired_at       timestamptz,
    merged_into      bigint REFERENCES vehicles CHECK (merged_into <> id), -- its rows are that vehicle's
    FOREIGN KEY (organisation_id, platform) REFERENCES platforms (organisation_id, id)
);
-- The name of a vehicle that was merged away is an alias of the other.
CREATE UNIQUE INDEX vehicles_by_name ON vehicles (organisation_id, name) WHERE merged_into IS NULL;

CREATE TABLE vehicle_aliases (
    organisation_id uuid NOT NULL REFERENCES organisations,
    alias           text NOT NULL CHECK (alias ~ '^[a-z0-9._-]{1,64}$'),
    vehicle_id      bigint NOT NULL REFERENCES vehicles,
    created_at      timestamptz NOT NULL,
    PRIMARY KEY (organisation_id, alias)
);
CREATE INDEX vehicle_aliases_by_vehicle ON vehicle_aliases (vehicle_id);

-- What the worker remembers of a vehicle. The row's lock makes its changes one
-- after the other.
CREATE TABLE vehicle_states (
    vehicle_id       bigint PRIMARY KEY REFERENCES vehicles,
    organisation_id  uuid NOT NULL REFERENCES organisations,
    memory           bytea, -- of the trend
    params_version   text NOT NULL DEFAULT '',
    rule             jsonb NOT NULL DEFAULT '{}', -- memory of the warn rule
    last_measured_at timestamptz,
    last_shop        text NOT NULL DEFAULT '',
    checkpointed_at  timestamptz, -- day of the newest checkpoint
    changed_at       timestamptz, -- a change to be evaluated as of this time; NULL: none
    replay_from      timestamptz, -- the day from which the memory has to be made anew; NULL: it stands
    backfilled_at    timestamptz, -- when the last old record came that no history pass has seen; NULL: none
    first_live_at    timestamptz, -- first evaluation that was not of old records
    evaluated_at     timestamptz, -- latest evaluation
    daily_through    timestamptz, -- latest day of the daily pass
    outlook_kept_at  timestamptz, -- when an outlook was last appended to outlooks
    outlook_state    smallint NOT NULL DEFAULT 0 CHECK (outlook_state BETWEEN 0 AND 5)
) WITH (fillfactor = 70);
CREATE INDEX vehicle_states_changed ON vehicle_states (changed_at) WHERE changed_at IS NOT NULL OR replay_from IS NOT NULL;
CREATE INDEX vehicle_states_backfilled ON vehicle_states (organisation_id, backfilled_at) WHERE backfilled_at IS NOT NULL;

-- The memory as it was when its open day was `day`, with every row up to the
-- end of that day.
CREATE TABLE vehicle_checkpoints (
    vehicle_id      bigint NOT NULL REFERENCES vehicles,
    day             timestamptz NOT NULL,
    organisation_id uuid NOT NULL REFERENCES organisations,
    memory          bytea NOT NULL,
    PRIMARY KEY (vehicle_id, day)
);

-- Memories are written with every batch. LZ4 packs them as well as the default
-- method in a tenth of the time; a server built without it keeps the default.
DO $$
BEGIN
    ALTER TABLE vehicle_states ALTER COLUMN memory SET COMPRESSION lz4;
    ALTER TABLE vehicle_checkpoints ALTER COLUMN memory SET COMPRESSION lz4;
EXCEPTION
    WHEN feature_not_supported OR invalid_parameter_value THEN NULL;
END
$$;

CREATE TABLE repairs (
    id              uuid PRIMARY KEY, -- UUIDv7
    organisation_id uuid NOT NULL REFERENCES organisations,
    vehicle_id      bigint NOT NULL REFERENCES vehicles,
    component       smallint NOT NULL CHECK (component BETWEEN 1 AND 11),
    kind            smallint NOT NULL CHECK (kind BETWEEN 1 AND 3),
    occurred_at     timestamptz NOT NULL,
    note            text NOT NULL DEFAULT '',
    request_id      text NOT NULL DEFAULT '',
    created_at      timestamptz NOT NULL
);
CREATE INDEX repairs_by_vehicle ON repairs (vehicle_id, occurred_at);
CREATE UNIQUE INDEX repairs_by_request ON repairs (organisation_id, request_id) WHERE request_id <> '';

CREATE TABLE codes (
    organisation_id uuid NOT NULL REFERENCES organisations,
    vehicle_id      bigint NOT NULL REFERENCES vehicles,
    code            text NOT NULL CHECK (code <> ''),
    set_at          timestamptz NOT NULL,
    received_at     timestamptz NOT NULL,
    PRIMARY KEY (vehicle_id, set_at, code)
);
