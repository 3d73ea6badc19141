DROP FUNCTION make_reading_partition(date);
DROP TABLE reading_conflicts, readings;
