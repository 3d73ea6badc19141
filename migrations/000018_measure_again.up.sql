-- The day to measure again by, beside the outlook it stands in: a list ordered
-- or filtered by it need not read every outlook whole.
ALTER TABLE latest_outlooks ADD COLUMN measure_again_by text GENERATED ALWAYS AS (details ->> 'measureAgainBy') STORED;
