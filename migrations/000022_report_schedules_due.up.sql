CREATE INDEX report_schedules_due ON report_schedules (next_at) WHERE disabled_at IS NULL AND deleted_at IS NULL;
CREATE INDEX report_runs_due ON report_runs (next_attempt_at) WHERE status = 1;
CREATE INDEX report_runs_newest ON report_runs (schedule_id, created_at DESC, id DESC);
CREATE INDEX report_runs_age ON report_runs (created_at);
