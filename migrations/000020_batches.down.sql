DROP TYPE new_reading;
ALTER TABLE vehicle_states DROP COLUMN since_checkpoint;
