ALTER TABLE latest_outlooks DROP COLUMN measure_again_by;
