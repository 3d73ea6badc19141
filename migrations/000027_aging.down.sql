ALTER TABLE latest_outlooks DROP COLUMN aging;
DROP FUNCTION aging_of_parts(jsonb);
