-- Older programs know lines without a bend: what was seen to bring a code is stated as it was.
ALTER TABLE param_sets NO FORCE ROW LEVEL SECURITY;
UPDATE param_sets SET params = params - 'slip_share' || (
	SELECT jsonb_object_agg(name, c - 'unseen' - 'seen' || jsonb_build_object('shift', (c ->> 'seen')::float8 + 2 * (c ->> 'scale')::float8))
	FROM (VALUES ('calibration', params -> 'calibration'), ('calibration_testers', params -> 'calibration_testers')) AS calibrations (name, c))
WHERE params ? 'slip_share';
ALTER TABLE param_sets FORCE ROW LEVEL SECURITY;
