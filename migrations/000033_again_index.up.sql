CREATE INDEX vehicle_states_again ON vehicle_states (again_at) WHERE again_at IS NOT NULL;
