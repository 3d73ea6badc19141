-- Views for analysts: words instead of numbers, current names, one row a thing.
-- They run with the rights of who asks (PostgreSQL 15), so that row-level
-- security holds in them.
CREATE FUNCTION report_component(n smallint) RETURNS text LANGUAGE sql IMMUTABLE PARALLEL SAFE AS
$$ SELECT (ARRAY ['battery', 'cable', 'inverter', 'motor', 'generator', 'compressor', 'converter', 'charger', 'heater', 'fuel_cell', 'system'])[n] $$;

CREATE VIEW report_readings WITH (security_invoker = true) AS
SELECT r.reading_id, r.shop, v.name AS vehicle, r.platform, r.measured_at,
    (ARRAY ['tester', 'monitor', 'voltmeter'])[r.method] AS method,
    report_component(r.component) AS component,
    (ARRAY ['hv_plus', 'hv_minus', 'phase_u', 'phase_v', 'phase_w', 'all'])[r.conductor] AS conductor,
    (ARRAY ['chassis', 'shield'])[r.reference] AS reference,
    (ARRAY ['=', '>', '<'])[r.relation] AS relation,
    r.ohms AS resistance_ohm, r.test_volts AS test_volt, r.hold_seconds AS hold_s, r.air_celsius AS temperature_c, r.humidity_pct,
    r.part_celsius AS part_temperature_c, r.meter, r.range_ohms AS range_ohm, r.visit,
    CASE WHEN r.component = 11 THEN (ARRAY ['parallel', 'weaker_pole'])[r.quantity] END AS quantity,
    r.received_at, r.qualification, r.precautions, r.backfill, r.void_reason
FROM readings r JOIN vehicles v ON v.id = r.vehicle_id;

CREATE VIEW report_outlooks WITH (security_invoker = true) AS
SELECT v.name AS vehicle, v.platform, o.evaluated_at, (ARRAY ['steady', 'falling', 'due', 'under', 'unknown'])[o.state] AS state,
    o.p30 AS code_probability_30d, o.p90 AS code_probability_90d, o.days_p10 AS days_to_code_p10, o.days_p50 AS days_to_code_p50, o.days_p90 AS days_to_code_p90,
    report_component(o.limiting) AS limiting_component, o.reason, (o.details ->> 'measureAgainBy')::date AS measure_again_by, s.last_shop, s.last_measured_at,
    o.params_version AS parameter_version
FROM latest_outlooks o JOIN vehicles v ON v.id = o.vehicle_id LEFT JOIN vehicle_states s ON s.vehicle_id = o.vehicle_id
WHERE v.retired_at IS NULL AND v.merged_into IS NULL;

-- What was said over time; of quiet vehicles once a week.
CREATE VIEW report_said WITH (security_invoker = true) AS
SELECT v.name AS vehicle, v.platform, o.evaluated_at, (ARRAY ['steady', 'falling', 'due', 'under', 'unknown'])[o.state] AS state,
    o.p30 AS code_probability_30d, o.p90 AS code_probability_90d, o.days_p50 AS days_to_code_p50, report_component(o.limiting) AS limiting_component, o.backfilled
FROM outlooks o JOIN vehicles v ON v.id = o.vehicle_id;

CREATE VIEW report_warnings WITH (security_invoker = true) AS
SELECT w.id AS warning, v.name AS vehicle, v.platform, (ARRAY ['code_due', 'under_code_limit', 'under_service_limit', 'sudden_drop'])[w.kind] AS kind,
    report_component(w.component) AS component, w.raised_at, w.probability AS code_probability, w.days_p50 AS days_to_code_p50, w.reason, w.ended_at, w.end_reason,
    w.acknowledged_at, (ARRAY ['not_looked_at', 'fault_found', 'nothing_found'])[w.finding] AS finding, w.finding_at, w.backfilled
FROM warnings w JOIN vehicles v ON v.id = w.vehicle_id;

CREATE VIEW report_repairs WITH (security_invoker = true) AS
SELECT v.name AS vehicle, v.platform, report_component(r.component) AS component, (ARRAY ['replaced', 'repaired', 'cleaned'])[r.kind] AS kind, r.occurred_at, r.note
FROM repairs r JOIN vehicles v ON v.id = r.vehicle_id;

CREATE VIEW report_codes WITH (security_invoker = true) AS
SELECT v.name AS vehicle, v.platform, c.code, c.set_at, c.received_at FROM codes c JOIN vehicles v ON v.id = c.vehicle_id;

GRANT SELECT ON report_readings, report_outlooks, report_said, report_warnings, report_repairs, report_codes TO creepage_analyst;
