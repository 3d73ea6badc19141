-- Tenants, their shops and meters, keys, and who did what.
CREATE TABLE organisations (
    id         uuid PRIMARY KEY, -- UUIDv7
    name       text NOT NULL UNIQUE CHECK (name ~ '^[a-z0-9._-]{1,64}$'),
    title      text NOT NULL DEFAULT '',
    settings   jsonb NOT NULL DEFAULT '{}', -- policy of the warn rule
    created_at timestamptz NOT NULL
);

CREATE TABLE shops (
    organisation_id uuid NOT NULL REFERENCES organisations,
    id              text NOT NULL CHECK (id ~ '^[a-z0-9._-]{1,64}$'),
    title           text NOT NULL DEFAULT '',
    created_at      timestamptz NOT NULL,
    PRIMARY KEY (organisation_id, id)
);

CREATE TABLE meters (
    organisation_id uuid NOT NULL REFERENCES organisations,
    id              text NOT NULL CHECK (id ~ '^[a-z0-9._-]{1,64}$'),
    title           text NOT NULL DEFAULT '',
    shop            text,
    range_ohms      double precision CHECK (range_ohms > 0),
    created_at      timestamptz NOT NULL,
    retired_at      timestamptz,
    PRIMARY KEY (organisation_id, id),
    FOREIGN KEY (organisation_id, shop) REFERENCES shops (organisation_id, id)
);

CREATE TABLE calibrations (
    organisation_id uuid NOT NULL,
    meter           text NOT NULL,
    calibrated_at   timestamptz NOT NULL,
    due_at          timestamptz CHECK (due_at > calibrated_at),
    certificate     text NOT NULL DEFAULT '',
    created_at      timestamptz NOT NULL,
    PRIMARY KEY (organisation_id, meter, calibrated_at),
    FOREIGN KEY (organisation_id, meter) REFERENCES meters (organisation_id, id)
);

CREATE TABLE keys (
    id              uuid PRIMARY KEY, -- UUIDv7
    organisation_id uuid NOT NULL REFERENCES organisations,
    title           text NOT NULL DEFAULT '',
    role            smallint NOT NULL CHECK (role BETWEEN 1 AND 5), -- numbers of Key.Role in the contract
    shop            text,
    secret_hash     bytea NOT NULL UNIQUE CHECK (length(secret_hash) = 32), -- SHA-256
    created_at      timestamptz NOT NULL,
    expires_at      timestamptz,
    last_used_at    timestamptz,
    revoked_at      timestamptz,
    FOREIGN KEY (organisation_id, shop) REFERENCES shops (organisation_id, id)
);
CREATE INDEX keys_by_organisation ON keys (organisation_id, created_at DESC, id DESC);

CREATE TABLE audit (
    id              bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    organisation_id uuid NOT NULL REFERENCES organisations,
    at              timestamptz NOT NULL,
    key             text NOT NULL DEFAULT '', -- id of the key it was done with
    action          text NOT NULL,
    resource        text NOT NULL DEFAULT '',
    note            text NOT NULL DEFAULT ''
);
CREATE INDEX audit_by_organisation ON audit (organisation_id, id DESC);

CREATE TABLE param_sets (
    organisation_id uuid NOT NULL REFERENCES organisations,
    version         text NOT NULL CHECK (version <> ''),
    params          jsonb NOT NULL,
    report          jsonb NOT NULL DEFAULT '{}',
    created_at      timestamptz NOT NULL,
    PRIMARY KEY (organisation_id, version)
);
