-- When a vehicle is to be evaluated again though nothing has changed: a warning is raised then unless what arrives until then takes it back.
ALTER TABLE vehicle_states ADD COLUMN again_at timestamptz;
