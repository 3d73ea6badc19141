DROP INDEX report_schedules_due, report_runs_due, report_runs_newest, report_runs_age;
