-- Older programs know lines without a bend: chances of which something was seen are stated as they were, those of
-- vehicles of which nothing was seen by the straight line again.
ALTER TABLE param_sets NO FORCE ROW LEVEL SECURITY;
UPDATE param_sets SET params = params - 'slip_share' || coalesce((
	SELECT jsonb_object_agg(name, c - 'unseen' - 'seen' || jsonb_build_object('shift', (c ->> 'seen')::float8 + 2 * (c ->> 'scale')::float8))
	FROM (VALUES ('calibration', params -> 'calibration'), ('calibration_testers', params -> 'calibration_testers')) AS calibrations (name, c) WHERE c ? 'seen'), '{}')
WHERE params ? 'slip_share';
ALTER TABLE param_sets FORCE ROW LEVEL SECURITY;
