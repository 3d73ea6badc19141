ALTER TABLE vehicle_states DROP COLUMN again_at;
