DROP VIEW report_codes, report_repairs, report_warnings, report_said, report_outlooks, report_readings;
DROP FUNCTION report_component(smallint);
