DROP TABLE report_runs, report_schedules;
DO $$
DECLARE
    tenant text;
BEGIN
    FOREACH tenant IN ARRAY ARRAY ['shops', 'meters', 'calibrations', 'param_sets', 'platforms', 'platform_versions', 'vehicles', 'vehicle_aliases',
        'vehicle_states', 'repairs', 'codes', 'readings', 'outlooks', 'latest_outlooks', 'warnings', 'organisations'] LOOP
        EXECUTE format('DROP POLICY reported_rows ON %I', tenant);
        EXECUTE format('REVOKE SELECT ON %I FROM creepage_report', tenant);
    END LOOP;
END
$$;
REVOKE USAGE ON SCHEMA public FROM creepage_report;
