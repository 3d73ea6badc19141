ALTER TABLE outlooks DROP COLUMN lesson;
REVOKE UPDATE (learned_at) ON organisations FROM creepage_worker;
ALTER TABLE organisations DROP COLUMN learned_at;
ALTER TABLE param_sets DROP COLUMN source, DROP COLUMN track_version, DROP COLUMN anew, DROP COLUMN vehicles, DROP COLUMN readings, DROP COLUMN codes, DROP COLUMN reasons;
