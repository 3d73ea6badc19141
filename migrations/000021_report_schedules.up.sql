-- Reports that are made ahead, by a timetable. The worker makes them in the role
-- creepage_report, which sees the rows of the organisation it names and no
-- others, so that row-level security holds for what goes into a file too.
DO $$
BEGIN
    CREATE ROLE creepage_report NOLOGIN;
EXCEPTION
    WHEN duplicate_object OR unique_violation THEN NULL;
END
$$;
-- Roles belong to the whole server: migrations of its other databases may be
-- doing the same at this moment, and then it is done.
DO $$
BEGIN
    GRANT creepage_report TO creepage_worker;
EXCEPTION
    WHEN unique_violation OR internal_error THEN NULL; -- tuple concurrently updated
END
$$;
GRANT USAGE ON SCHEMA public TO creepage_report;
DO $$
DECLARE
    tenant text;
BEGIN
    FOREACH tenant IN ARRAY ARRAY ['shops', 'meters', 'calibrations', 'param_sets', 'platforms', 'platform_versions', 'vehicles', 'vehicle_aliases',
        'vehicle_states', 'repairs', 'codes', 'readings', 'outlooks', 'latest_outlooks', 'warnings'] LOOP
        EXECUTE format('CREATE POLICY reported_rows ON %I FOR SELECT TO creepage_report USING (organisation_id = (SELECT current_organisation()))', tenant);
        EXECUTE format('GRANT SELECT ON %I TO creepage_report', tenant);
    END LOOP;
END
$$;
CREATE POLICY reported_rows ON organisations FOR SELECT TO creepage_report USING (id = (SELECT current_organisation()));
GRANT SELECT ON organisations TO creepage_report;

CREATE TABLE report_schedules (
    id              uuid PRIMARY KEY, -- UUIDv7
    organisation_id uuid NOT NULL REFERENCES organisations,
    title           text NOT NULL DEFAULT '',
    report          text NOT NULL,
    format          text NOT NULL,
    filter          text NOT NULL DEFAULT '',
    columns         text[] NOT NULL DEFAULT '{}',
    as_of           smallint NOT NULL DEFAULT 1 CHECK (as_of BETWEEN 1 AND 4), -- ReportSchedule.AsOf
    span            smallint NOT NULL DEFAULT 1 CHECK (span BETWEEN 1 AND 5), -- ReportSchedule.Span
    frequency       smallint NOT NULL CHECK (frequency BETWEEN 1 AND 3), -- ReportSchedule.Frequency
    weekday         smallint NOT NULL DEFAULT 1 CHECK (weekday BETWEEN 1 AND 7),
    month_day       smallint NOT NULL DEFAULT 1 CHECK (month_day BETWEEN 1 AND 31),
    hour            smallint NOT NULL DEFAULT 6 CHECK (hour BETWEEN 0 AND 23),
    time_zone       text NOT NULL DEFAULT '',
    destination     text NOT NULL,
    folder          text NOT NULL DEFAULT '',
    next_at         timestamptz NOT NULL,
    created_at      timestamptz NOT NULL,
    disabled_at     timestamptz,
    deleted_at      timestamptz
);

CREATE TABLE report_runs (
    id              uuid PRIMARY KEY, -- UUIDv7
    organisation_id uuid NOT NULL REFERENCES organisations,
    schedule_id     uuid NOT NULL REFERENCES report_schedules,
    due_at          timestamptz NOT NULL,
    asked           boolean NOT NULL DEFAULT false,
    as_of           timestamptz NOT NULL,
    start_at        timestamptz, -- of the rows' range; NULL: from the first on
    report          text NOT NULL,
    format          text NOT NULL,
    filter          text NOT NULL DEFAULT '',
    columns         text[] NOT NULL DEFAULT '{}',
    destination     text NOT NULL,
    path            text NOT NULL, -- within the organisation's folder
    status          smallint NOT NULL DEFAULT 1 CHECK (status BETWEEN 1 AND 3), -- ReportRun.State
    attempts        integer NOT NULL DEFAULT 0 CHECK (attempts >= 0),
    next_attempt_at timestamptz NOT NULL,
    ordered_at      timestamptz, -- when its job was last made; NULL: it has none
    held_until      timestamptz, -- by the worker that is making it
    last_error      text NOT NULL DEFAULT '',
    created_at      timestamptz NOT NULL,
    finished_at     timestamptz CHECK ((finished_at IS NULL) = (status = 1)),
    bytes           bigint NOT NULL DEFAULT 0,
    rows            bigint NOT NULL DEFAULT 0,
    sha256          bytea,
    CHECK (status <> 2 OR sha256 IS NOT NULL),
    UNIQUE (organisation_id, destination, path) -- one run, one file
);
CREATE UNIQUE INDEX report_runs_once ON report_runs (schedule_id, due_at) WHERE NOT asked; -- one time, one run

DO $$
DECLARE
    tenant text;
BEGIN
    FOREACH tenant IN ARRAY ARRAY ['report_schedules', 'report_runs'] LOOP
        EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', tenant);
        EXECUTE format('ALTER TABLE %I FORCE ROW LEVEL SECURITY', tenant);
        EXECUTE format('CREATE POLICY own_rows ON %I TO creepage_api '
            'USING (organisation_id = (SELECT current_organisation())) WITH CHECK (organisation_id = (SELECT current_organisation()))', tenant);
        EXECUTE format('CREATE POLICY all_rows ON %I TO creepage_worker USING (true) WITH CHECK (true)', tenant);
    END LOOP;
END
$$;
GRANT SELECT, INSERT, UPDATE ON report_schedules TO creepage_api;
GRANT SELECT, INSERT, UPDATE (status, attempts, next_attempt_at, ordered_at, last_error, finished_at) ON report_runs TO creepage_api;
GRANT SELECT, UPDATE (next_at), DELETE ON report_schedules TO creepage_worker;
GRANT SELECT, INSERT, DELETE, UPDATE (status, attempts, next_attempt_at, ordered_at, held_until, last_error, finished_at, bytes, rows, sha256) ON report_runs TO creepage_worker;
