-- What was said of vehicles, and when. Rows are appended and never rewritten;
-- of a warning, columns that say what became of it are set once.
CREATE TABLE outlooks (
    organisation_id uuid NOT NULL REFERENCES organisations,
    vehicle_id      bigint NOT NULL REFERENCES vehicles,
    evaluated_at    timestamptz NOT NULL,
    state           smallint NOT NULL CHECK (state BETWEEN 1 AND 5),
    p30             double precision NOT NULL CHECK (p30 BETWEEN 0 AND 1),
    p90             double precision NOT NULL CHECK (p90 BETWEEN 0 AND 1),
    days_p10        double precision, -- NULL: beyond two years
    days_p50        double precision,
    days_p90        double precision,
    limiting        smallint NOT NULL DEFAULT 0 CHECK (limiting BETWEEN 0 AND 11),
    reason          text NOT NULL,
    details         jsonb NOT NULL, -- the whole outlook
    params_version  text NOT NULL,
    backfilled      boolean NOT NULL DEFAULT false,
    PRIMARY KEY (vehicle_id, evaluated_at)
);

-- The latest of each vehicle, for the lists.
CREATE TABLE latest_outlooks (
    vehicle_id       bigint PRIMARY KEY REFERENCES vehicles,
    organisation_id  uuid NOT NULL REFERENCES organisations,
    evaluated_at     timestamptz NOT NULL,
    state            smallint NOT NULL CHECK (state BETWEEN 1 AND 5),
    p30              double precision NOT NULL CHECK (p30 BETWEEN 0 AND 1),
    p90              double precision NOT NULL CHECK (p90 BETWEEN 0 AND 1),
    days_p10         double precision,
    days_p50         double precision,
    days_p90         double precision,
    limiting         smallint NOT NULL DEFAULT 0 CHECK (limiting BETWEEN 0 AND 11),
    reason           text NOT NULL,
    details          jsonb NOT NULL,
    params_version   text NOT NULL
) WITH (fillfactor = 80);
-- Most urgent first.
CREATE INDEX latest_outlooks_urgent ON latest_outlooks (organisation_id, p90 DESC, vehicle_id);

CREATE TABLE warnings (
    id                uuid PRIMARY KEY, -- UUIDv7
    organisation_id   uuid NOT NULL REFERENCES organisations,
    vehicle_id        bigint NOT NULL REFERENCES vehicles,
    kind              smallint NOT NULL CHECK (kind BETWEEN 1 AND 4),
    component         smallint NOT NULL DEFAULT 0 CHECK (component BETWEEN 0 AND 11),
    raised_at         timestamptz NOT NULL, -- evaluation time
    probability       double precision NOT NULL CHECK (probability BETWEEN 0 AND 1),
    days_p50          double precision,
    reason            text NOT NULL,
    backfilled        boolean NOT NULL DEFAULT false, -- found in old records
    news              boolean NOT NULL DEFAULT true CHECK (news OR backfilled), -- somebody was told; not what old records began and ended
    ended_at          timestamptz CHECK (ended_at >= raised_at),
    end_reason        text NOT NULL DEFAULT '',
    acknowledged_at   timestamptz,
    acknowledge_note  text NOT NULL DEFAULT '',
    finding           smallint NOT NULL DEFAULT 0 CHECK (finding BETWEEN 0 AND 3),
    finding_component smallint NOT NULL DEFAULT 0 CHECK (finding_component BETWEEN 0 AND 11),
    finding_note      text NOT NULL DEFAULT '',
    finding_at        timestamptz CHECK ((finding = 0) = (finding_at IS NULL))
);
-- One of a kind stands at a time for a component of a vehicle.
CREATE UNIQUE INDEX warnings_standing ON warnings (vehicle_id, kind, component) WHERE ended_at IS NULL;
CREATE INDEX warnings_newest ON warnings (organisation_id, raised_at DESC, id DESC);
CREATE INDEX warnings_by_vehicle ON warnings (vehicle_id, raised_at DESC);
