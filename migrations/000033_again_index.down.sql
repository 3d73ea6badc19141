DROP INDEX vehicle_states_again;
